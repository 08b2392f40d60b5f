"""Second beads on the sheets and pages: their count is asked for, and nothing of a section."""

from __future__ import annotations

import io
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest

from doe.bench.columns import results_columns
from doe.bench.workbook_form import results_workbook
from doe.planning.plan import Plan, PlannedWeld
from doe.planning.second_beads import add_second_beads
from doe.report.bench_page import bench_data
from doe.report.labels import label_texts, plates_in_order
from doe.report.macro_page import macro_data
from doe.report.run_sheet import run_sheet
from doe.report.weld_row import blanks
from doe.study.model import Response, Study

needs_poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")


def plan_of(study: Study, *, wanted: bool = True) -> Plan:
    welds = [
        PlannedWeld(f"W0{i + 1}", f"P0{i // 2 + 1}", i % 2 + 1, i + 1, (19.6, 7.0, (20.0, 70.0)[i // 2]))
        for i in range(4)
    ]
    asked = replace(
        study,
        responses=(*study.responses, Response("root fused", "pass")),
        plan=replace(study.plan, welds=4, second_bead=wanted),
    )
    return Plan(asked, add_second_beads(welds, wanted=wanted), seed=3)


@needs_poppler
def test_the_run_sheet_asks_second_beads_for_their_count(hinge: Study, tmp_path: Path):
    (tmp_path / "sheet.pdf").write_bytes(run_sheet(plan_of(hinge)))
    command = ["pdftotext", "-layout", str(tmp_path / "sheet.pdf"), "-"]
    text = subprocess.run(command, capture_output=True, text=True, check=True).stdout
    plain = " ".join(text.split())
    assert "P01b preheat 20 °C second beads: count, do not cut" in plain
    assert plain.count("second beads: count, do not cut") == 2
    assert "4 welds and 4 second beads" in plain
    assert "W01b is the second bead of W01" in plain
    assert "a warm breaker trips sooner" in plain
    second = plain[plain.index("P01b preheat") : plain.index("P02 preheat")]
    assert second.count("porosity") == 2
    assert "penetration" not in second
    assert "trip" not in second
    assert "root fused" not in second


def test_a_coupon_of_second_beads_is_a_block_after_its_plate(hinge: Study):
    assert [welds[0].plate for welds in plates_in_order(plan_of(hinge))] == ["P01", "P01b", "P02", "P02b"]


def test_blanks_of_a_second_bead_leave_out_what_is_not_asked(hinge: Study):
    study = plan_of(hinge).study
    labels = [label for group in blanks(study, is_second=True) for label, _, _ in group]
    assert {"done", "porosity", "over", "plate", "note"} <= set(labels)
    assert not {"penetration", "trip: yes", "root fused: yes", "line"} & set(labels)


def test_second_beads_have_a_label_for_their_coupon_and_none_for_a_section(hinge: Study):
    labels = dict(label_texts(plan_of(hinge)))
    assert labels["P01b"] == "plate: W01b, W02b"
    assert "W01" in labels
    assert "W01b" not in labels


def test_the_bench_page_hides_sections_and_lets_trips_be(hinge: Study):
    data = bench_data(plan_of(hinge))
    assert data["second"] == {
        "hidden": ["penetration [mm]", "root fused"],
        "optional": ["trip", "trip time [s]"],
    }
    second = [weld for weld in data["welds"] if weld.get("isSecond")]
    assert [weld["weld"] for weld in second] == ["W01b", "W02b", "W03b", "W04b"]
    assert second[0]["reason"] == "The second bead of W01: look it over and count. It is not cut."
    assert any("W01b is the second bead of W01" in line for line in data["how"])
    without = bench_data(plan_of(hinge, wanted=False))
    assert "second" not in without
    assert not any("isSecond" in weld for weld in without["welds"])


def test_the_macro_page_offers_no_second_bead(hinge: Study):
    assert macro_data(plan_of(hinge))["welds"] == ["W01", "W02", "W03", "W04"]


def test_the_workbook_shades_what_is_not_asked_of_second_beads(hinge: Study):
    plan = plan_of(hinge)
    sheet = openpyxl.load_workbook(io.BytesIO(results_workbook(plan)))["welds"]
    heads = [column.heading for column in results_columns(plan.study)]
    rows = {sheet.cell(row=i, column=1).value: i for i in range(2, 10)}

    def is_shaded(weld: str, heading: str) -> bool:
        return sheet.cell(row=rows[weld], column=heads.index(heading) + 1).fill.fill_type == "solid"

    for heading in ("penetration [mm]", "trip", "trip time [s]", "root fused"):
        assert is_shaded("W01b", heading)
        assert not is_shaded("W01", heading)
        assert not sheet.cell(row=rows["W01b"], column=heads.index(heading) + 1).protection.locked
    assert not is_shaded("W01b", "porosity")
    assert not is_shaded("W01b", "porosity length [mm]")
    guide = openpyxl.load_workbook(io.BytesIO(results_workbook(plan)))["guide"]
    said = [str(row[0].value) for row in guide.iter_rows()]
    assert any("A second bead (role second) is only looked over" in line for line in said)
