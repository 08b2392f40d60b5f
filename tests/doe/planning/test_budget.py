from __future__ import annotations

import math
from dataclasses import replace

import pytest
from numpy.testing import assert_allclose

from doe.planning.budget import CLAMP_MIN, COOL_MIN, HEAT_MIN, SECTION_MIN, SET_UP_MIN, plan_cost
from doe.planning.plan import Plan, PlannedWeld
from doe.study.model import Factor, Job, Machine, Response


@pytest.fixture
def plan_of(hinge):
    """Make a plan of two welds on a plate at 20 degC and one on a plate at 120 degC."""

    def make(**changes):
        study = replace(hinge(), **changes)
        welds = (
            PlannedWeld("W01", "P01", 1, 1, (17.0, 5.0, 20.0)),
            PlannedWeld("W02", "P01", 2, 2, (19.6, 7.0, 20.0)),
            PlannedWeld("W03", "P02", 1, 3, (22.3, 9.0, 120.0)),
        )
        return Plan(study, welds, seed=1)

    return make


def test_arc_time_and_wire_follow_from_length_speed_and_feed(plan_of):
    cost = plan_cost(plan_of())
    # 150 mm at 5 mm/s is 30 s; (5 + 7 + 9) m/min for half a minute each is 10.5 m
    assert_allclose(cost.arc_min, 1.5)
    assert_allclose(cost.wire_m, 10.5)
    # 1.0 mm steel wire weighs pi/4 * 7.85 g a metre, cored wire 0.85 of that
    assert_allclose(cost.wire_kg, 10.5 * math.pi / 4 * 7.85e-3 * 0.85)
    assert cost.plates == 2
    assert cost.welds == 3


def test_the_session_holds_every_clamping_heating_and_rest(plan_of):
    cost = plan_cost(plan_of())
    wanted = 2 * CLAMP_MIN + HEAT_MIN + 1.5 + 2 * SET_UP_MIN + COOL_MIN
    assert_allclose(cost.elapsed_min, wanted)
    assert_allclose(cost.bench_min, 3 * SECTION_MIN)


def test_warm_later_welds_wait_only_for_the_set_up(plan_of, hinge):
    cooled = plan_cost(plan_of())
    warm = plan_cost(plan_of(plan=replace(hinge().plan, later_welds="warm")))
    assert_allclose(cooled.elapsed_min - warm.elapsed_min, COOL_MIN - SET_UP_MIN)
    assert not any("come back" in said for said in warm.assumptions)


def test_a_small_duty_rating_makes_the_rests_longer(plan_of):
    # 30 s of arc at 5 % leave 9.5 min of rest
    cost = plan_cost(plan_of(machine=Machine(duty_percent=5.0, duty_current_a=100.0)))
    wanted = 2 * CLAMP_MIN + HEAT_MIN + 1.5 + 2 * 9.5 + COOL_MIN
    assert_allclose(cost.elapsed_min, wanted)


def test_a_hundred_per_cent_duty_needs_no_rest(plan_of):
    full = plan_cost(plan_of(machine=Machine(duty_percent=100.0)))
    unknown = plan_cost(plan_of(machine=Machine()))
    assert full.elapsed_min == unknown.elapsed_min
    assert not any("duty" in said for said in unknown.assumptions)


def test_a_lap_takes_two_pieces_a_coupon_and_a_bead_on_plate_one(plan_of, hinge):
    (lap,) = plan_cost(plan_of()).cut_list
    assert (lap.number, lap.length_mm, lap.thickness_mm) == (4, 200.0, 10.0)
    (bead,) = plan_cost(plan_of(job=replace(hinge().job, joint="bead on plate"))).cut_list
    assert bead.number == 2


@pytest.mark.parametrize("missing", ["weld_length_mm", "travel_speed_mm_s"])
def test_what_the_job_does_not_state_is_not_invented(plan_of, hinge, missing):
    cost = plan_cost(plan_of(job=replace(hinge().job, **{missing: None})))
    assert (cost.arc_min, cost.wire_m, cost.wire_kg, cost.elapsed_min) == (None, None, None, None)
    assert cost.plates == 2
    assert cost.to_dict()["arc_time"] is None


def test_a_wire_of_unknown_make_has_length_but_no_mass(plan_of, hinge):
    cost = plan_cost(plan_of(job=replace(hinge().job, wire="1.0 mm", process="")))
    assert_allclose(cost.wire_m, 10.5)
    assert cost.wire_kg is None
    assert plan_cost(plan_of(job=replace(hinge().job, wire_diameter_mm=None))).wire_kg is None


def test_solid_wire_weighs_more_than_cored(plan_of, hinge):
    solid = plan_cost(plan_of(job=replace(hinge().job, wire="solid", process="135")))
    assert_allclose(solid.wire_kg, plan_cost(plan_of()).wire_kg / 0.85)


def test_a_feed_dial_without_calibration_tells_no_wire(plan_of, hinge):
    factors = hinge().factors
    dial = replace(factors[1], unit="", calibrated=False)
    cost = plan_cost(plan_of(factors=(factors[0], dial, factors[2])))
    assert cost.wire_m is None
    assert cost.arc_min is not None


def test_a_varied_travel_speed_counts_weld_by_weld(hinge):
    speed = Factor("travel speed", "other", "mm/min", (150.0, 300.0))
    study = replace(hinge(), factors=(speed,), job=replace(hinge().job, travel_speed_mm_s=None))
    welds = (PlannedWeld("W01", "P01", 1, 1, (150.0,)), PlannedWeld("W02", "P02", 1, 2, (300.0,)))
    cost = plan_cost(Plan(study, welds, seed=1))
    assert_allclose(cost.arc_min, 1.0 + 0.5)


def test_feed_in_inches_and_preheat_in_fahrenheit_are_understood(hinge):
    feed = Factor("feed", "feed", "in/min", (200.0, 400.0))
    preheat = Factor("preheat", "preheat", "degF", (70.0, 250.0))
    study = replace(hinge(), factors=(feed, preheat))
    cool = Plan(study, (PlannedWeld("W01", "P01", 1, 1, (200.0, 70.0)),), seed=1)
    hot = Plan(study, (PlannedWeld("W01", "P01", 1, 1, (400.0, 250.0)),), seed=1)
    assert_allclose(plan_cost(cool).wire_m, 100 * 0.0254)
    assert_allclose(plan_cost(hot).elapsed_min - plan_cost(cool).elapsed_min, HEAT_MIN)


def test_nothing_measured_on_a_section_takes_no_bench_time(plan_of):
    cost = plan_cost(plan_of(responses=(Response("trip", "trip", hold_s=30.0),), job=Job()))
    assert cost.bench_min == 0
    assert cost.cut_list == ()


def test_the_cost_is_written_under_the_names_of_the_interface(plan_of):
    written = plan_cost(plan_of()).to_dict()
    assert list(written)[:4] == ["plates", "wire", "arc_time", "elapsed"]
    assert written["wire"]["unit"] == "kg"
    assert written["arc_time"] == {"value": 1.5, "unit": "min"}
    assert written["cut_list"][0]["number"] == 4
