"""What was found per response, where nothing was asked of any: what was read, and what to expect at one setting."""

from __future__ import annotations

import math
from collections.abc import Iterator

import numpy as np

from doe.bench.results import Counts, Measurement, Passes, Readings, Results, Trips
from doe.report.drawing import response_points
from doe.report.formatting import number, quantity, setting_words, shown_reading
from doe.report.reasons import percent
from doe.report.settings import reference_setting
from doe.study.model import Response, Units
from doe.units import printed_unit
from doe.window.compact import log_hold_of
from doe.window.explore import Explorer, expect_setting
from doe.window.window import ResponseNumbers
from doe.window.words import level


def found_lines(results: Results, explorer: Explorer) -> tuple[str, ...]:
    """Tell each response in plain sentences: its readings, its average and its next weld in the middle of the region.

    Parameters
    ----------
    results : Results
    explorer : Explorer
        Of the same results.

    Returns
    -------
    tuple of str
        Where the numbers are told for, then a line a response that was fitted, in the study's order.
    """
    study, at = explorer.window.study, reference_setting(explorer.window)
    _, numbers = expect_setting(explorer, at)
    sure = level(explorer.window.claim.confidence)
    lines = [f"In the middle of the region, at {setting_words(study, at)}:"]
    for name, expected in numbers.items():
        response, log_hold = study.response(name), log_hold_of(explorer.posteriors[name])
        read = _read_words(response, results.readings[name], results, study.units)
        within = "" if log_hold is None else f" within {number(math.exp(log_hold))} s"
        lines.append(f"{name}: {_expected_words(response, expected, study.units, (within, sure))}. {read}")
    return tuple(lines)


def _expected_words(response: Response, expected: ResponseNumbers, units: Units, words: tuple[str, str]) -> str:
    """Tell what to expect of one response; the words say within which time a trip is meant, and how sure we are."""
    within, sure = words
    if response.kind in {"trip", "pass"}:
        what = f"chance of no {response.name}{within}" if response.kind == "trip" else f"chance of {response.name}"
        low, high = percent(expected.mean_low), percent(expected.mean_high)
        return f"{what} {percent(expected.mean)} % ({low} to {high} %, {sure} sure)"
    per_unit, unit = shown_reading(response, units)
    unit = f"in {response.per_text}" if response.kind == "count" and response.per_text else printed_unit(unit)
    numbers = (expected.mean, expected.mean_low, expected.mean_high, expected.weld_low, expected.weld_high)
    mean, low, high, weld_low, weld_high = (number(value * per_unit) for value in numbers)
    return (
        f"{mean} {unit}".rstrip()
        + f" on average ({low} to {high}, {sure} sure); your next weld {weld_low} to {weld_high} {unit}".rstrip()
        + f" ({sure} sure)"
    )


def _read_words(response: Response, reading: Readings, results: Results, units: Units) -> str:
    """Tell what was read on the welds."""
    return " ".join(_readings(response, reading, results, units))


def _readings(response: Response, reading: Readings, results: Results, units: Units) -> Iterator[str]:
    if isinstance(reading, Measurement):
        per_unit, unit = shown_reading(response, units)
        read = response_points(response, results)
        read = read[np.isfinite(read)] * per_unit
        span = f"{number(float(read.min()))} to {number(float(read.max()))} {printed_unit(unit)}".rstrip()
        yield f"Read on {len(read)} welds, wherever the dials stood: {span}."
    elif isinstance(reading, Counts):
        known = np.isfinite(reading.counts)
        inspected = quantity(float(reading.length_mm[known].sum()), "mm", units)
        yield f"Counted on {int(known.sum())} welds: {reading.counts[known].sum():.0f} over {inspected} in all."
    elif isinstance(reading, Trips):
        known = np.isfinite(reading.tripped)
        yield f"Of {int(known.sum())} welds {int(reading.tripped[known].sum())} tripped."
    elif isinstance(reading, Passes):
        known = np.isfinite(reading.passed)
        yield f"Of {int(known.sum())} welds {int(reading.passed[known].sum())} passed."
