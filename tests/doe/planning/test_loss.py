"""What lost welds cost, against closed forms and plain least squares."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable

import numpy as np
import pytest

from doe.planning.layout import Layout
from doe.planning.loss import loss_of
from doe.study.model import Blocks, Study

Cube = Callable[..., Study]


def alone(n: int) -> Layout:
    return Layout(np.arange(n), np.ones(n, dtype=int))


def all_but(n: int, *lost: int) -> np.ndarray:
    kept = np.ones(n, dtype=bool)
    kept[list(lost)] = False
    return kept


def test_one_of_eight_welds_of_a_straight_line_widens_the_bands_by_the_closed_form(cube: Cube):
    study = cube(1, n_levels=2, welds=8, model="first order")
    x = np.array([-1.0, 1.0] * 4)[:, None]
    loss = loss_of(study, x, alone(8), all_but(8, 1))
    # M = [[8, 0], [0, 8]] before, [[7, -1], [-1, 7]] after; the average of (1, x) M^-1 (1, x)' over -1 to 1 is
    # (m11 + m22 / 3) of the inverse: 1/6 before, 7/48 (1 + 1/3) after. Ratio 7/6 by hand.
    assert loss.widening == pytest.approx(math.sqrt(7 / 6))
    assert loss.residual_df == (6, 5)
    assert loss.lost_terms == ()
    [redo] = loss.redos
    assert (redo.weld, redo.widening) == (1, pytest.approx(1.0))


def test_precision_and_standard_errors_are_those_of_least_squares(cube: Cube):
    study = cube(2, welds=12, model="second order")
    rng = np.random.default_rng(3)
    x = np.vstack([list(itertools.product((-1.0, 0.0, 1.0), repeat=2)), rng.choice([-1.0, 0.0, 1.0], (3, 2))])
    kept = all_but(12, 0, 4)
    loss = loss_of(study, x, alone(12), kept)

    def model(points: np.ndarray) -> np.ndarray:
        a, b = points.T
        return np.column_stack([np.ones(len(points)), a, b, a * b, a**2, b**2])

    nodes, weights = np.polynomial.legendre.leggauss(3)  # exact for the products of two second-order terms
    grid, w = np.array(list(itertools.product(nodes, nodes))), np.array([p * q for p in weights for q in weights]) / 4
    inverse = {key: np.linalg.inv(model(x[k]).T @ model(x[k])) for key, k in (("all", kept | True), ("left", kept))}
    average = {key: w @ np.einsum("ni,ij,nj->n", model(grid), m, model(grid)) for key, m in inverse.items()}
    assert loss.widening == pytest.approx(math.sqrt(average["left"] / average["all"]))
    worst = max(np.sqrt(np.diag(inverse["left"]) / np.diag(inverse["all"]))[1:])
    assert loss.weaker[0][1] == pytest.approx(worst)


def test_the_redo_that_helps_most_comes_first(cube: Cube):
    study = cube(1, n_levels=3, welds=9, model="second order")
    x = np.array([-1.0] * 3 + [0.0] * 3 + [1.0] * 3)[:, None]
    loss = loss_of(study, x, alone(9), all_but(9, 0, 1, 3))

    def average(low: int, middle: int, high: int) -> float:
        # a parabola through three levels: the squares of Lagrange's basis, averaged over -1 to 1, by hand
        return 2 / 15 / low + 8 / 15 / middle + 2 / 15 / high

    assert loss.widening == pytest.approx(math.sqrt(average(1, 2, 3) / average(3, 3, 3)))
    # the middle is worth more than the thinner end
    assert [redo.weld for redo in loss.redos] == [3, 0, 1]
    expected = [average(1, 3, 3), average(2, 2, 3), average(2, 2, 3)]
    assert [r.widening for r in loss.redos] == pytest.approx([math.sqrt(e / average(3, 3, 3)) for e in expected])


def test_a_level_lost_altogether_loses_the_curve_and_any_one_redo_brings_it_back(cube: Cube):
    study = cube(1, n_levels=3, welds=9, model="second order")
    x = np.array([-1.0] * 3 + [0.0] * 3 + [1.0] * 3)[:, None]
    loss = loss_of(study, x, alone(9), all_but(9, 3, 4, 5))
    assert loss.lost_terms == ("x1^2",)
    assert loss.still in {"first order", "first order with products"}
    assert math.isinf(loss.widening)
    assert loss.redos[0].lost_terms == ()
    assert 1.0 < loss.redos[0].widening < 2.0


def test_everything_lost_leaves_nothing(cube: Cube):
    study = cube(1, n_levels=2, welds=4, model="first order")
    x = np.array([-1.0, 1.0, -1.0, 1.0])[:, None]
    loss = loss_of(study, x, alone(4), np.zeros(4, dtype=bool))
    assert loss.still == ""
    assert loss.lost_terms == ("constant", "x1")
    assert loss.residual_df == (2, -2)


def test_welds_that_could_tell_no_model_have_no_loss(cube: Cube):
    study = cube(2, n_levels=2, welds=4, model="first order")
    assert loss_of(study, np.zeros((4, 2)), alone(4), all_but(4, 0)) is None


def test_a_plate_that_comes_to_nothing_costs_more_than_two_welds_of_two_plates(hinge: Callable[..., Study]):
    study = hinge(limited=False, welds=24)
    rng = np.random.default_rng(5)
    heats = np.repeat([20.0, 70.0, 120.0] * 4, 2)
    x = np.column_stack([rng.choice([17.0, 19.6, 22.3], 24), rng.choice([5.0, 7.0, 9.0], 24), heats])
    layout = Layout(np.repeat(np.arange(12), 2), np.tile([1, 2], 12))
    plate = loss_of(study, x, layout, all_but(24, 0, 1))
    assert plate.widening > 1.0
    assert plate.lost_terms == ()
    # a redo on a plate of its own can be worth more than the weld was beside its neighbour, never less than nothing
    assert all(redo.widening < plate.widening for redo in plate.redos)


def test_a_lost_block_is_no_longer_a_column(cube: Cube):
    study = cube(1, n_levels=2, welds=8, model="first order", blocks=Blocks("day", (6, 2)))
    x = np.array([-1.0, 1.0] * 4)[:, None]
    layout = Layout(np.arange(8), np.ones(8, dtype=int), np.array([0] * 6 + [1] * 2))
    loss = loss_of(study, x, layout, all_but(8, 6, 7))
    assert loss.lost_terms == ()
    # the six of the first day by themselves: 1/6 + 1/18, against the slope of eight and the constant of two days
    assert loss.widening > 1.0
    assert all(redo.lost_terms == () for redo in loss.redos)
