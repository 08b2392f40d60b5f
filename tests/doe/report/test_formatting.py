from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.report.formatting import exact, number, quantity, setting, setting_words, shown_unit
from doe.study.model import Factor, Study

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
    assert setting(factor, value, "metric") == printed


def test_customary_units_are_shown_where_asked():
    assert setting(PREHEAT, 20.0, "us") == "68 °F"
    assert setting(Factor("feed", "feed", "m/min", (5.0, 9.0)), 5.0, "us") == "196.9 in/min"
    assert quantity(25.4, "mm", "us") == "1 in"
    assert quantity(1.0, "in", "metric") == "25.4 mm"
    assert shown_unit("V", "us") == "V"


def test_a_whole_setting_is_said_in_one_line(hinge: Study):
    assert setting_words(hinge, (19.6, 7.5, 70.0)) == "voltage 3 (19.6 V), feed 7.5 m/min, preheat 70 °C"


def test_a_setting_prints_without_the_noise_of_floats():
    assert exact(0.1 + 0.2) == "0.3"
