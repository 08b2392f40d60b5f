from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from doe.planning.plan import Plan, PlannedWeld
from doe.report.labels import add_chalk_card, add_labels, chalk_settings, label_texts
from doe.report.pdf import PaperSize, Sheet
from doe.report.run_sheet import run_sheet
from doe.study.model import Factor, Study

needs_poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler-utils is not installed")


def make_plan(study: Study, n_plates: int = 3) -> Plan:
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


def pages_of(sheet: Sheet, folder: Path) -> list[str]:
    path = folder / "sheet.pdf"
    path.write_bytes(bytes(sheet.output()))
    command = ["pdftotext", "-layout", str(path), "-"]
    return subprocess.run(command, capture_output=True, text=True, check=True).stdout.split("\f")[:-1]


def boxes_of(sheet: Sheet, folder: Path) -> list[tuple[float, float, float, float]]:
    """Give the box of every word, as shares of its page."""
    path = folder / "sheet.pdf"
    path.write_bytes(bytes(sheet.output()))
    done = subprocess.run(["pdftotext", "-bbox", str(path), "-"], capture_output=True, text=True, check=True)
    boxes = []
    size = (1.0, 1.0)
    for line in done.stdout.splitlines():
        numbers = [float(number) for number in re.findall(r'"([\d.]+)"', line)]
        if "<page" in line:
            size = (numbers[0], numbers[1])
        elif "<word" in line:
            boxes.append((numbers[0] / size[0], numbers[1] / size[1], numbers[2] / size[0], numbers[3] / size[1]))
    return boxes


def test_every_plate_and_every_weld_has_one_label_in_the_order_of_welding(hinge: Study):
    texts = label_texts(make_plan(hinge))
    assert [large for large, _ in texts] == ["P03", "P02", "P01", "W05", "W06", "W03", "W04", "W01", "W02"]
    assert texts[0][1] == "plate: W05, W06"
    assert texts[3][1] == "plate P03, position 1"


@needs_poppler
def test_a_label_shows_no_setting(hinge: Study, tmp_path: Path):
    sheet = Sheet("Run sheet", foot="")
    add_labels(sheet, make_plan(hinge))
    text = " ".join(pages_of(sheet, tmp_path))
    assert "19.6" not in text
    assert "m/min" not in text
    assert "preheat" not in text
    assert text.count("0123456789ab") == 9


@needs_poppler
@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_thirty_welds_and_long_titles_stay_on_the_paper(hinge: Study, tmp_path: Path, size: PaperSize):
    more = tuple(Factor(f"quite a long name of a factor {i}", kinds=(f"a rather long kind {i}", "b")) for i in range(3))
    study = replace(hinge, factors=(*hinge.factors, *more), title="A very long title " * 6)
    for add in (add_labels, add_chalk_card):
        sheet = Sheet("Run sheet", foot="", size=size)
        add(sheet, make_plan(study, 15))
        boxes = boxes_of(sheet, tmp_path)
        assert len(boxes) > 100
        assert min(min(box) for box in boxes) > 0.03
        assert max(max(box) for box in boxes) < 0.985
        text = " ".join(pages_of(sheet, tmp_path))
        assert all(re.search(rf"\bW{i + 1:02d}\b", text) for i in range(30))


@needs_poppler
def test_labels_do_not_lie_over_each_other(hinge: Study, tmp_path: Path):
    sheet = Sheet("Run sheet", foot="")
    add_labels(sheet, make_plan(hinge, 15))
    boxes = boxes_of(sheet, tmp_path)
    page = boxes[: len(boxes) // 2]
    overlaps = [
        (a, b)
        for i, a in enumerate(page)
        for b in page[i + 1 :]
        if min(a[2], b[2]) - max(a[0], b[0]) > 0.002 and min(a[3], b[3]) - max(a[1], b[1]) > 0.004
    ]
    assert overlaps == []


def test_the_chalk_card_shows_marks_alone(hinge: Study):
    study = replace(hinge, factors=(*hinge.factors, Factor("wire", kinds=("A", "B"))))
    weld = PlannedWeld("W01", "P01", 1, 1, (19.6, 6.5, 70.0, 1.0))
    assert chalk_settings(study, weld) == ["3", "6.5", "70", "B"]


@needs_poppler
def test_the_chalk_card_gives_units_at_its_head_and_welds_in_order(hinge: Study, tmp_path: Path):
    sheet = Sheet("Run sheet", foot="")
    add_chalk_card(sheet, make_plan(hinge))
    (page,) = pages_of(sheet, tmp_path)
    assert "feed [m/min]" in page
    assert "preheat [°C]" in page
    assert re.findall(r"W\d\d", page) == ["W05", "W06", "W03", "W04", "W01", "W02"]


@needs_poppler
@pytest.mark.parametrize(("n_plates", "n_pages"), [(12, 1), (15, 1), (20, 2)])
def test_the_chalk_card_takes_as_few_pages_as_can_be_read(hinge: Study, tmp_path: Path, n_plates: int, n_pages: int):
    sheet = Sheet("Run sheet", foot="")
    add_chalk_card(sheet, make_plan(hinge, n_plates))
    pages = pages_of(sheet, tmp_path)
    assert len(pages) == n_pages
    for page in pages:
        names = re.findall(r"P\d\d", page)
        assert len(names) % 2 == 0


def test_a_dial_without_calibration_has_no_unit_at_its_head(hinge: Study, tmp_path: Path):
    dial = Factor("dial", values=(1.0, 2.0), marks=("A", "B"), calibrated=False, unit="mark")
    study = replace(hinge, factors=(dial,))
    assert chalk_settings(study, PlannedWeld("W01", "P01", 1, 1, (2.0,))) == ["B"]


@needs_poppler
def test_the_run_sheet_ends_with_chalk_card_and_labels(hinge: Study, tmp_path: Path):
    path = tmp_path / "sheet.pdf"
    path.write_bytes(run_sheet(make_plan(hinge)))
    command = ["pdftotext", "-layout", str(path), "-"]
    pages = subprocess.run(command, capture_output=True, text=True, check=True).stdout.split("\f")[:-1]
    assert "Chalk card" in pages[-2]
    assert "Labels to cut out" in pages[-1]
