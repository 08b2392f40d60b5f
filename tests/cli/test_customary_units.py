"""A study in inches on a 240 V, 30 A circuit (UL 489), from the questions to the report."""

from __future__ import annotations

import html
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import Result

from doe.bench.stage import read_plans
from doe.saving import write_text
from doe.study import read_study
from doe.virtual import WELDERS, filled_table, weld_plan

MORE = """
job.process = "FCAW-S"
job.wire_diameter = "0.035 in"
job.stickout = "5/8 in"
job.travel_speed = "12 in/min"
job.weld_length = "6 in"
job.burn_off = { a = 0.62, b = 1.5e-4 }
job.cooling_joint = "tee"
supply.curve = "UL"
machine.efficiency = 0.80
machine.power_factor = 0.70
"""


@pytest.mark.slow
def test_a_study_in_inches_reads_in_inches_from_plan_to_report(weldwindow: Callable[..., Result], tmp_path: Path):
    folder = tmp_path / "gate"
    made = weldwindow(
        "new", folder, "--no-input", "--weld", "lap fillet, 3/8 in", "--wire", "0.035 in self-shielded cored",
        "--voltage", "A=16.5 B=17.8 C=19.0 D=20.4 E=21.6", "--feed", "200 to 340 in/min by 20",
        "--supply", "240 V, 30 A", "--plate", "2 cooled", "--must", "0.05 in penetration, 2 pores in 4 in, hold 30 s",
        "--welds", "22", "--preheat", "70 160 250 degF",
    )  # fmt: skip
    assert made.exit_code == 0, made.stderr
    study = folder / "study.toml"
    study.write_text(study.read_text(encoding="utf-8").replace('study.units = "us"\n', f'study.units = "us"{MORE}'))
    planned = weldwindow("plan", folder, "--replace").stdout
    assert re.search(r"0\.\d+ lb of wire \(\d+ ft\)", planned)
    assert "times the rating" in planned
    plan = read_plans(read_study(folder))[0]
    results = weld_plan(plan, WELDERS["hinge lugs"], rng=np.random.default_rng([1, 2]))
    write_text(folder / "results.csv", filled_table(plan, results))
    assert weldwindow("check", folder).exit_code == 0
    answer = weldwindow("report", folder)
    assert answer.exit_code == 0
    assert " in/min" in answer.stdout
    page = (folder / "report" / "report.html").read_text(encoding="utf-8")
    page = re.sub(r"<style.*?</style>|data:image[^\"]+", "", page, flags=re.DOTALL)
    words = html.unescape(re.sub("<[^>]+>", " ", page))
    # the other system's unit stands in brackets behind a dial and a reading, and nowhere else
    shown = re.sub(r"\[[-\d. to]+ [^\]]+\]", "", words.partition("Readings that were converted")[0])
    assert "0.375 in thick" in shown
    assert "heat input [kJ/in]" in shown
    assert re.search(r"\d over 10\.4 in", shown)
    for unit in ("mm", "m/min", "kJ/mm", "°C", "kg"):
        assert not re.search(rf"\d {unit}\b", shown), unit
