"""Numbers that look like slips: a decimal point, another unit, a value copied down, thicker than the plate."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.bench.asking import question, question_of_all, shown_value, was_run
from doe.bench.results import Counts, Measurement, Results, Trips
from doe.bench.root_depth import is_depth
from doe.coding import FloatArray
from doe.errors import Fault
from doe.study.model import Factor, Response
from doe.units import convert, find_unit, printed_unit

DECIMAL: Final = ((10.0, "a decimal point"), (100.0, "a decimal point"))
FACTORS: Final[Mapping[str, tuple[tuple[float, str], ...]]] = {
    "length": ((25.4, "inches among millimetres"),),
    "speed": (
        (39.37, "in/min among m/min"),
        (25.4, "in/min among mm/min"),
        (60.0, "a second for a minute"),
    ),
    "time": ((60.0, "minutes among seconds"),),
}
"""What a number is out by when it was typed in another unit, by dimension (25.4 mm = 1 in; 1 m = 39.37 in)."""

BULK: Final = 4.0
"""Values within this factor of the median are taken as the column's own. Our choice."""
OUTSIDE: Final = 2.5
"""A value this many times over (or under) the column's own ones is asked about. Our choice."""
ALIKE_IN_A_ROW: Final = 4
"""So many equal measurements one after the other are asked about. Our choice."""
FAR: Final = 0.10
"""A share of a factor's range: an actual setting further from the planned one is asked about. Our choice."""


@dataclass(frozen=True, eq=False)
class NumberColumn:
    """Numbers that should be alike: one column of the table."""

    heading: str
    unit: str
    values: FloatArray


def over_thickness(results: Results) -> Iterator[Fault]:
    """Find penetration deeper than the plate is thick."""
    thickness = results.study.job.thickness_mm
    for response in results.study.responses:
        readings = results.readings[response.name]
        if thickness is None or not isinstance(readings, Measurement) or not is_depth(response):
            continue
        limit = convert(thickness, "mm", response.unit)
        deep = (readings.values > 1.0001 * limit) & (readings.values > readings.full[:, None])
        deep |= (readings.values > 1.0001 * limit) & ~np.isfinite(readings.full)[:, None]
        for i, cut in zip(*np.nonzero(deep), strict=True):
            value = readings.values[i, cut]
            text = f"{value:g} {response.unit} is deeper than the plate is thick ({limit:g} {response.unit})."
            yield question(results, i, response_heading(response, cut + 1), f"{text} {_tenth(value, limit)}")


def far_from_the_others(results: Results) -> Iterator[Fault]:
    """Find values ten times out, or in another unit than the rest of their column."""
    for column in _columns(results):
        for i, guess in _strays(column):
            found = f"{column.values[i]:g} {printed_unit(column.unit)}".rstrip()
            yield question(results, i, column.heading, f"{found} is far from the others. {guess}")


def column_in_other_unit(results: Results) -> Iterator[Fault]:
    """Find a whole column of lengths that would suit its requirement if it were inches."""
    for response in results.study.responses:
        readings = results.readings[response.name]
        aim = next((v for v in (response.at_least, response.at_most) if v is not None and v > 0), None)
        if not isinstance(readings, Measurement) or aim is None or _dimension(response.unit) != "length":
            continue
        values = readings.values[np.isfinite(readings.values) & (readings.values > 0)]
        if len(values) < 3:
            continue
        ratio = float(np.median(values)) / aim
        for factor, found, read in ((25.4, "inches", "millimetres"), (1 / 25.4, "millimetres", "inches")):
            if abs(np.log(ratio)) > np.log(6) and abs(np.log(ratio * factor)) < np.log(3):
                welds = [int(i) for i in np.flatnonzero(np.isfinite(readings.values).any(axis=1))]
                text = (
                    f"the readings are far from the {aim:g} {response.unit} asked for: are they {found} read as {read}?"
                )
                yield question_of_all(results, welds, response_heading(response), text)


def same_value_in_a_row(results: Results) -> Iterator[Fault]:
    """Find the same measurement typed several times one after the other."""
    for response in results.study.responses:
        readings = results.readings[response.name]
        if not isinstance(readings, Measurement):
            continue
        values = np.where(readings.values[:, 0] >= readings.full, np.nan, readings.values[:, 0])
        for run in _runs(values):
            if len(run) >= ALIKE_IN_A_ROW and values[run[0]] != 0:
                text = f"{values[run[0]]:g} {response.unit}".rstrip()
                text = f"{text} stands in {len(run)} rows one after the other. Was each one measured?"
                yield question_of_all(results, run, response_heading(response), text)


def copied_rows(results: Results) -> Iterator[Fault]:
    """Find two welds alike in every measurement; second beads have too few of them."""
    measured = [column.values for column in _columns(results)]
    first: dict[tuple[float, ...], int] = {}
    for i in range(results.n_welds):
        values = tuple(column[i] if np.isfinite(column[i]) else -np.inf for column in measured)
        if sum(np.isfinite(values)) < 3 or results.is_second[i]:
            continue
        other = first.setdefault(values, i)
        if other != i:
            yield question(results, i, "", f"every measurement is that of {results.weld[other]}. Was the row copied?")


def actual_far_from_planned(results: Results) -> Iterator[Fault]:
    """Find a setting that was not set as planned, by more than the dial's own wander."""
    made = was_run(results)
    for j, factor in enumerate(results.study.factors):
        for i in np.flatnonzero(made & (results.settings[:, j] != results.planned[:, j])):
            actual, planned = results.settings[i, j], results.planned[i, j]
            if abs(actual - planned) <= _wander(factor):
                continue
            text = f"planned {shown_value(factor, planned)}, set {shown_value(factor, actual)}."
            hint = "" if factor.is_kind else likely_slip(actual, planned, factor.unit)
            yield question(results, int(i), f"{factor.name} actual", f"{text} {hint or 'Is that right?'}")


def outside_the_region(results: Results) -> Iterator[Fault]:
    """Find a setting outside what the study says can be welded."""
    for j, factor in enumerate(results.study.factors):
        if factor.is_kind or not factor.values:
            continue
        margin = _wander(factor)
        planned = results.planned[:, j]
        for i in np.flatnonzero((planned < factor.low - margin) | (planned > factor.high + margin)):
            region = f"{factor.low:g} to {factor.high:g} {printed_unit(factor.unit)}".rstrip()
            text = f"{shown_value(factor, planned[i])} lies outside {region}"
            hint = _slip_into(float(planned[i]), factor.unit, low=factor.low - margin, high=factor.high + margin)
            yield question(results, int(i), factor.heading, f"{text}. {hint or 'Is that right?'}")


def response_heading(response: Response, cut: int = 1) -> str:
    """``penetration [mm]``, ``penetration 2 [mm]``."""
    words = response.name if cut == 1 else f"{response.name} {cut}"
    return f"{words} [{response.unit}]" if response.unit else words


def _tenth(value: float, limit: float) -> str:
    return f"Is it {value / 10:g}, or burnt through?" if value / 10 <= limit else "Is it in another unit?"


def _columns(results: Results) -> Iterator[NumberColumn]:
    """Give every column of measured numbers that should be alike."""
    for response in results.study.responses:
        readings = results.readings[response.name]
        if isinstance(readings, Measurement):
            for cut, values in enumerate(readings.values.T, start=1):
                yield NumberColumn(response_heading(response, cut), response.unit, values)
        elif isinstance(readings, Counts):
            yield NumberColumn(f"{response.name} length", "mm", readings.length_mm)
        elif isinstance(readings, Trips):
            yield NumberColumn(f"{response.name} time", "s", readings.time_s)
    for key, values in results.conditions.items():
        words, _, unit = key.rpartition(" [")
        yield NumberColumn(words, unit.rstrip("]"), values)


def _strays(column: NumberColumn) -> Iterator[tuple[int, str]]:
    """Find values far outside the column's own ones, and what may have happened to each."""
    dimension = _dimension(column.unit)
    known = np.flatnonzero(np.isfinite(column.values) & (column.values > 0))
    if len(known) < 5 or dimension == "temperature":
        return
    values = column.values[known]
    median = float(np.median(values))
    own = values[(values <= BULK * median) & (values >= median / BULK)]
    low, high = float(own.min()), float(own.max())
    for i in known:
        value = float(column.values[i])
        if low / OUTSIDE <= value <= high * OUTSIDE:
            continue
        is_over = value > high
        fitting = [
            f"{value / factor if is_over else value * factor:.3g} ({why})"
            for factor, why in (*DECIMAL, *FACTORS.get(dimension, ()))
            if low / 1.2 <= (value / factor if is_over else value * factor) <= high * 1.2
        ]
        if fitting:
            yield int(i), f"Is it {' or '.join(fitting)}?"
        elif not low / 20 <= value <= high * 20:
            yield int(i), f"They lie from {low:g} to {high:g}. Is it right?"


def _runs(values: FloatArray) -> Iterator[list[int]]:
    """Give runs of equal values one after the other."""
    run: list[int] = []
    for i, value in enumerate(values):
        if run and value == values[run[-1]]:
            run.append(i)
            continue
        if run:
            yield run
        run = [i] if np.isfinite(value) else []
    if run:
        yield run


def _wander(factor: Factor) -> float:
    """Give how far an actual setting may lie from the planned one without a question."""
    if factor.is_kind:
        return 0.0
    share = FAR * (factor.high - factor.low)
    return max(3 * factor.set_within, share) if factor.set_within else share


def likely_slip(value: float, aim: float, unit: str) -> str:
    """Tell which slip would turn the aim into the value, both in one unit; empty where none would."""
    margin = 5.0 if _dimension(unit) == "temperature" else 0.15 * abs(aim)
    return _slip_into(value, unit, low=aim - margin, high=aim + margin)


def _slip_into(value: float, unit: str, *, low: float, high: float) -> str:
    """Ask about the first slip whose undoing lands between two values; empty where none does."""
    for meant, why in _meanings(value, unit):
        if low <= meant <= high:
            return f"Is it {meant:.3g} {printed_unit(unit)}".rstrip() + f" ({why})?"
    return ""


def _meanings(value: float, unit: str) -> Iterator[tuple[float, str]]:
    """Give what may have been meant, the likeliest first."""
    dimension = _dimension(unit)
    if dimension == "temperature":
        other = "degF" if find_unit(unit).symbol != "degF" else "degC"
        # Either the number was degrees of the other scale, or its heading was.
        yield convert(value, other, unit), "°C and °F mixed"
        yield convert(value, unit, other), "°C and °F mixed"
        return
    for factor, why in (*FACTORS.get(dimension, ()), *DECIMAL):
        yield value / factor, why
        yield value * factor, why


def _dimension(unit: str) -> str:
    return find_unit(unit).dimension
