"""The search: its rules, its effort, and small problems counted out."""

from __future__ import annotations

import csv
import itertools
import json
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from doe.coding import Coding, FactorCoding
from doe.planning import lockstep
from doe.planning.ceiling import ceiling
from doe.planning.exchange import FEWEST_STARTS, MOST_STARTS, Design, default_starts, search_design
from doe.planning.lockstep import prepare
from doe.planning.moments import region_moments
from doe.planning.problem import (
    Criterion,
    DesignProblem,
    allowed_settings,
    criterion_value,
    d_value,
    i_value,
    information_matrix,
)
from doe.planning.start import kick, random_designs
from doe.terms import model_matrix, parse_term, polynomial_terms

STATISTICS = Path(__file__).parents[2] / "reference" / "statistics"
THREE, FIVE = np.array([-1.0, 0.0, 1.0]), np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
UNEVEN = np.array([-1.0, -0.7, -0.275, 0.275, 1.0])
Builder = Callable[..., DesignProblem]


def search(problem: DesignProblem, criterion: Criterion = "I", *, seed: int = 1, starts: int = 32) -> Design:
    return search_design(problem, criterion=criterion, rng=np.random.default_rng(seed), starts=starts)


def rows_are_allowed(problem: DesignProblem, rows: np.ndarray) -> bool:
    listed = {tuple(row) for row in np.round(allowed_settings(problem), 9)}
    return all(tuple(row) in listed for row in np.round(rows[len(problem.given) :], 9))


def n_repeats(rows: np.ndarray) -> int:
    return len(rows) - len(np.unique(np.round(rows, 9), axis=0))


# ---------------------------------------------------------------- known answers


@pytest.mark.parametrize("n", [*range(6, 12), *(pytest.param(n, marks=pytest.mark.slow) for n in (12, 13))])
def test_two_factors_at_three_levels_are_found_exactly(pose: Builder, n: int):
    problem = pose(THREE, THREE, n=n)
    F = model_matrix(problem.terms, allowed_settings(problem), problem.coding)
    counts = np.array([np.bincount(c, minlength=9) for c in itertools.combinations_with_replacement(range(9), n)])
    best_i, best_d = np.inf, 0.0
    for some in np.array_split(counts, max(1, len(counts) // 20_000)):
        M = np.einsum("cj,ja,jb->cab", some.astype(float), F, F)
        determinant = np.linalg.det(M)
        sound = determinant > 1e-6
        best_d = max(best_d, float(determinant.max()))
        best_i = min(best_i, float(np.trace(np.linalg.solve(M[sound], problem.moments), axis1=1, axis2=2).min()))
    assert search(problem, "I", starts=64).value == pytest.approx(best_i, rel=1e-9)
    assert search(problem, "D", starts=64).value == pytest.approx(best_d ** (1 / 6) / n, rel=1e-9)


def test_the_largest_determinants_on_the_three_by_three_grid_are_those_of_the_tables(pose: Builder):
    # Atkinson, Donev and Tobias (2007), exact designs for two factors; values from memory, see the case's result.json
    with (STATISTICS / "design_dopt_k2_square" / "data.csv").open(encoding="utf-8") as file:
        table = {int(row["n"]): float(row["max_det_XtX"]) for row in csv.DictReader(file)}
    for n, determinant in table.items():
        design = search(pose(THREE, THREE, n=n), "D")
        assert (design.value * n) ** 6 == pytest.approx(determinant, rel=1e-9)


PUBLISHED = json.loads((STATISTICS / "design_dopt_k2_square" / "result.json").read_text(encoding="utf-8"))["published"]
EFFICIENCIES = {value["name"]: value["value"] for value in PUBLISHED if "D-efficiency" in value["name"]}


@pytest.mark.parametrize("name", EFFICIENCIES, ids=[f"{name} (memory)" for name in EFFICIENCIES])
def test_exact_designs_on_the_grid_have_the_published_efficiency(pose: Builder, name: str):
    # against the best possible weights of the square, which ``ceiling`` bounds
    n = int(re.findall(r"n=(\d+)", name)[0])
    problem = pose(THREE, THREE, n=n)
    efficiency = search(problem, "D").value / ceiling(pose(FIVE, FIVE, n=n), "D").bound
    digits = len(EFFICIENCIES[name].partition(".")[2])
    assert f"{efficiency:.{digits}f}" == EFFICIENCIES[name]


def test_all_four_printed_efficiencies_are_looked_at():
    assert sorted(EFFICIENCIES.values()) == ["0.8849", "0.9454", "0.9572", "0.974"]


def test_a_first_order_design_in_eight_welds_is_the_two_level_factorial(pose: Builder):
    problem = pose(FIVE, FIVE, FIVE, n=8, order="first order with products")
    rows = search(problem, "D").rows
    assert_allclose(information_matrix(problem, rows)[:4, :4], 8 * np.eye(4), atol=1e-9)
    assert np.abs(rows).min() == 1.0


def test_points_on_the_cut_of_a_limit_better_a_grid_that_misses_it(pose: Builder):
    cut = {"limit_matrix": np.array([[1.0, 1.0]]), "limit_bound": np.array([0.8])}
    points = np.array([[-0.2, 1.0], [1.0, -0.2], [0.3, 0.5], [0.5, 0.3], [0.8, 0.0], [0.0, 0.8]])
    plain = search(pose(FIVE, FIVE, n=10, **cut))
    problem = pose(FIVE, FIVE, n=10, extra_points=points, **cut)
    with_points = search(problem)
    assert with_points.value < 0.95 * plain.value
    assert rows_are_allowed(problem, with_points.rows)


# ---------------------------------------------------------------- rules


def test_every_rule_is_kept_at_once(everything: DesignProblem):
    problem = replace(everything, repeats=2)
    for criterion in ("I", "D", "compound"):
        design = search(problem, criterion)
        assert rows_are_allowed(problem, design.rows)
        assert n_repeats(design.rows) >= 2
        for plate in range(7):
            assert np.ptp(design.rows[problem.plate == plate, 2]) == 0
        assert design.value == pytest.approx(criterion_value(problem, design.rows, criterion))


@pytest.mark.parametrize("priced", [lockstep.PRICED_IN_FULL, 1_500])
def test_the_rules_hold_where_only_some_settings_are_priced(
    everything: DesignProblem, monkeypatch: pytest.MonkeyPatch, priced: int
):
    monkeypatch.setattr(lockstep, "PRICED_IN_FULL", priced)
    problem = replace(everything, repeats=2, extra_points=np.array([[0.3, 0.7, 0.0], [0.3, 0.7, 1.0]]))
    design = search(problem, starts=64)
    assert rows_are_allowed(problem, design.rows)
    assert n_repeats(design.rows) >= 2
    for plate in range(7):
        assert np.ptp(design.rows[problem.plate == plate, 2]) == 0


def test_one_factor_at_a_time_comes_near_to_pricing_everything(pose: Builder, monkeypatch: pytest.MonkeyPatch):
    problem = pose(FIVE, FIVE, FIVE, n=14)
    full = search(problem, starts=128).value
    monkeypatch.setattr(lockstep, "PRICED_IN_FULL", 3_000)
    assert not prepare(problem, "I", np.random.default_rng(0)).candidates.is_complete
    assert search(problem, starts=128).value <= full / 0.98


def test_a_listed_set_of_settings_replaces_levels_and_limits(pose: Builder, monkeypatch: pytest.MonkeyPatch):
    rng = np.random.default_rng(2)
    listed = np.unique(np.round(rng.uniform(-1, 1, (300, 2)), 2), axis=0)
    levels = tuple(np.unique(listed[:, j]) for j in range(2))
    problem = replace(pose(FIVE, FIVE, n=9), levels=levels, candidates=listed)
    assert rows_are_allowed(problem, search(problem).rows)
    monkeypatch.setattr(lockstep, "PRICED_IN_FULL", 2_000)
    design = search(problem)
    assert rows_are_allowed(problem, design.rows)


def test_a_grid_too_large_to_list_is_searched_all_the_same(pose: Builder):
    fine = np.round(np.linspace(-1, 1, 81), 9)
    problem = pose(fine, fine, fine, n=12, limit_matrix=np.array([[1.0, 1.0, 0.0]]), limit_bound=np.array([0.8]))
    design = search(problem, starts=8)
    assert (design.rows[:, :2].sum(axis=1) <= 0.8 + 1e-9).all()
    assert np.isfinite(design.value)


def test_given_welds_stay_first_and_their_plate_keeps_what_it_holds(pose: Builder):
    old = np.array([[-1.0, 1.0, 0.0], [0.3, 0.3, 1.0], [1.0, 1.0, 1.0]])
    problem = pose(
        FIVE,
        FIVE,
        THREE,
        n=15,
        given=old,
        plate=np.array([0, 1, 1, 0, 1, 2, 2, 3, 3, 4, 4, 5, 5, 6, 6]),
        held=(False, False, True),
        plate_ratio=1.0,
    )
    design = search(problem)
    assert_allclose(design.rows[:3], old)
    assert design.rows[3, 2] == 0.0
    assert design.rows[4, 2] == 1.0
    assert rows_are_allowed(problem, design.rows)


def test_a_design_that_is_given_whole_comes_back_as_it_is(pose: Builder):
    rows = search(pose(THREE, THREE, n=8)).rows
    design = search(pose(THREE, THREE, n=8, given=rows))
    assert_allclose(design.rows, rows)


def test_a_weld_alone_on_its_plate_may_hold_anything(pose: Builder):
    problem = pose(THREE, THREE, n=9, plate=np.arange(9), held=(False, True), plate_ratio=1.0)
    # every weld then carries both errors: the design is that of single welds, twice as uncertain
    assert search(problem).value == pytest.approx(2 * search(pose(THREE, THREE, n=9)).value, rel=1e-6)


def test_blocks_cost_little_and_are_balanced_against_the_terms(pose: Builder):
    free = search(pose(FIVE, FIVE, n=12), "I")
    blocked = search(pose(FIVE, FIVE, n=12, block=np.repeat([0, 1, 2], 4)), "I")
    assert free.value <= blocked.value <= 1.2 * free.value


def test_kinds_may_have_products_with_numeric_factors(pose: Builder):
    problem = pose(FIVE, FIVE, n=16, kinds=3)
    design = search(problem)
    assert set(np.unique(design.rows[:, 2])) == {0.0, 1.0, 2.0}
    assert np.isfinite(design.value)


def test_terms_of_any_power_are_taken(pose: Builder):
    problem = pose(UNEVEN, n=8)
    terms = (*problem.terms, *parse_term("x1^3", problem.coding), *parse_term("x1^4", problem.coding))
    problem = replace(problem, terms=terms, moments=region_moments(problem.coding, terms))
    # five coefficients on five levels: every level is welded
    assert len(np.unique(search(problem).rows)) == 5


def test_potential_terms_need_no_weld_of_their_own(pose: Builder):
    problem = pose(FIVE, FIVE, n=6)
    cubic = tuple(t for text in ("x1^3", "x2^3", "x1^2*x2", "x2^2*x1") for t in parse_term(text, problem.coding))
    terms = problem.terms + cubic
    precision = np.array([0.0] * 6 + [4.0] * 4)
    problem = replace(problem, terms=terms, moments=region_moments(problem.coding, terms), prior_precision=precision)
    design = search(problem)
    F = model_matrix(terms, design.rows, problem.coding)
    M = F.T @ F + np.diag(precision)
    assert design.value == pytest.approx(np.trace(problem.moments @ np.linalg.inv(M)), rel=1e-8)
    plain = search(replace(pose(FIVE, FIVE, n=6))).rows
    assert design.value <= i_value(problem, plain) + 1e-9


def test_the_compound_lies_between_its_parts(pose: Builder):
    problem = pose(FIVE, FIVE, FIVE, n=14)
    by_i, by_d, both = (search(problem, c, starts=64) for c in ("I", "D", "compound"))
    assert both.value >= max(criterion_value(problem, d.rows, "compound") for d in (by_i, by_d)) - 1e-9
    assert i_value(problem, both.rows) <= i_value(problem, by_d.rows) + 1e-9
    assert d_value(problem, both.rows) >= d_value(problem, by_i.rows) - 1e-9


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), extra=st.integers(0, 3), repeats=st.integers(0, 3))
def test_kicks_keep_plates_limits_and_repeats(seed: int, extra: int, repeats: int):
    coding = Coding((FactorCoding("x1"), FactorCoding("x2"), FactorCoding("x3")))
    terms = polynomial_terms(coding, "first order")
    n = 10 + extra
    problem = DesignProblem(
        coding,
        terms,
        (FIVE, UNEVEN, THREE),
        n,
        region_moments(coding, terms),
        limit_matrix=np.array([[1.0, 0.0, 1.0]]),
        limit_bound=np.array([1.2]),
        plate=np.sort(np.arange(n) % 4),
        held=(False, False, True),
        plate_ratio=1.0,
        repeats=repeats,
    )
    rng = np.random.default_rng(seed)
    walk = prepare(problem, "I", rng)
    rows = random_designs(walk, 6, rng)
    for _ in range(3):
        rows = kick(walk, rows, rng)
        for design in rows:
            assert rows_are_allowed(problem, design)
            assert n_repeats(design) >= repeats
            for plate in range(4):
                assert np.ptp(design[problem.plate == plate, 2]) == 0


@settings(max_examples=20, deadline=None)
@given(seed=st.integers(0, 10_000))
def test_one_more_given_weld_never_raises_the_average_variance(seed: int):
    rng = np.random.default_rng(seed)
    coding = Coding((FactorCoding("x1"), FactorCoding("x2")))
    terms = polynomial_terms(coding, "second order")
    rows = rng.uniform(-1, 1, (9, 2))
    moments = region_moments(coding, terms)
    values = [i_value(DesignProblem(coding, terms, (FIVE, FIVE), n, moments), rows[:n]) for n in (7, 8, 9)]
    assert values[0] >= values[1] - 1e-9
    assert values[1] >= values[2] - 1e-9


# ---------------------------------------------------------------- effort


def test_progress_is_told_and_the_same_seed_gives_the_same_design(pose: Builder):
    problem, told = pose(FIVE, FIVE, n=9), []
    first = search_design(
        problem,
        criterion="I",
        rng=np.random.default_rng(5),
        starts=200,
        progress=lambda done, all_: told.append((done, all_)),
    )
    assert told[-1] == (200, 200)
    assert [done for done, _ in told] == sorted(done for done, _ in told)
    second = search(problem, seed=5, starts=200)
    assert (first.rows == second.rows).all()
    assert (first.criterion, first.starts) == ("I", 200)


def test_the_default_effort_depends_on_the_problem_alone(pose: Builder):
    small, large = pose(THREE, THREE, n=6), pose(*[FIVE] * 5, n=40)
    assert default_starts(small) == MOST_STARTS
    assert FEWEST_STARTS <= default_starts(large) < default_starts(pose(*[FIVE] * 4, n=20)) < MOST_STARTS
    plates = pose(FIVE, FIVE, n=12, plate=np.repeat(np.arange(6), 2), held=(True, False), plate_ratio=1.0)
    assert default_starts(replace(plates, repeats=3)) < default_starts(plates) < default_starts(pose(FIVE, FIVE, n=12))
    assert default_starts(large, "D") > default_starts(large, "I")
