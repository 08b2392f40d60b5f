"""The moves of the search: each takes the best choice and keeps the algebra up to date, by plain recomputation."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.planning.lockstep import Batch, Walk, make_batch, prepare, refresh
from doe.planning.moves import candidate_squares, change_step, exchange_step, plate_step, repeat_step, replace_step
from doe.planning.problem import Criterion, DesignProblem, allowed_settings, criterion_value, i_value
from doe.planning.start import random_designs

Builder = Callable[..., DesignProblem]
THREE = np.array([-1.0, 0.0, 1.0])


def walked(problem: DesignProblem, criterion: Criterion, n_designs: int = 5) -> tuple[Walk, Batch]:
    rng = np.random.default_rng(3)
    walk = prepare(problem, criterion, rng)
    batch = make_batch(walk, random_designs(walk, n_designs, rng))
    refresh(walk, batch)
    return walk, batch


def best_by_trying(problem: DesignProblem, criterion: Criterion, designs: list[np.ndarray]) -> float:
    values = [criterion_value(problem, rows, criterion) for rows in designs]
    return min(values) if criterion == "I" else max(values)


@pytest.mark.parametrize("criterion", ["I", "D", "compound"])
def test_replacing_a_weld_takes_the_best_candidate_and_keeps_the_inverse_up_to_date(
    everything: DesignProblem, criterion: Criterion
):
    walk, batch = walked(everything, criterion)
    squares, candidates = candidate_squares(walk, batch), allowed_settings(everything)
    for i in (0, 4, 12, 13):
        before = batch.rows.copy()
        is_sound = ~batch.is_singular
        assert is_sound.any()
        replace_step(walk, batch, i, squares)
        for s in np.flatnonzero(is_sound):
            held = before[s, i, 2]
            same_plate = candidates if i == 12 else candidates[candidates[:, 2] == held]
            tried = []
            for setting in same_plate:
                rows = before[s].copy()
                rows[i] = setting
                tried.append(rows)
            value = criterion_value(everything, batch.rows[s], criterion)
            assert value == pytest.approx(best_by_trying(everything, criterion, tried), rel=2e-5)
    kept = batch.inverse.copy(), batch.trace.copy(), batch.log_determinant.copy()
    sound = np.flatnonzero(~batch.is_singular)
    assert len(sound)
    refresh(walk, batch)
    assert_allclose(kept[0][sound], batch.inverse[sound], rtol=1e-6, atol=1e-8)
    if criterion != "D":
        assert_allclose(kept[1][sound], batch.trace[sound], rtol=1e-8)
    if criterion != "I":
        assert_allclose(kept[2][sound], batch.log_determinant[sound], rtol=1e-8)


@pytest.mark.parametrize("criterion", ["I", "D", "compound"])
def test_changing_a_plate_takes_its_best_held_level(everything: DesignProblem, criterion: Criterion):
    walk, batch = walked(everything, criterion)
    members = np.array([3, 4])
    before = batch.rows.copy()
    sound = np.flatnonzero(~batch.is_singular)
    assert len(sound)
    plate_step(walk, batch, members, 2)
    for s in sound:
        tried = []
        for level in THREE:
            rows = before[s].copy()
            rows[members, 2] = level
            tried.append(rows)
        value = criterion_value(everything, batch.rows[s], criterion)
        assert value == pytest.approx(best_by_trying(everything, criterion, tried), rel=1e-7)


def test_changing_one_factor_and_repeating_a_weld_take_the_best_choice(everything: DesignProblem):
    walk, batch = walked(everything, "I")
    sound = np.flatnonzero(~batch.is_singular)
    assert len(sound)
    before = batch.rows.copy()
    change_step(walk, batch, 4)
    allowed = allowed_settings(everything)
    near = [allowed[(allowed[:, 2] == before[s, 4, 2]) & ((allowed != before[s, 4]).sum(axis=1) <= 1)] for s in sound]
    for s, choices in zip(sound, near, strict=True):
        tried = [np.vstack([before[s, :4], choice, before[s, 5:]]) for choice in choices]
        assert i_value(everything, batch.rows[s]) == pytest.approx(best_by_trying(everything, "I", tried), rel=1e-7)
    before = batch.rows.copy()
    repeat_step(walk, batch, 10)
    for s in sound:
        choices = before[s][before[s, :, 2] == before[s, 10, 2]]
        tried = [np.vstack([before[s, :10], choice, before[s, 11:]]) for choice in choices]
        assert i_value(everything, batch.rows[s]) == pytest.approx(best_by_trying(everything, "I", tried), rel=1e-7)


@pytest.mark.parametrize("criterion", ["I", "D", "compound"])
def test_pricing_all_welds_at_once_takes_the_best_exchange_of_all(pose: Builder, criterion: Criterion):
    problem = pose(THREE, np.array([-1.0, -0.5, 0.5, 1.0]), n=8, given=np.array([[1.0, 1.0]]))
    walk, batch = walked(problem, criterion)
    before, is_sound = batch.rows.copy(), ~batch.is_singular
    assert is_sound.any()
    exchange_step(walk, batch)
    for s in np.flatnonzero(is_sound):
        tried = [before[s]]
        for i in range(1, 8):
            for setting in allowed_settings(problem):
                tried.append(before[s].copy())
                tried[-1][i] = setting
        value = criterion_value(problem, batch.rows[s], criterion)
        assert value == pytest.approx(best_by_trying(problem, criterion, tried), rel=1e-9)
        assert (batch.rows[s, 0] == 1.0).all()
