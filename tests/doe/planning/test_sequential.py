"""Designs built weld by weld, against trying every setting."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.planning.exchange import search_design
from doe.planning.lockstep import prepare
from doe.planning.problem import Criterion, DesignProblem, allowed_settings
from doe.planning.sequential import STAND_INS, can_be_sequential, sequential_designs
from doe.terms import model_matrix

THREE, FIVE = np.array([-1.0, 0.0, 1.0]), np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
Builder = Callable[..., DesignProblem]


def value(problem: DesignProblem, M: np.ndarray, criterion: Criterion) -> float:
    """Give what is made small."""
    log_determinant, log_variance = np.linalg.slogdet(M)[1], np.log(np.trace(problem.moments @ np.linalg.inv(M)))
    parts = {"I": log_variance, "D": -log_determinant / len(M)}
    return float(sum(parts.values()) if criterion == "compound" else parts[criterion])


@pytest.mark.parametrize("criterion", ["I", "D", "compound"])
def test_each_weld_goes_where_it_helps_most(pose: Builder, criterion: Criterion):
    limit = {"limit_matrix": np.array([[1.0, 1.0]]), "limit_bound": np.array([1.2])}
    problem = pose(FIVE, THREE, n=9, given=np.array([[0.5, -1.0], [0.0, 1.0]]), **limit)
    settings = allowed_settings(problem)
    F = model_matrix(problem.terms, settings, problem.coding)
    designs = sequential_designs(prepare(problem, criterion, np.random.default_rng(1)), len(STAND_INS))
    assert_allclose(designs[:, :2], np.tile(problem.given, (len(STAND_INS), 1, 1)))
    for (region, listed), rows in zip(STAND_INS, designs, strict=True):
        X = model_matrix(problem.terms, rows, problem.coding)
        M = region * problem.moments + listed * F.T @ F / len(F) + X[:2].T @ X[:2]
        for x in X[2:]:
            best = min(value(problem, M + np.outer(f, f), criterion) for f in F)
            M = M + np.outer(x, x)
            assert value(problem, M, criterion) == pytest.approx(best, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("criterion", ["I", "D"])
@pytest.mark.parametrize("n", [6, 8])
def test_an_effort_of_one_start_finds_the_best_of_two_factors_whatever_the_seed(
    pose: Builder, criterion: Criterion, n: int
):
    problem = pose(THREE, THREE, n=n)
    first, second, long = (
        search_design(problem, criterion=criterion, starts=starts, rng=np.random.default_rng(seed))
        for seed, starts in ((1, 1), (2, 1), (3, 256))
    )
    assert (first.rows == second.rows).all()
    assert first.value == pytest.approx(long.value, rel=1e-9)


def test_places_and_repeats_are_left_to_the_search(pose: Builder, everything: DesignProblem):
    rng = np.random.default_rng(1)
    assert can_be_sequential(prepare(pose(THREE, THREE, n=8), "I", rng))
    assert not can_be_sequential(prepare(pose(THREE, THREE, n=8, repeats=2), "I", rng))
    assert not can_be_sequential(prepare(pose(THREE, THREE, n=8, block=np.repeat([0, 1], 4)), "I", rng))
    assert not can_be_sequential(prepare(everything, "I", rng))
