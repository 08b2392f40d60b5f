"""What a trade figure is: a value with its unit, its source, and whether the formula holds there."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Final

Value = float | Mapping[str, float | bool | None]
"""A number, or the named numbers of a band or of a table's row."""

MM_PER_INCH: Final = 25.4
"""International inch. [mm] International yard and pound agreement, 1959; exact by definition. Holds everywhere."""
ROUNDING: Final = 1e-9
"""Relative slack at a bound, so that 12.7 kJ/in counts as 0.5 kJ/mm. [1] Our choice, no source; not of the trade."""


@dataclass(frozen=True)
class Source:
    """Where a formula or a table is from.

    Attributes
    ----------
    text : str
        Standard or paper, edition, clause or table.
    from_memory : bool
        Whether it was recalled rather than seen: check it before a claim rests on it.
    """

    text: str
    from_memory: bool = True


@dataclass(frozen=True)
class Bound:
    """The range of one input in which a formula holds, both ends included.

    Attributes
    ----------
    what : str
        The input, in words.
    low, high : float
    unit : str
        Empty for a bare number.
    """

    what: str
    low: float
    high: float
    unit: str = ""

    def breach(self, value: float) -> str:
        """Say how a value breaks the bound; empty where it does not.

        Examples
        --------
        >>> Bound("thickness", 10.0, 90.0, "mm").breach(6.0)
        'thickness is 6 mm, below 10 mm: the range is 10 to 90 mm'
        """
        unit = f" {self.unit}" if self.unit else ""
        span = f"the range is {self.low:g} to {self.high:g}{unit}"
        if below(value, self.low):
            return f"{self.what} is {value:.6g}{unit}, below {self.low:g}{unit}: {span}"
        if above(value, self.high):
            return f"{self.what} is {value:.6g}{unit}, above {self.high:g}{unit}: {span}"
        return ""

    def __str__(self) -> str:
        """Give the range in words."""
        return f"{self.what} {self.low:g} to {self.high:g}{f' {self.unit}' if self.unit else ''}"


@dataclass(frozen=True)
class Figure:
    """One trade figure.

    Attributes
    ----------
    value : float or mapping or None
        None where the formula does not hold: no number is given as if it did.
    unit : str
    valid : bool
    notes : tuple of str
        What was assumed; where not valid, which bound is broken.
    source : str
    from_memory : bool
        Whether any part of formula or table was recalled rather than seen.
    inputs : mapping
        What it was worked out from, by input name, in the unit the function's argument names.
    """

    value: Value | None
    unit: str
    valid: bool
    notes: tuple[str, ...]
    source: str
    from_memory: bool
    inputs: Mapping[str, float | str] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def number(self) -> float:
        """The value, where it is valid and a single number.

        Raises
        ------
        ValueError
            If it is not: ask ``valid`` first.
        """
        if not isinstance(self.value, float | int) or isinstance(self.value, bool):
            message = f"the figure is not a single valid number: {'; '.join(self.notes)}"
            raise ValueError(message)
        return float(self.value)

    def to_dict(self) -> dict[str, object]:
        """Give the figure as ``figure --json`` prints it, without its name."""
        return {
            "value": dict(self.value) if isinstance(self.value, Mapping) else self.value,
            "unit": self.unit,
            "valid": self.valid,
            "notes": list(self.notes),
            "source": self.source,
            "from_memory": self.from_memory,
            "inputs": dict(self.inputs),
        }


def held(
    value: Value, unit: str, *, source: Source, notes: Iterable[str] = (), inputs: Mapping[str, float | str]
) -> Figure:
    """Make a figure whose formula holds."""
    kept = MappingProxyType(dict(value)) if isinstance(value, Mapping) else float(value)
    return Figure(kept, unit, True, tuple(notes), source.text, source.from_memory, MappingProxyType(dict(inputs)))


def not_held(unit: str, *, source: Source, why: Iterable[str], inputs: Mapping[str, float | str]) -> Figure:
    """Make a figure that has no number, and says why."""
    return Figure(None, unit, False, tuple(why), source.text, source.from_memory, MappingProxyType(dict(inputs)))


def breaches(*checked: tuple[Bound, float]) -> tuple[str, ...]:
    """Say every bound that is broken."""
    return tuple(said for bound, value in checked if (said := bound.breach(value)))


def below(value: float, bound: float) -> bool:
    """Whether a value is below a bound, by more than rounding."""
    return value < bound - ROUNDING * abs(bound)


def above(value: float, bound: float) -> bool:
    """Whether a value is above a bound, by more than rounding."""
    return value > bound + ROUNDING * abs(bound)


def row_of(value: float, upper_bounds: Iterable[float]) -> int:
    """Give the row of a table whose rows are "over A up to and including B", counted from 0.

    Examples
    --------
    >>> [row_of(thickness, (6.0, 12.0, 20.0)) for thickness in (6.0, 6.1, 20.0, 20.1)]
    [0, 1, 2, 3]
    """
    return sum(above(value, bound) for bound in upper_bounds)
