from __future__ import annotations

import html
import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from doe.planning.plan import Plan, PlannedWeld
from doe.report.pdf import SIZES_MM, PaperSize, Sheet
from doe.report.run_sheet import how_to_run, plates_in_order, run_sheet
from doe.report.weld_row import blanks, row_mm
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


Box = tuple[str, float, float, float, float]


def pages_of_boxes(pdf: bytes, folder: Path) -> list[list[Box]]:
    """Give every word of each page with its box: left, top, right, bottom. [pt]."""
    path = folder / "sheet.pdf"
    path.write_bytes(pdf)
    done = subprocess.run(["pdftotext", "-bbox", str(path), "-"], capture_output=True, text=True, check=True)
    pages: list[list[Box]] = []
    for line in done.stdout.splitlines():
        if "<page" in line:
            pages.append([])
        word = re.search(r'xMin="(.*?)" yMin="(.*?)" xMax="(.*?)" yMax="(.*?)">(.*)</word>', line)
        if word:
            left, top, right, bottom = (float(number) for number in word.groups()[:4])
            pages[-1].append((html.unescape(word[5]), left, top, right, bottom))
    return pages


def overlaps(boxes: list[Box]) -> list[tuple[str, str]]:
    """Give the words that lie over each other; a box is higher than its letters, so a little is allowed."""
    return [
        (a[0], b[0])
        for i, a in enumerate(boxes)
        for b in boxes[i + 1 :]
        if min(a[3], b[3]) - max(a[1], b[1]) > 1.0
        and min(a[4], b[4]) - max(a[2], b[2]) > 0.4 * min(a[4] - a[2], b[4] - b[2])
    ]


def crowded(study: Study) -> Study:
    """Give a study with six factors, long names and kinds, blocks and five responses (invented)."""
    kinds = ("82 % argon, 18 % carbon dioxide, 14 l/min", "carbon dioxide, straight, 18 l/min")
    more = (
        Factor("shielding gas and its flow rate", kinds=kinds),
        Factor("stick-out between contact tip and work as measured", unit="mm", values=(12.0, 16.0, 20.0)),
        Factor("averyverylongdialnamewithoutanyblank", values=(1.0, 2.0), marks=("low", "middle-of-the-range")),
    )
    responses = (
        *study.responses,
        Response("leg on the lower plate, measured square to it", "measure", "mm"),
        Response("fracture test passed along the whole length of the weld, start and stop apart " * 2, "pass"),
    )
    return replace(study, factors=(*study.factors, *more), responses=responses, title="A very long title " * 6)


@needs_poppler
@pytest.mark.parametrize("size", ["A4", "Letter"])
def test_thirty_welds_six_factors_and_long_names_are_not_cut_off(hinge: Study, tmp_path: Path, size: PaperSize):
    study = replace(crowded(hinge), units="us" if size == "Letter" else "metric")
    pages = pages_of_boxes(run_sheet(make_plan(study, 15), size=size), tmp_path)
    width, height = (mm / 25.4 * 72 for mm in SIZES_MM[size])
    margin = 11.5 / 25.4 * 72
    for boxes in pages:
        outside = [w for w, left, top, right, bottom in boxes if left < margin or right > width - margin]
        outside += [w for w, left, top, right, bottom in boxes if top < margin - 3 or bottom > height - margin + 3]
        assert outside == []
        assert overlaps(boxes) == []
    words = " ".join(word for boxes in pages for word, *_ in boxes)
    assert all(f"W{i + 1:02d}" in words for i in range(30))
    assert words.count("note") >= 30
    assert words.count("82 % argon, 18 % carbon dioxide, 14 l/min") == 30  # on 15 rows, and on the chalk card
    assert "…" not in " ".join(word for boxes in pages[:-3] for word, *_ in boxes)


@needs_poppler
def test_every_row_is_as_high_as_its_blanks(hinge: Study, tmp_path: Path):
    """The last blank of a weld stands above the next weld's first word."""
    boxes = pages_of_boxes(run_sheet(make_plan(crowded(hinge), 4)), tmp_path)[1]
    notes = sorted(bottom for word, _, _, _, bottom in boxes if word == "note")
    names = sorted(top for word, left, top, _, _ in boxes if word == "voltage")
    assert len(notes) >= 2
    assert all(note < name for note, name in zip(notes, names[1:], strict=False))


@needs_poppler
def test_the_weld_that_loads_the_supply_most_is_named_in_its_row(hinge: Study, tmp_path: Path):
    pages = pages_of_boxes(run_sheet(make_plan(crowded(hinge))), tmp_path)
    words = " ".join(word for boxes in pages for word, *_ in boxes)
    assert words.count("watch the breaker") >= 1
    assert words.count("watch the breaker") < 18


def test_a_plain_study_keeps_its_rows_low(hinge: Study):
    sheet = Sheet("Run sheet", foot="")
    sheet.add_page()
    plain, full = row_mm(sheet, hinge), row_mm(sheet, crowded(hinge))
    sheet.output()  # closes the fonts
    assert plain <= 31.5
    assert full > plain + 10


def test_blanks_of_a_response_stay_together(hinge: Study):
    study = replace(hinge, responses=(*hinge.responses, Response("root fused", "pass")))
    groups = blanks(study)
    assert (("trip (breaker): yes", 0, ""), ("no", 0, ""), ("arc", 11, "s")) in groups
    assert (("root fused: yes", 0, ""), ("no", 0, "")) in groups


def test_only_round_pores_are_counted_and_only_on_the_steady_part(hinge: Study):
    (line,) = [line for line in how_to_run(hinge) if line.startswith("Count porosity")]
    assert "not the first and last 20 mm" in line
    assert "a wormhole, slag, spatter beside round pores" in line


def test_penetration_of_a_fillet_counts_from_the_root_corner(hinge: Study):
    (line,) = [line for line in how_to_run(hinge) if line.startswith("Measure penetration")]
    assert line.startswith(
        "Measure penetration on a section at mid-run, of a fillet from the root corner into the plate"
    )
    assert "not the leg, not the depth of a bead on plate" in line


@pytest.mark.parametrize(
    ("response", "joint"),
    [
        (Response("penetration", "measure", "mm"), "square butt"),
        (Response("penetration", "measure", "mm"), "bead on plate"),
        (Response("leg", "measure", "mm"), "lap fillet"),
        (Response("penetration speed", "measure", "mm/s"), "lap fillet"),
    ],
)
def test_where_no_root_corner_is_measured_none_is_spoken_of(hinge: Study, response: Response, joint: str):
    study = replace(hinge, job=replace(hinge.job, joint=joint), responses=(response,))
    (line,) = [line for line in how_to_run(study) if line.startswith("Measure")]
    assert "on a section at mid-run." in line
    assert "root corner" not in line


def test_warm_plates_are_measured_and_cooled_ones_waited_for(hinge: Study):
    assert any("come back to its set temperature" in line for line in how_to_run(hinge))
    warm = replace(hinge, plan=replace(hinge.plan, later_welds="warm"))
    assert any("before every arc" in line for line in how_to_run(warm))
    single = replace(hinge, plan=replace(hinge.plan, welds_per_plate=1))
    assert not any("plate" in line and "arc" in line for line in how_to_run(single)[:1])


def test_a_trip_is_the_breakers_and_a_cut_out_has_its_own_blank(hinge: Study):
    study = replace(hinge, responses=(*hinge.responses, Response("thermal cut-out", "trip", hold_s=30.0)))
    labels = [blank[0] for group in blanks(study) for blank in group]
    assert "trip (breaker): yes" in labels
    assert "thermal cut-out: yes" in labels
    assert ("breaker trip: yes", 0, "") in blanks(replace(study, responses=(Response("breaker trip", "trip"),)))[1]
    said = how_to_run(study)
    assert any(line.startswith("Under trip: the supply breaker only. A cut-out of the machine") for line in said)
    assert any(line.startswith("Under thermal cut-out: thermal cut-out only.") for line in said)
    assert sum("read the line current of every weld" in line for line in said) == 1
