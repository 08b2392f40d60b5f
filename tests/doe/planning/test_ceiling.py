"""The ceiling: published optima, the equivalence theorem, certified bounds from elsewhere, and designs counted out."""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.coding import Coding, FactorCoding
from doe.errors import CannotAnswerError
from doe.planning import candidates, whole_plates
from doe.planning import ceiling as ceiling_module
from doe.planning.ceiling import ceiling
from doe.planning.exchange import search_design
from doe.planning.moments import region_moments
from doe.planning.problem import DesignProblem, allowed_settings, criterion_value, d_value, i_value
from doe.terms import model_matrix, parse_term, polynomial_terms

REFERENCE = Path(__file__).parents[2] / "reference"
BEST = json.loads((REFERENCE / "designs" / "best.json").read_text(encoding="utf-8"))["problems"]
TWO, THREE, FIVE = np.array([-1.0, 1.0]), np.array([-1.0, 0.0, 1.0]), np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
Builder = Callable[..., DesignProblem]


def read_problem(name: str) -> DesignProblem:
    """Read a problem of tests/reference/designs."""
    stated = json.loads((REFERENCE / "designs" / f"{name}.json").read_text(encoding="utf-8"))
    factors = stated["factors"]
    coding = Coding(tuple(FactorCoding(f["name"], kinds=tuple(f.get("categories", ()))) for f in factors))
    terms = []
    for text in stated["terms"]:
        pieces = ["constant"] if text == "1" else text.split("*")
        for j, piece in enumerate(pieces):
            if "[" in piece:
                kind_name, index = piece[:-1].split("[")
                pieces[j] = f"{kind_name}={coding[kind_name].kinds[int(index)]}"
        terms += parse_term("*".join(pieces), coding)
    more: dict[str, Any] = {"given": np.array(stated.get("given", []), dtype=float)}
    if stated.get("constraints"):
        more["limit_matrix"] = np.array([[c["coef"].get(n, 0.0) for n in coding.names] for c in stated["constraints"]])
        more["limit_bound"] = np.array([c["le"] for c in stated["constraints"]], dtype=float)
    if plots := stated.get("whole_plots"):
        more["plate"] = np.repeat(np.arange(len(plots["sizes"])), plots["sizes"])
        more["held"] = tuple(n in plots["factors"] for n in coding.names)
        more["plate_ratio"] = plots["eta"]
    levels = tuple(np.array(f.get("levels", range(len(f.get("categories", ())))), dtype=float) for f in factors)
    return DesignProblem(coding, tuple(terms), levels, stated["n"], np.array(stated["moment_matrix"]), **more)


@pytest.mark.parametrize("criterion", ["I", "D"])
@pytest.mark.parametrize("name", sorted(BEST))
def test_the_bounds_certified_elsewhere_are_met(name: str, criterion: str):
    found = ceiling(read_problem(name), criterion)  # type: ignore[arg-type]
    # both bounds are certified to their gaps, so they may differ by the gaps' sum
    assert found.bound == pytest.approx(BEST[name][f"{criterion}_bound"], rel=found.gap + 2e-4)
    assert 0 <= found.gap < 5e-4 or found.gap == pytest.approx(0, abs=1e-12)


def test_two_factors_reach_the_published_weights():
    # Kiefer (1961), Atkinson, Donev and Tobias (2007): weights 0.1458 corners, 0.0802 mid-edges, 0.0962 centre;
    # values from memory, see the case's result.json
    case = json.loads((REFERENCE / "statistics" / "design_dopt_k2_square" / "result.json").read_text(encoding="utf-8"))
    weights = {
        p["name"].rsplit(" ", 1)[-1]: float(p["value"]) for p in case["published"] if p["name"].startswith("cont")
    }
    assert weights == {"corner": 0.1458, "midpoint": 0.0802, "centre": 0.0962}
    coding = Coding((FactorCoding("x1"), FactorCoding("x2")))
    terms = polynomial_terms(coding, "second order")
    problem = DesignProblem(coding, terms, (FIVE, FIVE), 9, region_moments(coding, terms))
    points = np.array(list(itertools.product(THREE, repeat=2)))
    by_edges = np.array([weights["centre"], weights["midpoint"], weights["corner"]])
    w = by_edges[np.abs(points).sum(axis=1).astype(int)]
    F = model_matrix(terms, points, coding)
    M = F.T @ (w[:, None] * F)
    found = ceiling(problem, "D")
    # the weights are printed to four digits
    assert found.bound == pytest.approx(np.linalg.det(M) ** (1 / 6), rel=2e-4)
    grid = model_matrix(terms, np.array(list(itertools.product(FIVE, repeat=2))), coding)
    variance = np.einsum("ia,ab,ib->i", grid, np.linalg.inv(M), grid)
    # the equivalence theorem: at the optimum no variance exceeds the number of terms
    assert variance.max() == pytest.approx(6, rel=1e-3)


def test_a_straight_line_is_best_known_from_its_ends(pose: Builder):
    # all weight on the ends: det(M)^(1/2) = 1; average variance (1 + 1/3) / n (any textbook)
    problem = pose(FIVE, n=8, order="first order")
    assert ceiling(problem, "D").bound == pytest.approx(1.0, rel=1e-4)
    assert ceiling(problem, "I").bound == pytest.approx((4 / 3) / 8, rel=1e-4)


def every_plate_design(problem: DesignProblem) -> list[np.ndarray]:
    """List every design of two plates of two welds, held factor first."""
    settings = allowed_settings(problem)
    plates = [
        np.array(pair) for pair in itertools.combinations_with_replacement(settings, 2) if pair[0][0] == pair[1][0]
    ]
    return [np.vstack(two) for two in itertools.combinations_with_replacement(plates, 2)]


@pytest.mark.parametrize("criterion", ["I", "D", "compound"])
def test_no_design_of_whole_plates_beats_the_bound(pose: Builder, criterion: str, monkeypatch: pytest.MonkeyPatch):
    problem = pose(
        THREE, THREE, n=4, order="first order", plate=np.array([0, 0, 1, 1]), held=(True, False), plate_ratio=1.5
    )
    values = [criterion_value(problem, rows, criterion) for rows in every_plate_design(problem)]  # type: ignore[arg-type]
    whole = ceiling(problem, criterion)  # type: ignore[arg-type]
    assert "whole plates" in whole.bound_kind
    monkeypatch.setattr(whole_plates, "MOST_PLATES", 0)
    divisible = ceiling(problem, criterion)  # type: ignore[arg-type]
    assert "divisible" in divisible.bound_kind
    # the two-level factorial is best here, so the bound is met by a real design
    if criterion == "I":
        assert divisible.bound * (1 - 1e-3) <= whole.bound <= min(values) * (1 + 1e-9)
        assert whole.bound == pytest.approx(min(values), rel=1e-3)
    else:
        assert divisible.bound * (1 + 1e-3) >= whole.bound >= max(values) * (1 - 1e-9)
        assert whole.bound == pytest.approx(max(values), rel=1e-3)


def test_divisible_plates_bound_what_whole_ones_reach(monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(whole_plates, "MOST_PLATES", 0)
    problem = read_problem("c08_k3_split4x4_L5")
    best = BEST["c08_k3_split4x4_L5"]
    found = ceiling(problem, "I")
    assert 0.95 * best["I_bound"] < found.bound < best["I_bound"]
    assert best["D_bound"] < ceiling(problem, "D").bound < 1.05 * best["D_bound"]


PLACES = {
    "blocks": {"block": np.repeat([0, 1], [7, 5])},
    "plates and position": {
        "plate": np.repeat(np.arange(6), 2),
        "held": (True, False),
        "plate_ratio": 1.0,
        "position": np.tile([-0.5, 0.5], 6),
    },
    "plates across blocks": {
        "plate": np.repeat(np.arange(4), 3),
        "held": (False, True),
        "plate_ratio": 0.5,
        "block": np.repeat([0, 1], 6),
    },
    "single plates": {"plate": np.arange(12), "held": (True, False), "plate_ratio": 2.0},
    "given": {"given": np.array([[0.0, 0.3], [1.0, 1.0]])},
    "a plate given whole": {
        "given": np.array([[0.0, 0.3], [0.0, -1.0]]),
        "plate": np.repeat(np.arange(6), 2),
        "held": (True, False),
        "plate_ratio": 1.0,
    },
    "a plate begun": {
        "given": np.array([[0.0, 0.3]]),
        "plate": np.repeat(np.arange(6), 2),
        "held": (True, False),
        "plate_ratio": 1.0,
    },
    "potential terms": {"prior_precision": np.array([0.0, 0, 0, 0, 2, 2])},
    "repeats": {"repeats": 4},
    "a limit": {"limit_matrix": np.array([[1.0, 1.0]]), "limit_bound": np.array([0.8])},
}


@pytest.mark.parametrize("criterion", ["I", "D"])
@pytest.mark.parametrize("place", PLACES)
def test_the_search_stays_under_the_ceiling_wherever_welds_stand(pose: Builder, place: str, criterion: str):
    problem = pose(FIVE, FIVE, n=12, **PLACES[place])
    found = ceiling(problem, criterion)  # type: ignore[arg-type]
    rows = search_design(problem, criterion=criterion, rng=np.random.default_rng(1), starts=64).rows  # type: ignore[arg-type]
    efficiency = found.bound / i_value(problem, rows) if criterion == "I" else d_value(problem, rows) / found.bound
    assert 0.7 < efficiency <= 1 + 1e-9
    assert ("begun" in found.bound_kind) == (place == "a plate begun")
    assert ("plates" in found.bound_kind) == ("plate" in place and place != "single plates")


def test_welds_with_a_plate_each_are_single_welds_with_a_larger_scatter(pose: Builder):
    single = ceiling(pose(FIVE, FIVE, n=12), "I").bound
    plates = pose(FIVE, FIVE, n=12, **PLACES["single plates"])
    assert ceiling(plates, "I").bound == pytest.approx(3 * single, rel=1e-6)


def test_the_bound_falls_with_the_number_of_welds(pose: Builder):
    problem = pose(FIVE, FIVE, n=8)
    assert ceiling(replace(problem, n_welds=16), "I").bound == pytest.approx(ceiling(problem, "I").bound / 2, rel=1e-9)
    assert ceiling(replace(problem, n_welds=16), "D").bound == pytest.approx(ceiling(problem, "D").bound, rel=1e-9)


def test_a_sample_of_the_settings_is_said_to_be_one(pose: Builder, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr(candidates, "LISTABLE", 20)
    monkeypatch.setattr(ceiling_module, "LISTABLE", 20)
    found = ceiling(pose(FIVE, FIVE, n=8), "I")
    assert found.bound_kind.endswith("not certified")


def test_the_compound_bound_puts_both_together(pose: Builder):
    problem = pose(FIVE, FIVE, n=8)
    both = ceiling(problem, "compound")
    assert both.bound == pytest.approx(math.sqrt(ceiling(problem, "D").bound / ceiling(problem, "I").bound))
    assert 0 < both.gap < 1e-3


@pytest.mark.parametrize("shared", [False, True])
def test_levels_that_cannot_support_the_model_are_refused(pose: Builder, shared: bool):
    plates = {"plate": np.repeat(np.arange(6), 2), "held": (True, False), "plate_ratio": 1.0} if shared else {}
    with pytest.raises(CannotAnswerError, match="cannot support the model"):
        ceiling(pose(FIVE, TWO, n=12, **plates), "I")


def test_every_plate_that_could_be_made_is_listed_once():
    filling = whole_plates.Filling(1, np.array([[-0.5], [0.5]]), np.array([1.0, 2.0]), taken=0.25)
    plates = whole_plates._plates_of(filling, 3, 6)
    # three settings for the first weld, six pairs for the two later ones
    assert len(plates) == 18 == whole_plates._count(filling, np.array([3]))
    assert plates.min() == 3
    assert plates.max() == 5
    assert_allclose(np.unique(plates, axis=0), plates)
