from __future__ import annotations

from dataclasses import replace

import pytest

from doe.errors import CannotAnswerError
from doe.planning.making import plan_welds
from doe.rehearsal import how_many
from doe.rehearsal.choosing import choice_words, simulate_plans
from doe.study.model import Study


@pytest.fixture
def plans(hinge: Study):
    return [plan_welds(hinge, seed=seed, starts=4) for seed in (1, 2, 3)]


@pytest.fixture
def outcomes_by_seed(monkeypatch):
    """Let each plan find what its seed says, a little more on every other machine."""

    def set_shares(shares):
        def answer(task):
            plan, _, seeds = task
            return shares[plan.seed] > 0, shares[plan.seed] + 0.1 * (seeds[1] % 2)

        monkeypatch.setattr(how_many, "_outcome", answer)

    return set_shares


def test_the_plan_with_the_largest_share_comes_first(plans, outcomes_by_seed):
    outcomes_by_seed({1: 0.1, 2: 0.3, 3: 0.0})
    told = []
    ranked = simulate_plans(plans, n_machines=4, progress=lambda *done: told.append(done))
    assert [row.plan.seed for row in ranked] == [2, 1, 3]
    assert [row.share for row in ranked] == pytest.approx([0.35, 0.15, 0.05])
    assert [row.behind for row in ranked] == pytest.approx([0.0, 0.2, 0.3])
    assert [row.chance for row in ranked] == [1.0, 1.0, 0.0]
    # the same machines: what they have in common is no error of the difference
    assert ranked[1].behind_error == pytest.approx(0.0, abs=1e-12)
    assert told[-1] == (12, 12)
    assert ranked[0].to_dict() == {
        "seed": 2, "chance": 1.0, "share": 0.35, "behind": 0.0, "behind_error": 0.0, "machines": 4,
    }  # fmt: skip
    words = choice_words(ranked, tries=5)
    assert "Of 5 plans 3 are different" in words[0]
    assert "seed 2: 35%, seed 1: 15%, seed 3: 5%" in words[0]
    assert "Taken: seed 2. It leads the next by 20.0%, more than chance makes" in words[1]


def test_a_lead_within_the_error_is_said_to_be_no_more_than_chance(plans, outcomes_by_seed):
    outcomes_by_seed({1: 0.2, 2: 0.2, 3: 0.2})
    assert "no more than chance" in choice_words(simulate_plans(plans, n_machines=2), tries=3)[1]


def test_one_plan_leaves_nothing_to_choose(plans, outcomes_by_seed):
    outcomes_by_seed({1: 0.2})
    said = choice_words(simulate_plans(plans[:1], n_machines=2), tries=3)
    assert said == ("3 seeds found one plan; there is nothing to choose among.",)


def test_a_first_stage_alone_is_refused_with_what_would_work(hinge: Study):
    staged = replace(hinge, plan=replace(hinge.plan, stages=(8, 10)))
    with pytest.raises(CannotAnswerError, match=r"only 8 are planned first: set stages = \[18\]"):
        simulate_plans([plan_welds(staged, seed=1, starts=2)])


def test_real_machines_are_welded_and_claimed_alike_every_time(plans):
    first, second = (simulate_plans(plans[:2], n_machines=1, seed=5) for _ in range(2))
    assert [row.to_dict() for row in first] == [row.to_dict() for row in second]
    assert {row.plan.seed for row in first} == {1, 2}
