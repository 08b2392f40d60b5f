"""Potential terms: what the plan keeps an eye on without having to estimate it."""

from __future__ import annotations

import numpy as np
import pytest

from doe.coding import Coding, FactorCoding
from doe.planning.layout import lay_out
from doe.planning.making import plan_welds
from doe.planning.posing import planned_terms, pose_problem
from doe.planning.potential import third_order_terms
from doe.planning.problem import information_matrix, is_singular
from doe.terms import model_matrix, parse_term


def test_powers_are_given_only_where_there_are_levels_enough_to_bend():
    coding = Coding((FactorCoding("x"), FactorCoding("y"), FactorCoding("z"), FactorCoding("wire", kinds=("A", "B"))))
    levels = (np.linspace(-1, 1, 5), np.array([-1.0, 0.0, 1.0]), np.array([-1.0, 1.0]), np.array([0.0, 1.0]))
    found = {str(term) for term in third_order_terms(coding, levels)}
    assert found == {"x^3", "x^2*y", "x^2*z", "x*y^2", "y^2*z", "x*y*z"}


def cube_error(study, settings):
    """Give the average squared shift of the prediction that unit third-order terms bring, at the cube's corners."""
    coding = study.coding
    terms = planned_terms(study)
    left_out = [t for text in ("x1^3", "x2^3", "x1^2*x2", "x1*x2^2") for t in parse_term(text, coding)]
    X, X2 = (model_matrix(tuple(t), settings, coding) for t in (terms, left_out))
    grid = np.array(np.meshgrid(*[np.linspace(-1, 1, 9)] * 2)).reshape(2, -1).T
    shift = model_matrix(terms, grid, coding) @ np.linalg.lstsq(X, X2, rcond=None)[0]
    return float(np.mean((model_matrix(tuple(left_out), grid, coding) - shift) ** 2))


@pytest.mark.parametrize("n", [12, 16])
def test_a_plan_with_third_order_terms_in_view_is_misled_less_by_them(cube, n):
    plain = cube(2, n_levels=5, welds=n)
    wary = cube(2, n_levels=5, welds=n, potential="third order")
    settings = [plan_welds(study, seed=1, starts=64).settings for study in (plain, wary)]
    assert cube_error(plain, settings[1]) < 0.95 * cube_error(plain, settings[0])


def test_the_model_itself_is_still_estimated_with_potential_terms_in_view(cube):
    study = cube(3, n_levels=5, welds=11, potential="third order")
    plan = plan_welds(study, seed=1, starts=16)
    problem = pose_problem(study, planned_terms(study), lay_out(11, per_plate=1))
    assert not is_singular(information_matrix(problem, plan.settings))
