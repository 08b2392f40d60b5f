"""What is noted while tables are read: faults, conversions, questions."""

from __future__ import annotations

from dataclasses import dataclass, field

from doe.bench.results import Conversion
from doe.errors import Fault


@dataclass(frozen=True)
class Place:
    """Where a cell stands: file, row as the user counts it, heading."""

    file: str
    row: int
    column: str = ""


@dataclass
class Log:
    """Grows while the tables are read; the faults, conversions and questions are given out together at the end."""

    faults: list[Fault] = field(default_factory=list)
    conversions: list[Conversion] = field(default_factory=list)
    questions: list[Fault] = field(default_factory=list)
    edited: set[tuple[str, int, str]] = field(default_factory=set)

    def fault(self, message: str, place: Place) -> None:
        """Note what is wrong."""
        self.faults.append(Fault(message, place.file, place.row or None, place.column or None))

    def question(self, message: str, place: Place) -> None:
        """Note what is doubtful."""
        self.questions.append(Fault(message, place.file, place.row or None, place.column or None))

    def convert(self, found: str, read_as: str, place: Place) -> None:
        """Note what was read differently from how it stands."""
        self.conversions.append(Conversion(place.file, place.row, place.column, found, read_as))
