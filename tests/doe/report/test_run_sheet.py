from __future__ import annotations

import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from doe.planning.plan import Plan, PlannedWeld
from doe.report.run_sheet import blanks, how_to_run, plates_in_order, run_sheet
from doe.study.model import Factor, Response, Study


def make_plan(study: Study, n_plates: int = 9) -> Plan:
    welds = tuple(
        PlannedWeld(
            f"W{i + 1:02d}",
            f"P{i // 2 + 1:02d}",
            i % 2 + 1,
            2 * (n_plates - 1 - i // 2) + i % 2 + 1,
            tuple(float(f.positions[i % len(f.positions)]) for f in study.factors),
        )
        for i in range(2 * n_plates)
    )
    return Plan(study, welds, seed=3)


def text_of(pdf: bytes, folder: Path) -> str:
    path = folder / "sheet.pdf"
    path.write_bytes(pdf)
    done = subprocess.run(["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True)
    return done.stdout


needs_poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")


def test_the_same_plan_makes_the_same_bytes(hinge: Study):
    assert run_sheet(make_plan(hinge)) == run_sheet(make_plan(hinge))


def test_plates_stand_in_the_order_of_welding(hinge: Study):
    plates = plates_in_order(make_plan(hinge, 3))
    assert [welds[0].plate for welds in plates] == ["P03", "P02", "P01"]
    assert [weld.order for welds in plates for weld in welds] == [1, 2, 3, 4, 5, 6]


@needs_poppler
@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_every_weld_its_marks_and_its_blanks_are_on_the_sheet(hinge: Study, tmp_path: Path, size: str):
    text = text_of(run_sheet(make_plan(hinge), size=size), tmp_path)
    for i in range(18):
        assert f"W{i + 1:02d}" in text
    assert text.count("penetration") >= 18
    assert "19.6 V" in text
    assert "preheat 120 °C" in text
    assert "plate 9 of 9" in text
    assert text.count("page ") == text.count("Run sheet")


@needs_poppler
def test_cautions_defer_to_the_code_and_never_upsize(hinge: Study, tmp_path: Path):
    text = " ".join(text_of(run_sheet(make_plan(hinge)), tmp_path).split())
    assert "qualifies neither a welding procedure nor a welder" in text
    assert "Never fit a larger breaker" in text
    assert "reset once" in text


@needs_poppler
def test_thirty_welds_six_factors_and_long_names_are_not_cut_off(hinge: Study, tmp_path: Path):
    more = tuple(Factor(f"quite a long name of a factor {i}", values=(0.0, 1.0)) for i in range(3))
    study = replace(hinge, factors=(*hinge.factors, *more), title="A very long title " * 6)
    text = text_of(run_sheet(make_plan(study, 15)), tmp_path)
    assert "W30" in text
    assert text.count("note") >= 30


def test_blanks_of_a_response_stay_together(hinge: Study):
    study = replace(hinge, responses=(*hinge.responses, Response("root fused", "pass")))
    groups = blanks(study)
    assert (("trip: yes", 0, ""), ("no", 0, ""), ("arc", 11, "s")) in groups
    assert (("root fused: yes", 0, ""), ("no", 0, "")) in groups


def test_only_round_pores_are_counted_and_only_on_the_steady_part(hinge: Study):
    (line,) = [line for line in how_to_run(hinge) if line.startswith("Count porosity")]
    assert "not the first and last 20 mm" in line
    assert "a wormhole, slag, spatter beside round pores" in line


def test_warm_plates_are_measured_and_cooled_ones_waited_for(hinge: Study):
    assert any("come back to its set temperature" in line for line in how_to_run(hinge))
    warm = replace(hinge, plan=replace(hinge.plan, later_welds="warm"))
    assert any("before every arc" in line for line in how_to_run(warm))
    single = replace(hinge, plan=replace(hinge.plan, welds_per_plate=1))
    assert not any("plate" in line and "arc" in line for line in how_to_run(single)[:1])
