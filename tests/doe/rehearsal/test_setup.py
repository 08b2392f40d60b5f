from __future__ import annotations

import numpy as np
import pytest

from doe.errors import StudyError
from doe.rehearsal import INFORMED, KNOWLEDGE, NOTHING_KNOWN, TRUTHS, Setup
from doe.study.model import Study
from doe.virtual import WELDERS


def test_every_named_welder_and_both_families_are_truths():
    assert set(TRUTHS) == {*WELDERS, "family: smooth", "family: bent"}


def test_who_knows_nothing_states_neither_scatter_nor_supply_nor_answers(hinge: Study):
    study = Setup(hinge, TRUTHS["hinge lugs"], NOTHING_KNOWN, (18,)).planned()
    assert [r.expect_scatter for r in study.responses] == [None] * 3
    assert study.response("porosity").expect_good_zone == ()
    assert study.response("porosity").expect_ratio_under is None
    assert study.supply.breaker_a is None
    assert study.machine.efficiency is None
    assert not NOTHING_KNOWN.bench.records_line_current


def test_who_is_informed_states_all_of_it(hinge: Study):
    study = Setup(hinge, TRUTHS["hinge lugs"], INFORMED, (8, 6, 4)).planned()
    assert study.response("penetration").expect_scatter == 0.3
    assert study.response("porosity").expect_ratio_under == 10.0
    assert study.supply.breaker_a == 16.0
    assert (study.plan.welds, study.plan.stages) == (18, (8, 6, 4))
    assert INFORMED.bench.inspected == 4.5


def test_each_lever_changes_one_thing(hinge: Study):
    whole = INFORMED.apply(hinge)
    for name, known in KNOWLEDGE.items():
        if name in {"informed", "nothing known", "scatter stated at half"}:
            continue
        study = known.apply(hinge)
        changed = [
            study.response("penetration") != whole.response("penetration"),
            study.response("porosity") != whole.response("porosity"),
            (study.supply, known.bench) != (whole.supply, INFORMED.bench),
            known.second_bead,
        ]
        assert sum(changed) == 1, name


def test_a_second_bead_is_asked_of_the_plan(hinge: Study):
    known = KNOWLEDGE["informed, second beads"]
    assert Setup(hinge, TRUTHS["hinge lugs"], known, (18,)).planned().plan.second_bead
    assert not Setup(hinge, TRUTHS["hinge lugs"], INFORMED, (18,)).planned().plan.second_bead


def test_a_stated_scatter_is_the_welders_own_to_a_quarter(hinge: Study):
    welder = WELDERS["plate-heavy scatter"]
    rng = np.random.default_rng(1)
    told = [
        INFORMED.state_scatter(hinge, welder, rng).response("penetration").expect_scatter / welder.weld.weld_sd
        for _ in range(400)
    ]
    assert np.median(told) == pytest.approx(1.0, abs=0.06)
    assert np.log(told).std() == pytest.approx(0.25, abs=0.03)
    half = KNOWLEDGE["scatter stated at half"].state_scatter(hinge, welder, np.random.default_rng(1))
    assert half.response("penetration").expect_scatter == pytest.approx(0.5 * told[0] * welder.weld.weld_sd)
    silent = NOTHING_KNOWN.state_scatter(NOTHING_KNOWN.apply(hinge), welder, rng)
    assert silent.response("penetration").expect_scatter is None


@pytest.mark.parametrize(("welds", "sizes"), [(12, (4, 4, 4)), (16, (6, 6, 4)), (20, (8, 6, 6)), (17, (6, 6, 5))])
def test_days_hold_whole_plates_as_evenly_as_can_be(hinge: Study, welds: int, sizes: tuple[int, ...]):
    study = Setup(hinge, TRUTHS["days differ"], INFORMED, (welds,)).planned()
    assert study.plan.blocks.sizes == sizes
    assert study.plan.blocks.name == "day"


def test_a_study_over_days_is_not_made_in_stages(hinge: Study):
    with pytest.raises(StudyError, match="not made in stages"):
        Setup(hinge, TRUTHS["days differ"], INFORMED, (8, 4)).planned()


def test_warm_second_sides_are_studied_as_such(hinge: Study):
    assert Setup(hinge, TRUTHS["warm second sides"], INFORMED, (18,)).planned().plan.later_welds == "warm"
    assert Setup(hinge, TRUTHS["drift"], INFORMED, (18,)).planned().plan.later_welds == "cooled"


def test_a_family_draws_a_welder_for_every_study(hinge: Study):
    drawn = [TRUTHS["family: bent"].draw(hinge, np.random.default_rng(k)) for k in (1, 2, 1)]
    assert drawn[0] == drawn[2] != drawn[1]
    assert TRUTHS["drift"].draw(hinge, np.random.default_rng(1)) is WELDERS["drift"]
