from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.planning.classical import GENERATORS, classical_designs, textbook_rows
from doe.planning.layout import lay_out
from doe.planning.posing import planned_terms, pose_problem
from doe.study.model import Factor, Limit, PlanWishes


def names(designs):
    return [design.name for design in designs]


def test_the_face_centred_composite_of_three_factors_has_the_textbooks_fifteen_points(cube):
    # Montgomery, Design and Analysis of Experiments: 8 corners, 6 face centres, centre runs (from memory)
    found = {d.name: d.settings for d in classical_designs(cube(3), 15)}
    points = found["face-centred central composite with 1 centre run"]
    distances = np.bincount(np.abs(points).sum(axis=1).astype(int), minlength=4)
    assert distances.tolist() == [1, 6, 0, 8]
    assert len(np.unique(points, axis=0)) == 15


def test_box_behnken_of_three_factors_has_the_twelve_edge_middles(cube):
    # Box and Behnken 1960, Technometrics 2, 455-475: three factors, 12 runs and 3 at the centre (from memory)
    found = {d.name: d.settings for d in classical_designs(cube(3), 15)}
    points = found["Box-Behnken with 3 centre runs"]
    edges = {p for p in itertools.product((-1.0, 0.0, 1.0), repeat=3) if sum(map(abs, p)) == 2}
    assert {tuple(p) for p in points[:12]} == edges
    assert_allclose(points[12:], 0)


def test_centre_runs_are_counted_out_not_added(cube):
    assert all(len(d.settings) == n for n in range(8, 41) for k in (2, 3, 4) for d in classical_designs(cube(k), n))
    assert "2^3 factorial" in names(classical_designs(cube(3), 8))
    assert "2^3 factorial with 6 centre runs" in names(classical_designs(cube(3), 14))
    assert "2^3 factorial with 7 centre runs" not in names(classical_designs(cube(3), 15))


@pytest.mark.parametrize(
    ("key", "resolution"),
    # Box, Hunter and Hunter, Statistics for Experimenters, table of two-level fractions (from memory)
    [((3, 4), 3), ((4, 8), 4), ((5, 16), 5), ((5, 8), 3), ((6, 32), 6), ((6, 16), 4), ((6, 8), 3)],
)
def test_fractions_have_the_resolution_of_the_textbooks_table(cube, key, resolution):
    k, runs = key
    designs = [d for d in classical_designs(cube(k), runs) if "fraction" in d.name]
    assert len(designs) == 1
    points = designs[0].settings
    words = [
        len(subset)
        for size in range(1, k + 1)
        for subset in itertools.combinations(range(k), size)
        if abs(points[:, subset].prod(axis=1).sum()) == runs
    ]
    assert min(words) == resolution
    assert len(GENERATORS) == 7


def test_designs_are_scaled_to_the_marks_with_the_middlemost_as_centre(hinge):
    study = replace(hinge(limited=False), factors=tuple(replace(f, hard_to_change=False) for f in hinge().factors))
    design = next(d for d in classical_designs(study, 16) if "composite" in d.name)
    assert set(design.settings[:, 0]) == {17.0, 19.6, 22.3}
    assert set(design.settings[:, 1]) == {5.0, 7.0, 9.0}


def test_a_limit_that_cuts_a_point_off_rules_the_design_out(hinge):
    assert classical_designs(hinge(limited=True), 16) == ()
    assert classical_designs(hinge(limited=False), 16) != ()


def test_kinds_have_no_classical_design_and_two_levels_no_composite(two_wires, cube):
    assert classical_designs(two_wires(), 16) == ()
    two_levels = replace(cube(3), factors=tuple(Factor(f"x{j}", values=(-1.0, 1.0)) for j in range(3)))
    assert names(classical_designs(two_levels, 8)) == ["2^3 factorial"]
    assert classical_designs(two_levels, 10) == ()


def test_the_half_fraction_composite_estimates_every_second_order_term(cube):
    study = cube(5, welds=27)
    found = dict(textbook_rows(study, pose_problem(study, planned_terms(study), lay_out(27, per_plate=1))))
    assert list(found) == ["face-centred central composite on a half fraction with 1 centre run"]


def test_designs_that_cannot_estimate_the_model_are_left_out(cube):
    study = cube(3, welds=12)
    assert names(classical_designs(study, 12)) != []
    assert textbook_rows(study, pose_problem(study, planned_terms(study), lay_out(12, per_plate=1))) == []


def test_on_plates_each_plate_has_one_preheat_or_the_design_does_not_fit(hinge):
    study = hinge(limited=False, welds=16)
    layout = lay_out(16, per_plate=2)
    found = textbook_rows(study, pose_problem(study, planned_terms(study), layout))
    assert found
    for _, rows in found:
        assert all(len(set(rows[layout.plate == p, 2])) == 1 for p in range(8))
    threes = lay_out(16, per_plate=3)  # four or five welds a preheat do not fill plates of three
    assert textbook_rows(study, pose_problem(study, planned_terms(study), threes)) == []


def test_designs_are_no_yardstick_where_welds_are_given_or_blocks_are_fixed(cube):
    study = cube(2, welds=9)
    given = np.zeros((1, 2))
    problem = pose_problem(study, planned_terms(study), lay_out(9, per_plate=1), given=given)
    assert textbook_rows(study, problem) == []


def test_a_single_factor_has_only_its_two_ends(cube):
    assert names(classical_designs(cube(1), 4)) == ["2^1 factorial with 2 centre runs"]
    limited = replace(cube(1), limits=(Limit((("x1", 1.0),), 0.5, "x1 <= 0.5"),), plan=PlanWishes())
    assert classical_designs(limited, 4) == ()
