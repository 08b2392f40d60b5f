from __future__ import annotations

import itertools
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from doe.errors import CannotAnswerError, StudyError
from doe.planning.making import plan_welds
from doe.planning.plan import PlannedWeld
from doe.planning.posing import planned_terms
from doe.planning.precision import plan_model
from doe.planning.refusals import check_support
from doe.planning.region import is_reachable
from doe.planning.staging import stages
from doe.study.model import Blocks, Factor, Limit, PlanWishes, Response, Study
from doe.terms import model_matrix

FEW = 4
"""Starts of the search in these tests: the plan's form is tested here, not how good it is."""


def plan_of(study, **options):
    return plan_welds(study, **({"seed": 1, "starts": FEW} | options))


def plates_of(plan):
    return {p: [w for w in plan.welds if w.plate == p] for p in sorted({w.plate for w in plan.welds})}


def rank_of(plan):
    _, terms = plan_model(plan)
    coded = plan.study.coding.to_coded([w.settings for w in plan.all_welds])
    return np.linalg.matrix_rank(model_matrix(terms, coded, plan.study.coding)), len(terms)


def test_a_plan_has_its_welds_named_placed_and_ordered(hinge):
    plan = plan_of(hinge())
    assert [w.weld for w in plan.welds] == [f"W{i:02d}" for i in range(1, 19)]
    assert sorted(w.order for w in plan.welds) == list(range(1, 19))
    assert list(plates_of(plan)) == [f"P{i:02d}" for i in range(1, 10)]
    assert all(sorted(w.position for w in welds) == [1, 2] for welds in plates_of(plan).values())
    assert rank_of(plan) == (10, 10)


def test_every_setting_can_be_dialled_in_and_honours_the_limit_exactly(hinge):
    plan = plan_of(hinge())
    assert is_reachable(plan.study, plan.settings).all()
    for factor, column in zip(plan.study.factors, plan.settings.T, strict=True):
        assert set(column) <= set(factor.values)


def test_preheat_is_the_same_for_all_welds_of_a_plate(hinge):
    for per_plate in (2, 3):
        plan = plan_of(hinge(welds_per_plate=per_plate))
        assert all(len({w.settings[2] for w in welds}) == 1 for welds in plates_of(plan).values())


@pytest.mark.parametrize("seed", range(4))
def test_every_preheat_stands_on_two_plates_at_least(hinge, seed):
    plan = plan_of(hinge(limited=bool(seed % 2)), seed=seed)
    plates = Counter(welds[0].settings[2] for welds in plates_of(plan).values())
    assert min(plates.values()) >= 2
    assert not any("one plate only" in note for note in plan.notes)


def test_too_few_plates_for_two_a_preheat_are_said_in_the_notes(hinge):
    plan = plan_of(hinge(welds=16, welds_per_plate=4, stages=(16,), repeats=0))
    assert len(plates_of(plan)) == 4
    assert any("preheat stand on one plate only" in note for note in plan.notes)


def test_plates_are_welded_one_after_the_other_in_position_order(hinge):
    for welds in plates_of(plan_of(hinge())).values():
        in_position = sorted(welds, key=lambda w: w.position)
        assert in_position[1].order == in_position[0].order + 1


def test_first_and_later_welds_see_the_same_settings_on_average(hinge):
    plan = plan_of(hinge(limited=False))
    coded = plan.study.coding.to_coded(plan.settings)
    later = np.array([w.position > 1 for w in plan.welds])
    assert np.abs(coded[later].mean(axis=0) - coded[~later].mean(axis=0)).max() < 0.35


def test_with_warm_later_welds_the_position_can_be_told_from_the_factors(hinge):
    plan = plan_of(hinge(later_welds="warm"))
    coded = plan.study.coding.to_coded(plan.settings)
    X = model_matrix(planned_terms(plan.study), coded, plan.study.coding)
    position = np.array([[0.5 if w.position > 1 else -0.5] for w in plan.welds])
    assert np.linalg.matrix_rank(np.hstack([X, position])) == 11


def test_wished_repeats_are_made_and_named(hinge):
    plan = plan_of(hinge(repeats=3))
    distinct = len({w.settings for w in plan.welds})
    assert len(plan.welds) - distinct >= 3
    assert sum(w.role == "repeat" for w in plan.welds) == len(plan.welds) - distinct


def test_repeats_that_do_not_fit_beside_the_model_are_said(hinge):
    plan = plan_of(hinge(welds=11, welds_per_plate=1, stages=(11,), repeats=3))
    assert rank_of(plan) == (10, 10)
    assert any("Of 3 wished repeats 1 can be made" in note for note in plan.notes)


def test_blocks_have_their_sizes_and_plates_lie_in_one_block(hinge):
    plan = plan_of(hinge(blocks=Blocks("day", (8, 10))))
    assert Counter(w.block for w in plan.welds) == {"1": 8, "2": 10}
    assert all(len({w.block for w in welds}) == 1 for welds in plates_of(plan).values())
    assert max(w.order for w in plan.welds if w.block == "1") == 8


def test_block_sizes_that_do_not_hold_the_welds_are_refused(hinge):
    with pytest.raises(StudyError, match="the blocks of “day” have 12 places, but there are 18 welds"):
        plan_of(hinge(blocks=Blocks("day", (6, 6))))


def test_the_same_seed_gives_the_same_plan_and_another_seed_another_order(hinge):
    first, again, other = plan_of(hinge()), plan_of(hinge()), plan_of(hinge(), seed=2)
    assert first.to_dict() == again.to_dict()
    assert [w.order for w in first.welds] != [w.order for w in other.welds]


def test_a_study_without_plates_has_one_weld_a_plate(cube):
    plan = plan_of(cube(2, welds=9))
    assert [w.plate for w in plan.welds] == [f"P{i:02d}" for i in range(1, 10)]
    assert {w.position for w in plan.welds} == {1}


def test_kinds_with_their_own_ranges_are_planned_within_them(two_wires):
    plan = plan_of(two_wires())
    assert is_reachable(plan.study, plan.settings).all()
    assert set(plan.settings[:, 0]) == {0.0, 1.0}
    assert rank_of(plan) == (9, 9)


# --- stages ---------------------------------------------------------------------------------------------------------


def test_fewer_than_seventeen_welds_are_made_eight_first(hinge):
    assert stages(hinge(welds=16)) == (8, 8)
    assert stages(hinge(welds=17)) == (17,)
    assert stages(hinge(welds=8)) == (8,)
    assert stages(hinge(welds=12, stages=(6, 6))) == (6, 6)
    assert stages(hinge(welds=12, blocks=Blocks("day", (6, 6)))) == (12,)
    assert stages(hinge(welds=12, terms=("constant", "feed"))) == (12,)


def test_a_first_stage_too_small_for_the_model_is_planned_for_a_simpler_one(hinge):
    plan = plan_of(hinge(welds=14, welds_per_plate=1))
    assert len(plan.welds) == 8
    assert plan_model(plan)[0] == "first order with products"
    assert rank_of(plan) == (7, 7)
    assert plan.notes[0].startswith("8 of 14 welds first")
    assert "planned for a first order with products model" in plan.notes[1]


def test_a_first_stage_that_carries_the_whole_model_keeps_it(cube):
    plan = plan_of(cube(2, welds=12, stages=()))
    assert len(plan.welds) == 8
    assert rank_of(plan) == (6, 6)


def test_a_first_stage_that_could_carry_nothing_is_given_up(hinge):
    # eight welds at four a plate make two plates: preheat takes three
    plan = plan_of(hinge(welds=16, welds_per_plate=4, repeats=0))
    assert len(plan.welds) == 16
    assert plan.notes[0].startswith("All 16 welds are made at once")


def test_a_wished_first_stage_that_can_carry_nothing_is_refused_with_what_it_takes(hinge):
    with pytest.raises(
        CannotAnswerError, match=r"A stage of 3 welds cannot carry even a first order model .* give it 5 or more"
    ):
        plan_of(hinge(welds=18, welds_per_plate=1, stages=(3, 15)))
    with pytest.raises(CannotAnswerError, match="each preheat would stand on one plate"):
        plan_of(hinge(welds=18, stages=(4, 14)))
    with pytest.raises(CannotAnswerError, match=r"A stage of 4 welds cannot carry .* give it 5 or more"):
        plan_of(hinge(welds=18, welds_per_plate=1, stages=(4, 14)))


# --- augmenting -----------------------------------------------------------------------------------------------------


def test_a_later_stage_keeps_the_welds_made_and_counts_on(hinge):
    first = plan_of(hinge(welds=16))
    second = plan_of(first.study, given=first)
    assert second.earlier == first.welds
    assert second.stage == 2
    assert [w.weld for w in second.welds] == [f"W{i:02d}" for i in range(9, 17)]
    assert {w.plate for w in second.welds}.isdisjoint(w.plate for w in first.welds)
    assert sorted(w.order for w in second.welds) == list(range(9, 17))
    assert {w.role for w in second.welds} == {"next"}
    assert rank_of(second) == (10, 10)


def test_the_later_stage_mends_what_the_first_could_not_estimate(hinge):
    first = plan_of(hinge(welds=16))
    second = plan_of(first.study, given=first, welds=4)
    assert len(second.welds) == 4
    assert rank_of(first)[1] < 10
    assert rank_of(second) == (10, 10)


def test_welds_made_without_a_plan_can_be_given(cube):
    study = cube(2, welds=10)
    made = [PlannedWeld(f"A{i}", f"A{i}", 1, i + 1, (x, -x)) for i, x in enumerate((-1.0, 0.0, 1.0))]
    plan = plan_of(study, given=made)
    assert plan.stage == 2
    assert [w.weld for w in plan.welds] == [f"W{i:02d}" for i in range(1, 8)]
    assert rank_of(plan) == (6, 6)


def test_more_welds_than_the_study_has_must_be_asked_for(cube):
    first = plan_of(cube(2, welds=9))
    with pytest.raises(StudyError, match="all 9 welds of the study are planned"):
        plan_of(first.study, given=first)
    assert len(plan_of(first.study, given=first, welds=2).welds) == 2
    with pytest.raises(StudyError, match="0 welds were asked for"):
        plan_of(first.study, welds=0)


# --- refusals -------------------------------------------------------------------------------------------------------


def test_more_terms_than_welds_are_refused_with_the_number_it_takes(hinge):
    message = (
        r"has 10 terms and takes at least 10 welds, but only 9 are planned: plan 10 or more .*"
        r"“first order with products”, which takes 7"
    )
    with pytest.raises(CannotAnswerError, match=message) as refusal:
        plan_of(hinge(welds=9, welds_per_plate=1))
    assert refusal.value.exit_code == 4


def test_blocks_and_position_count_among_the_numbers_it_takes(hinge):
    with pytest.raises(CannotAnswerError, match=r"10 terms \(and 2 more numbers for blocks or position\).* 12 welds"):
        plan_of(hinge(welds=11, later_welds="warm", blocks=Blocks("day", (6, 5))))


def test_a_limit_that_empties_the_region_is_refused(hinge):
    limit = Limit((("voltage", 1.0),), 16.0, "voltage <= 16", "for the test")
    with pytest.raises(CannotAnswerError, match=r"“voltage <= 16” leaves nothing .* loosen a limit"):
        plan_of(replace(hinge(), limits=(limit,)))


def test_limits_that_leave_a_line_cannot_carry_the_model(cube):
    study = replace(
        cube(2, welds=12),
        limits=(
            Limit((("x1", 1.0), ("x2", 1.0)), 0.0, "x1 + x2 <= 0"),
            Limit((("x1", -1.0), ("x2", -1.0)), 0.0, "x1 + x2 >= 0"),
        ),
    )
    with pytest.raises(CannotAnswerError, match=r"cannot tell x2, .*loosen a limit"):
        plan_of(study)


def test_one_plate_a_preheat_is_refused_with_the_plates_it_takes(hinge):
    message = "each preheat would stand on one plate.* take at least 4 plates .* 19 or more welds at 6 a plate"
    with pytest.raises(CannotAnswerError, match=message):
        plan_of(hinge(welds_per_plate=6))


def test_all_welds_on_one_plate_are_refused(cube):
    with pytest.raises(CannotAnswerError, match="make 1 plate, too few: one plate cannot show how plates differ"):
        plan_of(cube(2, welds=9, welds_per_plate=9))


def test_two_levels_and_a_square_are_refused_with_what_would_work(cube):
    levels = Factor("gas", unit="l/min", values=(10.0, 15.0))
    study = replace(cube(1), factors=(levels, cube(1).factors[0]))
    with pytest.raises(CannotAnswerError, match=r"gas has only 2 values \(10 and 15 l/min\), and gas\^2 takes 3"):
        plan_of(study)
    with_terms = replace(study, plan=PlanWishes(terms=("constant", "gas", "gas^2", "x1"), repeats=0))
    with pytest.raises(CannotAnswerError, match="leave the term out"):
        plan_of(with_terms)


def test_the_region_itself_is_judged_before_any_search(hinge):
    check_support(hinge(), planned_terms(hinge()))  # raises nothing


def test_a_plan_that_cannot_estimate_its_model_never_leaves(cube, monkeypatch):
    study = cube(2, welds=9)

    def singular(problem, **_):
        return type("Found", (), {"rows": np.zeros((problem.n_welds, 2))})

    monkeypatch.setattr("doe.planning.making.search_design", singular)
    monkeypatch.setattr("doe.planning.making.textbook_rows", lambda *_: [])
    with pytest.raises(CannotAnswerError, match="No plan of 9 welds was found that can estimate the 6 terms"):
        plan_of(study)


# --- textbook designs and neighbours --------------------------------------------------------------------------------


def test_a_textbook_design_is_welded_where_nothing_found_beats_it(cube, monkeypatch):
    study = cube(3, welds=8, model="first order")
    rng = np.random.default_rng(0)

    def poor(problem, **_):
        return type("Found", (), {"rows": rng.choice([-1.0, 0.0, 1.0], (8, 3))})

    monkeypatch.setattr("doe.planning.making.search_design", poor)
    plan = plan_of(study)
    assert any("the textbook's 2^3 factorial" in note for note in plan.notes)
    assert len({w.settings for w in plan.welds}) == 8


def test_equal_settings_in_a_row_are_flagged_not_forbidden(cube):
    study = cube(1, n_levels=2, welds=8, model="first order", repeats=6)
    plan = plan_of(study)
    in_order = sorted(plan.welds, key=lambda w: w.order)
    pairs = [(a.weld, b.weld) for a, b in itertools.pairwise(in_order) if a.settings == b.settings]
    assert pairs
    flagged = [note for note in plan.notes if note.startswith("The same setting twice running")]
    assert len(flagged) == 1
    assert all(f"{a} then {b}" in flagged[0] for a, b in pairs)


# --- any small study ------------------------------------------------------------------------------------------------


@st.composite
def small_studies(draw):
    """Draw a study of 1 to 6 factors and 8 to 40 welds."""
    k = draw(st.integers(1, 6))
    factors = []
    for j in range(k):
        if j and draw(st.integers(0, 4)) == 0:
            factors.append(Factor(f"x{j}", kinds=("A", "B", "C")[: draw(st.integers(2, 3))]))
            continue
        n = draw(st.integers(2, 5))
        gaps = draw(st.lists(st.integers(1, 4), min_size=n, max_size=n))
        values = tuple(float(v) for v in np.cumsum(gaps))
        factors.append(Factor(f"x{j}", values=values, hard_to_change=draw(st.integers(0, 4)) == 0))
    limits = ()
    if k > 1 and not factors[1].is_kind and draw(st.booleans()):
        bound = float(draw(st.integers(4, 30)))
        limits = (Limit((("x0", 1.0), ("x1", 1.0)), bound, f"x0 + x1 <= {bound:g}"),)
    wishes = PlanWishes(
        welds=draw(st.integers(8, 40)),
        welds_per_plate=draw(st.integers(1, 3)),
        later_welds=draw(st.sampled_from(["cooled", "warm"])),
        model=draw(st.sampled_from(["first order", "first order with products", "second order"])),
        repeats=draw(st.integers(0, 3)),
        criterion=draw(st.sampled_from(["I", "D"])),
    )
    return Study("drawn", tuple(factors), (Response("y", "measure", "mm"),), limits=limits, plan=wishes)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(small_studies(), st.integers(0, 5))
def test_any_small_study_gets_a_plan_of_full_rank_or_a_refusal_in_one_sentence(study, seed):
    plan = plan_or_refusal(study, seed)
    if isinstance(plan, str):
        assert plan.endswith(".")
        assert "\n" not in plan
        return
    rank, terms = rank_of(plan)
    assert rank == terms
    assert is_reachable(study, plan.settings).all()
    held = [f.hard_to_change for f in study.factors]
    for welds in plates_of(plan).values():
        assert len({tuple(np.array(w.settings)[held]) for w in welds}) == 1


def plan_or_refusal(study, seed):
    try:
        return plan_welds(study, seed=seed, starts=1)
    except CannotAnswerError as refusal:
        return refusal.message
