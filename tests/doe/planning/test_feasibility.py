from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from doe.planning.feasibility import WeldLoad, load_words, plan_loads
from doe.planning.plan import Plan, PlannedWeld
from doe.study.model import Factor, Study, Supply


@pytest.fixture
def lugs(hinge: Callable[..., Study]) -> Study:
    return replace(hinge(limited=False), supply=Supply(230.0, 16.0, "C"))


def plan_of(study: Study) -> Plan:
    settings = [(17.0, 5.0, 20.0), (22.3, 9.0, 70.0), (19.6, 7.0, 120.0)]
    welds = tuple(PlannedWeld(f"W{i + 1:02d}", f"P{i + 1:02d}", 1, i + 1, s) for i, s in enumerate(settings))
    return Plan(study, welds, seed=1)


def test_cored_wire_is_ranked_and_no_current_is_invented(lugs: Study):
    loads = plan_loads(plan_of(lugs))
    assert [load.line_current for load in loads] == [None, None, None]
    assert [bool(load.note) for load in loads] == [False, True, False]
    assert "loads the supply most" in loads[1].note


def test_solid_wire_gives_line_current_and_the_standards_band_in_words(lugs: Study):
    job = replace(lugs.job, process="135", wire="1.0 mm solid", stickout_mm=14.0)
    loads = plan_loads(plan_of(replace(lugs, job=job)))
    # arc power / (efficiency x power factor x supply voltage): definition, worked by hand from our own arc power
    known = [load for load in loads if load.arc_power is not None]
    assert loads[2] in known
    for load in known:
        assert load.line_current == pytest.approx(load.arc_power / (0.8 * 0.7 * 230.0))
        assert load.breaker_ratio == pytest.approx(load.line_current / 16.0)
    assert loads[2].breaker_ratio > 1.0
    assert "the rating" in loads[2].note


def test_a_feed_beyond_the_burn_off_formula_gets_no_number(lugs: Study):
    job = replace(lugs.job, process="135", wire="1.0 mm solid", stickout_mm=14.0)
    loads = plan_loads(plan_of(replace(lugs, job=job)))
    assert loads[1].line_current is None
    assert "loads the supply most" in loads[1].note


def test_what_the_circuit_is_not_known_to_be_is_left_out(lugs: Study):
    job = replace(lugs.job, process="135", wire="1.0 mm solid")
    unknown = replace(lugs, job=job, machine=replace(lugs.machine, efficiency=None))
    assert plan_loads(plan_of(unknown))[2].line_current is None


def test_a_dial_that_is_not_calibrated_gives_no_loads(lugs: Study):
    bare = Factor("voltage", "voltage", "", (17.0, 19.6, 22.3), ("A", "B", "C"), calibrated=False)
    assert plan_loads(plan_of(replace(lugs, factors=(bare, *lugs.factors[1:])))) == ()


def test_the_same_in_inches_per_minute(lugs: Study):
    job = replace(lugs.job, process="135", wire="1.0 mm solid", stickout_mm=14.0)
    metric = plan_loads(plan_of(replace(lugs, job=job)))
    inches = Factor("feed", "feed", "in/min", tuple(v / 0.0254 for v in (5.0, 7.0, 9.0)), is_continuous=True)
    study = replace(lugs, job=job, factors=(lugs.factors[0], inches, lugs.factors[2]))
    plan = plan_of(study)
    welds = tuple(replace(w, settings=(w.settings[0], w.settings[1] / 0.0254, w.settings[2])) for w in plan.welds)
    for ours, theirs in zip(plan_loads(replace(plan, welds=welds)), metric, strict=True):
        assert ours.line_current == (None if theirs.line_current is None else pytest.approx(theirs.line_current))


def test_welds_of_one_note_are_named_together():
    loads = [WeldLoad(weld, None, None, None, note) for weld, note in (("W1", "is hot"), ("W2", ""), ("W3", "is hot"))]
    assert load_words(loads) == ("W1 and W3: each is hot.",)
    assert load_words(loads[:2]) == ("W1 is hot.",)
    assert load_words([]) == ()
