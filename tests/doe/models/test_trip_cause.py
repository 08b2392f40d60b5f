"""Trips by the load or by another cause: evidence against quadrature, and what the mixture does."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import integrate, stats

from doe.bench.results import Trips
from doe.models.fit import Points
from doe.models.surface import build_surface
from doe.models.trip import fit_trip
from doe.models.trip_cause import OTHER_CAUSE, CauseModel, chance_of_other_cause, other_cause_model
from doe.models.weibull import TripTimes
from doe.study.model import Response, Supply

TRIP = Response("trip", "trip", hold_s=30.0)


@pytest.fixture
def fit(lug_study, lug_settings, make_results):
    """Fit trips of a 16 A breaker with line current read, 1.0 to 2.1 times its rating."""
    study = replace(lug_study, supply=Supply(230.0, 16.0, "C"), responses=(TRIP,))
    natural = study.coding.to_natural(lug_settings)
    ratio = 1.55 * (natural[:, 0] / 19.5) * (natural[:, 1] / 7.0) ** 0.9

    def fit(tripped_of_ratio):
        tripped = np.asarray(tripped_of_ratio(ratio), dtype=float)
        times = np.where(tripped == 1, 25.0, 60.0)
        conditions = {"line current [A]": 16.0 * ratio}
        return fit_trip(
            make_results(study, lug_settings, {"trip": Trips(tripped, times)}, conditions=conditions), TRIP, seed=1
        )

    return fit


def test_evidence_of_the_other_cause_is_that_of_quadrature(lug_study, lug_settings, make_results):
    time_s, tripped = np.array([60.0, 20.0, 45.0, 60.0]), np.array([False, True, True, False])
    times = TripTimes(np.log(time_s), tripped, np.ones(4, bool))
    surface = build_surface(make_results(lug_study, lug_settings, {}), highest="first")
    model = other_cause_model(surface, times, np.log(30.0))
    ours = model.log_evidence(model.sample(500, np.random.default_rng(1)))

    eta, log_shape = np.linspace(-4.0, 12.0, 500), np.linspace(-2.5, 2.5, 300)[:, None]
    shape = np.exp(log_shape)
    scale = np.exp(eta) / np.log(2.0) ** (1.0 / shape)
    joint = stats.norm.pdf(eta, np.log(30.0) + 1.5, 1.5) * stats.norm.pdf(log_shape, 0.0, 0.5)
    for t, trip in zip(time_s, tripped, strict=True):
        law = stats.weibull_min(shape, scale=scale)
        joint = joint * (law.pdf(t) * t if trip else law.sf(t))  # density of log T
    theirs = integrate.trapezoid(integrate.trapezoid(joint, eta, axis=1), log_shape[:, 0])
    assert ours == pytest.approx(np.log(theirs), abs=0.05)


def test_evidence_of_the_breaker_counts_only_the_prior_that_is_allowed(fit):
    breaker = fit(lambda r: r > 9.0).model.breaker
    nothing = replace(
        breaker, times=TripTimes(np.empty(0), np.empty(0, bool), np.empty(0, bool)), log_ratio=np.empty(0)
    )
    sample = nothing.sample(500, np.random.default_rng(2))
    # without welds every model is as probable as the next: log evidence nought
    assert nothing.log_evidence(sample) == pytest.approx(0.0, abs=0.05)
    draws = nothing.prior.mean + nothing.prior.sd * np.random.default_rng(3).standard_normal((40_000, 3))
    assert nothing.share_allowed() == pytest.approx(nothing.allowed(draws).mean(), abs=0.01)
    assert replace(nothing, bounds=()).share_allowed() == 1.0


def test_equal_evidence_leaves_the_chance_as_it_was():
    assert chance_of_other_cause(-7.0, -7.0) == pytest.approx(OTHER_CAUSE)
    assert chance_of_other_cause(-7.0, -7.0 + np.log(9.0)) == pytest.approx(0.5)
    assert chance_of_other_cause(0.0, -900.0) == 0.0


def test_trips_at_the_heaviest_loads_leave_the_other_cause_next_to_nothing(fit):
    fitted = fit(lambda r: r > 1.95)
    assert fitted.numbers["trips"] > 0
    assert fitted.numbers["other_cause"] < 0.01
    assert not any("another cause" in line for line in fitted.findings)


def test_no_trips_leave_the_other_cause_little_and_the_claim_as_it_was(fit, lug_study):
    fitted = fit(lambda r: r > 9.0)
    assert fitted.numbers["other_cause"] < 0.2
    assert not any("another cause" in line for line in fitted.findings)
    middle = Points(lug_study.coding.to_natural(np.zeros((1, 3))))
    mixed = fitted.model.draw(4000, np.random.default_rng(1)).mean(middle)
    alone = fitted.model.breaker.draw(4000, np.random.default_rng(1)).mean(middle)
    assert np.quantile(mixed, 0.1) > 0.9
    assert np.quantile(alone, 0.1) > 0.9


def test_trips_at_the_lightest_loads_are_seen_to_have_another_cause(fit, lug_study):
    fitted = fit(lambda r: r < 1.15)
    assert fitted.numbers["trips"] == 2
    assert fitted.numbers["other_cause"] > 0.9
    assert any("have another cause" in line and "cause found" in line for line in fitted.findings)
    light = Points(lug_study.coding.to_natural([[-1.0, -1.0, 0.0]]))
    held = fitted.model.draw(2000, np.random.default_rng(1)).mean(light)
    assert np.quantile(held, 0.1) < 0.9  # the time law alone would promise this setting
    low, high = fitted.model.draw(2000, np.random.default_rng(1)).weld_band(light, level=0.9)
    np.testing.assert_allclose([low, high], np.quantile(held, [0.05, 0.95], axis=0))


@pytest.mark.parametrize("chance", [0.0, 0.3, 1.0])
def test_draws_of_both_causes_come_in_their_shares(fit, lug_study, chance):
    model = fit(lambda r: r > 1.95).model
    assert isinstance(model, CauseModel)
    posterior = replace(model, other_chance=chance).draw(3000, np.random.default_rng(1))
    assert posterior.n_draws == 3000
    assert posterior.is_other.mean() == pytest.approx(chance, abs=0.03)
    points = Points(lug_study.coding.to_natural([[-1.0, -1.0, 0.0], [1.0, 1.0, 0.0]]))
    held = posterior.mean(points)
    assert held.shape == (3000, 2)
    np.testing.assert_allclose(posterior.failure(points), 1.0 - held)
    # another cause does not care for the setting
    np.testing.assert_allclose(held[posterior.is_other, 0], held[posterior.is_other, 1])


def test_shifts_keep_the_chance_of_the_other_cause(fit):
    model = fit(lambda r: r > 1.95).model
    assert [s.assumption for s in model.shifts()] == [s.assumption for s in model.breaker.shifts()]
    for shift in model.shifts():
        assert isinstance(shift.model, CauseModel)
        assert shift.model.other_chance == model.other_chance
        assert not np.array_equal(shift.model.breaker.prior.mean, model.breaker.prior.mean)


def test_only_the_sampler_whose_draws_are_used_must_have_settled(fit, monkeypatch):
    model = fit(lambda r: r > 1.95).model
    rng = np.random.default_rng(1)
    drawn = {chance: replace(model, other_chance=chance).draw(50, rng) for chance in (0.0, 0.5, 1.0)}
    assert all(posterior.settled for posterior in drawn.values())
    for part, fine in (("by_load", {1.0}), ("by_other", {0.0})):
        shaken = {c: replace(p, **{part: replace(getattr(p, part), settled=False)}) for c, p in drawn.items()}
        assert {c for c, posterior in shaken.items() if posterior.settled} == fine
    monkeypatch.setattr("doe.models.sampling.LEAST_ESS", np.inf)
    monkeypatch.setattr("doe.models.sampling.LARGEST_R_HAT", 0.0)
    monkeypatch.setattr("doe.models.sampling.ENSEMBLE_STEPS", ((2, 6),))
    assert not model.draw(50, rng).settled
