"""Second beads in the plan: where they stand, what they leave alone, what they cost."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from doe.planning import plan_cost, plan_table, plan_words, read_plan, score_plan
from doe.planning.afford import afford, read_budget
from doe.planning.making import plan_welds
from doe.planning.near_equal import near_equal_plans
from doe.planning.plan import Plan, PlannedWeld
from doe.planning.second_beads import add_second_beads
from doe.planning.telling import tells_more
from doe.study.model import Blocks, Response, Study

PORES = Response("porosity", "count", per_mm=100.0, per_text="100 mm", at_most=2.0)


@pytest.fixture
def pores(hinge: Callable[..., Study]) -> Callable[..., Study]:
    """Make the lug study with pores asked for, and second beads unless told otherwise."""

    def make(**wishes: object) -> Study:
        study = hinge(**({"second_bead": True} | wishes))
        return replace(study, responses=(*study.responses, PORES))

    return make


def plan(study: Study, **more: object) -> Plan:
    return plan_welds(study, seed=2, starts=4, **more)  # type: ignore[arg-type]


def places(welds: tuple[PlannedWeld, ...]) -> list[tuple[object, ...]]:
    return [(w.weld, w.plate, w.position, w.settings, w.block, w.role) for w in welds]


def test_the_first_beads_are_those_of_a_plan_without_second_ones(pores: Callable[..., Study]):
    with_second, without = plan(pores()), plan(pores(second_bead=False))
    assert places(with_second.designed) == places(without.welds)
    assert not without.second_beads
    in_order = [sorted(welds, key=lambda w: w.order) for welds in (with_second.designed, without.welds)]
    assert [w.weld for w in in_order[0]] == [w.weld for w in in_order[1]]


def test_every_weld_has_a_second_bead_on_a_coupon_that_follows_its_plate(pores: Callable[..., Study]):
    made = plan(pores())
    second = {w.weld: w for w in made.second_beads}
    assert len(second) == len(made.designed) == 18
    for first in made.designed:
        bead = second[f"{first.weld}b"]
        assert (bead.plate, bead.position, bead.settings) == (f"{first.plate}b", first.position, first.settings)
        assert bead.role == "second"
        assert bead.order == first.order + 2
    assert sorted(w.order for w in made.welds) == list(range(1, 37))
    plates = [w.plate for w in sorted(made.welds, key=lambda w: w.order)]
    assert all(plates[i] == plates[i + 1] for i in range(0, 36, 2))
    assert [w.weld for w in made.welds[:4]] == ["W01", "W02", "W01b", "W02b"]


def test_a_second_bead_belongs_to_the_day_of_its_first(pores: Callable[..., Study]):
    made = plan(pores(blocks=Blocks("day", (10, 8)), stages=(18,)))
    days = {w.weld: w.block for w in made.welds}
    assert all(days[f"{w.weld}b"] == w.block for w in made.designed)
    orders = {day: [w.order for w in made.welds if w.block == day] for day in ("1", "2")}
    assert max(orders["1"]) == 20 < min(orders["2"])


def test_plates_of_different_sizes_have_coupons_of_the_same_sizes(pores: Callable[..., Study]):
    made = plan(pores(welds=12, welds_per_plate=4, plates=(4, 3, 3, 2), stages=(12,), model="first order"))
    sizes = [sum(w.plate == plate for w in made.welds) for plate in ("P01", "P01b", "P02", "P02b", "P03", "P03b")]
    assert sizes[::2] == sizes[1::2]


def test_plan_csv_gives_the_second_beads_back(pores: Callable[..., Study], tmp_path: Path):
    made = plan(pores())
    (tmp_path / "plan.csv").write_text(plan_table(made), encoding="utf-8")
    assert read_plan(tmp_path, made.study).welds == made.welds


def test_a_later_stage_counts_on_and_has_second_beads_too(pores: Callable[..., Study]):
    first = plan(pores(welds=12, stages=(8, 4)))
    then = plan(first.study, given=first)
    assert [w.weld for w in then.designed] == ["W09", "W10", "W11", "W12"]
    assert sorted(w.order for w in then.welds) == list(range(17, 25))
    assert len(then.second_beads) == 4
    assert len(then.earlier) == 16
    alone = plan(replace(first.study, plan=replace(first.study.plan, second_bead=False)), given=first.designed)
    assert [w.settings for w in alone.welds] == [w.settings for w in then.designed]


def test_a_later_stage_without_the_key_still_follows_second_beads(pores: Callable[..., Study]):
    first = plan(pores(welds=12, stages=(8, 4)))
    without = replace(first.study, plan=replace(first.study.plan, second_bead=False))
    then = plan(without, given=first)
    assert not then.second_beads
    assert min(w.order for w in then.welds) == 17


def test_quality_is_that_of_the_first_beads(pores: Callable[..., Study]):
    made, without = plan(pores()), plan(pores(second_bead=False))
    assert score_plan(made.study, made).to_dict() == score_plan(without.study, without).to_dict()
    # 18 welds of 10 numbers: 8 left; 36 would leave 26
    assert score_plan(made.study, made).residual_df == 8


def test_near_equal_plans_are_weighed_without_second_beads(pores: Callable[..., Study]):
    settings = [
        [weld.settings for weld in found.designed]
        for study in (
            pores(welds=8, model="first order", stages=(8,)),
            pores(welds=8, model="first order", stages=(8,), second_bead=False),
        )
        for found in near_equal_plans(study, seed=1, tries=2)
    ]
    assert settings[: len(settings) // 2] == settings[len(settings) // 2 :]


def test_the_cost_says_what_second_beads_take_and_no_section(pores: Callable[..., Study]):
    made, without = plan(pores()), plan(pores(second_bead=False))
    cost, first = plan_cost(made), plan_cost(without)
    assert cost.second_beads is not None
    assert (cost.plates, cost.second_beads.plates, cost.second_beads.beads) == (18, 9, 18)
    assert cost.arc_min == pytest.approx(2 * first.arc_min)
    assert cost.second_beads.arc_min == pytest.approx(18 * 30 / 60)  # 150 mm at 5 mm/s: 30 s a bead
    assert cost.second_beads.elapsed_min == pytest.approx(first.elapsed_min)
    assert cost.bench_min == first.bench_min == 18 * 15
    assert cost.cut_list[0].number == 2 * first.cut_list[0].number
    said = cost.to_dict()["second_beads"]
    assert isinstance(said, dict)
    assert said["beads"] == 18
    assert said["wire"] == {"value": pytest.approx(cost.wire_kg / 2), "unit": "kg"}
    assert "second_beads" not in first.to_dict()
    assert any("none of a second bead" in line for line in cost.assumptions)
    assert not any("second bead" in line for line in first.assumptions)


def test_the_words_count_welds_and_second_beads_apart(pores: Callable[..., Study]):
    made = plan(pores())
    said = plan_words(made, score_plan(made.study, made), plan_cost(made))
    assert said[0].startswith("18 welds on 9 plates, for a second order model")
    assert "It takes 18 plates" in " ".join(said)
    assert (
        "Of this 18 second beads, one at every setting, looked over for porosity and not cut, take 9 plates"
        in " ".join(said)
    )
    assert "W01b is the second bead of W01" in " ".join(made.notes)
    assert "a warm breaker trips sooner" in " ".join(made.notes)
    assert not any("second bead" in note for note in plan(pores(second_bead=False)).notes)


def test_a_budget_pays_for_second_beads(pores: Callable[..., Study]):
    plates = afford(pores(stages=(18,)), read_budget("16 plates"), seed=1)
    assert (plates.study.plan.welds, plates.plates) == (16, 16)
    assert "second beads included" in plates.words()[0]
    alone = afford(pores(stages=(18,), second_bead=False), read_budget("16 plates"), seed=1)
    assert alone.study.plan.welds == 32
    assert afford(pores(stages=(18,)), read_budget("16 welds"), seed=1).study.plan.welds == 16


def test_minutes_pay_for_second_beads(pores: Callable[..., Study]):
    found = afford(pores(stages=(18,)), read_budget("6 h"), seed=1)
    cost = plan_cost(plan_welds(found.study, seed=1))
    assert cost.elapsed_min <= 360
    assert cost.second_beads.beads == found.study.plan.welds


def test_second_beads_follow_plates_in_any_order_and_every_weld_before():
    welds = [PlannedWeld(f"W0{i}", f"P0{i}", 1, order, (1.0,)) for i, order in ((1, 3), (2, 1), (3, 2))]
    made = (PlannedWeld("W00", "P00", 1, 7, (1.0,)),)
    found = add_second_beads(welds, wanted=True, made=made)
    assert [(w.weld, w.order) for w in found] == [
        ("W01", 12), ("W01b", 13), ("W02", 8), ("W02b", 9), ("W03", 10), ("W03b", 11),
    ]  # fmt: skip
    assert [w.order for w in add_second_beads(welds, wanted=False)] == [3, 1, 2]


def test_second_beads_are_told_of_where_they_are_not_asked_for(pores: Callable[..., Study]):
    assert any("second_bead = true under [plan]" in line for line in tells_more(pores(second_bead=False)))
    assert not any("econd bead" in line for line in tells_more(pores()))
    later = tells_more(pores(second_bead=False), is_before=False)
    assert any("a row of its own in results.csv" in line for line in later)
    assert not any("econd bead" in line for line in tells_more(pores(), is_before=False))
