"""Draws weighed again under a moved prior: against the conjugate normal, and against fitting anew."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from doe.bench.results import Counts, Passes, Trips
from doe.models.coded_trip import CodedTripModel, CodedTripPosterior
from doe.models.count import fit_count
from doe.models.fit import Points
from doe.models.passing import fit_passing
from doe.models.sampled import NormalPrior
from doe.models.shifting import effective_draws, shiftable, shifted_weights
from doe.models.trip import fit_trip
from doe.models.trip_cause import CauseModel, chance_of_other_cause
from doe.study.model import Response, Supply

PORES = Response("porosity", "count", at_most=1.0, per_mm=60.0)
TRIP = Response("trip", "trip", hold_s=30.0)
ROOT = Response("root fused", "pass")


def refitted(model, rng):
    """Draws from a moved model fitted anew; the chance of another cause follows from its own evidence."""
    if isinstance(model, CauseModel):
        load = model.breaker.log_evidence(model.breaker.sample(2000, rng))
        other = model.other.log_evidence(model.other.sample(2000, rng))
        model = replace(model, other_chance=chance_of_other_cause(load, other))
    return model.draw(8000, rng)


@pytest.fixture
def fits(lug_study, lug_settings, make_results):
    """Each kind of model with a prior that can be moved, on sixteen welds that say little."""
    natural = lug_study.coding.to_natural(lug_settings)
    ratio = 1.55 * (natural[:, 0] / 19.5) * (natural[:, 1] / 7.0) ** 0.9
    hot = np.argsort(ratio)[-3:]
    tripped = np.isin(np.arange(16), hot).astype(float)
    trips = Trips(tripped, np.where(tripped == 1, 25.0, 60.0))
    counts = np.random.default_rng(1).poisson(0.5, 16).astype(float)

    def fit(kind):
        study = replace(lug_study, responses=(PORES, TRIP, ROOT), supply=Supply(230.0, 16.0, "C"))
        readings = {"porosity": Counts(counts, np.full(16, 120.0)), "trip": trips, "root fused": Passes(1.0 - tripped)}
        conditions = {"line current [A]": 16.0 * ratio} if kind == "breaker" else {}
        results = make_results(study, lug_settings, readings, conditions=conditions)
        if kind == "count":
            return fit_count(results, PORES, seed=1).model
        return (fit_passing(results, ROOT, seed=1) if kind == "pass" else fit_trip(results, TRIP, seed=1)).model

    return fit


def test_the_conjugate_normal_under_a_moved_prior_is_met():
    # one mean, prior N(0, 1), one reading 1.5 of sd 0.8: the posterior is normal, and so is that of the moved prior
    sd, reading = 0.8, 1.5
    prior = NormalPrior(np.zeros(2), np.ones(2))
    model = CodedTripModel(None, np.empty((0, 1)), None, 0.0, prior, prior.mean)
    moved = replace(model, prior=prior.moved(0, 1.0))
    rng, within = np.random.default_rng(2), np.sqrt(1.0 / (1.0 + sd**-2))
    x = np.column_stack([within**2 * reading / sd**2 + within * rng.standard_normal(40_000), np.zeros(40_000)])
    posterior = CodedTripPosterior(None, x, 0.0)
    weights = shifted_weights(model, moved, posterior)
    assert weights.sum() == pytest.approx(1.0)
    exact = stats.norm(within**2 * (1.0 + reading / sd**2), within)
    for at in (0.8, 1.2, 1.8):
        assert weights[x[:, 0] <= at].sum() == pytest.approx(exact.cdf(at), abs=0.012)
    # shifting by d in units of the posterior's sd leaves a share exp(-d^2) of the draws
    assert effective_draws(weights, posterior) / 40_000 == pytest.approx(np.exp(-(within**2)), rel=0.05)


@pytest.mark.parametrize("kind", ["count", "coded", "breaker", "pass"])
def test_weighing_the_draws_again_gives_what_fitting_anew_gives(fits, lug_study, kind):
    model = shiftable(fits(kind))
    assert isinstance(model, CauseModel) is (kind == "breaker")
    points = Points(lug_study.coding.to_natural(np.array([[0.2, 0.2, 0.0], [-0.6, -0.6, 0.5]])))
    posterior = model.draw(8000, np.random.default_rng(3))
    failure = posterior.failure(points).max(axis=1)
    asked = np.quantile(failure, 0.8)
    gone = 0.0
    for shift in model.shifts():
        weights = shifted_weights(model, shift.model, posterior)
        worth = effective_draws(weights, posterior)
        if worth < 300:  # too few to say: the window says so
            continue
        again = refitted(shift.model, np.random.default_rng(4)).failure(points).max(axis=1)
        error = np.sqrt(0.25 / worth + 0.25 / 1000)  # a refit is worth at least a thousand draws
        assert weights[failure <= asked].sum() == pytest.approx((again <= asked).mean(), abs=3.0 * error), shift
        gone = max(gone, abs(weights[failure <= asked].sum() - 0.8))
    assert gone > 0.05, "no prior mattered, so nothing was tested"


def test_the_chance_of_another_cause_moves_with_the_breakers_prior(fits):
    model = replace(fits("breaker"), other_chance=0.4)
    load = model.breaker.log_evidence(model.breaker.sample(2000, np.random.default_rng(5)))
    posterior = model.draw(20_000, np.random.default_rng(6))
    for shift in model.shifts():
        moved = shift.model.breaker
        odds = 0.4 / 0.6 * np.exp(load - moved.log_evidence(moved.sample(2000, np.random.default_rng(7))))
        weights = shifted_weights(model, shift.model, posterior)
        assert weights[posterior.is_other].sum() == pytest.approx(odds / (1.0 + odds), abs=0.03)


def test_draws_given_several_times_count_once():
    x = np.repeat(np.random.default_rng(8).standard_normal((50, 2)), 10, axis=0)
    assert effective_draws(np.full(500, 1 / 500), CodedTripPosterior(None, x, 0.0)) == pytest.approx(50.0)


def test_what_has_no_such_prior_is_left_alone(fits):
    assert shiftable(None) is None
    model = fits("count")
    with pytest.raises(TypeError, match="no prior can be moved"):
        shifted_weights(model, model, object())
