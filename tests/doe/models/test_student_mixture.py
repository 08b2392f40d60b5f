"""Mixtures of Student's t against scipy.stats.t."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from doe.models.student_mixture import StudentMixture, join_mixtures


@pytest.fixture
def mixture():
    weight = np.array([[0.5, 0.2], [0.3, 0.8], [0.2, 0.0]])
    location = np.array([[0.0, 5.0], [2.0, 5.5], [-3.0, 900.0]])
    scale = np.array([[1.0, 0.1], [0.5, 0.3], [2.0, 1.0]])
    return StudentMixture(weight, location, scale, np.array([4.0, 9.0]))


def test_chances_quantiles_mean_and_sd_are_those_of_the_parts(mixture):
    for j, df in enumerate((4.0, 9.0)):
        parts = [stats.t(df, m, s) for m, s in zip(mixture.location[:, j], mixture.scale[:, j], strict=True)]
        w = mixture.weight[:, j]

        def below(x, parts=parts, w=w):
            return sum(share * part.cdf(x) for share, part in zip(w, parts, strict=True))

        assert mixture.chance_below(np.array([1.0, 5.2]))[j] == pytest.approx(below((1.0, 5.2)[j]), abs=1e-12)
        for probability in (0.001, 0.05, 0.5, 0.95):
            expected = optimize.brentq(lambda x, p=probability, below=below: below(x) - p, -100.0, 100.0)
            assert mixture.quantile(probability)[j] == pytest.approx(expected, abs=2e-3)
        mean = sum(share * part.mean() for share, part in zip(w, parts, strict=True))
        second = sum(share * (part.var() + part.mean() ** 2) for share, part in zip(w, parts, strict=True))
        assert mixture.mean[j] == pytest.approx(mean)
        assert mixture.sd[j] == pytest.approx(np.sqrt(second - mean**2))


def test_without_a_variance_the_scale_stands_for_it():
    one = StudentMixture(np.ones((1, 1)), np.zeros((1, 1)), np.full((1, 1), 3.0), np.array([2.0]))
    assert one.sd[0] == 3.0


def test_mixtures_stand_side_by_side_in_their_order(mixture):
    joined = join_mixtures([mixture, mixture])
    assert joined.df.tolist() == [4.0, 9.0, 4.0, 9.0]
    np.testing.assert_array_equal(joined.mean, np.tile(mixture.mean, 2))
