"""The pass-or-fail model: posterior against brute force, order by welds, degenerate tables, coverage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import special, stats

from doe.bench.results import Counts, Passes
from doe.models.fit import Points
from doe.models.passing import LESS_TOLD, fit_passing
from doe.models.sampling import NOT_SETTLED
from doe.study.model import Factor, Response, Study

FUSED = Response("root fused", "pass")


@pytest.fixture
def fit(lug_study, lug_settings, make_results):
    """Fit passes at the sixteen lug settings, or at others."""

    def fit(passed, *, study=lug_study, coded=lug_settings, seed=1):
        study = replace(study, responses=(FUSED,))
        results = make_results(study, coded, {FUSED.name: Passes(np.asarray(passed, dtype=float))})
        return fit_passing(results, FUSED, seed=seed)

    return fit


def test_posterior_is_that_of_brute_force_on_a_grid(fit):
    one = Study("t", (Factor("feed", "feed", "m/min", (5.0, 9.0)),), (FUSED,))
    coded = np.array([[-1.0], [-1.0], [-0.5], [0.0], [0.5], [1.0], [1.0], [1.0]])
    passed = np.array([0, 0, 1, 0, 1, 1, 1, 1.0])
    fitted = fit(passed, study=one, coded=coded)
    b0, b1 = np.meshgrid(np.linspace(-6, 8, 400), np.linspace(-5, 6, 400), indexing="ij")
    log_p = stats.norm.logpdf(b0, special.logit(0.8), 1.5) + stats.norm.logpdf(b1, 0.0, 1.2)
    for x, y in zip(coded[:, 0], passed, strict=True):
        log_p += stats.bernoulli.logpmf(y, special.expit(b0 + b1 * x))
    weight = np.exp(log_p - log_p.max())
    weight /= weight.sum()
    assert [t.term for t in fitted.terms] == ["constant", "feed"]
    for term, value in zip(fitted.terms, (b0, b1), strict=True):
        mean = (weight * value).sum()
        sd = np.sqrt((weight * value**2).sum() - mean**2)
        assert term.estimate == pytest.approx(mean, abs=0.1 * sd)
        assert term.se == pytest.approx(sd, rel=0.08)
        order = np.argsort(value, axis=None)
        cumulative = np.cumsum(weight.ravel()[order])
        for share, ours in ((0.05, term.low), (0.95, term.high)):
            assert ours == pytest.approx(value.ravel()[order][np.searchsorted(cumulative, share)], abs=0.2 * sd)
    posterior = fitted.model.draw(4000, np.random.default_rng(1))
    point = Points(one.coding.to_natural([[0.5]]))
    chance = special.expit(b0 + 0.5 * b1)
    assert posterior.mean(point).mean() == pytest.approx((weight * chance).sum(), abs=0.01)
    np.testing.assert_allclose(posterior.failure(point), 1.0 - posterior.mean(point))
    low, high = posterior.weld_band(point, level=0.9)
    assert low[0] < (weight * chance).sum() < high[0]
    assert posterior.n_draws == 4000


def test_first_order_below_twenty_welds_second_order_from_there(fit, lug_settings):
    coded = np.vstack([lug_settings, lug_settings[:4]])
    passed = np.arange(20) % 3 > 0
    few, many = fit(passed[:19], coded=coded[:19]), fit(passed, coded=coded)
    assert [t.term for t in few.terms] == ["constant", "voltage", "feed", "preheat"]
    assert {"voltage^2", "voltage*feed"} < {t.term for t in many.terms}
    assert ("first order" in few.method, "second order" in many.method) == (True, True)


def test_a_weld_that_was_not_judged_is_left_out(fit, lug_settings):
    passed = np.r_[np.nan, np.arange(15) % 4 > 0]
    assert fit(passed).terms == fit(passed[1:], coded=lug_settings[1:]).terms
    assert fit(passed).n == 15


def test_every_fit_says_that_a_depth_says_more(fit):
    assert LESS_TOLD in fit(np.arange(16) % 4 > 0).findings


def test_all_passed_says_what_the_welds_alone_can_show(fit, lug_study):
    fitted = fit(np.ones(16))
    assert "cannot show more than about 0.866 reliability; the rest is the assumed prior" in fitted.findings[0]
    assert fitted.numbers["passed"] == 16
    chance = fitted.model.draw(2000, np.random.default_rng(1)).mean(
        Points(lug_study.coding.to_natural(np.zeros((1, 3))))
    )
    assert 0.5 < np.quantile(chance, 0.1) < 1.0


def test_none_passed(fit, lug_study):
    fitted = fit(np.zeros(16))
    assert fitted.findings[0] == "None of the 16 welds passed “root fused”."
    chance = fitted.model.draw(1000, np.random.default_rng(1)).mean(
        Points(lug_study.coding.to_natural(np.zeros((1, 3))))
    )
    assert chance.mean() < 0.2


def test_separated_passes_are_finite_and_said_so(fit, lug_settings):
    fitted = fit(lug_settings[:, 1] > 0.1)
    assert fitted.numbers["separated"] is True
    assert "where the limit lies between tested settings is not known more closely" in fitted.findings[0]
    feed = next(t for t in fitted.terms if t.term == "feed")
    assert 0.0 < feed.low < feed.high < 8.0
    assert fit(np.arange(16) % 4 > 0).numbers["separated"] is False


def test_sensitivity_moves_with_the_prior(fit):
    told = fit(np.arange(16) % 8 > 0).numbers["sensitivity"]
    by = {effect["assumption"]: effect["expected"] for effect in told["effects"]}
    fewer = by["fewer passes expected in the middle of the region, by one standard deviation"]
    more = by["more passes expected in the middle of the region, by one standard deviation"]
    assert fewer < by["as assumed"] < more


def test_same_seed_same_fit(fit):
    passed = np.arange(16) % 4 > 0
    assert fit(passed).terms == fit(passed).terms
    assert fit(passed).terms != fit(passed, seed=2).terms


def test_a_fit_that_did_not_settle_makes_no_claim(fit, monkeypatch):
    monkeypatch.setattr("doe.models.sampling.LEAST_ESS", np.inf)
    monkeypatch.setattr("doe.models.sampling.LARGEST_R_HAT", 0.0)
    monkeypatch.setattr("doe.models.sampling.ENSEMBLE_STEPS", ((5, 10),))
    fitted = fit(np.arange(16) % 4 > 0)
    assert (fitted.settled, fitted.can_claim) == (False, False)
    assert NOT_SETTLED in fitted.findings


def test_readings_of_another_kind_are_our_fault(lug_study, lug_settings, make_results):
    results = make_results(lug_study, lug_settings, {FUSED.name: Counts(np.ones(16), np.ones(16))})
    with pytest.raises(TypeError, match="root fused has no passes"):
        fit_passing(results, FUSED, seed=1)


@pytest.mark.slow
@pytest.mark.parametrize("n", [16, 24])
def test_nine_in_ten_lower_bounds_hold(fit, lug_study, lug_settings, n):
    """The 90 % lower bound of the chance of passing, on logits of first order with some curvature."""
    rng = np.random.default_rng(2026)
    coded = np.vstack([lug_settings, -lug_settings[:8]])[:n]
    places = rng.uniform(-1.0, 1.0, (40, 3))
    points = Points(lug_study.coding.to_natural(places))
    held, relevant = [], []
    for study_number in range(150):
        constant, slopes = rng.normal(1.4, 1.2), rng.normal(0.0, [0.8, 1.2, 0.6])
        bend, twist = rng.uniform(-0.5, 0.2, 2), rng.uniform(-0.4, 0.4)

        def chance(x, constant=constant, slopes=slopes, bend=bend, twist=twist):
            curve = bend[0] * (x[:, 0] ** 2 - 0.5) + bend[1] * (x[:, 1] ** 2 - 0.5)
            return special.expit(constant + x @ slopes + curve + twist * x[:, 0] * x[:, 1])

        passed = rng.random(n) < chance(coded)
        draws = fit(passed, coded=coded, seed=study_number).model.draw(1000, np.random.default_rng(study_number))
        held.append(np.quantile(draws.mean(points), 0.1, axis=0) <= chance(places))
        relevant.append((chance(places) > 0.5) & (chance(places) < 0.99))
    share = np.concatenate(held)[np.concatenate(relevant)].mean()
    # settings of one study hang together: about 150 independent answers, standard error 2.5 points
    assert share >= 0.85
