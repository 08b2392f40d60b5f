"""The inverse of the readings' covariance: both forms against the plain inverse of the written-out matrix."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.models import grid as grid_module
from doe.models.grid import Effects, Grid, ScatterPrior, draw_effects, effective_terms, lay_out_effects, make_nodes
from doe.models.inverse import FullInverse, WoodburyInverse
from doe.models.left_out import leave_each_out, predict_left_out

GRID = Grid(first=(1.0, 6.0), second=(0.8, 5.0), third=(0.05,), plate=(0.0, 0.5, 2.5), block=(0.0, 0.4))
CLASSES = ("constant", *["first"] * 2, *["second"] * 3)
PLATES = np.array([*np.arange(36) // 3, 12, 12, 13, 14])
"""Twelve plates of three welds, one of two, and two of one."""
DAYS = np.arange(40) // 20


@pytest.fixture(scope="module")
def effects() -> Effects:
    a, b = np.random.default_rng(1).uniform(-1, 1, (2, 40))
    X = np.column_stack([np.ones(40), a, b, a * b, a * a - 0.5, b * b - 0.5])
    return lay_out_effects(X, CLASSES, plates=PLATES, blocks=DAYS, grid=GRID)


@pytest.fixture(scope="module")
def readings() -> np.ndarray:
    return 3.0 + np.random.default_rng(2).standard_normal(40)


def in_both_forms(effects: Effects, monkeypatch: pytest.MonkeyPatch, error: np.ndarray | None = None):
    """Work out the nodes in full and by columns."""
    full = make_nodes(effects, ScatterPrior(), error=error)
    monkeypatch.setattr(grid_module, "FULL_CELLS", 0)
    by_columns = make_nodes(replace(effects, C=effects.C.copy() * (1.0 + 1e-15)), ScatterPrior(), error=error)
    assert isinstance(full.inverse, FullInverse)
    assert isinstance(by_columns.inverse, WoodburyInverse)
    return full, by_columns


@pytest.mark.parametrize("weighted", [False, True])
def test_both_forms_are_the_inverse_of_the_written_out_matrix(effects, monkeypatch, weighted):
    error = np.random.default_rng(3).uniform(0.5, 2.0, 40) if weighted else np.ones(40)
    one = np.ones((40, 1))
    for nodes in in_both_forms(effects, monkeypatch, error):
        for k in (0, 7, len(effects.variance) - 1):
            V = effects.C * effects.variance[k][effects.group] @ effects.C.T + np.diag(error)
            V_inv = np.linalg.inv(V)
            P = V_inv - V_inv @ one @ one.T @ V_inv / V_inv.sum()
            inverse, rows = nodes.inverse, np.array([0, 1, 38])
            assert_allclose(inverse.solve(np.eye(40), k), V_inv, atol=1e-10)
            assert_allclose(inverse.ones[k], V_inv.sum(axis=1), atol=1e-10)
            assert_allclose(inverse.project(np.eye(40))[k], P, atol=1e-10)
            assert_allclose(inverse.project(np.arange(40.0))[k], P @ np.arange(40.0), atol=1e-9)
            assert_allclose(inverse.diagonal[k], np.diag(P), atol=1e-10)
            for found, at in zip(inverse.blocks([rows, np.array([7])]), (rows, [7]), strict=True):
                assert_allclose(found[k], P[np.ix_(at, at)], atol=1e-10)
            assert_allclose(nodes.log_det[k], np.linalg.slogdet(V)[1] + np.log(V_inv.sum()))
            v = effects.variance[k][effects.group]
            traced = inverse.traces(effects.C, effects.variance[:, effects.group])[k]
            assert traced == pytest.approx(np.trace(effects.C * v @ effects.C.T @ P))


def test_both_forms_give_the_same_posterior_and_the_same_checks(effects, readings, monkeypatch):
    full, by_columns = in_both_forms(effects, monkeypatch)
    for pick in ("s2", "constant", "theta"):
        drawn = [getattr(draw_effects(n, readings, 500, np.random.default_rng(1)), pick) for n in (full, by_columns)]
        assert_allclose(*drawn, atol=1e-8)
    assert effective_terms(full, readings) == pytest.approx(effective_terms(by_columns, readings))
    left = [leave_each_out(nodes, readings, 6) for nodes in (full, by_columns)]
    assert_allclose(left[0].without, left[1].without, atol=1e-9)
    plates = [predict_left_out(nodes, readings, np.array([3, 4, 5])) for nodes in (full, by_columns)]
    assert_allclose(plates[0].location, plates[1].location, atol=1e-9)
    assert_allclose(plates[0].weight, plates[1].weight, atol=1e-9)


def test_many_welds_are_held_by_columns_and_few_in_full(effects):
    few = make_nodes(effects, ScatterPrior())
    many = make_nodes(replace(effects, C=np.tile(effects.C, (12, 1))), ScatterPrior())
    assert isinstance(few.inverse, FullInverse)
    assert isinstance(many.inverse, WoodburyInverse)
    assert (
        sum(core.nbytes for core in many.inverse.cores) < 480**2 * 8
    )  # all nodes together take less than one full inverse


def test_responses_of_the_same_welds_share_one_inverse(effects):
    first, second = (make_nodes(effects, prior) for prior in (ScatterPrior(), ScatterPrior(4.0, 0.2)))
    assert first.inverse is second.inverse


def test_draws_do_not_depend_on_how_many_are_worked_on_at_once(effects, readings, monkeypatch):
    nodes = make_nodes(effects, ScatterPrior())
    at_once = draw_effects(nodes, readings, 500, np.random.default_rng(1))
    monkeypatch.setattr(grid_module, "DRAWN_CELLS", 40 * 70)
    in_blocks = draw_effects(nodes, readings, 500, np.random.default_rng(1))
    assert_allclose(at_once.constant, in_blocks.constant, rtol=1e-12)
    assert_allclose(at_once.theta, in_blocks.theta, atol=1e-11)
