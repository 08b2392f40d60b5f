"""What may be entered in each column of the workbook form: a list or limits, and what is said about it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, get_args

from doe.bench.columns import Column
from doe.bench.results import Status
from doe.bench.root_depth import FROM_THE_ROOT, can_miss_the_root, is_root_depth
from doe.study.model import Factor, Response, Study
from doe.study.trips import what_counts
from doe.units import convert

PLACES: Final = ("indoors", "outdoors", "wind")
"""Where it was welded (INTERFACE: results.csv)."""

LARGEST: Final = 9999.0
"""What a number may be where nothing nearer is known. It also catches a fraction that a spreadsheet took for a date,
which is a number of days since 1900 and over 36 000 for any date after 1998."""

LIMITS: Final[dict[str, tuple[float, float]]] = {
    "plate temperature": (-50, 800),
    "rest": (0, 1440),
    "line voltage": (0, 1000),
    "line current": (0, 1000),
    "arc voltage": (0, 100),
    "arc current": (0, 2000),
    "stick-out": (0, 100),
    "gap": (0, 50),
}
"""Limits of the conditions in metric units; outside them a cell asks whether it is right. Our choice."""


@dataclass(frozen=True)
class Entry:
    """What may be entered in one column.

    Attributes
    ----------
    title, guide : str
        The column in a few words, and what goes into it.
    choices : tuple of str
        The list; empty where there is none.
    limits : (float, float) or None
    is_whole : bool
        Whether the number is a count.
    """

    title: str
    guide: str
    choices: tuple[str, ...] = ()
    limits: tuple[float, float] | None = None
    is_whole: bool = False

    @property
    def doubt(self) -> str:
        """What is said where something else is entered."""
        if self.choices:
            return f"Meant is one of: {', '.join(self.choices)}. Keep what you typed?"
        low, high = self.limits or (0.0, LARGEST)
        return (
            f"Meant is {'a whole number' if self.is_whole else 'a number'} from {low:g} to {high:g}. A unit may stand "
            "behind it (3/32 in), a ? means unreadable. Keep what you typed?"
        )


def entry_of(column: Column, study: Study) -> Entry:
    """Say what may be entered in a column that is to be filled in.

    Parameters
    ----------
    column : Column
    study : Study

    Returns
    -------
    Entry
    """
    if column.what == "status":
        guide = "done, aborted (say why in the notes), scrapped or not run; blank is done where anything was measured"
        return Entry("status", guide, get_args(Status))
    if column.what == "actual":
        return _actual(column, study.factor(column.name))
    if column.what in ("reading", "length", "run"):
        return _response(column, study.response(column.name), study)
    if column.what == "condition":
        return _condition(column)
    if column.name == "place":
        return Entry("place", "indoors, outdoors or wind", PLACES)
    known = {"time": "when the arc was struck: 2031-05-04 10:30", "notes": "anything that may matter"}
    return Entry(column.words, known.get(column.name, f"which {column.words} it was"))


def _actual(column: Column, factor: Factor) -> Entry:
    """Give what may be entered for a setting that was not set as planned."""
    guide = "only where it was not set as planned"
    if factor.is_kind:
        return Entry(column.words, guide, factor.kinds)
    if factor.marks and not factor.calibrated:
        return Entry(column.words, guide, factor.marks)
    span = factor.high - factor.low
    marks = f"; or write mark {factor.marks[0]}" if factor.marks else ""
    return Entry(
        column.words,
        f"{guide}, in {column.unit or 'its own steps'}{marks}",
        limits=(factor.low - span, factor.high + span),
    )


def _response(column: Column, response: Response, study: Study) -> Entry:
    if column.what == "length":
        guide = f"length looked at, in {column.unit}: the steady part, without the start and the stop"
        return Entry(column.words, guide, limits=(0, LARGEST))
    if column.what == "run":
        return Entry(column.words, "arc time in s: to the trip, or run without one", limits=(0, 3600))
    if response.kind == "measure":
        full = "" if response.full is None else "; burn-through where it went through"
        where = f" ({FROM_THE_ROOT})" if is_root_depth(response, study) else ""
        guide = f"in {response.unit or 'its own unit'}, on a section at mid-run{where}{full}; ? where it is unreadable"
        largest = LARGEST if response.full is None else response.full
        if not can_miss_the_root(response):
            return Entry(column.words, guide, limits=(0, largest))
        guide += "; no fusion at the root: a minus by how much it falls short, 0 only where that cannot be measured"
        return Entry(column.words, guide, limits=(-largest, largest))
    if response.kind == "count":
        return Entry(column.words, "how many were found: a whole number, 0 for none", limits=(0, 999), is_whole=True)
    guide = "yes or no"
    if response.kind == "trip":
        guide = f"yes or no, also of an aborted weld; {what_counts(study, response)}"
    return Entry(column.words, guide, ("yes", "no"))


def _condition(column: Column) -> Entry:
    limits = (0.0, LARGEST)
    if column.words in LIMITS:
        metric = {"degF": "degC", "in": "mm"}.get(column.unit, column.unit)
        low, high = LIMITS[column.words]
        limits = float(convert(low, metric, column.unit)), float(convert(high, metric, column.unit))
    hint = {
        "plate temperature": " before the arc, about 75 mm (3 in) from the joint",
        "rest": " since the last arc went out",
    }
    return Entry(column.words, f"in {column.unit}{hint.get(column.words, '')}", limits=limits)
