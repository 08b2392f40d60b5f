"""After scrapped or missing welds: what is said, and when nothing is."""

from __future__ import annotations

import itertools
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from doe.bench.rescue import rescue
from doe.bench.results import Counts, Measurement, Passes, Results, Trips
from doe.study.model import Factor, PlanWishes, Response, Study

N = 12
STUDY = Study(
    "Lugs",
    factors=(
        Factor("voltage", "voltage", "V", (17.0, 19.6, 22.3), ("1", "3", "5")),
        Factor("feed", "feed", "m/min", (5.0, 7.0, 9.0), is_continuous=True),
    ),
    responses=(
        Response("penetration", "measure", "mm", at_least=1.2),
        Response("porosity", "count", at_most=2, per_mm=100.0),
        Response("trip", "trip", hold_s=30.0),
        Response("root fused", "pass"),
    ),
    plan=PlanWishes(welds=N),
    folder=Path(),
)


def results(
    *, status: Mapping[int, str] | None = None, blank: Mapping[str, tuple[int, ...]] | None = None, study: Study = STUDY
) -> Results:
    """Make twelve welds at nine settings, some scrapped or not run, some readings left out."""
    settings = np.array(
        [*itertools.product((17.0, 19.6, 22.3), (5.0, 7.0, 9.0)), (19.6, 7.0), (17.0, 9.0), (22.3, 5.0)]
    )
    said = dict.fromkeys(range(N), "done") | dict(status or {})
    gone = {i for i, word in said.items() if word in ("scrapped", "not run")}

    def column(name: str) -> np.ndarray:
        empty = {*(blank or {}).get(name, ()), *(gone if name != "trip" else {i for i in gone if said[i] == "not run"})}
        return np.array([np.nan if i in empty else 1.0 for i in range(N)])

    return Results(
        study,
        weld=tuple(f"W{i + 1:02d}" for i in range(N)),
        plate=tuple(f"P{i + 1:02d}" for i in range(N)),
        block=("",) * N,
        role=("plan",) * N,
        file=("results.csv",) * N,
        position=np.ones(N, dtype=int),
        order=np.arange(1, N + 1),
        row=np.arange(2, N + 2),
        planned=settings,
        settings=settings.copy(),
        status=tuple(said[i] for i in range(N)),
        readings={
            "penetration": Measurement(column("penetration")[:, None], np.full(N, np.inf)),
            "porosity": Counts(column("porosity"), np.full(N, 100.0)),
            "trip": Trips(column("trip"), np.full(N, 60.0)),
            "root fused": Passes(column("root fused")),
        },
    )


def test_nothing_lost_says_nothing():
    assert rescue(results()) == ()


def test_a_scrapped_weld_is_lost_for_all_but_its_trip():
    [found] = rescue(results(status={1: "scrapped"}))
    assert found.responses == ("penetration", "porosity", "root fused")
    assert found.lost == (1,)
    words = " ".join(found.words)
    assert "penetration and porosity and root fused: W02 of 12 welds came to nothing." in words
    assert "Every term of the second order model can still be told; bands are on average" in words
    assert "The one redo that helps most: W02 (voltage 1 (17 V), feed 7 m/min), one weld on a plate of its own" in words


def test_responses_that_lost_different_welds_are_told_apart():
    found = rescue(results(status={1: "scrapped"}, blank={"penetration": (4,)}))
    assert [part.responses for part in found] == [("penetration",), ("porosity", "root fused")]
    assert [part.lost for part in found] == [(1, 4), (1,)]


def test_welds_still_to_come_are_not_lost():
    coming = dict.fromkeys(range(8, 12), "not run")
    assert rescue(results(status=coming)) == ()
    [found] = rescue(results(status={2: "scrapped", **coming}))[:1]
    assert found.lost == (2,)
    assert found.to_come == 4
    assert "4 still to come" in found.words[0]


def test_a_weld_passed_over_is_lost():
    assert rescue(results(status={3: "not run"}))[0].lost == (3,)


def test_a_response_that_was_never_read_is_no_loss():
    assert rescue(results(blank={"penetration": tuple(range(N))})) == ()


def test_a_whole_level_lost_names_the_terms_and_the_redo_that_brings_them_back():
    middle = {i: "scrapped" for i in range(N) if results().settings[i, 0] == 19.6}
    [found, *_] = rescue(results(status=middle))
    words = " ".join(found.words)
    assert "voltage^2 cannot be told any more; a first order with products model can." in words
    assert "it brings back every term, with bands" in words
    assert found.to_dict()["lost_terms"] == ["voltage^2"]
    assert found.to_dict()["widening"] == float("inf")


def test_no_degree_of_freedom_left_is_said():
    lost = dict.fromkeys((2, 6, 9, 10, 11), "scrapped")
    [found, *_] = rescue(results(status={**lost, 1: "scrapped"}))
    assert found.loss is not None
    assert found.loss.residual_df == (6, 0)
    assert "No weld is left over to see the scatter" in " ".join(found.words)


def test_a_loss_that_hardly_shows_needs_no_redo():
    first = replace(STUDY, plan=PlanWishes(welds=N, model="first order"))
    [found, *_] = rescue(results(status={4: "scrapped"}, study=first))
    assert found.loss is not None
    # a weld in the middle tells a plane little beside its height: 1/12 becomes 1/11, the slopes stay
    assert 1.0 < found.loss.widening < 1.03
    assert found.words[-1] == "No redo is needed for it."
    assert found.to_dict()["redo"] is None


def test_too_few_welds_for_any_model_say_so():
    alike = results(status={1: "scrapped"})
    same = replace(alike, settings=np.repeat(alike.settings[:1], N, axis=0))
    [found, *_] = rescue(same)
    assert found.loss is None
    assert "could not tell a model by themselves" in found.words[1]
    assert found.redo is None


def test_the_answer_does_not_depend_on_the_order_of_the_rows():
    one = results(status={1: "scrapped", 5: "scrapped"})
    back = np.arange(N)[::-1]
    two = replace(
        one,
        **{name: tuple(getattr(one, name)[i] for i in back) for name in ("weld", "plate", "status")},
        **{name: getattr(one, name)[back] for name in ("order", "row", "planned", "settings")},
        readings={
            "penetration": Measurement(one.readings["penetration"].values[back], np.full(N, np.inf)),
            "porosity": Counts(one.readings["porosity"].counts[back], np.full(N, 100.0)),
            "trip": Trips(one.readings["trip"].tripped[back], np.full(N, 60.0)),
            "root fused": Passes(one.readings["root fused"].passed[back]),
        },
    )
    first, second = rescue(one)[0], rescue(two)[0]
    assert first.loss is not None
    assert second.loss is not None
    assert first.loss.widening == pytest.approx(second.loss.widening)
    assert {first.results.weld[r.weld] for r in first.loss.redos} == {
        second.results.weld[r.weld] for r in second.loss.redos
    }


def test_a_bead_beyond_the_plan_for_pores_alone_is_not_lost_for_the_rest():
    base = results(blank={"penetration": (3, 11)})
    extra = replace(base, role=("plan",) * 11 + ("",))
    (only,) = rescue(extra)
    assert (only.responses, only.lost, only.n_meant) == (("penetration",), (3,), 11)
    assert only.words[0] == "penetration: W04 of 11 welds came to nothing."
    assert rescue(replace(base, role=("",) * 12))[0].lost == (3, 11)  # without any plan every weld was meant
