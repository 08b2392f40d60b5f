"""The negative binomial distribution, against scipy.stats.nbinom."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from doe.models.negative_binomial import CountData, chance_at_most, count_quantiles, log_likelihood


def reference(log_mean, phi):
    size = 1.0 / phi
    return stats.nbinom(size, size / (size + np.exp(log_mean)))


def test_log_likelihood_differs_from_scipys_by_a_constant():
    rng = np.random.default_rng(1)
    X = np.column_stack([np.ones(7), np.linspace(-1, 1, 7)])
    data = CountData(X, np.array([0.0, 0, 1, 3, 3, 8, 40]), np.array([1.0, 4.5, 2, 1, 1, 3, 0.5]))
    draws = rng.normal(size=(6, 3))
    ours = log_likelihood(data)(draws)
    theirs = [reference(np.log(data.exposure) + X @ d[:2], np.exp(d[2])).logpmf(data.counts).sum() for d in draws]
    np.testing.assert_allclose(ours - ours[0], np.array(theirs) - theirs[0], atol=1e-9)


def test_log_likelihood_stays_finite_far_out():
    data = CountData(np.ones((3, 1)), np.array([0.0, 2.0, 5.0]), np.ones(3))
    far = np.array([[900.0, 0.0], [-900.0, 0.0], [0.0, 60.0], [0.0, -60.0]])
    assert np.all(np.isfinite(log_likelihood(data)(far)))


@pytest.mark.parametrize("limit", [0, 1, 2, 7, 60, 61, 300])
def test_chance_at_most_is_scipys_cdf(limit):
    log_mean = np.linspace(-6.0, 7.0, 40)[None, :]
    phi = np.exp(np.array([-4.0, -1.0, 0.0, 1.5, 4.0]))[:, None]
    np.testing.assert_allclose(
        chance_at_most(log_mean, phi, limit), reference(log_mean, phi).cdf(limit), rtol=1e-9, atol=1e-12
    )


def test_quantiles_of_one_draw_are_scipys():
    log_mean = np.log(np.array([[0.01, 0.5, 2.0, 20.0, 900.0]]))
    phi = np.array([[0.7]])
    ours = count_quantiles(log_mean, phi, (0.05, 0.5, 0.95))
    theirs = [reference(log_mean[0], 0.7).ppf(share) for share in (0.05, 0.5, 0.95)]
    np.testing.assert_array_equal(ours, theirs)


def test_quantiles_average_over_draws():
    # half the draws sure of nought, half with mean 3: the upper tail is half that of mean 3
    log_mean = np.array([[-30.0], [np.log(3.0)]])
    phi = np.array([[0.5], [0.5]])
    quantile = count_quantiles(log_mean, phi, (0.95,))[0, 0]
    assert quantile == reference(np.log(3.0), 0.5).ppf(0.90)
