from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.planning.layout import lay_out
from doe.planning.moments import region_moments
from doe.planning.posing import (
    has_position_term,
    model_name,
    moments_of,
    n_parameters,
    planned_terms,
    pose_problem,
    simpler_models,
)
from doe.study.model import Blocks, PlanWishes


def test_a_named_model_and_a_list_of_terms_are_understood(cube):
    assert [str(t) for t in planned_terms(cube(2))] == ["constant", "x1", "x2", "x1*x2", "x1^2", "x2^2"]
    listed = cube(2, terms=("constant", "x2", "x2", "x1*x2"))
    assert [str(t) for t in planned_terms(listed)] == ["constant", "x2", "x1*x2"]
    assert model_name(listed.plan) == "the listed terms"


def test_simpler_models_lie_inside_the_studys_own(cube):
    names = [(name, len(terms)) for name, terms in simpler_models(cube(3))]
    assert names == [("second order", 10), ("first order with products", 7), ("first order", 4)]
    assert [name for name, _ in simpler_models(cube(3, model="first order"))] == ["first order"]
    listed = cube(2, terms=("constant", "x1", "x2", "x1^2"))
    assert [(name, len(terms)) for name, terms in simpler_models(listed)] == [
        ("the listed terms", 4),
        ("first order with products", 3),
    ]


def test_blocks_and_position_add_to_the_parameters(hinge):
    study = hinge(later_welds="warm", blocks=Blocks("day", (9, 9)))
    layout = lay_out(18, per_plate=2, blocks=study.plan.blocks)
    assert n_parameters(study, planned_terms(study), layout) == 12
    problem = pose_problem(study, planned_terms(study), layout)
    assert problem.n_parameters == 12
    assert problem.held == (False, False, True)
    assert not has_position_term(study, lay_out(18, per_plate=1))


def test_one_weld_a_plate_holds_nothing_and_has_no_plate_errors(hinge):
    problem = pose_problem(hinge(), planned_terms(hinge()), lay_out(18, per_plate=1))
    assert problem.plate is None
    assert problem.held == (False, False, False)


def test_welds_that_are_given_come_first_in_coded_units(hinge):
    given = np.array([[17.0, 5.0, 20.0]])
    problem = pose_problem(hinge(), planned_terms(hinge()), lay_out(12, per_plate=1), given=given)
    assert_allclose(problem.given, [[-1.0, -1.0, -1.0]])


def test_the_moments_are_those_of_the_limited_region(hinge):
    study = hinge()
    terms = planned_terms(study)
    rng = np.random.default_rng(2)
    natural = np.column_stack([rng.uniform(17, 22.3, 200_000), rng.uniform(5, 9, 200_000), np.full(200_000, 70.0)])
    inside = natural[natural[:, 0] - 0.9 * natural[:, 1] <= 15]
    coded = study.coding.to_coded(inside)
    W = moments_of(study, terms)
    assert_allclose(W[0, 0], 1)
    names = [str(t) for t in terms]
    assert_allclose(W[0, names.index("voltage")], coded[:, 0].mean(), atol=5e-3)
    assert_allclose(W[0, names.index("voltage*feed")], (coded[:, 0] * coded[:, 1]).mean(), atol=5e-3)


def test_where_a_limit_cuts_each_kind_differently_each_has_its_own_region(two_wires):
    study = two_wires()
    terms = planned_terms(study)
    names = [str(t) for t in terms]
    W = moments_of(study, terms)
    centres = []
    rng = np.random.default_rng(3)
    for low, high in ((5.0, 9.0), (4.0, 7.0)):
        v, f = rng.uniform(17, 22.3, 200_000), rng.uniform(low, high, 200_000)
        inside = v - 0.9 * f <= 15
        centres.append(((f[inside] - (low + high) / 2) / ((high - low) / 2)).mean())
    assert_allclose(W[0, names.index("feed")], np.mean(centres), atol=5e-3)
    assert_allclose(W[0, names.index("wire=A*feed")], (centres[0] - centres[1]) / 2, atol=5e-3)


def test_without_limits_ranges_by_kind_have_the_moments_of_the_cube(two_wires):
    study = replace(two_wires(), limits=())
    terms = planned_terms(study)
    assert_allclose(moments_of(study, terms), region_moments(study.coding, terms), atol=1e-12)


def test_a_range_by_kind_under_the_studys_own_coding_keeps_its_ends(two_wires):
    study = two_wires()
    study = replace(study, limits=(), plan=replace(study.plan, coding=(("feed", 6.5, 2.5),)))
    terms = planned_terms(study)
    names = [str(t) for t in terms]
    # the mean coded feed is (7 - 6.5)/2.5 for wire A and (5.5 - 6.5)/2.5 for wire B
    assert_allclose(moments_of(study, terms)[0, names.index("feed")], (0.2 - 0.4) / 2, atol=1e-9)


def test_a_wished_coding_is_kept(cube):
    study = replace(cube(1), plan=PlanWishes(coding=(("x1", 0.0, 0.5),)))
    problem = pose_problem(study, planned_terms(study), lay_out(4, per_plate=1))
    assert_allclose(problem.levels[0], [-2, 0, 2])
    # over -2 to 2 the mean of x^2 is 4/3 and of x^4 16/5
    assert_allclose(problem.moments, [[1, 0, 4 / 3], [0, 4 / 3, 0], [4 / 3, 0, 16 / 5]], atol=1e-12)


@pytest.mark.parametrize("n_repeats", [0, 2])
def test_repeats_are_passed_on(cube, n_repeats):
    problem = pose_problem(cube(2), planned_terms(cube(2)), lay_out(9, per_plate=1), repeats=n_repeats)
    assert problem.repeats == n_repeats
