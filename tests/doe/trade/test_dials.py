from __future__ import annotations

import tomllib

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from doe.errors import CannotAnswerError, DoeError
from doe.study import parse_study
from doe.trade.dials import (
    MarkReading,
    calibrate,
    mark_for,
    marks_table,
    pull_findings,
    pulled_speed_mm_s,
    value_at,
)


def readings(*pairs: tuple[str, float]) -> list[MarkReading]:
    return [MarkReading(mark, value) for mark, value in pairs]


PULLS = readings(("2", 3.0), ("2", 3.2), ("4", 5.0), ("4", 5.2), ("8", 9.0), ("8", 9.4))
TAPS = readings(("A", 17.0), ("A", 17.2), ("B", 18.4), ("C", 19.6))


def test_a_pull_of_700_mm_in_6_s_is_7_metres_a_minute():
    assert pulled_speed_mm_s(700.0, 6.0) * 60 / 1000 == pytest.approx(7.0)


def test_the_marks_are_the_means_and_the_scatter_is_pooled():
    calibration = calibrate(PULLS)
    assert calibration.marks == {"2": 3.1, "4": 5.1, "8": 9.2}
    # Pooled by hand: squares 0.02 + 0.02 + 0.08 on 3 degrees of freedom.
    assert calibration.scatter == pytest.approx(0.2)
    assert calibration.residual_df == 3
    assert calibration.set_within == 0.2


def test_the_band_of_a_mark_is_that_of_the_textbook():
    point = calibrate(PULLS, confidence=0.95).points[0]
    low, high = stats.t.interval(0.95, 3, loc=3.1, scale=0.2 / np.sqrt(2))
    assert (point.mean.low, point.mean.high) == pytest.approx((low, high))


def test_the_scatter_is_that_of_a_one_way_analysis():
    marks = np.array([reading.mark for reading in PULLS])
    y = np.array([reading.value for reading in PULLS])
    columns = np.column_stack([marks == mark for mark in ("2", "4", "8")]).astype(float)
    fit = sm.OLS(y, columns).fit()
    assert calibrate(PULLS).scatter == pytest.approx(np.sqrt(fit.mse_resid))


def test_the_band_covers_the_true_mark_as_often_as_it_says():
    rng = np.random.default_rng(7)
    true = {"2": 3.0, "4": 5.0, "6": 7.0, "8": 9.0}
    hits = 0
    for _ in range(400):
        made = [MarkReading(m, v + rng.normal(0.0, 0.1)) for m, v in true.items() for _ in range(3)]
        band = value_at(calibrate(made), 5.0)  # half-way: 6.0
        hits += band.low <= 6.0 <= band.high  # type: ignore[operator]
    assert hits / 400 == pytest.approx(0.90, abs=4 * np.sqrt(0.09 / 400))


@settings(deadline=None)
@given(st.floats(3.1, 9.2))
def test_the_mark_for_a_value_gives_that_value(wanted: float):
    calibration = calibrate(PULLS)
    found = mark_for(calibration, wanted)
    assert found.mark is not None
    exact = (found.low + found.high) / 2  # type: ignore[operator]
    assert value_at(calibration, exact).value == pytest.approx(wanted, rel=1e-9)
    assert float(found.mark) == pytest.approx(exact, rel=5e-3)


def test_the_inverse_is_in_the_dials_own_marks():
    straight = calibrate(readings(("2", 100.0), ("4", 200.0), ("6", 300.0), ("6", 300.0), ("8", 400.0)))
    assert mark_for(straight, 275.0).mark == "5.5"


def test_a_dial_of_taps_offers_its_nearest_mark_only():
    found = mark_for(calibrate(TAPS), 18.8)
    assert (found.mark, found.gives, found.low) == ("B", 18.4, None)
    numbered = calibrate(PULLS, taps=True)
    assert mark_for(numbered, 6.0).mark == "4"
    with pytest.raises(DoeError, match="not between two marks"):
        value_at(numbered, 5.0)


@pytest.mark.parametrize("wanted", [3.0, 9.3])
def test_nothing_is_said_outside_the_marks_that_were_read(wanted: float):
    found = mark_for(calibrate(PULLS), wanted)
    assert found.mark is None
    assert "outside what was read, 3.1 to 9.2" in found.reason
    with pytest.raises(DoeError, match="9 is not between two marks that were read: 2, 4, 8"):
        value_at(calibrate(PULLS), 9.0)


def test_the_ends_of_the_dial_are_inside():
    calibration = calibrate(PULLS)
    assert value_at(calibration, 2.0).value == pytest.approx(3.1)
    assert value_at(calibration, 8.0).value == pytest.approx(9.2)
    assert mark_for(calibration, 3.1).mark == "2"


@pytest.mark.parametrize(
    "few",
    [
        readings(("2", 3.0), ("4", 5.0)),
        readings(("2", 3.0), ("2", 3.1), ("2.0", 3.2)),
        readings(("A", 17.0)),
        [],
    ],
)
def test_too_few_marks_are_refused_with_the_number_needed(few: list[MarkReading]):
    with pytest.raises(CannotAnswerError, match=r"Too few marks.*at least"):
        calibrate(few)


def test_two_taps_are_enough():
    assert calibrate(readings(("low", 17.0), ("high", 19.0))).marks == {"low": 17.0, "high": 19.0}


def test_a_dial_that_does_not_rise_is_refused_naming_every_pair():
    with pytest.raises(CannotAnswerError, match="does not rise") as caught:
        calibrate(readings(("1", 3.0), ("2", 2.9), ("3", 4.0), ("4", 4.0)))
    assert [fault.key for fault in caught.value.faults] == ["2", "4"]
    assert "mark 2 gives 2.9, not more than the 3 of mark 1" in str(caught.value)


def test_marks_too_near_to_tell_apart_are_noted():
    near = readings(("1", 3.0), ("1", 3.4), ("2", 3.3), ("2", 3.5), ("3", 5.0), ("3", 5.2))
    assert any("1 and 2 cannot be told apart" in line for line in calibrate(near).findings)
    assert not any("2 and 3" in line for line in calibrate(near).findings)


def test_without_a_repeat_there_is_no_band_and_it_is_said():
    calibration = calibrate(readings(("1", 3.0), ("2", 4.0), ("3", 5.0)))
    assert (calibration.scatter, calibration.set_within, calibration.points[0].mean.low) == (None, None, None)
    assert "no mark was read twice" in calibration.findings[0]
    assert mark_for(calibration, 3.5).mark == "1.5"
    assert value_at(calibration, 1.5).low is None
    assert "set_within" not in marks_table(calibration, name="feed", unit="m/min")


def test_marks_stand_in_the_dials_order_whatever_the_order_of_reading():
    assert list(calibrate(readings(("10", 9.0), ("2", 3.0), ("5", 5.0))).marks) == ["2", "5", "10"]
    assert list(calibrate(readings(("C", 19.0), ("A", 17.0), ("B", 18.0))).marks) == ["A", "B", "C"]
    assert list(calibrate(readings(("low", 17.0), ("high", 18.0))).marks) == ["low", "high"]


def test_the_same_mark_written_twice_over_is_one_mark():
    calibration = calibrate(readings(("2", 3.0), ("2.0", 3.2), ("4", 5.0), ("6,5", 8.0)))
    assert calibration.points[0].n == 2
    assert list(calibration.marks) == ["2", "4", "6,5"]


def test_the_spools_places_are_compared_on_marks_read_at_both():
    made = [
        MarkReading("2", 4.04, "start"),
        MarkReading("2", 3.96, "middle"),
        MarkReading("4", 6.06, "start"),
        MarkReading("4", 5.94, "middle"),
        MarkReading("6", 8.0, "start"),
    ]
    shifts = {shift.place: shift for shift in calibrate(made).places}
    assert shifts["start"].share == pytest.approx(0.01)
    assert shifts["middle"].share == pytest.approx(-0.01)
    assert (shifts["start"].n, shifts["middle"].n) == (2, 2)


def test_short_pulls_are_noted():
    assert pull_findings([6.0, 10.0]) == ()
    assert pull_findings([5.9, 10.0])[0].startswith("1 of 2 pulls took less than 6 s")


def test_the_marks_table_reads_as_a_factor_of_a_study():
    text = marks_table(calibrate(TAPS), name="voltage", unit="V")
    factor = tomllib.loads(text)["factor"][0]
    assert factor["marks"] == {"A": 17.1, "B": 18.4, "C": 19.6}
    assert factor["unit"] == "V"
    assert factor["set_within"] == pytest.approx(0.14)


def test_a_study_is_read_from_the_marks_table():
    table = marks_table(calibrate(PULLS), name="feed", unit="m/min")
    study = parse_study(f'[study]\ntitle = "t"\n{table}\n[[response]]\nname = "p"\nkind = "measure"\nunit = "mm"\n')
    assert study.factors[0].marks == ("2", "4", "8")
    assert study.factors[0].set_within == 0.2


@settings(deadline=None)
@given(st.permutations(PULLS))
def test_the_order_of_the_readings_does_not_matter(shuffled: list[MarkReading]):
    first, second = calibrate(PULLS), calibrate(shuffled)
    assert first.marks == second.marks
    assert first.scatter == pytest.approx(second.scatter)
