from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.report.drawing import axis_of
from doe.report.formatting import exact, number, quantity, requirement_words, setting, setting_words, shown_unit
from doe.report.settings import wander_text
from doe.study.model import Factor, Response, Study

VOLTAGE = Factor("voltage", "voltage", "V", (17.0, 18.4), ("1", "2"))
TAPS = Factor("voltage", "voltage", "", (1.0, 2.0), ("A", "B"), calibrated=False)
DIAL = Factor("feed", "feed", "mark", (4.0, 4.5, 5.0))
WIRE = Factor("wire", kinds=("cored", "solid"))
PREHEAT = Factor("preheat", "preheat", "degC", (20.0, 70.0))


@given(st.floats(-1e6, 1e6, allow_nan=False))
def test_a_number_keeps_three_digits_and_has_no_exponent(value: float):
    text = number(value)
    assert "e" not in text
    if abs(value) > 1e-3:
        assert math.isclose(float(text), value, rel_tol=0.006)


def test_what_is_not_a_number_is_a_dash():
    assert number(math.nan) == "–"


@pytest.mark.parametrize(
    ("factor", "value", "printed"),
    [
        (VOLTAGE, 18.4, "2 (18.4 V)"),
        (VOLTAGE, 18.0, "18 V"),
        (TAPS, 2.0, "B"),
        (DIAL, 4.5, "4.5"),
        (WIRE, 1.0, "solid"),
        (PREHEAT, 70.0, "70 °C"),
    ],
)
def test_the_mark_stands_first(factor: Factor, value: float, printed: str):
    assert setting(factor, value) == printed


def test_customary_units_are_shown_where_asked():
    assert quantity(25.4, "mm", "us") == "1 in"
    assert quantity(1.0, "in", "metric") == "25.4 mm"
    assert shown_unit("V", "us") == "V"


def test_a_dial_is_quoted_in_its_own_unit_whatever_results_are_shown_in(hinge: Study):
    study = replace(hinge, units="us")
    assert setting_words(study, (19.6, 7.5, 70.0)) == "voltage 3 (19.6 V), feed 7.5 m/min, preheat 70 °C"
    assert wander_text(replace(study.factors[1], set_within=0.2)) == "± 0.2 m/min"
    assert axis_of(study, 1, study.factors[1].positions[[0, -1]]).label == "feed, m/min"


def test_one_sentence_has_one_unit_of_length():
    pores = Response("porosity", "count", at_most=2, per_mm=100.0, per_text="100 mm")
    inches = replace(pores, per_mm=101.6, per_text="4 in")
    depth = Response("penetration", "measure", "mm", at_least=1.2)
    us = Study("Lugs", (PREHEAT,), (depth, pores, inches), units="us")
    assert [requirement_words(r, us) for r in us.responses] == [
        "at least 0.0472 in",
        "at most 2 over 3.94 in",
        "at most 2 over 4 in",
    ]
    metric = replace(us, units="metric")
    assert [requirement_words(r, metric) for r in us.responses] == [
        "at least 1.2 mm",
        "at most 2 over 100 mm",
        "at most 2 over 102 mm",
    ]


def test_a_whole_setting_is_said_in_one_line(hinge: Study):
    assert setting_words(hinge, (19.6, 7.5, 70.0)) == "voltage 3 (19.6 V), feed 7.5 m/min, preheat 70 °C"


def test_a_setting_prints_without_the_noise_of_floats():
    assert exact(0.1 + 0.2) == "0.3"
