"""Drift over the order of welding: against statsmodels, in words, and what it finds by simulation."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy import special

from doe.bench.results import Counts, Passes, Trips
from doe.models.count import fit_count
from doe.models.drift import (
    LEVEL,
    block_changes,
    change_along,
    drift_of_drawn,
    drift_of_measure,
    order_column,
    weld_scatter,
)
from doe.models.grid import Grid, ScatterPrior, lay_out_effects, make_nodes
from doe.models.measure import fit_measure
from doe.models.passing import fit_passing
from doe.models.surface import build_surface
from doe.models.trip import fit_trip
from doe.study.model import Response, Supply

PLATES = np.arange(18) // 2
ORDER = np.array([7, 8, 1, 2, 13, 14, 17, 18, 3, 4, 11, 12, 5, 6, 15, 16, 9, 10])


@pytest.fixture
def settings(lug_settings):
    """Eighteen welds on nine plates."""
    return np.vstack([lug_settings, [[-0.6, 0.5, 0.0], [0.6, -0.5, 0.0]]])


def truth(coded):
    v, f, p = coded.T
    return 2.5 + 0.5 * v + 0.4 * f + 0.2 * p - 0.3 * v * f - 0.4 * v**2 - 0.3 * f**2


@pytest.fixture
def fit(lug_study, settings, make_results):
    def fit(y, **fields):
        results = make_results(lug_study, settings, {"depth": y}, order=ORDER, **fields)
        return fit_measure(results, lug_study.responses[0], seed=1).model

    return fit


def made_readings(coded, rng, *, drift, weld=0.2, plate=0.12):
    o = (ORDER - 1) / 17.0 - 0.5
    return truth(coded) + drift * o + plate * rng.normal(size=9)[PLATES] + weld * rng.normal(size=18)


# --- the estimate


def test_at_one_node_it_is_generalized_least_squares(settings):
    """With fixed hyper-parameters: statsmodels GLS with the covariance of settings and plates."""
    y = made_readings(settings, np.random.default_rng(1), drift=0.4)
    X = np.column_stack([np.ones(18), settings])
    grid = Grid(first=(2.0,), second=(1.0,), third=(0.1,), plate=(0.5,), block=(0.0,))
    classes = ("constant", "first", "first", "first")
    nodes = make_nodes(lay_out_effects(X, classes, plates=PLATES, blocks=PLATES * 0, grid=grid), ScatterPrior())
    column = order_column(ORDER)
    found = change_along(nodes, y, column)
    V = nodes.effects.covariance()[0] + np.eye(18)
    gls = sm.GLS(y, sm.add_constant(column), sigma=V).fit()
    assert found.location[0, 0] == pytest.approx(gls.params[1])
    assert found.scale[0, 0] == pytest.approx(gls.bse[1])
    assert found.df[0] == gls.df_resid
    low, high = gls.conf_int(0.10)[1]
    assert found.quantile(0.05)[0] == pytest.approx(low, abs=1e-4)
    assert found.quantile(0.95)[0] == pytest.approx(high, abs=1e-4)
    assert weld_scatter(nodes, y, column) == pytest.approx(np.sqrt(gls.scale))


def test_order_runs_from_minus_to_plus_a_half_and_must_be_known():
    assert_allclose(order_column(np.array([3, 1, 2])), [0.5, -0.5, 0.0])
    assert order_column(np.array([0, 1, 2])) is None
    assert order_column(np.array([1, 1, 2])) is None


def test_a_constant_column_tells_nothing(fit, settings):
    model = fit(made_readings(settings, np.random.default_rng(1), drift=0.0))
    assert change_along(model.nodes, model.usable.y, np.ones(18)) is None


# --- words


def test_a_large_drift_is_seen_with_its_size(fit, settings):
    model = fit(made_readings(settings, np.random.default_rng(2), drift=-1.5))
    drift = drift_of_measure(model, ORDER, [""] * 18)
    assert drift.is_doubtful
    assert drift.sentence.startswith("depth drifted over the order of welding: -")
    assert "90 % band" in drift.sentence
    assert drift.trend.low < -1.5 < drift.trend.high < 0.0
    assert drift.step.size < 0.0
    assert "Taken as one step half-way it is -" in drift.sentence
    assert drift.to_dict()["seen"] is True
    assert drift.to_dict()["trend"]["size"] == drift.trend.size


def test_the_sentence_says_what_can_and_cannot_be_ruled_out(fit, settings):
    model = fit(made_readings(settings, np.random.default_rng(3), drift=0.0))
    open_ended = drift_of_measure(model, ORDER, [""] * 18)
    assert not open_ended.is_doubtful
    assert "cannot be ruled out" in open_ended.sentence
    assert open_ended.trend.high > open_ended.weld_sd


def test_an_order_that_follows_the_settings_cannot_be_told_from_them(lug_study, make_results):
    """Welded from the lowest feed to the highest: whatever drifts goes with the feed."""
    feed = np.linspace(-1.0, 1.0, 12)
    coded = np.column_stack([np.tile([-1.0, 0.0, 1.0], 4), feed, np.zeros(12)])
    y = 2.0 + 0.5 * feed + 0.1 * np.random.default_rng(4).normal(size=12)
    study = replace(lug_study, plan=replace(lug_study.plan, welds_per_plate=1))
    results = make_results(study, coded, {"depth": y}, order=np.arange(12) + 1)
    model = fit_measure(results, study.responses[0], seed=1).model
    drift = drift_of_measure(model, results.order, [""] * 12)
    assert not drift.is_doubtful
    assert drift.trend is None
    assert "cannot be told from the settings" in drift.sentence
    assert "(100 % of it)" in drift.sentence


def test_a_drift_smaller_than_the_scatter_is_ruled_out(lug_study, make_results):
    """Eighty welds at each of two settings and a good order: the band is narrow."""
    study = replace(lug_study, plan=replace(lug_study.plan, welds_per_plate=1))
    rng = np.random.default_rng(5)
    coded = np.tile([[0.2, 0.0, 0.0], [-0.2, 0.5, 0.0]], (80, 1))
    results = make_results(study, coded, {"depth": 2.0 + 0.2 * rng.normal(size=160)}, order=rng.permutation(160) + 1)
    model = fit_measure(results, study.responses[0], seed=1).model
    drift = drift_of_measure(model, results.order, [""] * 160)
    assert drift.sentence.startswith("No drift of depth as large as the scatter between welds: ")
    assert max(-drift.trend.low, drift.trend.high) < drift.weld_sd


def test_an_unknown_order_is_said(fit, settings):
    model = fit(made_readings(settings, np.random.default_rng(2), drift=-1.5))
    drift = drift_of_measure(model, np.zeros(18, dtype=int), [""] * 18)
    assert "order of welding is not known" in drift.sentence
    assert drift.trend is None
    assert drift.to_dict()["trend"] is None


def test_blocks_are_compared_with_one_another(lug_study, settings, make_results):
    y = made_readings(settings, np.random.default_rng(6), drift=0.0)
    day = np.where(ORDER > 10, "day 2", "day 1")
    results = make_results(lug_study, settings, {"depth": y + 1.0 * (day == "day 2")}, order=ORDER, block=tuple(day))
    model = fit_measure(results, lug_study.responses[0], seed=1).model
    drift = drift_of_measure(model, ORDER, tuple(day))
    blocks = drift.blocks
    assert "Of the blocks, day " in drift.sentence
    assert blocks["day 2"].low < 1.0 < blocks["day 2"].high
    assert blocks["day 2"].low > 0.0
    assert blocks["day 1"].size == pytest.approx(-blocks["day 2"].size)
    assert block_changes(model, y, ["a"] * 18) == {}


# --- counts, trips, passes


def test_a_rate_of_pores_that_rises_is_seen(lug_study, settings, make_results):
    pores = Response("porosity", "count", at_most=2.0, per_mm=100.0)
    rng = np.random.default_rng(7)
    counts = rng.poisson(4.5 * np.exp(-0.5 + 3.0 * ((ORDER - 1) / 17.0 - 0.5))).astype(float)
    study = replace(lug_study, responses=(pores,))
    results = make_results(study, settings, {"porosity": Counts(counts, np.full(18, 450.0))}, order=ORDER)
    model = fit_count(results, pores, seed=1).model
    drift = drift_of_drawn(pores, model, ORDER, np.random.default_rng(1))
    assert drift.is_doubtful
    assert drift.trend.low > 1.0
    assert "the rate changed by a factor of" in drift.sentence
    unknown = drift_of_drawn(pores, model, np.zeros(18, dtype=int), np.random.default_rng(1))
    assert "order of welding is not known" in unknown.sentence


def test_passes_that_end_half_way_are_seen(lug_study, settings, make_results):
    fused = Response("fused", "pass")
    study = replace(lug_study, responses=(fused,))
    results = make_results(study, settings, {"fused": Passes((ORDER < 10).astype(float))}, order=ORDER)
    model = fit_passing(results, fused, seed=1).model
    drift = drift_of_drawn(fused, model, ORDER, np.random.default_rng(1))
    assert drift.is_doubtful
    assert drift.trend.high < 1.0
    assert "odds of passing" in drift.sentence


@pytest.mark.parametrize("load", [True, False])
def test_a_breaker_that_warms_up_is_seen(lug_study, settings, make_results, load):
    trip = Response("trip", "trip", hold_s=30.0)
    o = (ORDER - 1) / 17.0 - 0.5
    time_s = 60.0 * np.exp(-2.5 * o + 0.1 * np.random.default_rng(8).normal(size=18))
    trips = Trips((time_s < 90.0).astype(float), np.minimum(time_s, 90.0))
    study = replace(lug_study, responses=(trip,), supply=Supply(230.0, 16.0, "C"))
    conditions = {"line current [A]": np.full(18, 30.0) + 0.1 * ORDER} if load else {}
    results = make_results(study, settings, {"trip": trips}, order=ORDER, conditions=conditions)
    model = fit_trip(results, trip, seed=1).model
    drift = drift_of_drawn(trip, model.breaker if load else model, ORDER, np.random.default_rng(1))
    assert drift.is_doubtful
    assert drift.trend.high < 1.0


def test_on_warm_plates_the_breakers_drift_is_not_looked_for(lug_study, settings, make_results):
    trip = Response("trip", "trip", hold_s=30.0)
    study = replace(
        lug_study,
        responses=(trip,),
        supply=Supply(230.0, 16.0, "C"),
        plan=replace(lug_study.plan, later_welds="warm"),
    )
    trips = Trips(np.zeros(18), np.full(18, 60.0))
    conditions = {"line current [A]": np.full(18, 20.0)}
    results = make_results(study, settings, {"trip": trips}, order=ORDER, conditions=conditions)
    model = fit_trip(results, trip, seed=1).model
    drift = drift_of_drawn(trip, model.breaker, ORDER, np.random.default_rng(1))
    assert "first and later welds already differ" in drift.sentence


# --- what it finds


@pytest.mark.slow
def test_rates_of_drift_seen_are_those_of_the_docstring(lug_study, settings, make_results):
    """600 studies of 18 welds on 9 plates, orders drawn by plates, weld sd .2, plate sd .12.

    Monte Carlo error about 2 points.

    No drift: seen in about a tenth. One weld sd, two, three from first to last: see the module's docstring.
    """
    rng, o_levels = np.random.default_rng(9), (0.0, 0.2, 0.4, 0.6)
    results = make_results(lug_study, settings, {"depth": truth(settings)})
    surface = build_surface(results)
    X = surface.welds(results)
    effects = lay_out_effects(X, surface.classes, plates=PLATES, blocks=PLATES * 0, grid=Grid())
    nodes = make_nodes(effects, ScatterPrior())
    seen, held, steps = np.zeros(4), np.zeros(4), 0.0
    n_sets = 600
    for _ in range(n_sets):
        order = 2 * rng.permutation(9)[PLATES] + np.arange(18) % 2 + 1
        column = order_column(order)
        y = truth(settings) + 0.12 * rng.normal(size=9)[PLATES] + 0.2 * rng.normal(size=18)
        half = change_along(nodes, y, np.where(column > 0.0, 0.5, -0.5))  # as a step, or as two blocks
        steps += abs(2.0 * half.chance_below(np.array([0.0]))[0] - 1.0) > LEVEL
        for j, drift in enumerate(o_levels):
            found = change_along(nodes, y + drift * column, column)
            below = found.chance_below(np.array([0.0]))[0]
            seen[j] += abs(2.0 * below - 1.0) > LEVEL
            held[j] += abs(2.0 * found.chance_below(np.array([drift]))[0] - 1.0) <= LEVEL
    share = seen / n_sets
    assert 0.06 < share[0] < 0.14
    assert 0.12 < share[1] < 0.28
    assert share[2] > 0.3
    assert share[3] > 0.55
    assert np.all(held / n_sets > 0.86)
    assert 0.05 < steps / n_sets < 0.15


@pytest.mark.slow
def test_false_alarms_of_counts_and_passes(lug_study, settings, make_results):
    """100 studies each without drift: seen in at most a tenth or so."""
    rng, pores, fused = np.random.default_rng(10), Response("porosity", "count", at_most=2.0), Response("fused", "pass")
    study = replace(lug_study, responses=(pores, fused))
    seen = np.zeros(2)
    for _ in range(100):
        counts = rng.negative_binomial(2.0, 2.0 / (2.0 + 3.0 * np.exp(0.5 * settings[:, 0] ** 2))).astype(float)
        passed = (rng.random(18) < special.expit(1.0 + settings[:, 1])).astype(float)
        order = 2 * rng.permutation(9)[PLATES] + np.arange(18) % 2 + 1
        table = {"porosity": Counts(counts, np.full(18, 100.0)), "fused": Passes(passed)}
        results = make_results(study, settings, table, order=order)
        for j, (response, fit) in enumerate(((pores, fit_count), (fused, fit_passing))):
            model = fit(results, response, seed=1).model
            seen[j] += drift_of_drawn(response, model, order, np.random.default_rng(1)).is_doubtful
    assert np.all(seen <= 16)
