"""Studies and problems for the planning tests, built from the objects themselves: no study.toml is read."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from doe.coding import Coding, FactorCoding
from doe.planning.moments import region_moments
from doe.planning.problem import DesignProblem
from doe.study.model import Factor, Job, Limit, Machine, PlanWishes, Response, Study
from doe.terms import polynomial_terms

THREE, FIVE = np.array([-1.0, 0.0, 1.0]), np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
Builder = Callable[..., DesignProblem]
VOLTAGE = Factor("voltage", "voltage", "V", (17.0, 18.4, 19.6, 21.1, 22.3), ("1", "2", "3", "4", "5"), set_within=0.2)
FEED = Factor("feed", "feed", "m/min", tuple(np.arange(10, 19) / 2.0), is_continuous=True)
PREHEAT = Factor("preheat", "preheat", "degC", (20.0, 70.0, 120.0), hard_to_change=True)
BURN_BACK = Limit((("voltage", 1.0), ("feed", -0.9)), 15.0, "voltage - 0.9*feed <= 15", "burn-back")
JOB = Job(
    process="136",
    joint="lap fillet",
    thickness_mm=10.0,
    wire="1.0 mm gas-shielded cored",
    wire_diameter_mm=1.0,
    travel_speed_mm_s=5.0,
    weld_length_mm=150.0,
    inspected="faces, section",
)


@pytest.fixture
def hinge() -> Callable[..., Study]:
    """Make the hinge-lug study: five marks of voltage, nine steps of feed, three preheats held on a plate."""

    def make(*, limited: bool = True, **wishes: object) -> Study:
        wanted = {"welds": 18, "welds_per_plate": 2} | wishes
        return Study(
            title="Hinge lugs, 10 mm",
            factors=(VOLTAGE, FEED, PREHEAT),
            responses=(Response("penetration", "measure", "mm", at_least=1.2, expect_scatter=0.3),),
            limits=(BURN_BACK,) if limited else (),
            job=JOB,
            machine=Machine(0.8, 0.7, 30.0, 120.0),
            plan=PlanWishes(**wanted),  # type: ignore[arg-type]
            fingerprint="0123456789ab",
        )

    return make


@pytest.fixture
def cube() -> Callable[..., Study]:
    """Make a study of ``k`` plain factors from -1 to 1 at equally spaced levels."""

    def make(k: int, *, n_levels: int = 3, **wishes: object) -> Study:
        levels = tuple(float(v) for v in np.linspace(-1, 1, n_levels))
        factors = tuple(Factor(f"x{j + 1}", values=levels) for j in range(k))
        wanted = {"welds": 18, "repeats": 0} | wishes
        if "stages" not in wanted:
            wanted["stages"] = (wanted["welds"],)
        response = Response("y", "measure", "mm")
        return Study("cube", factors, (response,), plan=PlanWishes(**wanted))  # type: ignore[arg-type]

    return make


@pytest.fixture
def two_wires() -> Callable[..., Study]:
    """Make a study of two wires, the feed of each with its own range, and a limit on voltage and feed."""

    def make(**wishes: object) -> Study:
        steps = tuple(float(v) for v in np.arange(40, 91) / 10)
        feed = Factor(
            "feed",
            "feed",
            "m/min",
            steps,
            ranges=(("A", 5.0, 9.0), ("B", 4.0, 7.0)),
            range_by="wire",
            is_continuous=True,
        )
        wire = Factor("wire", kinds=("A", "B"))
        study = Study(
            "Two wires",
            (wire, replace(VOLTAGE, hard_to_change=False), feed),
            (Response("penetration", "measure", "mm", at_least=1.2),),
            limits=(BURN_BACK,),
            plan=PlanWishes(**({"welds": 20} | wishes)),  # type: ignore[arg-type]
        )
        return study

    return make


@pytest.fixture
def pose() -> Builder:
    """Pose a second-order problem in numeric factors, and kinds where asked for."""

    def make(*levels: np.ndarray, n: int, kinds: int = 0, order: str = "second order", **more: Any) -> DesignProblem:
        factors = [FactorCoding(f"x{j + 1}") for j in range(len(levels))]
        if kinds:
            factors.append(FactorCoding("wire", kinds=tuple("ABCDE"[:kinds])))
            levels = (*levels, np.arange(kinds, dtype=float))
        coding = Coding(tuple(factors))
        terms = polynomial_terms(coding, order)  # type: ignore[arg-type]
        limits = {key: more[key] for key in ("limit_matrix", "limit_bound") if key in more}
        return DesignProblem(coding, terms, levels, n, region_moments(coding, terms, **limits), **more)

    return make


@pytest.fixture
def everything(pose: Builder) -> DesignProblem:
    """Give plates of uneven size, one held factor, blocks, a position and a limit at once."""
    return pose(
        FIVE,
        np.array([-1.0, -0.7, -0.275, 0.275, 1.0]),
        THREE,
        n=17,
        limit_matrix=np.array([[1.0, 1.0, 0.0]]),
        limit_bound=np.array([1.0]),
        plate=np.repeat(np.arange(7), [3, 2, 2, 3, 2, 1, 4]),
        held=(False, False, True),
        plate_ratio=0.8,
        block=np.repeat([0, 1], [10, 7]),
        position=np.concatenate([[-0.5] + [0.5] * (m - 1) for m in (3, 2, 2, 3, 2, 1, 4)]),
    )
