"""The variance components of readings, against textbook examples and a reference library."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import stats
from statsmodels.formula.api import mixedlm, ols

from doe.bench.repeatability import MeanSquares, components_of, mean_squares_of, repeatability
from doe.errors import CannotAnswerError

# Montgomery, Design and Analysis of Experiments: fabric strength of four looms, four readings each (random factor).
# Data and results from memory of the textbook's one-way random example: mean squares 29.73 and 1.90, components 6.96
# and 1.90.
LOOMS = np.array([[98, 97, 99, 96], [91, 90, 93, 92], [96, 95, 97, 95], [95, 96, 99, 98]], dtype=float)[:, None, :]


def test_the_textbooks_looms_are_met():
    found = repeatability(LOOMS)
    assert found.mean_squares.section == pytest.approx(29.73, abs=0.005)
    assert found.mean_squares.error == pytest.approx(1.90, abs=0.005)
    assert found.components.section == pytest.approx(6.96, abs=0.005)
    assert found.components.error == pytest.approx(1.90, abs=0.005)
    assert found.error_df == 12
    # the same example: 79 % of the variance is between looms (6.96 / 8.86), so 21 % is the rest
    assert found.section_share == pytest.approx(0.21, abs=0.005)


def test_the_textbooks_gauge_study_is_met_from_its_mean_squares():
    # Montgomery, Design and Analysis of Experiments, measurement systems capability: 20 parts, 3 operators, 2 readings.
    # From memory: mean squares 62.391, 1.308, 0.712, 0.992; components 10.2798 (parts), 0.0149 (operators), -0.1399
    # (both: taken as 0), 0.9917 (error).
    squares = MeanSquares(62.391, 1.308, 0.712, 0.992)
    found = components_of(squares, n_sections=20, n_readers=3, n_readings=2)
    assert found.section == pytest.approx(10.28, abs=0.005)
    assert found.reader == pytest.approx(0.0149, abs=5e-5)
    assert found.both == 0.0
    assert found.error == 0.992


def made(n_sections: int, n_readers: int, n_readings: int, seed: int, *, reader: float = 0.2) -> np.ndarray:
    rng = np.random.default_rng(seed)
    depth = rng.uniform(0.5, 3.0, n_sections)[:, None, None]
    bias = rng.normal(0.0, reader, n_readers)[None, :, None]
    both = rng.normal(0.0, 0.05, (n_sections, n_readers))[:, :, None]
    return depth + bias + both + rng.normal(0.0, 0.1, (n_sections, n_readers, n_readings))


@pytest.mark.parametrize(("shape", "seed"), [((5, 2, 2), 1), ((5, 2, 2), 2), ((8, 3, 4), 3), ((3, 2, 2), 4)])
def test_the_mean_squares_are_those_of_a_reference_library(shape: tuple[int, int, int], seed: int):
    values = made(*shape, seed)
    where = np.indices(shape).reshape(3, -1)
    frame = pd.DataFrame({"y": values.ravel(), "section": where[0], "reader": where[1]})
    table = sm.stats.anova_lm(ols("y ~ C(section) * C(reader)", frame).fit())  # statsmodels
    ours = mean_squares_of(values)
    theirs = table["sum_sq"] / table["df"]
    assert ours.section == pytest.approx(theirs["C(section)"], rel=1e-9)
    assert ours.reader == pytest.approx(theirs["C(reader)"], rel=1e-9)
    assert ours.both == pytest.approx(theirs["C(section):C(reader)"], rel=1e-9)
    assert ours.error == pytest.approx(theirs["Residual"], rel=1e-9)


def test_one_readers_components_are_those_of_restricted_maximum_likelihood():
    # balanced and positive: the two methods agree (statsmodels' mixed model)
    values = made(8, 1, 3, 5)
    frame = pd.DataFrame({"y": values.ravel(), "section": np.repeat(np.arange(8), 3)})
    fit = mixedlm("y ~ 1", frame, groups=frame["section"]).fit(reml=True)
    found = repeatability(values)
    assert found.components.error == pytest.approx(fit.scale, rel=1e-3)
    assert found.components.section == pytest.approx(float(fit.cov_re.iloc[0, 0]), rel=1e-3)


def test_a_known_scatter_is_recovered():
    found = repeatability(made(400, 2, 2, 6))
    assert found.repeat_sd == pytest.approx(0.1, rel=0.06)
    assert np.sqrt(found.components.both) == pytest.approx(0.05, rel=0.3)
    assert found.sd**2 == pytest.approx(found.repeat_sd**2 + found.components.reader + found.components.both)


def test_the_limits_hold_as_often_as_they_say():
    rng = np.random.default_rng(7)
    inside = below = 0
    for _ in range(2000):
        found = repeatability(rng.uniform(1, 3, 5)[:, None, None] + rng.normal(0.0, 0.1, (5, 1, 2)))
        low, high = found.repeat_limits(0.9)
        inside += low <= 0.1 <= high
        below += found.proven_variance(0.9) <= 0.01
    # binomial: 2000 trials at 0.9, four standard errors
    assert inside / 2000 == pytest.approx(0.9, abs=0.027)
    assert below / 2000 == pytest.approx(0.9, abs=0.027)


def test_the_limits_are_the_chi_squared_ones():
    found = repeatability(LOOMS)
    low, high = found.repeat_limits(0.95)
    sums = found.error_df * found.components.error
    assert low**2 == pytest.approx(sums / stats.chi2.ppf(0.975, 12))
    assert high**2 == pytest.approx(sums / stats.chi2.ppf(0.025, 12))


def test_readings_that_never_differ_have_the_scatter_of_their_rounding():
    values = np.repeat(np.array([1.2, 1.9, 2.5])[:, None, None], 2, axis=2)
    found = repeatability(values, resolution=0.1)
    assert found.repeat_sd == pytest.approx(0.1 / np.sqrt(12.0))
    assert found.components.error == 0.0


def test_sections_all_alike_leave_the_reading_as_all_of_the_spread():
    values = np.array([[[1.0, 1.2]], [[1.1, 1.1]], [[1.2, 1.0]]])
    assert repeatability(values).components.section == 0.0
    assert repeatability(values).section_share == 1.0


@pytest.mark.parametrize("shape", [(2, 1, 2), (5, 1, 1), (2, 2, 2)])
def test_too_few_sections_or_readings_are_refused(shape: tuple[int, int, int]):
    with pytest.raises(CannotAnswerError, match="at least 3 sections read twice"):
        repeatability(np.ones(shape))
