"""A stated problem: its information matrix and values against their definitions."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.planning.lockstep import prepare
from doe.planning.problem import DesignProblem, d_value, i_value, information_matrix
from doe.planning.start import random_designs
from doe.terms import model_matrix

FIVE = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
Builder = Callable[..., DesignProblem]


def test_plates_blocks_and_position_enter_as_their_covariance_says(everything: DesignProblem):
    rng = np.random.default_rng(1)
    rows = random_designs(prepare(everything, "I", rng), 1, rng)[0]
    X = np.hstack(
        [
            model_matrix(everything.terms, rows, everything.coding),
            np.where(everything.block == 0, 1.0, -1.0)[:, None],
            everything.position[:, None],
        ]
    )
    Z = np.eye(7)[everything.plate]
    M = X.T @ np.linalg.solve(np.eye(17) + 0.8 * Z @ Z.T, X)
    assert_allclose(information_matrix(everything, rows), M, atol=1e-10)
    W = np.zeros((12, 12))
    W[:10, :10] = everything.moments
    assert i_value(everything, rows) == pytest.approx(np.trace(W @ np.linalg.inv(M)), rel=1e-9)
    nuisance = np.hstack([np.ones((17, 1)), X[:, 10:]])
    log_determinant = np.linalg.slogdet(M)[1] - np.linalg.slogdet(nuisance.T @ nuisance)[1]
    assert d_value(everything, rows) == pytest.approx(np.exp(log_determinant / 9) / 17, rel=1e-9)


def test_tables_of_the_wrong_shape_are_a_fault_of_the_caller(pose: Builder):
    with pytest.raises(ValueError, match="plate has shape"):
        pose(FIVE, FIVE, n=9, plate=np.arange(8))
    with pytest.raises(ValueError, match="12 welds are given"):
        pose(FIVE, FIVE, n=9, given=np.zeros((12, 2)))


def test_a_singular_design_has_no_value(pose: Builder):
    problem = pose(FIVE, FIVE, n=8)
    rows = np.zeros((8, 2))
    assert i_value(problem, rows) == np.inf
    assert d_value(problem, rows) == 0.0
