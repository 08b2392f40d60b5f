from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats
from statsmodels.stats.power import TTestIndPower

from doe.planning.layout import lay_out
from doe.planning.posing import planned_terms, pose_problem
from doe.planning.power import factor_power, power_of_t, smallest_ncp
from doe.planning.problem import information_matrix


@pytest.mark.parametrize("df", [1, 2, 5, 8, 30])
@pytest.mark.parametrize("ncp", [0.0, 0.7, 2.0, 5.0])
def test_the_power_is_that_of_the_noncentral_t(df, ncp):
    critical = stats.t.ppf(0.95, df)
    lower = stats.nct.cdf(-critical, df, ncp) if ncp < 5 else 0.0  # scipy's lower tail is below 1e-4 there, or nan
    assert_allclose(power_of_t(ncp, df), stats.nct.sf(critical, df, ncp) + lower, atol=5e-5)


def test_without_a_difference_the_power_is_the_level_of_the_test():
    assert_allclose(power_of_t(0.0, 6), 0.10, atol=1e-5)


def test_the_smallest_difference_is_seen_with_the_wished_power():
    for df in (1, 3, 20):
        assert_allclose(power_of_t(smallest_ncp(df), df), 0.80, atol=1e-5)


def test_the_comparison_of_two_kinds_has_the_power_of_the_two_sample_t_test(two_wires):
    study = two_wires()
    study = replace(study, factors=study.factors[:1], limits=(), plan=replace(study.plan, welds=20))
    rows = np.repeat([[0.0], [1.0]], 10, axis=0)
    problem = pose_problem(study, planned_terms(study), lay_out(20, per_plate=1))
    (found,) = factor_power(problem, np.linalg.inv(information_matrix(problem, rows)), df=18)
    assert found.contrast == "wire=B"
    assert_allclose(found.se, np.sqrt(2 / 10))
    wanted = TTestIndPower().power(effect_size=2.0, nobs1=10, alpha=0.10)
    assert_allclose(found.power, wanted, atol=1e-4)
    smallest = TTestIndPower().solve_power(nobs1=10, alpha=0.10, power=0.80)
    assert_allclose(found.smallest, smallest, rtol=1e-4)


def test_the_effect_of_a_range_is_twice_its_coefficient(cube):
    study = cube(2, welds=4, model="first order")
    rows = np.array([(-1, -1), (-1, 1), (1, -1), (1, 1)], dtype=float)
    problem = pose_problem(study, planned_terms(study), lay_out(4, per_plate=1))
    found = factor_power(problem, np.linalg.inv(information_matrix(problem, rows)), df=1)
    assert [p.contrast for p in found] == ["x1", "x2"]
    assert_allclose([p.se for p in found], 1.0)  # 2 * sqrt(1/4)
    assert found[0].to_dict()["difference"] == 2.0


def test_a_factor_that_is_not_in_the_model_has_no_power(cube):
    study = cube(2, welds=4, terms=("constant", "x1"))
    rows = np.array([(-1, -1), (-1, 1), (1, -1), (1, 1)], dtype=float)
    problem = pose_problem(study, planned_terms(study), lay_out(4, per_plate=1))
    found = factor_power(problem, np.linalg.inv(information_matrix(problem, rows)), df=0)
    assert [(p.contrast, p.power, p.smallest) for p in found] == [("x1", None, None)]
