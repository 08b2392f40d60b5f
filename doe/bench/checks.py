"""Sense checks: doubtful readings are asked about, never removed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from doe.bench import circumstances, slips, zeros
from doe.bench.results import Results
from doe.errors import Fault

Check = Callable[[Results], Iterator[Fault]]

CHECKS: Final[tuple[Check, ...]] = (
    slips.over_thickness,
    slips.far_from_the_others,
    zeros.zero_for_too_little,
    slips.column_in_other_unit,
    slips.same_value_in_a_row,
    slips.copied_rows,
    slips.actual_far_from_planned,
    slips.outside_the_region,
    circumstances.order_against_time,
    circumstances.plate_not_held,
    circumstances.plate_temperature_off,
    circumstances.positions,
    circumstances.trip_without_time,
    circumstances.trips_of_some_second_beads,
    circumstances.aborted_without_reason,
    circumstances.done_without_reading,
    circumstances.ends_not_left_out,
    circumstances.stick_out_off,
    circumstances.travel_speed_off,
    circumstances.gap_varies,
    circumstances.line_voltage_off,
    circumstances.changed_half_way,
)
"""Every check, in the order in which a person would look."""


def sense_checks(results: Results) -> tuple[str, ...]:
    """Ask about every doubtful reading.

    Parameters
    ----------
    results : Results

    Returns
    -------
    tuple of str
        One question each, with its place. ``read_results`` has them in ``Results.questions`` already.
    """
    return tuple(str(doubt) for doubt in doubts(results))


def doubts(results: Results) -> tuple[Fault, ...]:
    """Give the same questions with file, row and column apart."""
    return tuple(doubt for check in CHECKS for doubt in check(results))
