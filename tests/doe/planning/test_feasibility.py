from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from doe.planning.feasibility import load_words, plan_loads
from doe.planning.plan import Plan, PlannedWeld
from doe.study.model import Factor, Machine, Study, Supply
from doe.trade.burn_off import BurnOff


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


OWN = BurnOff(0.5, 8.3e-5, (105.0, 205.0))


@pytest.fixture
def logged(lugs: Study) -> Study:
    return replace(lugs, job=replace(lugs.job, burn_off=OWN, stickout_mm=16.0, cooling_joint="tee"))


def test_ones_own_burn_off_gives_cored_wire_amps_load_heat_wire_and_duty(logged: Study):
    loads = plan_loads(plan_of(logged))
    for load, feed in zip(loads, (5.0, 9.0, 7.0), strict=True):
        amps = load.arc_current
        # the form W = a I + b L I^2, put back
        assert 0.5 * amps + 8.3e-5 * 16.0 * amps**2 == pytest.approx(feed * 1000.0 / 60.0)
        assert load.line_current == pytest.approx(load.arc_power / (0.8 * 0.7 * 230.0))
        assert load.heat_input == pytest.approx(0.8 * load.arc_power / 5000.0)
        assert load.cooling_time > 0.0
        # 30 s of arc: wire run out times its section, density 7.85 g/cm3, 0.85 of solid
        assert load.wire == pytest.approx(feed * 0.5 * 3.14159 / 4 * 7.85e-3 * 0.85, rel=1e-3)
        # 30 s of arc and 3 min to set up
        assert load.duty_used == pytest.approx(30.0 / 210.0)
    assert "trips within 1 h" in loads[1].note


def test_amps_above_the_machines_rating_are_flagged_and_no_weld_is_dropped(logged: Study):
    small = replace(logged, machine=Machine(0.8, 0.7, 30.0, 150.0))
    loads = plan_loads(plan_of(small))
    assert [load.is_beyond_duty for load in loads] == [False, True, True]
    assert "above the 150 A the machine's duty cycle is rated at" in loads[1].note


def test_a_long_arc_gets_the_rest_its_machine_needs(logged: Study):
    # the budget rests as if every weld were made at the rated amps, so that none below them is short of rest
    long = replace(logged.job, weld_length_mm=1500.0)
    loads = plan_loads(plan_of(replace(logged, job=long, machine=Machine(0.8, 0.7, 60.0, 200.0))))
    assert not any(load.is_beyond_duty for load in loads)
    assert loads[0].duty_used == pytest.approx(300.0 / 500.0)


def test_the_words_name_the_heaviest_and_count_the_rest(logged: Study):
    words = load_words(plan_loads(plan_of(replace(logged, machine=Machine(0.8, 0.7, 25.0, 200.0)))))
    assert words[0].startswith("W02: loads the supply most")
    assert "3 of 3 welds are expected to take more than the breaker's rating" in words[1]
    assert len(words) == 2


def test_words_about_the_supply_never_advise_a_larger_breaker(logged: Study):
    said = " ".join(load_words(plan_loads(plan_of(replace(logged, machine=Machine(0.8, 0.7, 30.0, 120.0))))))
    assert "cut-out" in said
    assert "larger" not in said
