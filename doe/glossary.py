"""The glossary: what each word means, in the words of the shop."""

from __future__ import annotations

import difflib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from doe.errors import DoeError
from doe.shipped import shipped

FILE: Final = "glossary.toml"
"""The shipped table of words."""


@dataclass(frozen=True)
class Entry:
    """One word.

    Attributes
    ----------
    word, text : str
    see : tuple of str
        Words that help further; all of them are in the glossary.
    """

    word: str
    text: str
    see: tuple[str, ...]

    def to_dict(self) -> dict[str, object]:
        """Give the entry as ``explain --json`` prints it."""
        return {"word": self.word, "text": self.text, "see": list(self.see)}


def glossary() -> Mapping[str, Entry]:
    """Read every word, in alphabetical order."""
    held = tomllib.loads(shipped(FILE).read_text(encoding="utf-8"))
    entries = (Entry(word, entry["text"], tuple(entry["see"])) for word, entry in sorted(held.items()))
    return MappingProxyType({entry.word: entry for entry in entries})


def explain(word: str) -> Entry:
    """Explain one word.

    Parameters
    ----------
    word : str
        Upper and lower case, hyphens, and a plural's s do not matter.

    Raises
    ------
    DoeError
        If the glossary does not have it; the nearest words are named.

    Examples
    --------
    >>> explain("Prediction-Bands").word
    'prediction band'
    """
    entries = glossary()
    known = {_plain(name): entry for name, entry in entries.items()}
    wanted = _plain(word)
    found = known.get(wanted) or known.get(wanted.removesuffix("s"))
    if found is not None:
        return found
    near = [name for name in entries if wanted and wanted in _plain(name)]
    near += [known[name].word for name in difflib.get_close_matches(wanted, known, n=3)]
    hint = f"; near it: {', '.join(dict.fromkeys(near))}" if near else "; without a word, all of them are listed"
    message = f"the glossary does not have “{word}”{hint}"
    raise DoeError(message)


def _plain(word: str) -> str:
    """Take case, hyphens and double blanks out of a word."""
    return " ".join(word.lower().replace("-", " ").split())
