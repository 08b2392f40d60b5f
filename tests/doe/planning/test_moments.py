"""Moments of the region: against calculus, Dirichlet's integrals and the tables of tests/reference/designs."""

from __future__ import annotations

import itertools
import json
import math
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import dblquad

from doe.coding import Coding, FactorCoding
from doe.errors import CannotAnswerError
from doe.planning.moments import _simplex_rule, region_moments
from doe.terms import Term, model_matrix, parse_term, polynomial_terms

DESIGNS = Path(__file__).parents[2] / "reference" / "designs"
CUT = [path.stem for path in sorted(DESIGNS.glob("c0[23]_*.json"))]


def numeric(k: int) -> Coding:
    return Coding(tuple(FactorCoding(f"x{j + 1}") for j in range(k)))


def entry(moments: np.ndarray, terms: tuple[Term, ...], first: str, second: str) -> float:
    names = [str(term) for term in terms]
    return float(moments[names.index(first), names.index(second)])


def test_a_box_has_the_textbook_moments():
    coding = numeric(3)
    terms = polynomial_terms(coding, "second order")
    W = region_moments(coding, terms)
    assert entry(W, terms, "constant", "x1^2") == pytest.approx(1 / 3)
    assert entry(W, terms, "x1^2", "x1^2") == pytest.approx(1 / 5)
    assert entry(W, terms, "x1^2", "x2^2") == pytest.approx(1 / 9)
    assert entry(W, terms, "x1*x2", "x1*x2") == pytest.approx(1 / 9)
    assert entry(W, terms, "x1", "x2") == pytest.approx(0, abs=1e-15)


def test_third_order_terms_reach_the_sixth_moment():
    coding = numeric(1)
    terms = (*parse_term("x1^3", coding), *parse_term("x1", coding))
    assert_allclose(region_moments(coding, terms), [[1 / 7, 1 / 5], [1 / 5, 1 / 3]])


def test_a_range_of_its_own_moves_the_moments():
    coding = numeric(1)
    W = region_moments(coding, polynomial_terms(coding, "first order"), bounds=[[-0.5, 1.5]])
    assert_allclose(W, [[1, 0.5], [0.5, 0.25 + 4 / 12]])


def test_kinds_are_equally_likely_and_sum_to_zero():
    coding = Coding((FactorCoding("wire", kinds=("A", "B", "C")),))
    W = region_moments(coding, polynomial_terms(coding, "first order"))
    assert_allclose(W, [[1, 0, 0], [0, 2 / 3, 1 / 3], [0, 1 / 3, 2 / 3]], atol=1e-15)


def test_a_cut_corner_agrees_with_calculus():
    coding = numeric(2)
    terms = polynomial_terms(coding, "second order")
    W = region_moments(coding, terms, limit_matrix=[[1, 1]], limit_bound=[0.8])
    # the cut-off triangle has legs of 1.2: area 0.72, centroid 0.6 along each axis
    assert entry(W, terms, "constant", "x1") == pytest.approx(-0.72 * 0.6 / (4 - 0.72), rel=1e-12)
    for powers in [(2, 0), (1, 1), (3, 1), (2, 2), (4, 0)]:
        a, b = powers
        whole, _ = dblquad(
            lambda y, x, a=a, b=b: x**a * y**b, -1, 1, -1, lambda x: min(1.0, 0.8 - x), epsabs=1e-11, epsrel=1e-11
        )
        pair = {(2, 0): ("x1", "x1"), (1, 1): ("x1", "x2"), (3, 1): ("x1^2", "x1*x2"), (2, 2): ("x1^2", "x2^2")}
        first, second = pair.get(powers, ("x1^2", "x1^2"))
        assert entry(W, terms, first, second) == pytest.approx(whole / 3.28, rel=1e-7)


def test_two_limits_in_three_factors_agree_with_random_points():
    coding = numeric(3)
    terms = polynomial_terms(coding, "second order")
    matrix, bound = np.array([[1.0, 1, 0], [-1, 0, 1]]), np.array([0.8, 1.2])
    W = region_moments(coding, terms, limit_matrix=matrix, limit_bound=bound)
    x = np.random.default_rng(1).uniform(-1, 1, (400_000, 3))
    x = x[(x @ matrix.T <= bound).all(axis=1)]
    F = model_matrix(terms, x, coding)
    # six standard errors of the random average
    spread = 6 * np.sqrt((F**2).T @ (F**2) / len(x) / len(x))
    assert (np.abs(W - F.T @ F / len(x)) <= spread + 1e-12).all()


def test_factors_in_no_limit_stay_apart():
    coding = numeric(3)
    terms = polynomial_terms(coding, "second order")
    W = region_moments(coding, terms, limit_matrix=[[1, 1, 0]], limit_bound=[0.8])
    plane = region_moments(
        numeric(2), polynomial_terms(numeric(2), "second order"), limit_matrix=[[1, 1]], limit_bound=[0.8]
    )
    flat = entry(plane, polynomial_terms(numeric(2), "second order"), "x1", "x2")
    assert entry(W, terms, "x1", "x2") == pytest.approx(flat)
    assert entry(W, terms, "x1*x3", "x2*x3") == pytest.approx(flat / 3)
    assert entry(W, terms, "x3", "x1") == pytest.approx(0, abs=1e-15)


@pytest.mark.parametrize("d", [1, 2, 3, 4])
def test_the_simplex_rule_gives_dirichlets_integrals(d: int):
    # integral of prod x_i^a_i over the simplex: prod a_i! / (d + sum a)! (Dirichlet; any handbook)
    points, weights = _simplex_rule(d, 4)
    assert weights.sum() == pytest.approx(1)
    for powers in itertools.product(range(4), repeat=d):
        if sum(powers) > 7:
            continue
        wanted = math.factorial(d) * math.prod(map(math.factorial, powers)) / math.factorial(d + sum(powers))
        assert weights @ (points ** np.array(powers)).prod(axis=1) == pytest.approx(wanted, rel=1e-12)


@pytest.mark.parametrize("name", CUT)
def test_midpoints_give_the_tables_of_the_problem_files(name: str):
    stated = json.loads((DESIGNS / f"{name}.json").read_text(encoding="utf-8"))
    coding = Coding(tuple(FactorCoding(f["name"]) for f in stated["factors"]))
    terms = tuple(t for text in stated["terms"] for t in parse_term("constant" if text == "1" else text, coding))
    limits = {
        "limit_matrix": [[c["coef"].get(n, 0) for n in coding.names] for c in stated["constraints"]],
        "limit_bound": [c["le"] for c in stated["constraints"]],
    }
    cells = int(stated["region"].split("midpoint grid, ")[1].split(" cells")[0])
    wanted = np.array(stated["moment_matrix"])
    assert_allclose(region_moments(coding, terms, cells=cells, **limits), wanted, atol=2e-13)
    # the exact moments differ by what the grid's ragged edge is worth, one part in the number of cells
    assert_allclose(region_moments(coding, terms, **limits), wanted, atol=1.0 / cells)


def test_limits_may_differ_by_kind():
    coding = Coding((FactorCoding("wire", kinds=("A", "B")), FactorCoding("feed")))
    terms = polynomial_terms(coding, "first order with products")
    matrix = [[[0, 1.0]], [[0, 1.0]]]
    W = region_moments(coding, terms, limit_matrix=matrix, limit_bound=[[0.0], [5.0]])
    # A feeds over (-1, 0), mean -1/2; B over (-1, 1), mean 0; contrast of A is 1, of B -1
    assert entry(W, terms, "constant", "feed") == pytest.approx(-0.25)
    assert entry(W, terms, "wire=A", "feed") == pytest.approx(-0.25)
    assert entry(W, terms, "wire=A", "wire=A") == pytest.approx(1)
    same = region_moments(coding, terms, limit_matrix=matrix, limit_bound=[[0.5], [0.5]])
    assert_allclose(same, region_moments(coding, terms, limit_matrix=[[0, 1.0]], limit_bound=[0.5]), atol=1e-14)


@pytest.mark.parametrize(
    ("matrix", "bound", "cells"),
    [
        ([[1.0, 1.0]], [-2.5], None),
        ([[1.0, 1.0]], [-2.5], 25),
        ([[1.0, 1.0], [-1.0, -1.0]], [0.0, 0.0], None),
        ([[0.0, 0.0]], [-1.0], None),
        ([[1.0, 0.0]], [-1.5], None),
        ([[1.0, 0.0]], [-1.5], 25),
    ],
)
def test_limits_that_leave_nothing_are_refused(matrix: list[list[float]], bound: list[float], cells: int | None):
    coding = numeric(2)
    with pytest.raises(CannotAnswerError, match="leave nothing of the region"):
        region_moments(
            coding, polynomial_terms(coding, "first order"), limit_matrix=matrix, limit_bound=bound, cells=cells
        )


def test_a_grid_too_large_is_named():
    coding = numeric(4)
    with pytest.raises(ValueError, match="too large"):
        region_moments(
            coding,
            polynomial_terms(coding, "first order"),
            limit_matrix=[[1, 1, 1, 1]],
            limit_bound=[2],
            cells=100,
        )
