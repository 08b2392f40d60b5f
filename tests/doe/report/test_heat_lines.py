"""Heat input, cooling, preheat and leg size in the report: of each weld and of the window."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from doe.bench.results import Results
from doe.report.heat_lines import HeatPart, heat_part
from doe.study.model import Factor, Job, Machine, Study, Supply
from doe.trade.burn_off import BurnOff
from doe.window.window import Answer, BestSetting, Chance, SettingBox, Window

JOB = Job(
    process="136",
    joint="tee fillet",
    thickness_mm=12.0,
    wire="1.2 mm gas-shielded cored",
    wire_diameter_mm=1.2,
    stickout_mm=16.0,
    travel_speed_mm_s=5.0,
    chemistry=(("C", 0.20), ("Mn", 1.20), ("Si", 0.3)),
    hydrogen_ml_100g=5.0,
)
STUDY = Study(
    "Lugs",
    factors=(
        Factor("voltage", "voltage", "V", (22.0, 25.0, 28.0)),
        Factor("feed", "feed", "m/min", (6.0, 8.0, 10.0)),
        Factor("preheat", "preheat", "degC", (20.0, 100.0)),
    ),
    responses=(),
    job=replace(JOB, burn_off=BurnOff(0.3, 5e-5)),
    supply=Supply(230.0, 32.0, "C"),
    machine=Machine(0.8, 0.7),
)
SETTINGS = np.array([[v, f, p] for v in (22.0, 25.0, 28.0) for f in (6.0, 8.0, 10.0) for p in (20.0, 100.0)])


def results(study: Study, *, status: str = "done", conditions: Mapping[str, np.ndarray] | None = None) -> Results:
    n = len(SETTINGS)
    names = tuple(f"W{i + 1:02d}" for i in range(n))
    ones = np.ones(n, dtype=int)
    return Results(
        study,
        names,
        names,
        ("",) * n,
        ("plan",) * n,
        ("results.csv",) * n,
        ones,
        np.arange(n) + 1,
        ones,
        SETTINGS,
        SETTINGS.copy(),
        ("not run", *((status,) * (n - 1))),
        {},
        conditions or {},
    )


def window(study: Study, *, low: tuple[float, ...] = (22.0, 8.0, 20.0), high=(25.0, 10.0, 100.0)) -> Window:
    axes = tuple(f.positions for f in study.factors)
    everywhere = np.ones([len(a) for a in axes], dtype=bool)
    box = SettingBox(low, high, tuple(np.array([a, b]) for a, b in zip(low, high, strict=True)), 0.2, 0.93)
    answer = Answer("any", box=box, searched_at=0.9, best=BestSetting((25.0, 8.0, 100.0), Chance(0.97, 0.93), {}))
    return Window(study, study.claim, (answer,), (), axes, everywhere, everywhere, n_welds=18)


def part(study: Study, **conditions: np.ndarray) -> HeatPart:
    named = {"arc_a": "arc current [A]", "arc_v": "arc voltage [V]", "line_a": "line current [A]"}
    read = {named[key]: value for key, value in conditions.items()}
    return heat_part(results(study, conditions=read), window(study))


def test_each_weld_has_its_heat_input_and_cooling_time_and_one_not_made_has_none():
    found = part(STUDY)
    assert found.heads == ("heat input [kJ/mm]", "t8/5 [s]")
    assert found.rows[0] == ("–", "–")
    # W02: 22 V, 6 m/min, 100 degC. Root of 100 = 0.3 I + 5e-5 x 16 x I^2 is 211.7 A; 0.8 x 22 x I / 5000
    amps = (-0.3 + np.sqrt(0.09 + 4 * 8e-4 * 100.0)) / (2 * 8e-4)
    assert float(found.rows[1][0]) == pytest.approx(0.8 * 22.0 * amps / 5000.0, abs=5e-4)


def test_the_window_has_its_span_and_its_best_setting():
    first, second, *_ = part(STUDY).window
    amps = {f: (-0.3 + np.sqrt(0.09 + 4 * 8e-4 * f * 1000 / 60)) / (2 * 8e-4) for f in (8.0, 10.0)}
    low, high, best = (0.8 * v * amps[f] / 5000.0 for v, f in ((22.0, 8.0), (25.0, 10.0), (25.0, 8.0)))
    assert first.startswith(f"Heat input {low:.3g} to {high:.3g} kJ/mm over the window, {best:.3g} kJ/mm at the best")
    assert "without k:" in first
    assert "amps by the burn-off" in first
    assert second.startswith("Cooling time t8/5 ")


def test_welds_whose_amps_were_read_give_the_window_its_trend():
    amps = 20.0 * SETTINGS[:, 1]
    first = part(STUDY, arc_a=amps, arc_v=SETTINGS[:, 0]).window[0]
    # power goes exactly as volts times feed here: 22 x 160 to 25 x 200 W, over 5 mm/s, times 0.8
    assert first.startswith("Heat input 0.563 to 0.8 kJ/mm over the window, 0.64 kJ/mm at the best setting")
    assert "arc power by the trend of 18 welds whose amps were read" in first


def test_the_leg_is_given_as_a_band_with_the_codes_least_beside_it():
    line = next(line for line in part(STUDY).window if "fillet with legs" in line)
    # mass balance by hand: pi/4 1.2^2 x 8000/60 / 5 x yield .64 to .81 at the best setting
    legs = [np.sqrt(2 * np.pi / 4 * 1.44 * 8000 / 60 / 5 * y) for y in (0.64, 0.81)]
    assert f"legs of {legs[0]:.2g} to {legs[1]:.2g} mm at the best setting" in line
    # D1.1 Table 5.7, over 6 up to 12 mm: 5 mm (seen)
    assert "AWS D1.1:2015 Table 5.7 asks for at least 5 mm at this thickness" in line


def test_preheat_is_worked_out_inside_the_formula_and_set_against_the_window():
    line = next(line for line in part(STUDY).window if "preheat" in line and "CET" in line)
    # CET = .20 + 1.20/10 = .32; 697 CET + 160 tanh(12/35) + 62 x 5^.35 + (53 CET - 32) Q - 328 (method B), by hand
    amps = (-0.3 + np.sqrt(0.09 + 4 * 8e-4 * 8000 / 60)) / (2 * 8e-4)
    heat = 0.8 * 22.0 * amps / 5000.0
    asked = 697 * 0.32 + 160 * np.tanh(12 / 35) + 62 * 5**0.35 + (53 * 0.32 - 32) * heat - 328
    assert "CET 0.320 %" in line
    assert f"{asked:.3g} °C" in line
    assert "The window goes down to 20 °C, which is less" in line
    assert "governing code" in line


def test_outside_the_formula_no_preheat_is_printed():
    thin = replace(STUDY, job=replace(STUDY.job, thickness_mm=6.0))
    line = next(line for line in part(thin).window if "Minimum preheat" in line)
    assert "is not given, the formula does not hold here" in line
    assert "thickness is 6 mm, below 10 mm" in line
    odd = replace(STUDY, job=replace(STUDY.job, chemistry=(("C", 0.20), ("Mn", 1.0), ("Si", 0.9))))
    assert any("Si" in line and "does not hold here" in line for line in part(odd).window)


@pytest.mark.parametrize(
    ("change", "said"),
    [({"chemistry": ()}, "state chemistry under"), ({"hydrogen_ml_100g": None}, "state hydrogen under")],
)
def test_what_the_preheat_lacks_is_said(change: dict[str, object], said: str):
    lacking = replace(STUDY, job=replace(STUDY.job, **change))
    assert any(said in line for line in part(lacking).window)


def test_nothing_is_shown_where_amps_are_not_known_and_what_it_takes_is_said():
    bare = replace(STUDY, job=JOB)
    found = part(bare)
    assert found.heads == ()
    assert found.rows[1] == ()
    assert not any("Heat input" in line for line in found.window)
    assert any("write down arc current" in note for note in found.notes)
    assert any("Minimum preheat is not worked out: it needs the heat input" in line for line in found.window)


def test_what_the_numbers_rest_on_is_said():
    notes = " ".join(part(STUDY).notes)
    assert "k = 0.8 (process 136, EN 1011-1:2009 Table 1)" in notes
    assert "your own burn-off" in notes
    assert "t8/5 by EN 1011-2:2001 Annex D (from memory)" in notes


def test_without_a_window_only_the_welds_are_spoken_of():
    study = STUDY
    empty = replace(window(study), answers=(Answer("any"),))
    found = heat_part(results(study), empty)
    assert found.window == ()
    assert found.heads == ("heat input [kJ/mm]", "t8/5 [s]")


def test_a_study_in_inches_is_shown_in_inches():
    us = replace(STUDY, units="us")
    found = part(us)
    assert found.heads[0] == "heat input [kJ/in]"
    metric, customary = float(part(STUDY).rows[1][0]), float(found.rows[1][0])
    assert customary == pytest.approx(25.4 * metric, rel=2e-3)
    words = " ".join(found.window)
    assert "kJ/in" in words
    assert "legs of 0.2" in words
    assert " mm" not in words
    assert "°F" in words
