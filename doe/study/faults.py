"""Collecting faults, so that all are told at once."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from doe.errors import DoeError, Fault, StudyError, nearest, quoted
from doe.units import find_unit, parse_quantity, to_unit

MOST_FAULTS = 200
"""So many are listed; the rest is counted. Nobody reads more, and a hostile file cannot make the list long."""


@dataclass(frozen=True)
class Faults:
    """Every fault found so far in one file."""

    file: str
    found: list[Fault] = field(default_factory=list)

    def at(self, key: str) -> Place:
        """Give the place of a table or entry, such as ``plan`` or ``factor "feed"``."""
        return Place(self, key)

    def raise_if_any(self) -> None:
        """Refuse the file with every fault.

        Raises
        ------
        StudyError
            If there is any.
        """
        if not self.found:
            return
        listed = self.found[:MOST_FAULTS]
        if len(self.found) > MOST_FAULTS:
            listed.append(Fault(f"and {len(self.found) - MOST_FAULTS} more faults", file=self.file))
        number = "1 fault" if len(self.found) == 1 else f"{len(self.found)} faults"
        message = f"{self.file} cannot be used yet: {number} to put right."
        raise StudyError(message, listed)


@dataclass(frozen=True)
class Place:
    """Where in the file something stands."""

    faults: Faults
    key: str = ""

    def add(self, message: str, key: str = "") -> None:
        """Note a fault, at this place or at a key in it."""
        full = ".".join(part for part in (self.key, key) if part)
        self.faults.found.append(Fault(message, file=self.faults.file, key=full or None))

    def inner(self, key: str) -> Place:
        """Give the place of a table in this one."""
        return Place(self.faults, f"{self.key}.{key}")

    def unit(self, text: str, *, key: str = "unit") -> str | None:
        """Give a unit's symbol, empty for a bare ratio; None, and a fault, where it is not known."""
        try:
            symbol = find_unit(text).symbol
        except DoeError as error:
            self.add(error.message, key)
            return None
        return "" if symbol == "1" else symbol

    def amount(
        self, value: float | str, unit: str, *, key: str, difference: bool = False, hint: str = ""
    ) -> float | None:
        """Give a number or text in a unit; None, and a fault with the hint, where it cannot be."""
        try:
            written = parse_quantity(value).unit if isinstance(value, str) else ""
            if written and not unit:
                message = f'{quoted(value)} has a unit, but none is stated here; add unit = "{written}"'
                raise DoeError(message)
            return to_unit(value, unit, difference=difference)
        except DoeError as error:
            self.add(error.message + hint, key)
            return None

    def positive(self, value: float | str | None, unit: str, *, key: str) -> float | None:
        """Give an amount above 0, a bare number being in ``unit``; None where it is not given or is a fault."""
        amount = None if value is None else self.amount(value, unit, key=key)
        if amount is not None and amount <= 0:
            self.add(f"{as_written(value)} is not above 0", key)
            return None
        return amount

    def sized(self, value: float | str | None, unit: str, *, key: str) -> float | None:
        """Give an amount above 0 that must be written with its unit, as a length must: mm or inch is not guessed."""
        bare = not isinstance(value, str) or _is_bare(value)
        if value is not None and bare:
            written = as_written(value)
            self.add(f'{written} has no unit; write it with one, such as "{written.strip("“”")} {unit}"', key)
            return None
        return self.positive(value, unit, key=key)


def as_written(value: float | str | None) -> str:
    """Quote a number or text as a person wrote it."""
    return quoted(f"{value:g}" if isinstance(value, float) else value)


def _is_bare(text: str) -> bool:
    """Whether a text is a number without a unit."""
    try:
        return not parse_quantity(text).unit
    except DoeError:
        return False


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Give `; did you mean “step”?`, or nothing where no known word is near."""
    near = nearest(word, known)
    return f"; did you mean “{near}”?" if near else ""
