from __future__ import annotations

import csv
import itertools
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.planning.classical import (
    GENERATORS,
    axial_distance,
    box_behnken_points,
    classical_designs,
    textbook_rows,
)
from doe.planning.layout import lay_out
from doe.planning.posing import planned_terms, pose_problem
from doe.study.model import Factor, Limit, PlanWishes

STATISTICS = Path(__file__).parents[2] / "reference" / "statistics"
"""Published cases; every value of the two design tables is from memory, see each case's result.json."""


def printed(case):
    """The published values by name, as printed."""
    result = json.loads((STATISTICS / case / "result.json").read_text(encoding="utf-8"))
    return {value["name"]: value["value"] for value in result["published"]}


def rows_of(case):
    with (STATISTICS / case / "data.csv").open(encoding="utf-8") as file:
        return list(csv.DictReader(file))


def second_order(points):
    """The second-order model's columns, written out."""
    k = points.shape[1]
    products = [points[:, i] * points[:, j] for i, j in itertools.combinations(range(k), 2)]
    return np.column_stack([np.ones(len(points)), points, points**2, *products])


def variances(points, at):
    """The variance of the fitted mean at some settings, in units of a weld's."""
    X, x = second_order(points), second_order(at)
    return np.einsum("ia,ia->i", x, np.linalg.solve(X.T @ X, x.T).T)


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


RUNS = printed("design_box_behnken")


@pytest.mark.parametrize("name", RUNS, ids=[f"{name} (memory)" for name in RUNS])
def test_box_behnken_has_the_runs_and_the_points_of_the_table(cube, name):
    k, n_centre = int(name[len("runs k=")]), int(name[name.index("n0=") + 3 : -1])
    runs = int(RUNS[name])
    plural = "s" if n_centre > 1 else ""
    found = {d.name: d.settings for d in classical_designs(cube(k, welds=runs), runs)}
    ours = found[f"Box-Behnken with {n_centre} centre run{plural}"]
    table = [[float(row[f"x{j + 1}"]) for j in range(k)] for row in rows_of("design_box_behnken") if row["k"] == str(k)]
    assert len(ours) == len(table) == runs
    assert sorted(map(tuple, ours)) == sorted(map(tuple, table))


def test_every_printed_number_of_runs_is_looked_at():
    assert [int(value) for value in RUNS.values()] == [15, 27, 46, 54, 62]


@pytest.mark.parametrize(
    ("k", "n_centre", "is_rotatable"), [(3, 3, False), (4, 3, True), (5, 6, False), (6, 6, False), (7, 6, True)]
)
def test_box_behnken_is_rotatable_for_four_and_seven_factors(k, n_centre, is_rotatable):
    # Box and Behnken 1960: "rotatable" of k = 4 and 7, the others nearly (from memory)
    rng = np.random.default_rng(1)
    at = rng.standard_normal((200, k))
    found = variances(
        np.vstack([box_behnken_points(k), np.zeros((n_centre, k))]), at / np.linalg.norm(at, axis=1)[:, None]
    )
    assert bool(np.ptp(found) < 1e-12) is is_rotatable


ALPHAS = {name: value for name, value in printed("design_ccd_alpha").items() if "alpha" in name}


def distance_of(name):
    """The distance that a line of the table asks for: ``rotatable alpha 2^(5-1)``, ``orthogonal alpha k=3 n0=1``."""
    if name.startswith("orthogonal"):
        k, n_centre = (int(piece.split("=")[1]) for piece in name.split()[-2:])
        return axial_distance(k, n_corners=2**k, n_centre=n_centre)
    k, _, less = name.split("^")[1].strip("()").partition("-")
    return axial_distance(int(k), n_corners=2 ** (int(k) - int(less or 0)))


@pytest.mark.parametrize("name", ALPHAS, ids=[f"{name} (memory)" for name in ALPHAS])
def test_axial_points_stand_where_the_table_says(name):
    assert f"{distance_of(name):.3f}" == ALPHAS[name]


def test_all_ten_printed_distances_are_looked_at():
    assert len(ALPHAS) == 10
    assert sum(name.startswith("orthogonal") for name in ALPHAS) == 3


def central_composite(k, length, n_centre):
    corners = np.array(list(itertools.product((-1.0, 1.0), repeat=k)))
    arms = length * np.vstack([np.eye(k), -np.eye(k)])
    return np.vstack([corners, arms, np.zeros((n_centre, k))])


@pytest.mark.parametrize(("k", "n_centre"), [(2, 5), (3, 6), (4, 7)])
def test_rotatable_composites_have_the_tables_prediction_variance(k, n_centre):
    points = central_composite(k, axial_distance(k, n_corners=2**k), n_centre)
    table = [row for row in rows_of("design_ccd_alpha") if row["k"] == str(k)]
    assert len(table) == 10
    for row in table:
        assert (int(row["n0"]), int(row["N"])) == (n_centre, len(points))
        along = np.eye(k)[0] if row["direction"] == "axis" else np.full(k, k**-0.5)
        (variance,) = variances(points, float(row["r"]) * along[None])
        assert len(points) * variance == pytest.approx(float(row["SPV"]), rel=1e-12)


@pytest.mark.parametrize(("k", "n_centre"), [(2, 1), (3, 1), (4, 1), (3, 4)])
def test_orthogonal_composites_have_squares_that_are_uncorrelated(k, n_centre):
    points = central_composite(k, axial_distance(k, n_corners=2**k, n_centre=n_centre), n_centre)
    squares = points**2 - (points**2).mean(axis=0)
    assert_allclose((squares.T @ squares)[~np.eye(k, dtype=bool)], 0.0, atol=1e-12)


def test_dials_that_can_be_set_finely_have_the_rotatable_composite_beside_the_face_centred(cube):
    found = {d.name: d.settings for d in classical_designs(cube(2, n_levels=201), 13)}
    points = found["rotatable central composite with 5 centre runs"]
    assert_allclose(np.abs(points[:4]), 0.71)  # 1 / sqrt(2), to the dial's hundredth
    assert sorted(map(tuple, points[4:8])) == [(-1, 0), (0, -1), (0, 1), (1, 0)]
    assert "orthogonal central composite with 5 centre runs" in found
    assert not any(
        "rotatable" in name or "orthogonal" in name for name in names(classical_designs(cube(2, n_levels=5), 13))
    )


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
