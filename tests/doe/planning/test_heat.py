from __future__ import annotations

import csv
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from doe.planning.heat import arc_power, burn_off_amps, heat_at
from doe.study.model import Factor, Job, Machine, Study, Supply
from doe.trade.burn_off import BurnOff

PASSES = Path(__file__).parents[2] / "reference" / "trade" / "pulsed_pa_pf_passes" / "data.csv"
"""Table 3 of doi 10.1016/j.jmapro.2021.11.021, seen in a secondary copy; its heat input is arc energy, without k."""
AT = np.array([[17.0, 5.0, 20.0], [22.3, 9.0, 120.0]])
OWN = BurnOff(0.5, 8.3e-5, (105.0, 205.0))


@pytest.fixture
def lugs(hinge: Callable[..., Study]) -> Study:
    study = hinge(limited=False)
    job = replace(study.job, joint="tee fillet", burn_off=OWN, stickout_mm=16.0)
    return replace(study, job=job, supply=Supply(230.0, 16.0, "C"))


def read(**values: float) -> dict[str, np.ndarray]:
    names = {
        "arc_v": "arc voltage [V]",
        "arc_a": "arc current [A]",
        "line_a": "line current [A]",
        "line_v": "line voltage [V]",
        "travel": "travel speed [mm/s]",
        "plate": "plate temperature [degC]",
    }
    return {names[key]: np.full(len(AT), value) for key, value in values.items()}


def test_published_passes_are_met_from_volts_amps_and_travel_as_read(lugs: Study):
    with PASSES.open(encoding="utf-8") as file:
        rows = [{k: float(v) for k, v in row.items() if k != "position"} for row in csv.DictReader(file)]
    measured = {
        "arc voltage [V]": np.array([row["voltage_V"] for row in rows]),
        "arc current [A]": np.array([row["current_A"] for row in rows]),
        "travel speed [mm/s]": np.array([row["travel_mm_s"] for row in rows]),
    }
    heat = heat_at(lugs, np.repeat(AT[:1], len(rows), axis=0), measured=measured)
    published = [row["published_nominal_heat_input_kJ_mm"] for row in rows]
    assert heat.energy_kj_mm == pytest.approx(published, abs=0.0101)
    assert heat.input_kj_mm == pytest.approx(0.8 * heat.energy_kj_mm)  # k of process 136, EN 1011-1 Table 1


def test_what_was_read_goes_before_what_was_set(lugs: Study):
    stated = heat_at(lugs, AT)
    assert all("own burn-off" in words for words in stated.power.origin)
    by_line = heat_at(lugs, AT, measured=read(line_a=20.0, line_v=225.0))
    # efficiency and power factor of the machine: power that reaches the arc, by their definitions
    assert by_line.power.watts == pytest.approx(20.0 * 225.0 * 0.8 * 0.7)
    by_arc = heat_at(lugs, AT, measured=read(line_a=20.0, arc_v=20.0, arc_a=150.0))
    assert by_arc.power.watts == pytest.approx(3000.0)
    assert by_arc.power.is_read.all()
    assert not stated.power.is_read.any()
    faster = heat_at(lugs, AT, measured=read(travel=10.0))
    assert faster.energy_kj_mm == pytest.approx(stated.energy_kj_mm * 0.5)  # 300 mm/min is 5 mm/s
    assert any("as read" in line for line in faster.assumptions)


def test_dial_volts_serve_where_only_amps_were_read(lugs: Study):
    found = arc_power(lugs, AT, read(arc_a=100.0))
    assert found.watts == pytest.approx([1700.0, 2230.0])
    assert found.origin[0] == "amps read at the arc, volts of the dial"


def test_the_plate_as_read_goes_before_its_preheat(lugs: Study):
    # EN 1011-2 Annex D goes by the plate's temperature before the arc: warmer cools more slowly
    assert (heat_at(lugs, AT, measured=read(plate=150.0)).cooling_s > heat_at(lugs, AT).cooling_s).all()


def test_the_longer_cooling_formula_of_a_tee_is_taken(lugs: Study):
    # FACTS of the trade, computed by hand there: Q 0.3456 kJ/mm, 6 mm tee: 1.70 s at 20 degC
    job = replace(lugs.job, thickness_mm=6.0, travel_speed_mm_s=250.0 / 60.0)
    heat = heat_at(
        replace(lugs, job=job), AT[:1], measured={k: v[:1] for k, v in read(arc_v=18.0, arc_a=100.0).items()}
    )
    assert heat.input_kj_mm == pytest.approx([0.3456], abs=1e-4)
    assert heat.cooling_s == pytest.approx([1.697], abs=1e-3)


def test_amps_outside_the_log_are_not_given(lugs: Study):
    narrow = replace(lugs, job=replace(lugs.job, burn_off=BurnOff(0.5, 8.3e-5, (150.0, 205.0))))
    amps = burn_off_amps(narrow, AT)
    assert np.isnan(amps[0])
    # W = a I + b L I^2, put back
    assert 0.5 * amps[1] + 8.3e-5 * 16.0 * amps[1] ** 2 == pytest.approx(9000.0 / 60.0)


def test_cored_wire_without_a_log_gives_no_heat_and_says_what_it_takes(lugs: Study):
    bare = heat_at(replace(lugs, job=replace(lugs.job, burn_off=None)), AT)
    assert np.isnan(bare.input_kj_mm).all()
    assert "write down arc current" in bare.missing[0]
    assert "“weldwindow dial” finds it" in bare.missing[0]
    assert bare.missing[1] == "t8/5 is not shown: it needs the heat input"


def test_solid_wire_takes_the_built_in_burn_off_unless_told_not_to(lugs: Study):
    job = replace(lugs.job, process="135", wire="1.0 mm solid", burn_off=None, stickout_mm=14.0)
    solid = replace(lugs, job=job)
    middle = np.array([[19.6, 7.0, 70.0]])
    assert "from memory" in arc_power(solid, middle).origin[0]
    assert np.isnan(arc_power(solid, middle, built_in=False).watts).all()


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"joint": "lap fillet"}, "no factors are held for the joint “lap fillet”.*cooling_joint"),
        ({"joint": ""}, "the joint is not stated"),
        ({"thickness_mm": None}, "state thickness under"),
        ({"process": ""}, "state process under"),
        ({"travel_speed_mm_s": None}, "state travel_speed under"),
        ({"wire_diameter_mm": None}, "leg size is not shown"),
    ],
)
def test_everything_that_is_missing_is_said(lugs: Study, change: dict[str, object], said: str):
    heat = heat_at(replace(lugs, job=replace(lugs.job, **change)), AT)
    assert re.search(said, " / ".join(heat.missing))


def test_a_stated_cooling_joint_serves_a_lap(lugs: Study):
    lap = replace(lugs, job=replace(lugs.job, joint="lap fillet", cooling_joint="tee"))
    assert heat_at(lap, AT).cooling_s == pytest.approx(heat_at(lugs, AT).cooling_s)


def test_a_plate_outside_the_formulas_gets_no_cooling_time(lugs: Study):
    heat = heat_at(lugs, AT, measured=read(plate=400.0))
    assert np.isnan(heat.cooling_s).all()
    assert "no plate is inside 0 to 250" in " ".join(heat.missing)


def test_a_butt_has_no_leg(lugs: Study):
    butt = heat_at(replace(lugs, job=replace(lugs.job, joint="butt")), AT)
    assert np.isnan(butt.leg_mm).all()
    assert not any("leg size" in line for line in butt.missing)


def test_the_leg_is_that_of_the_deposit_at_both_ends_of_the_usual_yield(lugs: Study):
    # mass balance by hand: 1.0 mm wire, 150 mm/s, 5 mm/s, yield .80 x .80 and .90 x .90
    area = np.array([0.64, 0.81]) * 150.0 * np.pi / 4.0 / 5.0
    assert heat_at(lugs, AT).leg_mm[1] == pytest.approx(np.sqrt(2.0 * area))


def test_travel_that_is_a_factor_is_taken_from_the_setting():
    travel = Factor("travel", unit="mm/min", values=(200.0, 300.0, 400.0))
    volts = Factor("voltage", "voltage", "V", (18.0, 20.0))
    job = Job(process="135", travel_speed_mm_s=99.0)
    study = Study("t", (volts, travel), (), job=job, machine=Machine())
    heat = heat_at(study, np.array([[18.0, 300.0]]), measured={"arc current [A]": np.array([100.0])})
    assert heat.energy_kj_mm == pytest.approx([18.0 * 100.0 / 5000.0])
