from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from doe.coding import FloatArray
from doe.models.bands import confidence_band, mixture_quantile, simultaneous_factor
from doe.models.fit import Points


@dataclass(frozen=True, eq=False)
class Lines:
    """Straight lines: constant and slope a draw."""

    coefficients: FloatArray

    @property
    def n_draws(self) -> int:
        return len(self.coefficients)

    def mean(self, points: Points) -> FloatArray:
        return np.asarray(self.coefficients @ np.column_stack([np.ones(len(points.natural)), points.natural[:, 0]]).T)

    def failure(self, points: Points) -> FloatArray:
        raise NotImplementedError

    def weld_band(self, points: Points, *, level: float) -> tuple[FloatArray, FloatArray]:
        raise NotImplementedError


@pytest.fixture
def lines() -> Lines:
    return Lines(np.random.default_rng(1).normal(size=(20_000, 2)) * [1.0, 0.5] + [2.0, 0.3])


def along(*values: float) -> Points:
    return Points(np.array(values)[:, None])


def test_the_quantile_of_one_normal_distribution_is_its_own() -> None:
    found = mixture_quantile(np.array([[0.0, 3.0]]), np.array([2.0]), 0.95)
    assert_allclose(found, stats.norm.ppf(0.95, [0.0, 3.0], 2.0), rtol=1e-9)


@pytest.mark.parametrize("probability", [0.001, 0.05, 0.5, 0.9, 0.9999])
def test_the_mixture_below_its_quantile_has_the_probability_asked_for(probability: float) -> None:
    rng = np.random.default_rng(2)
    mean = np.column_stack([rng.standard_t(2, 500), np.where(rng.random(500) < 0.5, -10.0, 10.0), np.zeros(500)])
    sd = rng.gamma(2.0, 0.3, 500) + 0.01
    found = mixture_quantile(mean, sd, probability)
    assert_allclose(stats.norm.cdf(found, mean, sd[:, None]).mean(axis=0), probability, rtol=1e-3, atol=1e-5)


def test_a_large_map_is_worked_through_in_blocks(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    mean, sd = rng.normal(size=(50, 31)), np.full(50, 0.5)
    whole = mixture_quantile(mean, sd, 0.9)
    monkeypatch.setattr("doe.models.bands.CELLS", 200)
    assert_allclose(mixture_quantile(mean, sd, 0.9), whole, rtol=1e-5)
    assert mixture_quantile(np.empty((50, 0)), sd, 0.9).shape == (0,)


def test_the_pointwise_band_is_that_of_the_normal_distribution(lines: Lines) -> None:
    band = confidence_band(lines, along(-1.0, 0.0, 2.0), 0.9)
    sd = np.hypot(1.0, 0.5 * np.array([-1.0, 0.0, 2.0]))
    assert_allclose(band.mean, [1.7, 2.0, 2.6], atol=0.04)
    assert_allclose(band.high - band.low, 2 * stats.norm.ppf(0.95) * sd, rtol=0.03)
    assert band.level == 0.9


def test_the_simultaneous_band_of_a_line_approaches_scheffes(lines: Lines) -> None:
    # Scheffe (1959), The Analysis of Variance, section 3.5: over a whole line c^2 is a chi-squared quantile with 2 df
    everywhere = along(*np.tan(np.linspace(-1.57, 1.57, 400)))
    band = confidence_band(lines, along(0.0, 1.0), 0.9, region=everywhere)
    c = np.sqrt(stats.chi2.ppf(0.9, 2))
    assert_allclose((band.all_high - band.mean) / [1.0, np.hypot(1.0, 0.5)], c, rtol=0.02)


def test_one_draw_in_ten_leaves_the_simultaneous_band(lines: Lines) -> None:
    points = along(-1.0, -0.3, 0.5, 1.0)
    band = confidence_band(lines, points, 0.9)
    inside = ((lines.mean(points) >= band.all_low) & (lines.mean(points) <= band.all_high)).all(axis=1)
    assert_allclose(inside.mean(), 0.9, atol=1e-3)


def test_a_place_known_exactly_does_not_spoil_the_factor() -> None:
    draws = np.column_stack([np.full(1000, 3.0), np.random.default_rng(4).normal(size=1000)])
    assert_allclose(simultaneous_factor(draws, 0.9), stats.norm.ppf(0.95), atol=0.1)
    assert simultaneous_factor(np.ones((10, 2)), 0.9) == 0.0
