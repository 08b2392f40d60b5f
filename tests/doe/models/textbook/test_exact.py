"""Linear algebra without rounding: against the same sums written out in fractions."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from doe.models.textbook.exact import (
    as_exact,
    exact_product,
    explained_ss,
    quadratic_forms,
    residual_ss,
    solve_exactly,
)


@pytest.fixture(scope="module")
def problem():
    """Twelve welds and five columns of decimals; a reading each."""
    rng = np.random.default_rng(1)
    X = np.column_stack([np.ones(12), rng.integers(-9, 10, (12, 4)) / 10.0])
    return as_exact(X), as_exact(np.round(rng.normal(3.0, 1.0, 12), 2))


def test_products_and_forms_are_those_of_fractions(problem):
    X, _ = problem
    b, M = as_exact([0.1, 2.5, -0.03, 7.0, 0.0]), as_exact(np.arange(25.0).reshape(5, 5) / 7.0)
    assert exact_product(X, b).tolist() == [sum((x * c for x, c in zip(row, b, strict=True)), Fraction(0)) for row in X]
    assert quadratic_forms(X, M).tolist() == [row @ M @ row for row in X]


@pytest.mark.parametrize("own", [[2], [4], [1, 3], [1, 2, 3, 4]])
def test_what_columns_explain_is_what_is_left_without_them(problem, own):
    X, y = problem
    mask = np.isin(np.arange(5), own)
    without, _ = residual_ss(X[:, ~mask], y)
    solution = solve_exactly(X, y)
    assert explained_ss(solution, mask) == without - solution.residual_ss
