from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from doe.planning.aliasing import Aliases
from doe.planning.budget import plan_cost
from doe.planning.plan import Plan, PlannedWeld
from doe.planning.quality import Yardstick, score_plan
from doe.planning.words import duration, for_an_engineer, plan_words
from doe.study.model import Job, Machine, Response


@pytest.fixture
def plan(cube):
    study = cube(2, welds=9)
    settings = [(a, b) for a in (-1.0, 0.0, 1.0) for b in (-1.0, 0.0, 1.0)]
    welds = tuple(PlannedWeld(f"W{i:02d}", f"P{i:02d}", 1, i, s) for i, s in enumerate(settings, start=1))
    return Plan(study, welds, seed=1, notes=("A note.",))


def words_of(plan, **changes):
    quality = replace(score_plan(plan.study, plan), **changes)
    return plan_words(plan, quality, plan_cost(plan))


def test_the_words_say_what_the_plan_tells_and_what_it_costs(plan):
    words = words_of(plan)
    assert words[0] == "9 welds on 9 plates, for a second order model with 6 numbers to find."
    assert words[1] == "3 welds more than that, to see how much welds made alike differ."
    assert "times the scatter between welds, on average over the region" in words[2]
    assert words[-1] == "A note."
    assert any("State weld_length and travel_speed under [job]" in said for said in words)
    assert all(said.endswith(".") for said in words)


def test_a_known_scatter_turns_the_band_into_millimetres(plan):
    known = (Response("penetration", "measure", "mm", expect_scatter=0.3),)
    words = words_of(replace(plan, study=replace(plan.study, responses=known)))
    assert any(said.startswith("With the scatter you expect") and said.endswith(" mm.") for said in words)


DEPTH = Response("penetration", "measure", "mm", at_least=1.2)


def unstated(plan, response=DEPTH, **wishes):
    planned = replace(plan.study.plan, **wishes)
    study = replace(plan.study, responses=(response,), plan=planned)
    return [said for said in words_of(replace(plan, study=study)) if "nothing can be claimed" in said]


def test_fewer_than_ten_readings_of_unknown_scatter_are_said_beforehand_to_claim_nothing(plan):
    (said,) = unstated(plan)
    assert said.startswith("penetration: nothing can be claimed about it from 9 welds: fewer than 10 readings do not")
    assert said.endswith("(expect_scatter), or plan 10 welds or more.")
    (staged,) = unstated(plan, welds=18, stages=(9, 9))
    assert staged.endswith("or weld the later stages as well (18 welds in all).")
    (short,) = unstated(plan, stages=(4, 5))
    assert short.endswith("or plan 10 welds or more.")


def test_where_scatter_is_stated_or_nothing_is_asked_nothing_is_said_of_it(plan):
    for response in (
        replace(DEPTH, expect_scatter=0.3),
        replace(DEPTH, scatter_from="../old"),
        replace(DEPTH, at_least=None),
        Response("root fused", "pass"),
    ):
        assert unstated(plan, response) == []


def test_ten_welds_show_the_scatter_where_two_are_made_alike(plan):
    again = replace(plan.welds[4], weld="W10", plate="P10", order=10)
    assert unstated(replace(plan, welds=(*plan.welds, again))) == []
    other = replace(again, settings=(0.5, 0.0))
    (said,) = unstated(replace(plan, welds=(*plan.welds, other)))
    assert said.endswith("no two welds are made alike, so none shows how far such welds scatter. State that scatter, "
                         "known from earlier work (expect_scatter), or repeat a setting.")  # fmt: skip
    assert unstated(replace(plan, welds=(again,), earlier=plan.welds)) == []


def test_a_plan_of_passes_alone_says_nothing_of_a_scatter_of_readings(plan):
    words = words_of(replace(plan, study=replace(plan.study, responses=(Response("root fused", "pass"),))))
    assert not any("90 % sure" in said for said in words)


def test_a_plan_with_nothing_to_spare_says_so(plan):
    words = words_of(plan, residual_df=0, half_width=None, power=())
    assert words[1].startswith("No weld is left over to see the scatter")
    assert not any("90 % sure" in said for said in words)


def test_the_share_of_what_is_possible_is_rounded_down_and_the_textbook_named(plan):
    words = words_of(plan, i_efficiency=0.9689, yardstick=Yardstick("2^2 factorial", 1.0, 1.123))
    said = next(w for w in words if w.startswith("The plan reaches"))
    assert "at least 96 %" in said
    assert "the textbook's 2^2 factorial has a 12 % larger average variance" in said
    even = words_of(plan, yardstick=Yardstick("2^2 factorial", 1.0, 1.0))
    assert not any("textbook" in w for w in even)


def test_the_share_is_that_of_the_criterion_that_was_asked_for(plan):
    wanted = {"D": "91 %", "compound": "81 %", "I": "73 %"}
    for criterion, share in wanted.items():
        asked = replace(plan.study.plan, criterion=criterion)
        words = words_of(replace(plan, study=replace(plan.study, plan=asked)), i_efficiency=0.7311, d_efficiency=0.9155)
        assert any(f"reaches at least {share}" in said for said in words)


def test_an_engineer_is_told_variances_efficiencies_leverage_and_the_largest_alias(plan):
    quality = score_plan(plan.study, plan)
    words = " ".join(for_an_engineer(quality))
    # the 3 x 3 factorial: leverage 29/36 at the corners (any textbook's hat matrix), variance the same there
    assert f"{29 / 36:.2f} at worst" in words
    assert f"Largest leverage: {29 / 36:.2f}" in words
    # x1*x2^2 is not orthogonal to x1: at three levels the estimate of x1 holds 2/3 of it
    assert "the estimate of x1 holds +0.67 times the coefficient of x1*x2^2" in words
    bare = replace(quality, aliases=Aliases(("1",), (), np.zeros((1, 0))))
    assert "alias" not in " ".join(for_an_engineer(bare))


def test_plates_wire_and_hours_are_said_where_the_job_states_them(hinge):
    study = hinge()
    corners = [(v, f, p) for p in (20.0, 70.0, 120.0) for v, f in ((17.0, 5.0), (22.3, 9.0), (19.6, 7.0), (17.0, 9.0))]
    settings = [*corners, (21.1, 8.0, 20.0), (18.4, 5.0, 20.0)]
    welds = tuple(
        PlannedWeld(f"W{i + 1:02d}", f"P{i // 2 + 1:02d}", i % 2 + 1, i + 1, s) for i, s in enumerate(settings)
    )
    plan = Plan(study, welds[2:], seed=1, stage=2, earlier=welds[:2])
    words = plan_words(plan, score_plan(study, plan), plan_cost(plan))
    assert words[0].startswith("12 welds on 6 plates, beside the 2 made before, for a")
    assert any("preheat is set once a plate and judged by 7 plates" in said for said in words)
    assert any("kg of wire" in said and "6 min of arc" in said for said in words)
    bare = replace(plan, study=replace(study, job=replace(study.job, wire="", process=""), machine=Machine()))
    assert any(" m of wire" in said for said in plan_words(bare, score_plan(study, plan), plan_cost(bare)))
    nothing = replace(plan, study=replace(study, job=Job(), responses=()))
    assert "It takes 6 plates." in plan_words(nothing, score_plan(nothing.study, nothing), plan_cost(nothing))


@pytest.mark.parametrize(
    ("minutes", "said"), [(4.4, "4 min"), (31, "30 min"), (60, "1 h"), (118, "2 h"), (194, "3 h 15 min")]
)
def test_minutes_are_said_as_people_say_them(minutes, said):
    assert duration(minutes) == said
