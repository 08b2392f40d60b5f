"""The samplers, against posteriors known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from doe.models import sampling
from doe.models.sampling import (
    effective_sample_size,
    find_mode,
    resample,
    run_ensembles,
    sample_posterior,
    split_r_hat,
)

COVARIANCE = np.array([[1.0, 0.6, 0.0], [0.6, 0.8, -0.2], [0.0, -0.2, 0.3]])
CENTRE = np.array([1.0, -2.0, 0.5])


def normal(x):
    return np.asarray(stats.multivariate_normal(CENTRE, COVARIANCE).logpdf(x))


def log_gamma(x):
    """Log of independent gamma variates of shape 2: skewed, with known mean digamma(2) and variance trigamma(2)."""
    return (2.0 * x - np.exp(x)).sum(axis=1)


def bent(x):
    """A ridge so thin and bent that no normal or t shape fits it."""
    return -0.5 * x[:, 0] ** 2 - 0.5 * ((x[:, 1] - 3.0 * x[:, 0] ** 2) / 0.03) ** 2


def test_newton_finds_mode_and_curvature_of_a_normal_from_afar():
    mode, covariance = find_mode(normal, np.array([9.0, 9.0, -9.0]))
    np.testing.assert_allclose(mode, CENTRE, atol=1e-6)
    np.testing.assert_allclose(covariance, COVARIANCE, atol=1e-4)


def test_newton_walks_uphill_where_the_curvature_has_the_wrong_sign():
    # log of a t density: convex far out, so that a plain Newton step would lead away from the mode
    mode, _ = find_mode(lambda x: -3.0 * np.log1p(x[:, 0] ** 2 / 2.0), np.array([8.0]))
    assert abs(mode[0]) < 1e-5


def test_draws_of_a_normal_have_its_mean_and_covariance():
    sample = sample_posterior(normal, np.zeros(3), n_draws=4000, rng=np.random.default_rng(1))
    assert (sample.method, sample.settled, sample.r_hat) == ("importance", True, None)
    error = 4.0 * np.sqrt(np.diag(COVARIANCE) / sample.ess)
    assert np.all(np.abs(sample.draws.mean(axis=0) - CENTRE) < error)
    np.testing.assert_allclose(np.cov(sample.draws.T), COVARIANCE, atol=0.1)


def test_draws_of_a_skewed_posterior_have_its_mean_and_variance():
    sample = sample_posterior(log_gamma, np.zeros(5), n_draws=4000, rng=np.random.default_rng(2))
    mean, variance = 1.0 - np.euler_gamma, np.pi**2 / 6.0 - 1.0  # digamma(2), trigamma(2)
    assert np.all(np.abs(sample.draws.mean(axis=0) - mean) < 4.0 * np.sqrt(variance / sample.ess))
    np.testing.assert_allclose(sample.draws.var(axis=0), variance, rtol=0.12)


def test_draws_keep_to_what_is_allowed():
    # a normal cut at 2: mean phi(2)/(1 - Phi(2)) = 2.3732
    sample = sample_posterior(
        lambda x: -0.5 * (x**2).sum(axis=1),
        np.zeros(4),
        n_draws=4000,
        rng=np.random.default_rng(3),
        allowed=lambda x: x[:, 0] > 2.0,
    )
    assert sample.draws[:, 0].min() > 2.0
    assert sample.draws[:, 0].mean() == pytest.approx(stats.norm.pdf(2.0) / stats.norm.sf(2.0), abs=0.03)
    assert abs(sample.draws[:, 1].mean()) < 0.08


def test_a_nasty_density_falls_back_on_the_ensemble_which_gets_it_right():
    # x1 ~ N(0, 1), x2 ~ N(x1^2 / 2, 0.1^2): mean of x2 is 1/2, its variance 1/2 + 0.01
    sample = sample_posterior(
        lambda x: -0.5 * x[:, 0] ** 2 - 0.5 * ((x[:, 1] - 0.5 * x[:, 0] ** 2) / 0.1) ** 2,
        np.zeros(2),
        n_draws=4000,
        rng=np.random.default_rng(4),
    )
    assert sample.method == "ensemble"
    assert sample.settled
    assert sample.r_hat is not None
    assert sample.r_hat <= 1.05
    assert sample.ess > sampling.LEAST_ESS
    variance = np.array([1.0, 0.51])
    assert np.all(np.abs(sample.draws.mean(axis=0) - [0.0, 0.5]) < 4.0 * np.sqrt(variance / sample.ess))
    # a variance is known to sqrt((kurtosis - 1) / n) of itself; the kurtosis is 3, and about that of chi-squared(1), 15
    off = np.abs(sample.draws.var(axis=0) / variance - 1.0)
    assert np.all(off < 4.0 * np.sqrt(np.array([2.0, 14.0]) / sample.ess))


def test_further_rounds_find_a_far_tail():
    # a normal cut at 4: 3 of 100 000; three rounds alone leave a handful of draws
    sample = sample_posterior(
        lambda x: -0.5 * (x**2).sum(axis=1),
        np.zeros(4),
        n_draws=2000,
        rng=np.random.default_rng(4),
        allowed=lambda x: x[:, 0] > 4.0,
    )
    assert sample.settled
    assert sample.draws[:, 0].mean() == pytest.approx(stats.norm.pdf(4.0) / stats.norm.sf(4.0), abs=0.03)
    np.testing.assert_allclose(sample.draws[:, 1:].std(axis=0), 1.0, atol=0.12)


def test_walkers_that_never_leave_their_corner_are_not_settled():
    sample = sample_posterior(bent, np.zeros(2), n_draws=500, rng=np.random.default_rng(5))
    assert sample.method == "ensemble"
    assert sample.r_hat is not None
    assert sample.r_hat > 1.05
    assert not sample.settled


@pytest.mark.parametrize("least", [7.0, 60.0])  # a handful of proposals allowed, and none
def test_hardly_anything_allowed_is_not_settled(least):
    sample = sample_posterior(
        lambda x: -0.5 * (x**2).sum(axis=1),
        np.zeros(6),
        n_draws=100,
        rng=np.random.default_rng(6),
        allowed=lambda x: x[:, 0] > least,
    )
    assert not sample.settled
    assert sample.draws.shape == (100, 6)
    assert sample.ess < sampling.LEAST_ESS


def test_same_seed_same_draws():
    first, second = (
        sample_posterior(log_gamma, np.zeros(3), n_draws=50, rng=np.random.default_rng(7)).draws for _ in range(2)
    )
    np.testing.assert_array_equal(first, second)


def test_more_draws_than_proposals_can_be_had():
    sample = sample_posterior(normal, np.zeros(3), n_draws=9000, rng=np.random.default_rng(8))
    assert sample.draws.shape == (9000, 3)


def test_effective_sample_size_counts_equal_weights_and_ignores_noughts():
    assert effective_sample_size(np.full(40, 0.3)) == pytest.approx(40.0)
    assert effective_sample_size(np.array([1.0, 0.0, 0.0])) == pytest.approx(1.0)
    assert effective_sample_size(np.array([3.0, 1.0])) == pytest.approx(1.6)  # 4^2 / (9 + 1)
    assert effective_sample_size(np.zeros(3)) == 0.0


def test_systematic_resampling_chooses_each_index_its_share_rounded_up_or_down():
    weights = np.array([0.501, 0.249, 0.0, 0.25])
    for seed in range(20):
        counts = np.bincount(resample(weights, 10, np.random.default_rng(seed)), minlength=4)
        assert np.all((counts == np.floor(10 * weights)) | (counts == np.ceil(10 * weights)))


def test_resampled_indices_come_in_random_order():
    chosen = resample(np.full(200, 1 / 200), 200, np.random.default_rng(9))
    assert abs(np.corrcoef(chosen, np.arange(200))[0, 1]) < 0.3


def test_ensembles_draw_a_normal():
    rng = np.random.default_rng(10)
    chain = run_ensembles(normal, CENTRE + rng.normal(size=(4, 32, 3)), steps=(300, 1500), rng=rng)
    assert chain.shape == (1500, 4, 32, 3)
    flat = chain.reshape(-1, 3)
    np.testing.assert_allclose(flat.mean(axis=0), CENTRE, atol=0.05)
    np.testing.assert_allclose(np.cov(flat.T), COVARIANCE, atol=0.06)


def test_split_r_hat_of_made_chains():
    rng = np.random.default_rng(11)
    alike = rng.normal(size=(4, 2000, 1))
    assert split_r_hat(alike)[0] == pytest.approx(1.0, abs=0.005)
    apart = alike + np.array([0.0, 0.0, 0.0, 3.0])[:, None, None]
    assert split_r_hat(apart)[0] > 1.5
    trending = alike + np.linspace(-2.0, 2.0, 2000)[:, None]  # only halving the chains shows this
    assert split_r_hat(trending)[0] > 1.3
    assert np.isnan(split_r_hat(np.zeros((4, 100, 1)))[0])


def test_split_r_hat_follows_its_formula():
    # two chains of four: halves (0, 2), (4, 6), (1, 3), (3, 5); means 1, 5, 2, 4; each variance 2
    chains = np.array([[0.0, 2.0, 4.0, 6.0], [1.0, 3.0, 3.0, 5.0]])[..., None]
    between_over_n = np.var([1.0, 5.0, 2.0, 4.0], ddof=1)
    assert split_r_hat(chains)[0] == pytest.approx(np.sqrt((0.5 * 2.0 + between_over_n) / 2.0))
