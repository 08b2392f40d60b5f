"""What a user can put right.

Anything that is not a ``DoeError`` is a fault of this program and shows its traceback.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Final

INVALID_INPUT: Final = 3
"""Exit code: the input is invalid."""
CANNOT_ANSWER: Final = 4
"""Exit code: the input is fine, but the question cannot be answered."""
WOULD_OVERWRITE: Final = 5
"""Exit code: something a person wrote would be overwritten."""
CANNOT_WRITE: Final = 6
"""Exit code: a file cannot be written (read-only, disk full, locked)."""


@dataclass(frozen=True)
class Fault:
    """One thing that is wrong in the input, and where.

    Attributes
    ----------
    message : str
        What was found, what is accepted, what to do.
    file, row, column, key : str or int or None
        Where: file name, row as the user counts it (1 is the first line of the file), column heading,
        key of study.toml.
    """

    message: str
    file: str | None = None
    row: int | None = None
    column: str | None = None
    key: str | None = None

    def to_dict(self) -> dict[str, str | int | None]:
        """Give the fault as the ``--json`` refusal prints it."""
        return asdict(self)

    def __str__(self) -> str:
        """Give one line: place first, then the message."""
        parts = [
            self.file,
            None if self.row is None else f"row {self.row}",
            None if self.column is None else f"column “{self.column}”",
            None if self.key is None else f"{self.key}",
        ]
        place = ", ".join(part for part in parts if part)
        return f"{place}: {self.message}" if place else self.message


class DoeError(Exception):
    """Something the user can put right.

    Parameters
    ----------
    message : str
        One plain sentence.
    faults : iterable of Fault
        Every fault found, each with its place.
    """

    exit_code: int = INVALID_INPUT

    def __init__(self, message: str, faults: Iterable[Fault] = ()) -> None:
        super().__init__(message)
        self.message = message
        self.faults: tuple[Fault, ...] = tuple(faults)

    def __str__(self) -> str:
        """Give the sentence and each fault on a line of its own."""
        return "\n".join([self.message, *(f"  {fault}" for fault in self.faults)])


class StudyError(DoeError):
    """The study file is invalid."""


class ResultsError(DoeError):
    """A table of results or a plan is invalid."""


class CannotAnswerError(DoeError):
    """The input is fine, but the question cannot be answered from it."""

    exit_code = CANNOT_ANSWER


class WouldOverwriteError(DoeError):
    """Something a person wrote would be overwritten."""

    exit_code = WOULD_OVERWRITE


class CannotWriteError(DoeError):
    """A file cannot be written."""

    exit_code = CANNOT_WRITE


def quoted(value: object, *, longest: int = 60) -> str:
    """Quote what was found for a message: on one line, control characters visible, shortened where long."""
    text = str(value)
    if len(text) > longest:
        text = text[: longest - 1] + "…"
    return "“" + "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text) + "”"


def nearest(word: str, known: Iterable[str]) -> str:
    """Give the known word that is written most like this one; empty where none is near."""
    close = difflib.get_close_matches(word[:60], list(known), n=1, cutoff=0.6)
    return close[0] if close else ""
