from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.errors import CannotAnswerError
from doe.trade import burn_off, deposit
from doe.trade.burn_off import BurnOff


@pytest.mark.parametrize(("diameter", "a", "b"), [(0.9, 0.5333, 1.580e-4), (0.8, 0.675, 2.531e-4), (1.2, 0.3, 5e-5)])
def test_the_coefficients_scale_with_the_wires_section(diameter: float, a: float, b: float):
    # Worked in the facts of the trade from Norrish's 1.2 mm coefficients.
    wire = burn_off.solid_wire(diameter)
    assert wire.a == pytest.approx(a, abs=5e-5)
    assert wire.b == pytest.approx(b, rel=5e-4)


@settings(deadline=None)
@given(st.floats(1.0, 300.0), st.floats(5.0, 25.0), st.floats(0.1, 1.0), st.floats(0.0, 1e-3))
def test_current_and_feed_are_each_others_inverse(amps: float, stickout: float, a: float, b: float):
    wire = BurnOff(a, b)
    feed = burn_off.wire_feed_mm_s(amps, stickout_mm=stickout, burn_off=wire)
    assert burn_off.wire_current_a(feed, stickout_mm=stickout, burn_off=wire) == pytest.approx(amps, rel=1e-9)


def test_a_longer_stickout_lowers_the_current_at_a_fixed_feed():
    # Seen: self-shielded surfacing, Materials 2024, 17, 5616.
    wire = burn_off.solid_wire(0.9)
    short, long = (burn_off.wire_current_a(80.0, stickout_mm=s, burn_off=wire) for s in (10.0, 20.0))
    assert long < short


BROKEN = [
    ({"wire_diameter_mm": 0.79}, "wire diameter is 0.79 mm, below"),
    ({"wire_diameter_mm": 1.3}, "wire diameter is 1.3 mm, above"),
    ({"stickout_mm": 4.9}, "stick-out is 4.9 mm, below"),
    ({"stickout_mm": 25.1}, "stick-out is 25.1 mm, above"),
]


@pytest.mark.parametrize(("change", "broken"), BROKEN)
def test_the_built_in_coefficients_are_refused_outside_their_range(change: dict[str, float], broken: str):
    asked = {"stickout_mm": 15.0, "wire_diameter_mm": 0.9, **change}
    for figure in (burn_off.wire_feed(100.0, **asked), burn_off.wire_current(80.0, **asked)):
        assert figure.value is None
        assert broken in figure.notes[0]
        assert "your own readings" in figure.notes[-1]


def test_the_edge_of_200_a_holds_and_beyond_it_does_not():
    feed = burn_off.wire_feed(200.0, stickout_mm=15.0, wire_diameter_mm=1.2)
    back = burn_off.wire_current(feed.number, stickout_mm=15.0, wire_diameter_mm=1.2)
    assert back.number == pytest.approx(200.0)
    assert "above 200 A" in burn_off.wire_feed(201.0, stickout_mm=15.0, wire_diameter_mm=1.2).notes[0]
    assert "which is 200 A" in burn_off.wire_current(feed.number + 1.0, stickout_mm=15.0, wire_diameter_mm=1.2).notes[0]


def test_own_coefficients_have_no_range_of_ours():
    own = BurnOff(0.4, 2e-4)
    figure = burn_off.wire_feed(300.0, stickout_mm=40.0, own=own)
    assert figure.number == pytest.approx(0.4 * 300 + 2e-4 * 40 * 300**2)
    assert burn_off.wire_current(figure.number, stickout_mm=40.0, own=own).number == pytest.approx(300.0)
    assert "as given" in figure.notes[0]


def test_a_wire_or_coefficients_are_needed():
    with pytest.raises(ValueError, match="diameter or own coefficients"):
        burn_off.wire_feed(100.0, stickout_mm=15.0)
    with pytest.raises(ValueError, match="diameter or own coefficients"):
        burn_off.wire_current(80.0, stickout_mm=15.0)


def test_a_fit_to_readings_finds_the_wire_that_made_them():
    rng = np.random.default_rng(1)
    true = BurnOff(0.45, 2.2e-4)
    amps, stick = rng.uniform(60.0, 180.0, 200), rng.uniform(10.0, 20.0, 200)
    feed = np.array(
        [burn_off.wire_feed_mm_s(i, stickout_mm=s, burn_off=true) for i, s in zip(amps, stick, strict=True)]
    )
    fit = burn_off.fit_burn_off(amps.tolist(), (feed + rng.normal(0.0, 2.0, 200)).tolist(), stick.tolist())
    assert fit.coefficients.a == pytest.approx(true.a, abs=4 * fit.a_se)
    assert fit.coefficients.b == pytest.approx(true.b, abs=4 * fit.b_se)
    assert fit.scatter_mm_s == pytest.approx(2.0, rel=0.2)
    assert fit.residual_df == 198
    assert fit.coefficients.currents_a == (amps.min(), amps.max())


def test_the_standard_errors_are_those_of_ordinary_least_squares():
    amps, stick = np.array([60.0, 90, 120, 150, 180]), np.array([12.0, 12, 15, 15, 18])
    feed = np.array([40.0, 62, 90, 121, 162])
    fit = burn_off.fit_burn_off(amps.tolist(), feed.tolist(), stick.tolist())
    ols = sm.OLS(feed, np.column_stack([amps, stick * amps**2])).fit()
    assert [fit.coefficients.a, fit.coefficients.b] == pytest.approx(list(ols.params), rel=1e-8)
    assert [fit.a_se, fit.b_se] == pytest.approx(list(ols.bse), rel=1e-8)


def test_too_few_readings_are_refused():
    with pytest.raises(CannotAnswerError, match="at least 4"):
        burn_off.fit_burn_off([60.0, 90.0, 120.0], [40.0, 60.0, 90.0], [12.0, 12.0, 12.0])


def test_readings_that_are_alike_are_refused():
    with pytest.raises(CannotAnswerError, match="too much alike"):
        burn_off.fit_burn_off([100.0] * 4, [72.0, 72.5, 71.9, 72.2], [12.0] * 4)


def test_a_fit_that_no_wire_has_is_refused():
    with pytest.raises(CannotAnswerError, match="no wire has"):
        burn_off.fit_burn_off([60.0, 90.0, 120.0, 150.0], [90.0, 100.0, 105.0, 106.0], [12.0] * 4)


def test_the_fillet_of_the_facts_is_met():
    # 0.9 mm at 50 mm/s, yield 0.70, travel 4 mm/s: 3.34 mm with a flat face (facts of the trade, computed).
    figure = deposit.fillet_leg(50.0, wire_diameter_mm=0.9, yield_share=0.70, travel_mm_s=4.0)
    assert figure.number == pytest.approx(3.34, abs=5e-3)
    assert "flat face; throat 2.36 mm" in figure.notes[0]


@settings(deadline=None)
@given(st.floats(10.0, 300.0), st.floats(0.6, 2.0), st.floats(0.3, 1.0), st.floats(1.0, 20.0), st.floats(0.0, 0.5))
def test_the_fillet_holds_the_metal_that_was_fed(
    feed: float, diameter: float, share: float, travel: float, convexity: float
):
    leg = deposit.fillet_leg_mm(
        feed, wire_diameter_mm=diameter, yield_share=share, travel_mm_s=travel, convexity=convexity
    )
    fed = feed * math.pi / 4 * diameter**2 * share
    assert leg**2 / 2 * (1 + convexity) * travel == pytest.approx(fed, rel=1e-9)


@settings(deadline=None)
@given(st.floats(10.0, 300.0), st.floats(0.6, 2.0), st.floats(0.6, 1.0), st.floats(0.5, 1.0))
def test_the_deposition_is_the_mass_of_the_wire_times_its_efficiency(
    feed: float, diameter: float, ratio: float, share: float
):
    an_hour = deposit.wire_mass_kg(3600.0 * feed, wire_diameter_mm=diameter, density_ratio=ratio)
    rate = deposit.deposit_rate_kg_h(feed, wire_diameter_mm=diameter, efficiency=share, density_ratio=ratio)
    assert rate == pytest.approx(share * an_hour, rel=1e-9)


def test_a_plate_weighs_its_volume():
    assert deposit.plate_mass_kg(200.0, width_mm=100.0, thickness_mm=10.0) == pytest.approx(1.57)


@settings(deadline=None)
@given(st.floats(1.0, 20.0), st.floats(1.0, 20.0))
def test_the_throat_is_less_than_either_leg_and_does_not_care_for_their_order(first: float, second: float):
    throat = deposit.throat_mm(first, second)
    assert throat == pytest.approx(deposit.throat_mm(second, first))
    assert throat < min(first, second)
    assert deposit.throat(first, second).number == throat


def test_one_leg_means_equal_legs():
    figure = deposit.throat(5.0)
    assert figure.number == pytest.approx(3.5355, abs=5e-5)
    assert figure.notes[0] == "equal legs"
