from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import special

from doe.models.fit import Points
from doe.study.model import Factor, Response
from doe.window.assurance import (
    EVERY_WELD,
    Draws,
    Scenario,
    assess,
    find_wander,
    holding,
    quadrature,
    response_lows,
)

TWO = (Response("penetration", "measure", "mm", at_least=1.0), Response("leg", "measure", "mm", at_least=1.0))


def draws_of(bench, study, n_draws=500, sds=None, **hills):
    rng = np.random.default_rng(5)
    models = {name: bench.hill(study, **how) for name, how in hills.items()}
    posteriors = tuple(model.draw(n_draws, rng) for model in models.values())
    return Draws(tuple(models), posteriors, quadrature(sds or [0.0] * len(study.factors)))


def test_failures_are_added_up_and_never_below_zero(bench):
    study = bench.study(responses=TWO)
    draws = draws_of(bench, study, penetration={"top": 1.2}, leg={"top": 0.9})
    at = np.array([[20.0, 7.0], [17.0, 5.0]])
    seen = assess(draws, at, EVERY_WELD, confidence=0.9, reliabilities=(0.2,))
    failures = sum(posterior.failure(Points(at)) for posterior in draws.posteriors)
    expected = np.maximum(0.0, 1.0 - failures)
    assert_allclose(seen.expected, expected.mean(axis=0), rtol=1e-12)
    np.testing.assert_array_equal(seen.holds[0], (expected >= 0.2).T)
    assert (expected == 0.0).any()


def test_the_sum_is_safe_whatever_the_dependence():
    # Boole: 1 - sum of failures is at most the chance that nothing fails, for independent and for tied failures
    rng = np.random.default_rng(1)
    failures = rng.uniform(0, 0.4, (200, 3))
    bound = np.maximum(0.0, 1.0 - failures.sum(axis=1))
    assert (bound <= np.prod(1.0 - failures, axis=1) + 1e-12).all()
    assert (bound <= 1.0 - failures.max(axis=1) + 1e-12).all()


@pytest.mark.parametrize("confidence", [0.8, 0.9, 0.95])
def test_the_bound_is_reached_in_enough_draws_and_no_higher_one_is(bench, confidence):
    study = bench.study()
    draws = draws_of(bench, study, n_draws=997, penetration={"top": 1.4, "unsure": 0.3})
    at = np.array([[20.0, 7.0], [19.0, 6.0]])
    chance = 1.0 - draws.posteriors[0].failure(Points(at))
    low = assess(draws, at, EVERY_WELD, confidence=confidence).low
    need = math.ceil(confidence * 997)
    assert ((chance >= low).sum(axis=0) >= need).all()
    assert ((chance > low).sum(axis=0) < need).all()


def test_the_worse_of_first_and_later_welds_counts_draw_by_draw(bench):
    study = bench.study()
    draws = draws_of(bench, study, penetration={"top": 1.3, "later_shift": -0.2})
    at = np.array([[20.0, 7.0]])
    first = assess(draws, at, Scenario(1, (False,)), confidence=0.9)
    later = assess(draws, at, Scenario(2, (True,)), confidence=0.9)
    both = assess(draws, at, Scenario("any", (False, True)), confidence=0.9)
    assert later.low[0] < first.low[0]
    assert_allclose(both.low, later.low)
    assert_allclose(both.expected, later.expected)
    lows = response_lows(draws, at, Scenario("any", (False, True)), confidence=0.9)
    assert_allclose(lows[0], later.low)


def test_blocks_do_not_change_the_answer(bench, monkeypatch):
    study = bench.study()
    draws = draws_of(bench, study, penetration={"top": 1.4})
    at = np.column_stack([g.ravel() for g in np.meshgrid(np.linspace(17, 23, 9), np.linspace(5, 9, 9))])
    whole = assess(draws, at, EVERY_WELD, confidence=0.9, reliabilities=(0.9,))
    monkeypatch.setattr("doe.window.assurance.BLOCK_CELLS", 1)
    pieces = assess(draws, at, EVERY_WELD, confidence=0.9, reliabilities=(0.9,))
    np.testing.assert_array_equal(whole.holds[0], pieces.holds[0])
    assert_allclose(whole.low, pieces.low, rtol=1e-12)
    np.testing.assert_array_equal(whole.holds[0], holding(draws, at, EVERY_WELD, reliability=0.9))


def test_one_factor_wanders_by_the_three_point_rule():
    # Gauss-Hermite, three nodes for a standard normal: 0 and +-sqrt(3), weights 4/6 and 1/6 (Abramowitz & Stegun 1964,
    # table 25.10, scaled; from memory)
    wander = quadrature([0.2, 0.0])
    assert_allclose(sorted(wander.offsets[:, 0]), [-0.2 * math.sqrt(3), 0.0, 0.2 * math.sqrt(3)])
    assert_allclose(sorted(wander.weights), [1 / 6, 1 / 6, 4 / 6])


@pytest.mark.parametrize("n_moving", [1, 2, 3, 4, 6])
def test_quadrature_has_the_moments_of_the_wander(n_moving):
    sds = [0.1 * (j + 1) for j in range(n_moving)] + [0.0]
    wander = quadrature(sds)
    assert (wander.weights > 0).all()
    assert_allclose(wander.weights.sum(), 1.0)
    assert_allclose(wander.weights @ wander.offsets, 0.0, atol=1e-15)
    covariance = (wander.offsets * wander.weights[:, None]).T @ wander.offsets
    assert_allclose(covariance, np.diag(np.square(sds)), atol=1e-15)
    if n_moving <= 3:
        assert_allclose(wander.weights @ wander.offsets[:, 0] ** 4, 3 * sds[0] ** 4)


def test_wander_near_a_cliff_costs_assurance_as_the_exact_mean_says(bench):
    study = bench.study()
    hill = {"top": 2.0, "drop": 1.0, "unsure": 1e-6}
    at = np.array([[22.0, 7.0]])
    calm = assess(draws_of(bench, study, penetration=hill), at, EVERY_WELD, confidence=0.9)
    sd = 0.4
    moved = assess(draws_of(bench, study, sds=[sd, 0.0], penetration=hill), at, EVERY_WELD, confidence=0.9)
    z = np.linspace(-8, 8, 20001)
    coded = (22.0 + sd * z - 20.0) / 3.0
    passes = special.ndtr((2.0 - coded**2 - 1.0) / 0.3)
    exact = np.trapezoid(passes * np.exp(-z * z / 2) / math.sqrt(2 * math.pi), z)
    assert moved.expected[0] < calm.expected[0]
    assert_allclose(moved.expected[0], exact, atol=2e-3)
    assert_allclose(moved.passes[0], moved.expected)


def test_only_factors_whose_actual_settings_were_recorded_wander(bench):
    factors = (
        Factor("voltage", "voltage", "V", (17.0, 20.0, 23.0), set_within=0.2),
        Factor("feed", "feed", "m/min", (5.0, 7.0, 9.0), set_within=0.1),
    )
    study = bench.study(factors)
    planned = bench.corners(study)
    assert not find_wander(bench.results(study, planned)).offsets.any()
    actual = planned.copy()
    actual[0, 0] += 0.15
    wander = find_wander(bench.results(study, planned, actual=actual))
    assert_allclose(sorted(set(np.abs(wander.offsets[:, 0]))), [0.0, 0.2 * math.sqrt(3)])
    assert not wander.offsets[:, 1].any()
