"""Which weld and which plate a row speaks of, however its number is typed."""

from __future__ import annotations

import re
from collections.abc import Iterable

from doe.bench.log import Log, Place


def identity(name: str, prefix: str) -> tuple[str, int | str]:
    """Make a number comparable: ``W01``, ``w1``, ``W-1`` and ``1`` are the same weld, ``W01b`` is its second bead.

    Parameters
    ----------
    name : str
        As typed.
    prefix : str
        The letters that a bare number stands for.

    Examples
    --------
    >>> identity("w 1", "w") == identity("W01", "w") == identity("1", "w")
    True
    """
    numbered = re.fullmatch(r"([^\W\d_]*)[\s_\-.]*0*(\d{1,9})(b?)", name.strip().casefold())
    if numbered is None:
        return " ".join(name.casefold().split()), ""
    number = int(numbered[2])
    return numbered[1] or prefix, f"{number}{numbered[3]}" if numbered[3] else number


class Names:
    """Gives the one spelling of each plate (or block): the plan's, or else the first one met."""

    def __init__(self, known: Iterable[str], prefix: str) -> None:
        self.prefix = prefix
        self.spelling = {identity(name, prefix): name for name in known if name}

    def __call__(self, name: str, place: Place, log: Log) -> str:
        """Give the spelling of a name, and note where it differs from what was typed."""
        spelling = self.spelling.setdefault(identity(name, self.prefix), name)
        if spelling != name:
            log.convert(name, spelling, place)
        return spelling
