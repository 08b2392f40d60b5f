"""The Weibull time to trip, against scipy.stats.weibull_min."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from doe.models import weibull
from doe.models.weibull import TripTimes, chance_to_hold, log_likelihood, standardise


def reference(eta, shape):
    """scipy's Weibull of median exp(eta): scale = exp(eta) / (log 2)^(1/shape)."""
    return stats.weibull_min(shape, scale=np.exp(eta) / np.log(2.0) ** (1.0 / shape))


@pytest.mark.parametrize("shape", [0.6, 2.0, 7.5])
def test_eta_is_the_log_of_the_median_and_1_28_over_shape_the_sd_of_log_time(shape):
    law = reference(3.4, shape)
    assert law.median() == pytest.approx(np.exp(3.4))
    z = standardise(np.array(3.4), np.array(3.4), np.array(shape))
    assert np.exp(-np.exp(z)) == pytest.approx(0.5)
    sd = np.sqrt(law.expect(lambda t: np.log(t) ** 2) - law.expect(np.log) ** 2)
    assert weibull.GUMBEL_SD / shape == pytest.approx(sd, rel=1e-4)


def test_constants_are_those_of_the_method_to_its_digits():
    assert round(weibull.GUMBEL_SD, 2) == 1.28
    assert round(weibull.LOG_LOG_2, 2) == -0.37


def test_log_likelihood_is_scipys_for_trips_holds_and_trips_without_a_time():
    time_s = np.array([12.0, 30.0, 45.0, 30.0, 28.0])
    times = TripTimes(
        np.log(time_s),
        np.array([True, False, True, False, True]),
        np.array([True, True, True, False, False]),
    )
    eta, log_shape = np.array([[3.0, 3.5, 4.0, 3.8, 3.2]]), np.array([np.log(2.3)])
    law = reference(eta[0], 2.3)
    on_log_time = law.logpdf(time_s) + np.log(time_s)  # density of log T
    expected = on_log_time[[0, 2]].sum() + law.logsf(time_s)[[1, 3]].sum() + law.logcdf(time_s)[4]
    assert log_likelihood(times, eta, log_shape)[0] == pytest.approx(expected, rel=1e-9)


def test_log_likelihood_stays_finite_far_out():
    times = TripTimes(np.log([20.0, 30.0, 10.0]), np.array([True, False, True]), np.array([True, True, False]))
    eta = np.array([[-80.0] * 3, [900.0] * 3, [3.0] * 3])
    assert np.all(np.isfinite(log_likelihood(times, eta, np.array([9.0, -9.0, 0.0]))))
    # far above the limit a trip is as good as sure, far below log(1 - S) is z itself
    sure = TripTimes(np.log([30.0]), np.array([True]), np.array([False]))
    assert log_likelihood(sure, np.array([[-80.0]]), np.zeros(1))[0] == 0.0
    z = float(np.log(30.0) - 80.0 + weibull.LOG_LOG_2)
    assert log_likelihood(sure, np.array([[80.0]]), np.zeros(1))[0] == pytest.approx(z)


def test_chance_to_hold_without_scatter_of_load_is_the_survival():
    eta, shape = np.array([[3.0, 4.0, 5.0]]), np.array([[1.7]])
    held = chance_to_hold(np.log(30.0), eta, shape, np.zeros((1, 1)))
    np.testing.assert_allclose(held[0], reference(eta[0], 1.7).sf(30.0), rtol=1e-12)


@pytest.mark.parametrize("spread", [0.1, 0.5])
def test_chance_to_hold_averages_over_the_scatter_of_load(spread):
    eta, shape = np.array([[3.2, 3.8, 4.5]]), np.array([[3.0]])
    held = chance_to_hold(np.log(30.0), eta, shape, np.array([[spread]]))[0]

    def expected(centre):
        z0 = 3.0 * (np.log(30.0) - centre) + weibull.LOG_LOG_2
        return integrate.quad(lambda u: np.exp(-np.exp(z0 + spread * u)) * stats.norm.pdf(u), -8, 8)[0]

    np.testing.assert_allclose(held, [expected(c) for c in eta[0]], atol=0.002)


def test_chance_to_hold_stays_between_nought_and_one_far_out():
    held = chance_to_hold(np.log(30.0), np.array([[-400.0, 3.0, 400.0]]), np.array([[50.0]]), np.array([[90.0]]))
    assert np.all((held >= 0.0) & (held <= 1.0))
    assert held[0, 0] == 0.0
    assert held[0, 2] == pytest.approx(1.0)
