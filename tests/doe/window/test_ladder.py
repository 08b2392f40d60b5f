"""How thick can this machine go: the climb, what is refused, and what is said."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from doe.errors import StudyError
from doe.study.model import Claim, Job, PlanWishes, Response, Supply
from doe.window import climb_ladder
from doe.window.ladder_words import ladder_sentences, thickness_words

CLAIMED, UNSURE, BAD = 2.0, 1.42, 0.6
"""Tops of a hill of depth over a requirement of 1.0: plainly enough, hardly, and far too little."""


def rung(bench, thickness, top, **changes):
    study = bench.study(plan=PlanWishes(24))
    job = Job(joint="lap fillet", thickness_mm=thickness, **changes.pop("job", {}))
    study = replace(study, title=f"lugs {thickness} mm", job=job, **changes)
    model = bench.hill(study, top=top, drop=0.6, unsure=0.06)
    return bench.fit(study, {"penetration": model})


def test_the_ladder_is_climbed_from_the_thinnest_up_in_whatever_order_it_is_given(bench):
    fits = [rung(bench, 10.0, BAD), rung(bench, 6.0, CLAIMED), rung(bench, 8.0, CLAIMED)]
    ladder = climb_ladder(fits, seed=1)
    assert [rung.thickness_mm for rung in ladder.rungs] == [6.0, 8.0, 10.0]
    assert [rung.is_reached for rung in ladder.rungs] == [True, True, False]
    assert (ladder.reached.thickness_mm, ladder.stopped_at.thickness_mm) == (8.0, 10.0)
    assert climb_ladder(fits[::-1], seed=1).to_dict() == ladder.to_dict()
    first, *rest = ladder_sentences(ladder)
    assert first.startswith("How thick: as far as 8 mm.")
    assert "on each of 6 mm, 8 mm" in first
    assert "90 % sure of all of them together" in first
    assert any("10 mm (4 welds): nothing can be claimed; the data speak against" in line for line in rest)
    assert any("It ends between 8 mm and 10 mm" in line for line in rest)
    assert any("no line is drawn through thicknesses" in line for line in rest)


def test_a_rung_above_one_that_failed_does_not_count(bench):
    ladder = climb_ladder([rung(bench, 6.0, CLAIMED), rung(bench, 8.0, BAD), rung(bench, 10.0, CLAIMED)], seed=1)
    assert ladder.reached.thickness_mm == 6.0
    assert ladder.rungs[2].window.found
    assert not ladder.rungs[2].is_reached
    words = " ".join(ladder_sentences(ladder))
    assert "It does not count: a thinner one could not be claimed." in words
    assert "Settings are claimed there" in words
    answer = ladder.to_dict()
    assert (answer["reached_mm"], answer["stopped_at_mm"]) == (6.0, 8.0)
    assert [r["found"] for r in answer["rungs"]] == [True, False, True]
    assert answer["rungs"][1]["reason"] == "data speak against"
    assert answer["rungs"][0]["best"]["voltage"] == pytest.approx(20.0, abs=2.0)


def test_what_is_not_excluded_is_not_called_the_end(bench):
    ladder = climb_ladder([rung(bench, 6.0, CLAIMED), rung(bench, 8.0, UNSURE)], seed=1)
    assert ladder.stopped_at.window.answer.nearest.reason == "cannot say yet"
    words = " ".join(ladder_sentences(ladder))
    assert "8 mm is not excluded" in words
    assert "It ends" not in words


def test_nothing_is_said_beyond_the_thickest(bench):
    ladder = climb_ladder([rung(bench, 6.0, CLAIMED), rung(bench, 8.0, CLAIMED)], seed=1)
    assert ladder.stopped_at is None
    assert "Thicker than 8 mm nothing was welded" in " ".join(ladder_sentences(ladder))


def test_a_thinnest_plate_that_fails_is_said_first(bench):
    ladder = climb_ladder([rung(bench, 6.0, BAD), rung(bench, 8.0, BAD)], seed=1)
    assert ladder.reached is None
    first, *_ = ladder_sentences(ladder)
    assert first == "How thick: not even 6 mm, the thinnest, can be claimed."
    assert "A thinner plate, or another requirement" in " ".join(ladder_sentences(ladder))


def test_thicknesses_are_told_in_the_study_s_units(bench):
    assert thickness_words(bench.study(), 9.525) == "9.525 mm"
    assert thickness_words(replace(bench.study(), units="us"), 9.525) == "0.375 in"


def test_studies_of_different_jobs_supplies_and_claims_are_refused_at_once(bench):
    fits = [
        rung(bench, 6.0, CLAIMED, job={"wire": "1.0 mm"}, supply=Supply(230.0, 16.0)),
        rung(bench, 8.0, CLAIMED, job={"wire": "1.2 mm"}, supply=Supply(230.0, 20.0), claim=Claim(0.8, 0.9)),
        rung(bench, 8.0, CLAIMED, supply=Supply(230.0, 16.0)),
    ]
    fits.append(replace(fits[0], results=replace(fits[0].results, study=replace(fits[0].results.study, job=Job()))))
    with pytest.raises(StudyError, match="no ladder of thicknesses") as caught:
        climb_ladder(fits, seed=1)
    keys = [fault.key for fault in caught.value.faults]
    assert keys.count("job.thickness") == 2  # one twice, one not stated
    assert {"job.wire", "supply.breaker", "claim.reliability"} <= set(keys)
    with pytest.raises(StudyError, match="no ladder") as caught:
        climb_ladder(fits[:1], seed=1)
    assert "at least two thicknesses" in caught.value.faults[0].message


def test_other_requirements_and_what_is_not_stated_are_told(bench):
    deeper = (Response("penetration", "measure", "mm", at_least=1.2),)
    ladder = climb_ladder([rung(bench, 6.0, CLAIMED), rung(bench, 8.0, CLAIMED, responses=deeper)], seed=1)
    words = " ".join(ladder.notes)
    assert "Not every thickness must meet the same" in words
    assert "job.wire" in words
    assert "supply" in words


@pytest.mark.slow
def test_the_rungs_reached_are_wrong_together_no_more_often_than_one_alone(bench):
    """Three rungs, each truly just short: any of them is reached in at most 1 - C of ladders (binomial error 2 %).

    The posterior of each rung's depth is that of a flat prior after one reading of known error, so that a claim holds
    with exactly its confidence (a pivot; textbook).
    """
    error, n = 0.1, 200
    study = bench.study(plan=PlanWishes(24))
    just = 1.0 + 0.3 * 1.2816 - 1e-6  # the depth at which 90 % of welds meet 1.0, scatter 0.3
    wrong = 0
    for i in range(n):
        rng = np.random.default_rng([5, i])
        fits = []
        for thickness in (6.0, 8.0, 10.0):
            job = Job(joint="lap fillet", thickness_mm=thickness)
            own = replace(study, title=str(thickness), job=job)
            model = bench.hill(own, top=just + rng.normal(0.0, error), drop=0.0, unsure=1e-9)
            model = replace(model, covariance=model.covariance + np.diag([error**2, *[0.0] * 4]))
            fits.append(bench.fit(own, {"penetration": model}))
        wrong += climb_ladder(fits, seed=i).reached is not None
    assert wrong / n < 0.10 + 2.5 * np.sqrt(0.09 / n)
