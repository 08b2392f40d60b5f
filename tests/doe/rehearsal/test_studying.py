from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from doe.errors import CannotAnswerError
from doe.rehearsal import INFORMED, KNOWLEDGE, NOTHING_KNOWN, TRUTHS, Setup
from doe.rehearsal import studying as studying_module
from doe.rehearsal.studying import PlanShelf, run_study, seeds_of
from doe.study.model import Study


def run(study: Study, shelf, truth: str, *, stages=(18,), known=INFORMED, number=0):
    setup = Setup(study, TRUTHS[truth], known, stages)
    return run_study(setup, shelf.plan(setup, number), number, seed=1)


def test_one_study_is_recorded_with_its_truth_and_its_bands(hinge: Study, shelf):
    (record,) = run(hinge, shelf, "no pores")
    assert (record.knowledge, record.truth, record.stages, record.welds) == ("informed", "no pores", "18", 18)
    assert record.found
    assert 0 < record.share < 0.5
    assert 0 < record.claimed_share <= record.box_share <= 1.0
    assert record.good_share == pytest.approx(0.69, abs=0.03)
    assert record.true_window
    assert record.wrong == (record.lowest_true < 0.9)
    assert record.confidence >= 0.9
    assert 0.4 < record.point_measure <= 1.0
    assert record.all_measure in {0.0, 1.0}
    assert 0.8 < record.weld_measure < 1.0
    assert record.point_count == 0.0  # a truth of no pores lies below every two-sided band
    assert record.refused == ""
    assert record.seconds > 0


def test_the_same_seed_gives_the_same_study(hinge: Study, shelf):
    first, second = (run(hinge, shelf, "family: smooth", number=3)[0] for _ in range(2))
    assert repr(replace(first, seconds=0.0)) == repr(replace(second, seconds=0.0))


def test_a_staged_study_is_recorded_stage_by_stage(hinge: Study, shelf):
    records = run(hinge, shelf, "hinge lugs", stages=(12, 4))
    assert [(r.stage, r.welds, r.stages) for r in records] == [(1, 12, "12+4"), (2, 16, "12+4")]
    assert math.isnan(records[0].point_measure)
    assert records[1].point_measure > 0.3
    assert [r.is_last for r in records] == [False, True]


def test_warm_welds_and_days_are_welded_as_such(hinge: Study, shelf):
    for truth in ("warm second sides", "days differ"):
        (record,) = run(hinge, shelf, truth)
        assert record.refused == ""


def test_nothing_is_found_where_there_is_nothing(hinge: Study, shelf):
    (record,) = run(hinge, shelf, "no window", known=NOTHING_KNOWN)
    assert not record.found
    assert record.good_share == 0.0
    assert math.isnan(record.box_share)
    assert not record.true_window


def test_what_cannot_be_answered_is_recorded_and_ends_the_study(hinge: Study, shelf, monkeypatch):
    def refuse(*_args, **_more):
        raise CannotAnswerError("too little was read")

    monkeypatch.setattr(studying_module, "find_window", refuse)
    (record,) = run(hinge, shelf, "hinge lugs", stages=(12, 4))
    assert record.refused == "too little was read"
    assert record.is_last
    assert not record.found


def test_every_setup_meets_the_same_welders_and_rolls_its_own_dice(hinge: Study):
    truth = TRUTHS["family: bent"]
    setups = [Setup(hinge, truth, k, s) for k, s in ((INFORMED, (12,)), (INFORMED, (18,)), (NOTHING_KNOWN, (12,)))]
    seeds = [seeds_of(setup, 5, seed=1) for setup in setups]
    assert len({s.truth for s in seeds}) == 1
    assert len({s.weld for s in seeds}) == 3
    assert len({seeds_of(setups[0], k, seed=s).truth for k in range(20) for s in (1, 2)}) == 40
    one = seeds[0]
    assert len({one.truth, one.weld, one.fit, one.window, one.cover}) == 5


def test_a_plan_is_made_once_and_serves_every_truth_and_knowledge(hinge: Study):
    shelf = PlanShelf(starts=2)
    plans = [
        shelf.plan(Setup(hinge, TRUTHS[truth], known, (12,)), number)
        for truth, known, number in (("hinge lugs", INFORMED, 0), ("drift", NOTHING_KNOWN, 4), ("drift", INFORMED, 1))
    ]
    assert plans[0].welds is plans[1].welds
    assert plans[1].study.supply.breaker_a is None
    assert plans[0].study.supply.breaker_a == 16.0
    assert plans[2].welds is not plans[0].welds
    assert np.ptp([len(p.welds) for p in plans]) == 0


def test_second_beads_have_plans_of_their_own_on_the_shelf(hinge: Study):
    shelf, truth = PlanShelf(starts=2), TRUTHS["hinge lugs"]
    alone, both = (
        shelf.plan(Setup(hinge, truth, known, (12,)), 0) for known in (INFORMED, KNOWLEDGE["informed, second beads"])
    )
    assert (len(alone.welds), len(both.welds), len(both.designed)) == (12, 24, 12)
    assert [w.settings for w in both.designed] == [w.settings for w in alone.welds]


@pytest.mark.parametrize("stages", [(18,), (8, 6)])
def test_a_study_with_second_beads_counts_its_welds_without_them(hinge: Study, stages: tuple[int, ...]):
    shelf = PlanShelf(starts=2)
    known = KNOWLEDGE["informed, second beads"]
    records = run(hinge, shelf, "hinge lugs", stages=stages, known=known)
    assert [r.welds for r in records] == [sum(stages[: i + 1]) for i in range(len(stages))]
    assert all(r.refused == "" for r in records)
    assert records[-1].knowledge == "informed, second beads"
    assert records[-1].point_count > 0.3
