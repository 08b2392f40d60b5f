"""Why this setting: a paragraph a dial, from the user's own welds, in both unit systems.

Nothing is assumed of which way a dial acts: each sentence tells what the fitted welds say happens when this dial alone
is turned from the setting, as far as they can tell it from no change, and what was read on the welds made at its ends
and at the setting.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.bench.results import Results
from doe.models.fit import Points
from doe.planning.region import allowed
from doe.report.drawing import response_points
from doe.report.formatting import TO_METRIC, TO_US, number, setting
from doe.report.map_drawing import outcome_of
from doe.report.settings import reference_setting
from doe.study.model import Factor, Response, Study, Units
from doe.units import convert, printed_unit
from doe.window.explore import Explorer, expect_setting

LEAST_TURN: Final = 0.1
"""A dial is turned by at least this share of its range, to its next stop beyond."""
NEAR: Final = 0.12
"""Welds within this share of the range of a value were made at it, as far as these sentences go."""


@dataclass(frozen=True)
class Reason:
    """One dial's paragraph."""

    name: str
    text: str


def setting_reasons(results: Results, explorer: Explorer) -> tuple[Reason, ...]:
    """Give a paragraph a dial: what turning it does, and what was read on the welds.

    Parameters
    ----------
    results : Results
    explorer : Explorer
        Of the window that was found from these results.
    """
    study, at = explorer.window.study, reference_setting(explorer.window)
    return tuple(
        Reason(factor.name, " ".join((*_turns(explorer, at, j), *_readings(results, study, at, j))))
        for j, factor in enumerate(study.factors)
    )


# --- turning the dial


def _turns(explorer: Explorer, at: tuple[float, ...], j: int) -> Iterator[str]:
    """Say what happens when one dial alone is turned from the setting."""
    study = explorer.window.study
    factor = study.factors[j]
    good = f", where {_expected_good(explorer, at)} are expected to be good" if explorer.window.has_question else ""
    yield f"Set at {in_both_units(factor, at[j])}{good}."
    for words, other in _neighbours(study, at, j):
        moved = (*at[:j], other, *at[j + 1 :])
        share = f"{_expected_good(explorer, moved)}; " if explorer.window.has_question else ""
        yield f"{words} {in_both_units(factor, other)}: {share}{_changes(explorer, at, moved)}."


def _expected_good(explorer: Explorer, at: tuple[float, ...]) -> str:
    return of_hundred(expect_setting(explorer, at)[0].expected)


def _neighbours(study: Study, at: tuple[float, ...], j: int) -> Iterator[tuple[str, float]]:
    """Give the settings to compare with: the other kinds, or the next stop down and up that may be welded."""
    factor = study.factors[j]
    stops = factor.positions
    settings = np.tile(np.array(at, dtype=float), (len(stops), 1))
    settings[:, j] = stops
    stops = stops[allowed(study, settings)]
    if factor.is_kind:
        yield from (("With", float(kind)) for kind in stops if kind != at[j])
        return
    far = LEAST_TURN * (factor.high - factor.low) - 1e-9
    below, above = stops[stops <= at[j] - far], stops[stops >= at[j] + far]
    if len(below):
        yield "Turned down to", float(below[-1])
    if len(above):
        yield "Turned up to", float(above[0])


def _changes(explorer: Explorer, at: tuple[float, ...], moved: tuple[float, ...]) -> str:
    """Say what changes between two settings; what the welds cannot tell from no change is only named."""
    study = explorer.window.study
    told = {name: _change(explorer, study.response(name), at, moved) for name in explorer.posteriors}
    same = [name for name, words in told.items() if not words]
    rest = [f"{', '.join(same)} about the same, as far as these welds can tell"] if same else []
    return "; ".join([*(words for words in told.values() if words), *rest])


def _change(explorer: Explorer, response: Response, at: tuple[float, ...], moved: tuple[float, ...]) -> str:
    """Say how one response changes between two settings; empty where the welds cannot tell it from no change."""
    mean = explorer.posteriors[response.name].mean(Points(np.array([at, moved])))
    before, after = mean.mean(axis=0)
    tail = (1.0 - explorer.window.claim.confidence) / 2.0
    low, high = np.quantile(mean[:, 1] - mean[:, 0], [tail, 1.0 - tail])
    if low <= 0.0 <= high:
        return ""
    if response.kind in {"trip", "pass"} and percent(before) == percent(after):
        return ""
    if response.kind == "measure":
        amounts = amount_in_both(float(before), float(after), response, explorer.window.study.units)
        return f"average {response.name} goes from {amounts}"
    if response.kind == "count":
        per = f" in {response.per_text}" if response.per_text else ""
        return f"average {response.name} goes from {number(before, 2)} to {number(after, 2)}{per}"
    name = f"no {response.name}" if response.kind == "trip" else response.name
    return f"chance of {name} goes from {percent(before)} to {percent(after)} %"


def of_hundred(share: float) -> str:
    """Tell an expected share of welds, rounded down.

    Examples
    --------
    >>> of_hundred(0.978), of_hundred(0.9999), of_hundred(0.001)
    ('about 97 of 100 welds', 'over 99 of 100 welds', 'under 1 of 100 welds')
    """
    if share > 0.99:
        return "over 99 of 100 welds"
    whole = int(share * 100 + 1e-9)
    return f"about {whole} of 100 welds" if whole else "under 1 of 100 welds"


def percent(share: float) -> str:
    """Print a chance in per cent, rounded down to a tenth; below 1 it never reads 100."""
    return f"{int(share * 1000 + 1e-9) / 10:g}"


# --- what was read


def _readings(results: Results, study: Study, at: tuple[float, ...], j: int) -> Iterator[str]:
    """Say what was read on the welds made at each end of the dial and at the setting; second beads cannot be judged."""
    factor, column = study.factors[j], results.settings[:, j]
    made = np.array([status not in {"scrapped", "not run"} for status in results.status], dtype=bool)
    made &= ~results.is_second
    if factor.is_kind:
        places = [float(k) for k in np.unique(column[made])]
        near = 0.0
    else:
        places = [float(v) for v in dict.fromkeys((column[made].min(), at[j], column[made].max()))]
        near = NEAR * (factor.high - factor.low)
    told = []
    for place in sorted(places):
        welds = np.flatnonzero(made & (np.abs(column - place) <= near + 1e-9))
        if len(welds):
            told.append(f"{in_both_units(factor, place)}: {_read_at(results, study, welds.tolist())}")
    around = "" if factor.is_kind or len(set(column[made])) <= 5 else " or nearly so"
    yield f"Your own welds, whatever the other dials stood at{around}: {'; '.join(told)}."


def _read_at(results: Results, study: Study, welds: list[int]) -> str:
    """Tell how some welds came out: how many were good, and the span of each measure."""
    good = sum("good" in outcome_of(results, i) and outcome_of(results, i) != "not good" for i in welds)
    is_asked = any(response.has_requirement for response in study.responses)
    parts = [f"{good} of {len(welds)} good" if is_asked else f"{len(welds)} welds"]
    for response in study.responses:
        if response.kind != "measure":
            continue
        read = response_points(response, results)[welds]
        read = read[np.isfinite(read)]
        if len(read):
            parts.append(
                f"{response.name} {amount_in_both(float(read.min()), float(read.max()), response, study.units)}"
            )
    return ", ".join(parts)


# --- both unit systems


def in_both_units(factor: Factor, value: float) -> str:
    """Print a setting with its mark, and its value in the dial's own unit and in that of the other system.

    Examples
    --------
    >>> feed = Factor("feed", "feed", "m/min", (5.0, 7.5, 9.0))
    >>> in_both_units(feed, 7.5)
    '7.5 m/min [295 in/min]'
    """
    shown = setting(factor, value)
    pair = _other_unit(factor.unit)
    if factor.is_kind or pair is None or not factor.calibrated:
        return shown
    other = pair[1] if factor.unit == pair[0] else pair[0]
    return f"{shown} [{number(float(convert(value, factor.unit, other)), 3)} {printed_unit(other)}]"


def amount_in_both(low: float, high: float, response: Response, units: Units) -> str:
    """Print a measure from one value to another, in the unit it is shown in and in that of the other system.

    Examples
    --------
    >>> amount_in_both(1.2, 1.9, Response("penetration", "measure", "mm"), "metric")
    '1.2 to 1.9 mm [0.0472 to 0.0748 in]'
    """
    pair = _other_unit(response.unit)
    if pair is None:
        return f"{_from_to(low, high)} {printed_unit(response.unit)}".rstrip()
    first, second = pair if units == "metric" else pair[::-1]
    spans = [_from_to(*(float(convert(v, response.unit, unit)) for v in (low, high))) for unit in (first, second)]
    return f"{spans[0]} {printed_unit(first)} [{spans[1]} {printed_unit(second)}]"


def _from_to(low: float, high: float) -> str:
    """Print a span, or one number where there is but one."""
    return number(low) if low == high else f"{number(low)} to {number(high)}"


def _other_unit(unit: str) -> tuple[str, str] | None:
    """Give the metric and the customary unit of a quantity that has both."""
    if unit in TO_US:
        return unit, TO_US[unit]
    if unit in TO_METRIC:
        return TO_METRIC[unit], unit
    return None
