from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from doe.planning.evening import even_out, is_usable, lone_levels, loss, n_repeats, settle
from doe.planning.layout import lay_out
from doe.planning.posing import planned_terms, pose_problem
from doe.planning.problem import d_value, i_value


@pytest.fixture
def lopsided(hinge):
    """Give a problem of six plates of two welds, and a design with one plate at the middle preheat."""

    def make(repeats=0, **wishes):
        study = hinge(limited=False, welds=12, repeats=repeats, model="first order with products", **wishes)
        problem = pose_problem(study, planned_terms(study), lay_out(12, per_plate=2), repeats=repeats)
        rng = np.random.default_rng(6)
        rows = np.column_stack([rng.choice(problem.levels[j], 12) for j in range(3)])
        rows[:, 2] = np.repeat([-1.0, -1.0, -1.0, 0.0, 1.0, 1.0], 2)
        return problem, rows

    return make


def test_a_value_on_a_single_plate_is_found(lopsided):
    problem, rows = lopsided()
    assert lone_levels(problem, rows) == ((2, 0.0),)
    assert lone_levels(replace(problem, plate=None), rows) == ()


def test_the_lone_plate_is_moved_and_the_other_factors_settle(lopsided):
    problem, rows = lopsided()
    before = rows.copy()
    evened = even_out(problem, rows, "I")
    assert lone_levels(problem, evened) == ()
    assert np.array_equal(rows, before)
    assert all(len(set(evened[problem.plate == p, 2])) == 1 for p in range(6))
    assert i_value(problem, evened) < i_value(problem, rows)


def test_a_design_without_a_lone_value_is_left_as_it_is(lopsided):
    problem, rows = lopsided()
    rows[6:8, 2] = 1.0
    assert even_out(problem, rows, "I") is rows


def test_wished_repeats_survive_the_move(lopsided):
    problem, rows = lopsided(repeats=2)
    rows[2:4] = rows[0:2]
    assert n_repeats(rows) >= 2
    evened = even_out(problem, rows, "D")
    assert lone_levels(problem, evened) == ()
    assert n_repeats(evened) >= 2
    assert d_value(problem, evened) > d_value(problem, rows)


def test_too_few_plates_stay_as_they_are(hinge):
    study = hinge(limited=False, welds=16, welds_per_plate=4)
    problem = pose_problem(study, planned_terms(study), lay_out(16, per_plate=4))
    rng = np.random.default_rng(1)
    rows = np.column_stack([rng.choice(problem.levels[j], 16) for j in range(3)])
    rows[:, 2] = np.repeat([-1.0, 0.0, 0.0, 1.0], 4)
    assert even_out(problem, rows, "I") is rows
    assert lone_levels(problem, rows) == ((2, -1.0), (2, 1.0))


def test_welds_that_are_given_are_never_moved(hinge):
    study = hinge(limited=False, welds=12, model="first order with products")
    given = np.array([[17.0, 5.0, 70.0], [22.3, 9.0, 70.0]])
    problem = pose_problem(study, planned_terms(study), lay_out(12, per_plate=2), given=given)
    rng = np.random.default_rng(6)
    rows = np.column_stack([rng.choice(problem.levels[j], 12) for j in range(3)])
    rows[:, 2] = np.repeat([0.0, -1.0, -1.0, -1.0, 1.0, 1.0], 2)
    rows[:2] = problem.given
    evened = even_out(problem, rows, "I")
    assert np.array_equal(evened[:2], problem.given)
    assert lone_levels(problem, evened) == ()


def test_a_setting_outside_the_limits_or_the_list_is_not_usable(hinge, two_wires):
    for study in (hinge(welds=12), two_wires(welds=12)):
        problem = pose_problem(study, planned_terms(study), lay_out(12, per_plate=1))
        rng = np.random.default_rng(6)
        source = problem.candidates
        if source is None:
            source = np.array(np.meshgrid(*problem.levels)).reshape(3, -1).T
            source = source[source @ problem.limit_matrix[0] <= problem.limit_bound[0]]
        rows = source[rng.choice(len(source), 12, replace=False)]
        assert is_usable(problem, rows)
        outside = rows.copy()
        outside[0] = [1.0, 1.0, -1.0] if problem.candidates is not None else [1.0, -1.0, 0.0]
        assert not is_usable(problem, outside)


def test_settling_never_makes_a_design_worse(two_wires):
    study = two_wires(welds=14)
    problem = pose_problem(study, planned_terms(study), lay_out(14, per_plate=1))
    rng = np.random.default_rng(2)
    rows = problem.candidates[rng.choice(len(problem.candidates), 14, replace=False)]
    settled = settle(problem, rows, "I")
    assert loss(problem, settled, "I") < loss(problem, rows, "I")
    assert is_usable(problem, settled)
