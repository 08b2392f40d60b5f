"""Welds left out of a measure's fit: against new fits, and against least squares of statsmodels."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy import stats

from doe.bench.results import Measurement
from doe.models.grid import (
    Effects,
    Grid,
    ScatterPrior,
    lay_out_effects,
    make_nodes,
    node_probabilities,
    quadratic_form,
)
from doe.models.left_out import (
    completed_readings,
    group_welds,
    leave_each_out,
    predict_left_out,
)
from doe.models.measure import fit_measure
from doe.models.surface import build_surface


@pytest.fixture
def readings():
    rng = np.random.default_rng(8)
    return 2.0 + 0.2 * np.repeat(rng.normal(size=8), 2) + 0.25 * rng.normal(size=16)


@pytest.fixture
def surface(lug_study, lug_settings, make_results, readings):
    results = make_results(lug_study, lug_settings, {"depth": readings})
    return build_surface(results), build_surface(results).welds(results)


def kept_nodes(nodes, kept):
    """Lay the same nodes out for some of the welds, as a new fit would."""
    effects = nodes.effects
    return make_nodes(Effects(effects.C[kept], effects.group, effects.variance), nodes.prior)


@pytest.mark.parametrize("prior", [ScatterPrior(), ScatterPrior(4.0, 0.25)])
def test_a_left_out_plate_is_predicted_as_by_a_new_fit(surface, readings, prior):
    columns, X = surface
    effects = lay_out_effects(X, columns.classes, plates=np.arange(16) // 2, blocks=np.zeros(16, int), grid=Grid())
    nodes, rows = make_nodes(effects, prior), np.array([4, 5])
    found = predict_left_out(nodes, readings, rows)
    kept = np.setdiff1d(np.arange(16), rows)
    anew, y = kept_nodes(nodes, kept), readings[kept]
    weight = node_probabilities(anew.log_weights(quadratic_form(anew, y - y.mean())))
    assert_allclose(found.weight[:, 0], weight, atol=1e-9)
    assert found.df.tolist() == [anew.df, anew.df]
    for k in (0, 100, 287):
        v = effects.variance[k][effects.group]
        cross = effects.C[rows] * v @ effects.C[kept].T
        b0 = anew.inverse.ones[k] @ y / anew.precision[k]
        predicted = b0 + cross @ anew.inverse.V_inv[k] @ (y - b0)
        assert_allclose(found.location[k], predicted, atol=1e-8)
        gap = 1.0 - cross @ anew.inverse.ones[k]
        own = 1.0 + np.einsum("ij,j,ij->i", effects.C[rows], v, effects.C[rows])
        variance = own - np.einsum("ij,jk,ik->i", cross, anew.inverse.V_inv[k], cross) + gap**2 / anew.precision[k]
        q = quadratic_form(anew, y - y.mean())[k]
        assert_allclose(found.scale[k], np.sqrt(q / anew.df * variance), rtol=1e-7)


def test_with_hardly_any_prior_it_is_least_squares(surface, readings):
    columns, X = surface
    X = X[:, :7]
    wide = Grid(first=(1e4,), second=(1e4,), third=(1e4,), plate=(0.0,), block=(0.0,))
    singles = np.arange(16)
    nodes = make_nodes(
        lay_out_effects(X, columns.classes[:7], plates=singles, blocks=singles * 0, grid=wide), ScatterPrior()
    )
    fit = sm.OLS(readings, X).fit()
    influence = fit.get_influence()
    left = leave_each_out(nodes, readings, 7)
    assert_allclose(readings - left.reading.location[0], influence.resid_press, rtol=1e-4)
    assert_allclose(left.coefficients, fit.params, rtol=1e-4)
    dfbeta = np.array([fit.params - sm.OLS(np.delete(readings, i), np.delete(X, i, 0)).fit().params for i in singles])
    assert_allclose(left.coefficients - left.without, dfbeta, atol=1e-4)


def test_leaving_one_out_is_leaving_a_group_of_one_out(surface, readings):
    columns, X = surface
    effects = lay_out_effects(X, columns.classes, plates=np.arange(16) // 2, blocks=np.arange(16) // 8, grid=Grid())
    nodes = make_nodes(effects, ScatterPrior())
    left = leave_each_out(nodes, readings, X.shape[1])
    one = predict_left_out(nodes, readings, np.array([9]))
    assert_allclose(left.reading.weight[:, 9], one.weight[:, 0], atol=1e-12)
    assert_allclose(left.reading.location[:, 9], one.location[:, 0])
    assert_allclose(left.reading.scale[:, 9], one.scale[:, 0])


def test_how_far_a_reading_was_trusted_does_not_make_it_look_foretold(surface, readings):
    columns, X = surface
    effects = lay_out_effects(X, columns.classes, plates=np.arange(16) // 2, blocks=np.zeros(16, int), grid=Grid())
    error = np.linspace(0.7, 1.5, 16)
    found = []
    for own in (1.0, 15.0):
        error[9] = own
        nodes = make_nodes(effects, ScatterPrior(), error=error.copy())
        left = leave_each_out(nodes, readings, X.shape[1])
        one = predict_left_out(nodes, readings, np.array([9]))
        assert_allclose(left.reading.scale[:, 9], one.scale[:, 0], rtol=1e-9)
        found.append((one.weight[:, 0], one.location[:, 0], one.scale[:, 0], left.without[9]))
    for trusted, doubted in zip(*found, strict=True):
        assert_allclose(doubted, trusted, rtol=1e-6, atol=1e-9)


def test_coefficients_without_a_weld_are_those_of_a_new_fit(surface, readings):
    columns, X = surface
    effects = lay_out_effects(X, columns.classes, plates=np.arange(16) // 2, blocks=np.zeros(16, int), grid=Grid())
    nodes = make_nodes(effects, ScatterPrior())
    left = leave_each_out(nodes, readings, X.shape[1])
    kept = np.setdiff1d(np.arange(16), [3])
    anew = kept_nodes(nodes, kept)
    assert_allclose(left.without[3], leave_each_out(anew, readings[kept], X.shape[1]).coefficients, atol=1e-8)


def test_plates_are_left_out_where_there_are_enough_of_them():
    assert group_welds(["P1", "P1", "P2", "P2", "P3", "P3"]).by == "plate"
    assert group_welds(["P1", "P1", "P2", "P2", "P3", "P3"]).n == 3
    assert group_welds(["P1", "P2", "P3"]).by == "weld"
    assert group_welds(["P1", "P1", "P2", "P2"]).by == "weld"
    assert group_welds(["", "", "", "P1"]).n == 4


def test_a_burn_through_stands_at_its_expected_depth(lug_study, lug_settings, make_results, readings):
    study = replace(lug_study, responses=(replace(lug_study.responses[0], full=2.6),))
    y = readings.copy()
    y[[3, 9]] = 2.6
    table = {"depth": Measurement(y[:, None], np.full(16, 2.6))}
    model = fit_measure(make_results(study, lug_settings, table), study.responses[0], seed=1).model
    completed = completed_readings(model)
    assert model.usable.censored[[3, 9]].all()
    seen = ~model.usable.censored
    assert_allclose(completed[seen], y[seen])
    s = np.sqrt(np.mean(model.residual[seen] ** 2))
    for i in (3, 9):
        m = model.fitted[i]
        assert completed[i] == pytest.approx(stats.truncnorm((2.6 - m) / s, np.inf, m, s).mean(), rel=1e-6)
