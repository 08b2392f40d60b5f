from __future__ import annotations

from dataclasses import replace

import pytest

from doe.errors import CannotAnswerError, DoeError
from doe.planning.afford import Budget, afford, least_welds, read_budget, resized
from doe.planning.budget import CLAMP_MIN, SET_UP_MIN, plan_cost
from doe.planning.making import plan_welds
from doe.planning.staging import stages
from doe.study.model import Blocks


@pytest.mark.parametrize(
    ("text", "kind", "amount"),
    [("90 min", "minutes", 90), ("2 h", "minutes", 120), ("12 plates", "plates", 12), ("1 Weld", "welds", 1)],
)
def test_a_budget_is_minutes_plates_or_welds(text, kind, amount):
    budget = read_budget(text)
    assert (budget.kind, budget.amount) == (kind, pytest.approx(amount))


@pytest.mark.parametrize("text", ["90", "12 mm", "plates", "-5 min", "0 min", "1.5 plates", "", "twelve plates"])
def test_what_is_no_budget_is_refused_with_examples(text):
    with pytest.raises(DoeError, match=r"is not a budget; write minutes, plates or welds: “90 min”"):
        read_budget(text)


def test_plates_are_filled(hinge):
    # 10 terms; two welds a plate: 12 plates carry 24 welds, and 13 would be one too many for 24
    found = afford(hinge(), read_budget("12 plates"), seed=1)
    assert found.study.plan.welds == 24
    assert found.plates == 12
    assert "12 plates: enough for 24 welds on 12 plates" in found.words()[0]
    assert "study.toml asks for 18 welds and stays so; to keep it set welds = 24" in found.words()[1]


def test_a_stage_begins_on_new_plates(cube):
    # three welds a plate: 8 welds first take 3 plates, so 5 plates leave 2 for the others: 8 + 6, not 15
    study = cube(2, welds=16, stages=(8, 8), welds_per_plate=3)
    found = afford(study, read_budget("5 plates"), seed=1)
    assert found.study.plan.welds == 14
    assert stages(found.study) == (8, 6)
    assert found.to_dict() == {"budget": "5 plates", "welds": 14, "stages": [8, 6], "plates": 5, "at_most": None}


def test_welds_are_taken_as_they_are_and_the_rule_for_stages_applies_again(hinge):
    found = afford(hinge(stages=(18,)), read_budget("12 welds"), seed=1)
    assert found.study.plan.welds == 12
    assert stages(found.study) == (8, 4)


def test_stages_that_were_wished_for_are_cut_or_stretched(cube):
    wished = cube(2, welds=24, stages=(8, 8, 8))
    assert resized(wished, 20).plan.stages == (8, 8, 4)
    assert resized(wished, 16).plan.stages == (8, 8)
    assert resized(wished, 6).plan.stages == (6,)
    assert resized(wished, 30).plan.stages == (8, 8, 14)
    assert resized(cube(2, welds=12, stages=(12,)), 14).plan.stages == (14,)


def test_minutes_are_met_by_the_plan_itself_and_one_weld_more_would_not_fit(hinge):
    study = hinge(welds=24, stages=(24,))
    found = afford(study, read_budget("200 min"), seed=1)
    assert plan_cost(plan_welds(found.study, seed=1)).elapsed_min <= 200
    more = resized(study, found.study.plan.welds + 1)
    assert plan_cost(plan_welds(more, seed=1)).elapsed_min > 200
    assert found.minutes <= 200


def test_minutes_without_heating_follow_from_the_arithmetic(hinge):
    # by hand, one weld a plate: 0.5 min of arc, set-up (longer than the duty rest of 0.5 * (100/30 - 1) = 1.17 min)
    # and clamping make 6.5 min a weld; 120 min are enough for 18.46
    assert (SET_UP_MIN, CLAMP_MIN) == (3.0, 3.0)
    study = hinge(welds=24, welds_per_plate=1, stages=(24,))
    cold = replace(study, factors=study.factors[:2])
    found = afford(cold, read_budget("120 min"), seed=1)
    assert found.study.plan.welds == 18
    assert found.minutes == pytest.approx(18 * 6.5)


def test_too_little_is_refused_in_one_sentence_with_what_it_would_take(hinge):
    # by hand, a plate: clamp 3, heat 6, two arcs of 0.5, set up 3, cool 10 make 23 min; five plates make 1 h 55 min
    assert least_welds(hinge()) == 10
    for text in ("30 min", "4 plates", "9 welds"):
        with pytest.raises(CannotAnswerError, match="takes at least 10 welds on 5 plates and at most 1 h 55 min"):
            afford(hinge(stages=(18,)), read_budget(text), seed=1)


def test_minutes_that_do_not_follow_from_the_job_are_refused(cube):
    with pytest.raises(CannotAnswerError, match=r"state weld_length and travel_speed under \[job\]"):
        afford(cube(2), read_budget("90 min"), seed=1)


def test_blocks_have_so_many_places_whatever_the_budget(cube):
    study = cube(2, welds=12, blocks=Blocks("day", (6, 6)))
    found = afford(study, Budget("welds", 40, "40 welds"), seed=1)
    assert found.study.plan.welds == 12
    assert "12 welds is the most that can be planned here" in found.words()[1]
    assert least_welds(study) == 6  # all on the first day
    split = cube(2, welds=12, blocks=Blocks("day", (3, 9)))
    assert least_welds(split) == 7  # six terms and the difference between the days


def test_a_model_that_no_number_of_welds_can_carry_is_refused(cube):
    with pytest.raises(CannotAnswerError, match="no number of welds up to 5 can carry the 6 terms"):
        least_welds(cube(2, welds=5, blocks=Blocks("day", (5,))))
