"""The load on the supply: the trend of line current, measured or computed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from doe.models.load import LoadColumns, find_arc_power, find_load
from doe.study.model import Factor, Machine, Study, Supply
from doe.trade.burn_off import BurnOff
from doe.trade.supply import line_current_a

SUPPLY, MACHINE = Supply(230.0, 16.0, "C"), Machine(0.8, 0.7)


@pytest.fixture
def load_of(lug_study, lug_settings, make_results):
    """Find the load from conditions, at the sixteen lug settings."""

    def load_of(conditions, *, supply=SUPPLY, machine=MACHINE, study=lug_study, coded=lug_settings):
        study = replace(study, supply=supply, machine=machine)
        return find_load(make_results(study, coded, {}, conditions=conditions))

    return load_of


def true_log_ratio(natural, *, feed_power=0.9):
    return np.log(1.4) + np.log(natural[:, 0] / 19.5) + feed_power * np.log(natural[:, 1] / 7.0)


def test_line_current_is_arc_power_over_efficiency_power_factor_and_volts():
    # 18 V, 100 A at 120 V: trade sheet worked values 26.8, 19.1 and 30.8 A (from memory of the definitions)
    for efficiency, factor, amps in ((0.80, 0.70, 26.8), (0.80, 0.98, 19.1), (0.65, 0.75, 30.8)):
        current = line_current_a(1800.0, efficiency=efficiency, power_factor=factor, supply_voltage_v=120.0)
        assert current == pytest.approx(amps, abs=0.05)


def test_measured_load_recovers_the_trend(load_of, lug_study, lug_settings):
    natural = lug_study.coding.to_natural(lug_settings)
    rng = np.random.default_rng(1)
    truth = true_log_ratio(natural, feed_power=0.75)
    load = load_of({"line current [A]": 16.0 * np.exp(truth + 0.03 * rng.normal(size=16))})
    assert (load.kind, load.n_readings) == ("measured", 16)
    fitted = load.columns(natural) @ load.mean
    np.testing.assert_allclose(fitted, truth, atol=0.04)
    coefficients, scatter = load.draw(4000, np.random.default_rng(2))
    assert coefficients[:, 2].mean() == pytest.approx(0.75, abs=0.08)  # feed's power
    assert 0.02 < scatter.mean() < 0.045


def test_measured_trend_is_that_of_brute_force(load_of, lug_study):
    """One factor, scatter integrated on a grid of its own: Monte Carlo over the prior, weighed by the likelihood."""
    study = replace(lug_study, factors=lug_study.factors[1:2])
    coded = np.array([[-1.0], [-0.5], [0.5], [1.0]])
    natural = study.coding.to_natural(coded)
    y = np.array([0.05, 0.21, 0.44, 0.62])
    load = load_of({"line current [A]": 16.0 * np.exp(y)}, study=study, coded=coded)

    x = np.log(natural[:, 0]) - np.log(natural[:, 0]).mean()
    g0, g1, log_s = np.meshgrid(
        np.linspace(0.1, 0.6, 150),
        np.linspace(0.4, 1.6, 150),
        np.linspace(np.log(0.005), np.log(0.4), 80),
        indexing="ij",
    )
    s = np.exp(log_s)
    # s^2 ~ scaled inverse chi-squared(4, 0.03^2); times 2 s^2 for the density of log s
    log_p = stats.invgamma.logpdf(s**2, 2.0, scale=2.0 * 0.03**2) + 2.0 * log_s + stats.norm.logpdf(g1, 0.9, 0.2)
    for a, b in zip(x, y, strict=True):
        log_p += stats.norm.logpdf(b, g0 + g1 * a, s)
    weight = np.exp(log_p - log_p.max())
    weight /= weight.sum()
    assert load.mean[0] == pytest.approx((weight * g0).sum(), abs=0.002)
    assert load.mean[1] == pytest.approx((weight * g1).sum(), abs=0.005)
    assert load.weights @ load.scatter == pytest.approx((weight * s).sum(), rel=0.02)
    draws, _ = load.draw(20_000, np.random.default_rng(3))
    sd = np.sqrt((weight * g1**2).sum() - (weight * g1).sum() ** 2)
    assert draws[:, 1].std() == pytest.approx(sd, rel=0.05)


def test_computed_load_shares_an_error_of_15_per_cent(load_of, lug_study, lug_settings):
    natural = lug_study.coding.to_natural(lug_settings)
    truth = true_log_ratio(natural)
    volts = natural[:, 0]
    amps = 16.0 * np.exp(truth) * 0.8 * 0.7 * 230.0 / volts
    load = load_of({"arc voltage [V]": volts, "arc current [A]": amps})
    assert load.kind == "computed"
    np.testing.assert_allclose(load.log_ratio, truth, atol=1e-9)
    draws, scatter = load.draw(4000, np.random.default_rng(4))
    assert np.all(scatter == 0.15)
    # the constant: 0.15 shared, 0.15 / sqrt(16) of its own
    assert draws[:, 0].std() == pytest.approx(np.hypot(0.15, 0.15 / 4), rel=0.06)
    assert draws.shape[1] == 3  # preheat has no part in a computed load


def test_line_voltage_read_under_load_takes_the_place_of_the_stated_one(load_of, lug_study, lug_settings):
    arc = {"arc voltage [V]": np.full(16, 20.0), "arc current [A]": np.full(16, 120.0)}
    stated = load_of(arc)
    sagging = load_of({**arc, "line voltage [V]": np.full(16, 215.0)})
    np.testing.assert_allclose(sagging.log_ratio - stated.log_ratio, np.log(230.0 / 215.0))
    alone = load_of({**arc, "line voltage [V]": np.full(16, 215.0)}, supply=Supply(None, 16.0))
    np.testing.assert_allclose(alone.log_ratio, sagging.log_ratio)


@pytest.mark.parametrize(
    ("supply", "machine", "readings"),
    [
        (Supply(230.0, None), MACHINE, 16),
        (SUPPLY, Machine(None, 0.7), 16),
        (SUPPLY, Machine(0.8, None), 16),
        (Supply(None, 16.0), MACHINE, 16),
        (SUPPLY, MACHINE, 2),
    ],
)
def test_load_is_unknown_where_anything_is_missing(load_of, supply, machine, readings):
    amps = np.where(np.arange(16) < readings, 120.0, np.nan)
    arc = {"arc voltage [V]": np.full(16, 20.0), "arc current [A]": amps}
    assert load_of(arc, supply=supply, machine=machine) is None


def test_measured_is_preferred_and_missing_readings_follow_the_trend(load_of, lug_study, lug_settings):
    natural = lug_study.coding.to_natural(lug_settings)
    truth = true_log_ratio(natural)
    current = 16.0 * np.exp(truth)
    current[[2, 9]] = np.nan
    arc = {"arc voltage [V]": np.full(16, 20.0), "arc current [A]": np.full(16, 120.0)}
    load = load_of({**arc, "line current [A]": current})
    assert (load.kind, load.n_readings) == ("measured", 14)
    np.testing.assert_allclose(load.log_ratio[[2, 9]], truth[[2, 9]], atol=0.05)


def test_kinds_other_factors_and_uncalibrated_marks_have_columns_of_their_own(tmp_path):
    study = Study(
        "t",
        (
            Factor("volts", "voltage", "", (1.0, 2.0, 3.0), marks=("A", "B", "C"), calibrated=False),
            Factor("feed", "feed", "m/min", (5.0, 9.0)),
            Factor("wire", kinds=("A", "B", "C")),
            Factor("stick-out", "other", "mm", (12.0, 20.0)),
        ),
        (),
    )
    columns = LoadColumns(study, (("feed", 7.0),), with_preheat=True)
    made = columns(np.array([[1.0, 5.0, 0.0, 12.0], [3.0, 9.0, 2.0, 20.0]]))
    np.testing.assert_allclose(made[:, 1], [-1.0, 1.0])  # marks: coded, not their log
    np.testing.assert_allclose(made[:, 2], np.log([5.0 / 7.0, 9.0 / 7.0]))
    assert made.shape == (2, 6)
    np.testing.assert_allclose(made[:, 5], [-1.0, 1.0])


def test_uncalibrated_marks_and_other_factors_have_priors_of_their_own(load_of, lug_study, lug_settings):
    marks = Factor("volts", "voltage", "", (1.0, 2.0, 3.0), marks=("A", "B", "C"), calibrated=False)
    study = replace(lug_study, factors=(marks, lug_study.factors[1], Factor("stick-out", "other", "mm", (12.0, 20.0))))
    coded = lug_settings * np.array([1.0, 1.0, 0.5])
    truth = 0.2 + 0.12 * coded[:, 0] - 0.08 * coded[:, 2] + 0.9 * np.log(study.coding.to_natural(coded)[:, 1] / 7.0)
    load = load_of({"line current [A]": 16.0 * np.exp(truth)}, study=study, coded=coded)
    np.testing.assert_allclose(load.mean[[1, 3]], [0.12, -0.08], atol=0.02)


def test_a_wire_that_draws_more_is_seen(load_of, lug_study, lug_settings):
    study = replace(lug_study, factors=(*lug_study.factors, Factor("wire", kinds=("A", "B"))))
    wire = np.arange(16) % 2
    coded = np.column_stack([lug_settings, wire])
    current = 16.0 * np.exp(true_log_ratio(study.coding.to_natural(coded)) + 0.2 * wire)
    load = load_of({"line current [A]": current}, study=study, coded=coded)
    middle = np.array([[19.5, 7.0, 70.0, 0.0], [19.5, 7.0, 70.0, 1.0]])
    low, high = load.columns(middle) @ load.mean
    assert high - low == pytest.approx(0.2, abs=0.03)


def test_ones_own_burn_off_makes_the_load_computed_and_the_built_in_one_does_not(load_of, lug_study, lug_settings):
    own = replace(lug_study.job, burn_off=BurnOff(0.5, 8.3e-5), stickout_mm=16.0)
    load = load_of({}, study=replace(lug_study, job=own))
    assert load.kind == "computed"
    natural = lug_study.coding.to_natural(lug_settings)
    feed = natural[:, 1] * 1000.0 / 60.0
    amps = (-0.5 + np.sqrt(0.25 + 4 * 8.3e-5 * 16.0 * feed)) / (2 * 8.3e-5 * 16.0)  # root of W = a I + b L I^2
    np.testing.assert_allclose(np.exp(load.log_ratio), natural[:, 0] * amps / (0.8 * 0.7 * 230.0 * 16.0), rtol=1e-6)
    solid = replace(lug_study.job, process="135", wire="1.0 mm solid", wire_diameter_mm=1.0, stickout_mm=14.0)
    assert load_of({}, study=replace(lug_study, job=solid)) is None


def test_arc_power_follows_the_welds_whose_amps_were_read(make_results, lug_study, lug_settings):
    study = replace(lug_study, supply=SUPPLY, machine=MACHINE)
    natural = study.coding.to_natural(lug_settings)
    amps = 20.0 * natural[:, 1]
    few = np.where(np.arange(16) < 2, amps, np.nan)
    assert find_arc_power(make_results(study, lug_settings, {}, conditions={"arc current [A]": few})) is None
    some = np.where(np.arange(16) < 12, amps, np.nan)
    trend = find_arc_power(make_results(study, lug_settings, {}, conditions={"arc current [A]": some}))
    assert trend.n_readings == 12
    found = np.exp(trend.columns(natural[12:]) @ trend.mean)
    np.testing.assert_allclose(found, natural[12:, 0] * amps[12:], rtol=0.02)
