"""The answer kept beside the report as ``report/answer.json``: what was answered, and from which files.

It carries the hash of every file it rests on, so that a reader can tell an answer that still holds from one whose
results have changed since.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

from doe.errors import DoeError
from doe.report import answering
from doe.window.window import Window
from doe.window.words import box_words

NAME: Final = "answer.json"
"""Its name inside the report's folder."""
INPUTS: Final = ("study.toml", "plan*.csv", "results*.csv", "results*.xlsx", "claim.json")
"""The files of a study that an answer rests on."""
LARGEST_BYTES: Final = 5_000_000
"""An answer is a few thousand bytes; what is larger was not written here. [byte]"""


@dataclass(frozen=True)
class KeptAnswer:
    """What stands in answer.json.

    Attributes
    ----------
    version, fingerprint, seed
        What made it, and of which question.
    standing : str
        Whether the claim was confirmed, as the report says it.
    heading : str
        The answer's heading on the report.
    setting : str
        The window in words; empty where there is none.
    sentence : str
        What is claimed, in one sentence; empty where nothing is.
    window : mapping
        As ``window --json`` prints it.
    inputs : mapping of str to str
        SHA-256 of every file it rests on.
    """

    version: str
    fingerprint: str
    seed: int
    standing: str
    heading: str
    setting: str
    sentence: str
    window: Mapping[str, Any]
    inputs: Mapping[str, str]

    def text(self) -> str:
        """Give the file's text; the same answer gives the same bytes."""
        return json.dumps({"schema": 1, **asdict(self)}, ensure_ascii=False, allow_nan=False, indent=1) + "\n"

    def rests_on(self, folder: Path) -> bool:
        """Whether a study's folder still holds exactly the files the answer was made from."""
        return dict(self.inputs) == input_hashes(folder)


def kept_answer(window: Window, *, standing: str) -> KeptAnswer:
    """Take down an answer.

    Parameters
    ----------
    window : Window
    standing : str
        Whether the claim was confirmed, as the report says it.
    """
    study, box = window.study, window.answer.box
    return KeptAnswer(
        version=version("weldwindow"),
        fingerprint=study.fingerprint,
        seed=window.seed,
        standing=standing,
        heading=answering.heading(window),
        setting="" if box is None else box_words(study, box),
        sentence="" if box is None else answering.sentence(window),
        window=window.to_dict(),
        inputs=input_hashes(study.folder),
    )


def input_files(folder: Path) -> tuple[Path, ...]:
    """Give the files of a study that its answer rests on, by name; those kept aside under a number do not count."""
    found = {path for pattern in INPUTS for path in folder.glob(pattern) if path.is_file() and "." not in path.stem}
    return tuple(sorted(found))


def input_hashes(folder: Path) -> dict[str, str]:
    """Give the SHA-256 of each file an answer rests on."""
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in input_files(folder)}


def read_answer(folder: Path) -> KeptAnswer | None:
    """Read the answer beside a study's report; None where there is none.

    Parameters
    ----------
    folder : Path
        The study's folder.

    Raises
    ------
    DoeError
        If the file is there but is not what the report wrote.
    """
    path = folder / "report" / NAME
    if not path.is_file():
        return None
    try:
        if path.stat().st_size > LARGEST_BYTES:
            raise ValueError(path)
        held = json.loads(path.read_text(encoding="utf-8"))
        fields = {name: held[name] for name in KeptAnswer.__dataclass_fields__}
        kept = KeptAnswer(**fields)
        if held["schema"] != 1 or not all(isinstance(part, dict) for part in (kept.window, kept.inputs)):
            raise ValueError(path)
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        message = f"{path} is not as the report wrote it; “weldwindow report {folder}” makes it again"
        raise DoeError(message) from error
    return kept
