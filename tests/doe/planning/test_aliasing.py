from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose

from doe.planning.aliasing import alias_matrix, inverse_covariance, leverage, next_order_terms
from doe.planning.layout import lay_out
from doe.planning.posing import planned_terms, pose_problem
from doe.terms import polynomial_terms


def problem_of(study, n, per_plate=1):
    return pose_problem(study, planned_terms(study), lay_out(n, per_plate=per_plate))


def test_the_half_fraction_aliases_each_factor_with_the_product_of_the_others(cube):
    # 2^(3-1) with I = ABC: A = BC, B = AC, C = AB (any textbook of experimental design)
    study = cube(3, welds=4, n_levels=2, model="first order")
    rows = np.array([(-1, -1, 1), (-1, 1, -1), (1, -1, -1), (1, 1, 1)], dtype=float)
    found = alias_matrix(problem_of(study, 4), rows)
    assert found.omitted == ("x1*x2", "x1*x3", "x2*x3")
    assert_allclose(found.values, [[0, 0, 0], [0, 0, 1], [0, 1, 0], [1, 0, 0]], atol=1e-12)


def test_squares_left_out_bias_the_mean_of_a_factorial_with_centre_runs(cube):
    # E(b0) = beta0 + (8/12) * sum of beta_ii with 8 corners and 4 centre runs (Box and Wilson's bias, by hand)
    study = cube(3, welds=12, model="first order with products")
    corners = np.array(np.meshgrid(*[[-1.0, 1.0]] * 3)).reshape(3, -1).T
    found = alias_matrix(problem_of(study, 12), np.vstack([corners, np.zeros((4, 3))]))
    assert found.omitted == ("x1^2", "x2^2", "x3^2")
    assert_allclose(found.values[0], 8 / 12)
    assert_allclose(found.values[1:], 0, atol=1e-12)


def test_a_cube_is_an_omitted_term_only_where_a_factor_has_four_levels(cube, two_wires):
    coding = cube(2).coding
    full = polynomial_terms(coding, "second order")
    assert [str(t) for t in next_order_terms(full, coding, (3, 4))] == ["x1^2*x2", "x1*x2^2", "x2^3"]
    kinds = two_wires().coding
    third = [str(t) for t in next_order_terms(polynomial_terms(kinds, "second order"), kinds, (2, 5, 5))]
    assert "wire=A*voltage*feed" in third
    assert "wire=A*feed^2" in third


def test_leverages_add_up_to_the_number_of_parameters(cube):
    study = cube(2, welds=10, plate_ratio=1.5)
    rng = np.random.default_rng(4)
    rows = rng.choice([-1.0, 0.0, 1.0], (10, 2))
    rows[:6] = [(-1, -1), (1, -1), (-1, 1), (1, 1), (0, 0), (0, 1)]
    assert_allclose(leverage(problem_of(study, 10), rows).sum(), 6)
    assert_allclose(leverage(problem_of(study, 10, per_plate=2), rows).sum(), 6)


def test_welds_of_one_plate_are_correlated_by_the_plate_ratio(cube):
    V = np.linalg.inv(inverse_covariance(problem_of(cube(2, welds=4, plate_ratio=0.5), 4, per_plate=2)))
    assert_allclose(V, [[1.5, 0.5, 0, 0], [0.5, 1.5, 0, 0], [0, 0, 1.5, 0.5], [0, 0, 0.5, 1.5]], atol=1e-12)
