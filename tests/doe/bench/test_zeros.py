"""A zero of which more is asked says "at most 0": it is asked about, and kept."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from doe.bench import read_results
from doe.bench.columns import results_columns
from doe.bench.form_entries import entry_of
from doe.bench.results import Measurement
from doe.bench.root_depth import can_miss_the_root
from doe.bench.tables import results_table
from doe.bench.zeros import hiding_zeros, zero_for_too_little
from doe.errors import ResultsError
from doe.planning.plan import Plan
from doe.study.model import Response, Study

PEN = "penetration [mm]"
DEPTH = Response("penetration", "measure", "mm", at_least=1.2)
LEG = Response("leg", "measure", "mm", at_least=4.0)


def measured(*rows: tuple[float, ...]) -> Measurement:
    return Measurement(np.array(rows), np.full(len(rows), np.inf))


def test_a_zero_of_a_depth_is_asked_about_and_kept(
    write: Callable[..., Path], filled: list[dict[str, str]], planned: Study
) -> None:
    filled[2][PEN] = "0"
    results = read_results(write(filled), planned)
    asked = [q for q in results.questions if "no fusion" in q]
    assert len(asked) == 1
    assert "W03: no fusion at the root? 0 hides by how much it falls short: write that as a minus" in asked[0]
    readings = results.readings["penetration"]
    assert isinstance(readings, Measurement)
    assert readings.values[2, 0] == 0.0


@pytest.mark.parametrize(
    ("readings", "response", "expected"),
    [
        (measured((0.0,), (1.4,)), DEPTH, [True, False]),
        (measured((1.3, 0.0), (1.4, np.nan)), DEPTH, [True, False]),  # any cut
        (measured((0.0,), (-0.4,)), DEPTH, [False, False]),  # minuses are written down here
        (measured((0.0,), (1.4,)), replace(DEPTH, at_least=None, at_most=2.0), [False, False]),
        (measured((0.0,), (1.4,)), replace(DEPTH, at_least=0.0), [False, False]),
        (measured((np.nan,), (1.4,)), DEPTH, [False, False]),
    ],
)
def test_which_zeros_hide_something(readings: Measurement, response: Response, expected: list[bool]) -> None:
    assert hiding_zeros(readings, response).tolist() == expected


def test_a_leg_cannot_be_a_minus_and_is_asked_about_in_other_words(
    write: Callable[..., Path], filled: list[dict[str, str]], planned: Study
) -> None:
    results = read_results(write(filled), planned)
    study = replace(planned, responses=(LEG,))
    legs = replace(results, study=study, readings={"leg": measured((0.0,), *[(5.0,)] * (results.n_welds - 1))})
    (asked,) = zero_for_too_little(legs)
    assert "is it a reading, or was there nothing to measure?" in asked.message
    assert "minus" not in asked.message
    assert not can_miss_the_root(LEG)


def test_the_table_and_the_form_ask_for_the_minus(plan: Plan, planned: Study) -> None:
    line = "# No fusion at the root: a minus by how much it falls short. 0 only where that cannot be measured."
    assert line in results_table(plan).splitlines()
    legs = replace(plan, study=replace(plan.study, responses=(LEG,)))
    assert line not in results_table(legs).splitlines()
    column = next(c for c in results_columns(planned) if c.name == "penetration")
    entry = entry_of(column, planned)
    assert entry.limits == (-10.0, 10.0)
    assert "a minus by how much it falls short" in entry.guide[:255]


def test_less_than_a_number_is_refused_with_the_way_to_write_it(
    write: Callable[..., Path], filled: list[dict[str, str]], planned: Study
) -> None:
    filled[2][PEN] = "<0.3"
    with pytest.raises(ResultsError, match="no fusion at the root: a minus, by how much it falls short"):
        read_results(write(filled), planned)
