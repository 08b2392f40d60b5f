"""Proposals that stand for every posterior with welds left out: against new fits."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special, stats

from doe.bench.results import Counts, Passes, Trips
from doe.models.coded_trip import CodedTripPosterior
from doe.models.count import fit_count
from doe.models.fit import Points
from doe.models.outcomes import chances_of_good, good_outcomes, only_outcomes
from doe.models.passing import PassPosterior, fit_passing
from doe.models.reweighting import count_welds, likelihoods, make_cloud, only_welds, predicted_count
from doe.models.trip import fit_trip
from doe.study.model import Response, Supply

NOBODY = np.array([], dtype=int)


@pytest.fixture
def models(lug_study, lug_settings, make_results):
    """A count, a pass, a trip in the coded factors and a breaker, each fitted to sixteen welds."""
    rng = np.random.default_rng(3)
    pores, fused = Response("porosity", "count", at_most=2.0, per_mm=100.0), Response("fused", "pass")
    trip = Response("trip", "trip", hold_s=30.0)
    study = replace(lug_study, responses=(pores, fused, trip), supply=Supply(230.0, 16.0, "C"))
    counts = Counts(rng.poisson(3.0, 16).astype(float), np.full(16, 300.0))
    passes = Passes((rng.random(16) < 0.6 + 0.2 * lug_settings[:, 0]).astype(float))
    ratio = 1.9 * np.exp(0.1 * lug_settings[:, 0] + 0.25 * lug_settings[:, 1])
    time_s = 90.0 * (ratio / 1.9) ** -4.5 * np.exp(0.3 * rng.normal(size=16))
    trips = Trips((time_s < 60.0).astype(float), np.minimum(time_s, 60.0))
    table = {"porosity": counts, "fused": passes, "trip": trips}
    line = make_results(study, lug_settings, table, conditions={"line current [A]": 16.0 * ratio})
    blind = make_results(study, lug_settings, table)
    return {
        "count": fit_count(blind, pores, seed=1).model,
        "pass": fit_passing(blind, fused, seed=1).model,
        "coded": fit_trip(blind, trip, seed=1).model,
        "breaker": fit_trip(line, trip, seed=1).model.breaker,
    }


@pytest.mark.parametrize("kind", ["count", "pass", "coded", "breaker"])
def test_leaving_a_plate_out_by_weights_is_leaving_it_out_by_a_new_fit(models, kind):
    model, rows = models[kind], np.array([2, 3])
    cloud = make_cloud(model, np.random.default_rng(1))
    assert cloud.n_welds == count_welds(model) == 16
    for left_out in (NOBODY, rows):
        kept = np.setdiff1d(np.arange(16), left_out)
        anew = only_welds(model, kept).sample(4000, np.random.default_rng(2)).draws
        weights = cloud.weights(left_out)
        assert weights.sum() == pytest.approx(1.0)
        sd = anew.std(axis=0)
        assert_allclose(weights @ cloud.x, anew.mean(axis=0), atol=float((0.15 * sd).max()))
        mean = weights @ cloud.x
        assert_allclose(np.sqrt(weights @ (cloud.x - mean) ** 2), sd, rtol=0.15)
    drawn = cloud.draws(rows, 2000, np.random.default_rng(3))
    assert drawn.shape == (2000, cloud.x.shape[1])
    assert_allclose(drawn.mean(axis=0), anew.mean(axis=0), atol=float((0.2 * sd).max()))


def test_where_too_few_proposals_count_the_model_is_fitted_anew(models):
    model = models["count"]
    cloud = make_cloud(model, np.random.default_rng(1))
    spoilt = replace(cloud, base=cloud.base + 40.0 * (np.arange(len(cloud.x)) == 7))
    drawn = spoilt.draws(np.array([0]), 500, np.random.default_rng(2))
    assert len(np.unique(drawn[:, 0])) > 300
    anew = only_welds(model, np.arange(1, 16)).sample(500, np.random.default_rng(2)).draws
    assert_allclose(drawn, anew)


@pytest.mark.parametrize("kind", ["count", "pass", "coded", "breaker"])
def test_welds_add_up_to_the_whole_likelihood(models, kind):
    model = models[kind]
    x = model.sample(50, np.random.default_rng(1)).draws
    singles = likelihoods(model, x).sum(axis=1)
    if kind == "count":
        exposure, size = model.data.exposure, np.exp(-x[:, -1:])
        mean = exposure * np.exp(x[:, :-1] @ model.data.X.T)
        whole = stats.nbinom.logpmf(model.data.counts, size, size / (size + mean)).sum(axis=1)
        assert_allclose(singles - singles[0], whole - whole[0], atol=1e-8)  # up to a constant
    else:
        assert_allclose(singles, model.log_density(x) - model.log_prior(x), atol=1e-9)


def test_a_count_is_predicted_over_its_own_length(models):
    model = models["count"]
    x = model.sample(20, np.random.default_rng(1)).draws
    log_mean, phi = predicted_count(model, x, 4)
    assert_allclose(log_mean[:, 0], x[:, :-1] @ model.data.X[4] + np.log(3.0))
    assert_allclose(phi[:, 0], np.exp(x[:, -1]))


def test_chances_of_a_good_weld_are_those_of_the_posterior(models, lug_study, lug_settings):
    natural = lug_study.coding.to_natural(lug_settings)
    model = models["coded"]
    x = model.sample(30, np.random.default_rng(1)).draws
    expected = CodedTripPosterior(model.surface, x, model.log_hold).mean(Points(natural))
    assert_allclose(chances_of_good(model, x), expected)
    model = models["pass"]
    x = model.sample(30, np.random.default_rng(1)).draws
    assert_allclose(chances_of_good(model, x), PassPosterior(model.surface, x).mean(Points(natural)))
    assert_allclose(chances_of_good(model, x), special.expit(x @ model.X.T))


def test_outcomes_are_good_failed_or_not_known(models):
    model = models["coded"]
    times = replace(
        model.times,
        log_time=np.log([10.0, 40.0, 40.0, 20.0, 40.0, 20.0]),
        tripped=np.array([True, True, False, False, True, True]),
        timed=np.array([True, True, True, True, False, False]),
    )
    good = good_outcomes(replace(model, times=times))
    # tripped before 30 s, after it, held 40 s, held 20 s only, tripped some time before 40 s, some time before 20 s
    assert_allclose(good, [0.0, 1.0, 1.0, np.nan, np.nan, 0.0])
    assert_allclose(good_outcomes(models["pass"]), models["pass"].passed)
    assert len(only_outcomes(models["pass"], np.array([1, 2])).passed) == 2
    with pytest.raises(TypeError, match="no good outcome"):
        only_outcomes(models["count"], np.array([1]))
