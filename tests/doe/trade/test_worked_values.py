"""Worked values of the trade, each with its source: tests/reference/trade/worked.json."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from doe.models.textbook.tolerance import poisson_upper_limit
from doe.trade import arc, aws_d11, breaker, burn_off, cooling, cord, deposit, hydrogen, iso_5817, preheat, supply
from doe.trade.macro import Macro, Pores, Wanted, check_macro
from doe.units import convert

REFERENCE = Path(__file__).parents[2] / "reference" / "trade"
CASES = json.loads((REFERENCE / "worked.json").read_text(encoding="utf-8"))


def travel(i: dict[str, Any]) -> float:
    unit = next(key for key in i if key.startswith("v_"))
    return float(convert(i[unit], {"v_mm_min": "mm/min", "v_mm_s": "mm/s", "v_in_min": "in/min"}[unit], "mm/s"))


def energy(i: dict[str, Any]) -> float:
    return arc.arc_energy_kj_mm(i["U_V"], i["I_A"], travel_mm_s=travel(i))


def choose(i: dict[str, Any]) -> float:
    assert (i["F2"], i["F3"]) == (cooling.JOINTS["tee"].thin, cooling.JOINTS["tee"].thick)
    return cooling.cooling_time(i["Q_kJ_mm"], thickness_mm=i["d_mm"], preheat_c=i["T0_C"], joint="tee").number


def transition(i: dict[str, Any]) -> float:
    joint = next(name for name, f in cooling.JOINTS.items() if (f.thin, f.thick) == (i["F2"], i["F3"]))
    return cooling.transition_thickness_mm(i["Q_kJ_mm"], i["T0_C"], joint=joint)


def method_b(i: dict[str, Any]) -> float:
    return preheat.preheat_by_cet(
        i["CET"], thickness_mm=i["d_mm"], hydrogen_ml_100g=i["HD_ml_100g"], heat_input_kj_mm=i["Q_kJ_mm"]
    ).number


def iec_words(i: dict[str, Any]) -> str:
    band = breaker.iec_band(i["I_A"] / i["In_A"], curve="B", rating_a=i["In_A"])
    assert (band.shortest_s, band.longest_s) == (None, None)
    return "no trip within 1 h" if band.holds else "may trip"


def ul_words(i: dict[str, Any]) -> str:
    longest = breaker.ul_band(i["multiple"], rating_a=i["rating_A"]).longest_s
    assert longest is not None
    return f"must trip within {f'{longest / 60:g} min' if longest >= 3600 else f'{longest:g} s'}"


def load_voltage(i: dict[str, Any]) -> float:
    return supply.load_voltage(i["I2_A"], process=i["process"]).number


def line(i: dict[str, Any]) -> float:
    return supply.line_current_a(
        i["U2_V"] * i["I2_A"], efficiency=i["eta"], power_factor=i["pf"], supply_voltage_v=i["V_line"]
    )


def largest(i: dict[str, Any]) -> float:
    return supply.largest_arc_current_a(
        i["I_line_A"], supply_voltage_v=i["V"], efficiency=i["eta"], power_factor=i["pf"], process="135"
    )


def drop(i: dict[str, Any]) -> float:
    gauge = next(name for name, ohm in cord.OHM_PER_1000_FT.items() if ohm == i["ohm_per_kft"])
    length = convert(i["one_way_ft"], "ft", "m")
    return cord.cord_drop_v(length, ohm_per_m=cord.core_ohm_per_m(gauge), current_a=i["I_A"])


def feed(i: dict[str, Any], *, diameter: float = 1.2) -> float:
    wire = burn_off.solid_wire(i.get("d_mm", diameter))
    return burn_off.wire_feed_mm_s(i["I_A"], stickout_mm=i["L_mm"], burn_off=wire)


def deposited(i: dict[str, Any]) -> float:
    return deposit.deposit_rate_kg_h(
        i["WFS_mm_s"], wire_diameter_mm=i["d_mm"], efficiency=i["eta_dep"], density_ratio=i["linear_density_ratio"]
    )


def leg(i: dict[str, Any]) -> float:
    return deposit.fillet_leg_mm(
        i["WFS_mm_s"],
        wire_diameter_mm=i["d_mm"],
        yield_share=i["net_volume_yield"],
        travel_mm_s=i["v_mm_s"],
        convexity=i["convexity_fraction"],
    )


def pores(i: dict[str, Any]) -> dict[str, object]:
    found = Pores(inspected_mm=300.0, diameters_mm=tuple(i["diameters_mm"]))
    verdicts = {v.check: v for v in check_macro(Macro(pores=found), Wanted("AWS D1.1", leg_mm=6.0, thickness_mm=10.0))}
    return {
        "counted_sum": aws_d11.counted_sum_mm(i["diameters_mm"]),
        "limit": aws_d11.PORE_SUM_LONG_MM,
        "ok": verdicts["pores"].outcome == "passes",
    }


def jackson(i: dict[str, Any]) -> float:
    what, old, new = re.fullmatch(r"(\w) (\d+)->(\d+)", i["change"]).groups()  # type: ignore[union-attr]
    name = {"I": "current_ratio", "v": "travel_ratio", "U": "voltage_ratio"}[what]
    return arc.penetration_ratio(**{name: float(new) / float(old)})


RULES: dict[str, Callable[[dict[str, Any]], Any]] = {
    r"1\.arc\.mm|1\.pub\..*": energy,
    r"1\.energy": lambda i: arc.arc_energy_of_total_kj_mm(i["J"], length_mm=i["length_mm"]),
    r"1\.hi\.k": lambda i: arc.heat_input_kj_mm(energy(i), k=i["k"]),
    r"1\.in": lambda i: arc.arc_energy_kj_in(i["U_V"], i["I_A"], travel_in_min=i["v_in_min"]),
    r"1\.in2mm": lambda i: convert(i["kJ_in"], "kJ/in", "kJ/mm"),
    r"1\.ipm": lambda i: convert(i["v_in_min"], "in/min", "mm/s"),
    r"1\.power": lambda i: arc.arc_energy_of_power_kj_mm(i["P_W"], i["arc_time_s"], length_mm=i["length_mm"]),
    r"1\.v": lambda i: arc.travel_speed_mm_s(i["length_mm"], i["arc_time_s"]),
    r"2\.2d\..*": lambda i: cooling.thin_plate_s(i["Q_kJ_mm"], i["T0_C"], thickness_mm=i["d_mm"], factor=i["F2"]),
    r"2\.3d\..*": lambda i: cooling.thick_plate_s(i["Q_kJ_mm"], i["T0_C"], factor=i["F3"]),
    r"2\.choose": choose,
    r"2\.dt\..*": transition,
    r"3\.CE\..*": preheat.carbon_equivalent_iiw,
    r"3\.CET\..*": preheat.carbon_equivalent_cet,
    r"3\.Pcm\..*": preheat.carbon_equivalent_pcm,
    r"3\.D11\..*": lambda i: preheat.minimum_preheat(i["category"], i["thickness_mm"]).value,
    r"3\.SI\..*": lambda i: hydrogen.susceptibility_index(i["Pcm"], i["H_ml_100g"]),
    r"3\.Tp\..*": method_b,
    r"3\.comb\.T": lambda i: preheat.combined_thickness_mm(i.values()),
    r"4\.60898\.18\.08": iec_words,
    r"4\.60898\.inst\..": lambda i: breaker.instantaneous_a(i["curve"], 16.0),
    r"4\.80": lambda i: supply.continuous_limit_a(i["breaker_A"]),
    r"4\.I1eff\..*": lambda i: supply.effective_current_a(i["I1_A"], idle_a=i["I0_A"], duty=i["X"]),
    r"4\.U2\..*": load_voltage,
    r"4\.UL489\..*": ul_words,
    r"4\.drop\..*": drop,
    r"4\.duty\.on": lambda i: supply.arc_minutes(i["X"]),
    r"4\.duty\.\d.*": lambda i: supply.duty(i["I_rated_A"], rated_duty=i["X"], current_a=i["I_A"]).number,
    r"4\.inv": largest,
    r"4\.line\..*": line,
    r"5\.cross2?": lambda i: convert(feed(i), "mm/s", "m/min"),
    r"5\.dep\..*": deposited,
    r"5\.inv": lambda i: burn_off.wire_current_a(
        i["WFS_mm_s"], stickout_mm=i["L_mm"], burn_off=burn_off.solid_wire(i["d_mm"])
    ),
    r"5\.leg\..*": leg,
    r"5\.unit": lambda i: convert(i["m_min"], "m/min", "in/min"),
    r"5\.wfs\..*": feed,
    r"6\.5817(B|D)\.int": lambda i: iso_5817.INTERNAL_PORE[i["level"]].at(i["a_mm"]),
    r"6\.5817C\.asym": lambda i: iso_5817.LEG_DIFFERENCE["C"].at(i["a_mm"]),
    r"6\.5817C\.pore": lambda i: iso_5817.SURFACE_PORE["C"].at(i["a_mm"]),
    r"6\.minfillet\..*": lambda i: aws_d11.minimum_fillet_mm(i["T_mm"]),
    r"6\.pois\..*": lambda i: poisson_upper_limit(i["count"], confidence=0.95),
    r"6\.por\.fail": pores,
    r"6\.throat": lambda i: deposit.throat_mm(i["z_mm"]),
    r"6\.under\.\d+": lambda i: aws_d11.allowed_undersize_mm(i["L_mm"]),
    r"6\.undercut": lambda i: {
        "ok": aws_d11.undercut_is_allowed(i["depth_mm"], length_over_1_mm=i["length_over_1mm_in_300mm"])
    },
    r"9\.jackson\..*": jackson,
}


@pytest.mark.parametrize("case", CASES, ids=[case["id"] for case in CASES])
def test_the_worked_value_is_met(case: dict[str, Any]):
    rules = [rule for pattern, rule in RULES.items() if re.fullmatch(pattern, case["id"])]
    assert len(rules) == 1
    found = rules[0](case["inputs"])
    tolerance = case["tolerance"] or {}
    expected = list(case["expected"]) if isinstance(case["expected"], list) else case["expected"]
    if isinstance(expected, str):
        assert found == expected
        return
    if isinstance(expected, list | dict):
        found = list(found) if isinstance(found, tuple) else dict(found)
    assert found == pytest.approx(expected, abs=tolerance.get("abs", 1e-12), rel=tolerance.get("rel", 1e-12))


def test_every_rule_meets_a_worked_value():
    unused = [pattern for pattern in RULES if not any(re.fullmatch(pattern, case["id"]) for case in CASES)]
    assert unused == []


def published_passes() -> list[dict[str, float]]:
    """Table 3 of doi 10.1016/j.jmapro.2021.11.021, seen in a secondary copy; "nominal heat input" there has no k."""
    with (REFERENCE / "pulsed_pa_pf_passes" / "data.csv").open(encoding="utf-8") as file:
        return [{k: float(v) for k, v in row.items() if k != "position"} for row in csv.DictReader(file)]


@pytest.mark.parametrize("row", published_passes(), ids=lambda row: f"{row['current_A']:g} A")
def test_the_arc_energy_of_a_published_pass_is_met(row: dict[str, float]):
    found = arc.arc_energy_kj_mm(row["voltage_V"], row["current_A"], travel_mm_s=row["travel_mm_s"])
    assert found == pytest.approx(row["published_nominal_heat_input_kJ_mm"], abs=0.0051)


def test_the_published_feed_at_310_a_shows_why_the_burn_off_is_refused_there():
    # The same table: 8.3 m/min were measured at 310 A, the formula has about 9.9.
    wire = burn_off.solid_wire(1.2)
    formula = convert(burn_off.wire_feed_mm_s(310.0, stickout_mm=15.0, burn_off=wire), "mm/s", "m/min")
    assert formula > 1.15 * 8.3
    assert not burn_off.wire_feed(310.0, stickout_mm=15.0, wire_diameter_mm=1.2).valid
