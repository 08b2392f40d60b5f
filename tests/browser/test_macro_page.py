"""The macro page in headless Chromium: made pictures with known answers, measured by taps on what is seen."""

from __future__ import annotations

import csv
import hashlib
import io
import math
import statistics
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose
from PIL import Image, ImageOps

from doe.bench.stage import write_stage
from doe.bench.taking import read_export, write_export
from tests.browser.made_section import (
    COLOURS,
    SECTION,
    SIZE,
    TRUE,
    Point,
    dots,
    draw_section,
    in_picture,
    pores_on,
    screen_mm,
    skewed,
)

pytestmark = pytest.mark.browser


def choose(macro: Any, selector: str, value: str) -> None:
    macro.browser.run(
        "const node = document.querySelector(arguments[0]); node.value = arguments[1];"
        "node.dispatchEvent(new Event('change'))",
        selector,
        value,
    )


def retype(macro: Any, selector: str, text: str) -> None:
    macro.browser.run("document.querySelector(arguments[0]).value = ''", selector)
    macro.browser.type(selector, text)


SCALES: Mapping[str, tuple[str, ...]] = {
    "length": ("left", "right"),
    "thickness": ("left", "right", "below"),
    "corners": ("corner 1", "corner 2", "corner 3", "corner 4"),
}
KNOWN = {"length": ("22", ""), "thickness": ("10", ""), "corners": ("26", "20")}
WELD = ("root", "toe A", "toe B", "face", "deepest")


def set_scale(macro: Any, scale: str) -> None:
    macro.browser.click(f"#scale-{scale}")
    known, second = KNOWN[scale]
    retype(macro, "#known", known)
    if second:
        retype(macro, "#second", second)


def measure(macro: Any, seen: Mapping[str, Point], scale: str = "thickness") -> None:
    """Measure the whole section by taps."""
    set_scale(macro, scale)
    macro.tap(*(seen[name] for name in SCALES[scale]))
    macro.tap(*(seen[name] for name in WELD))
    macro.tap(seen["surface"], seen["groove"])
    macro.browser.click("#step-pores")
    for outline in pores_on(seen):
        macro.tap(*outline)
        macro.browser.click("#close-pore")


@pytest.fixture(scope="module")
def square(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("pictures") / "W03 cut 1.png"
    draw_section().save(path)
    return path


@pytest.fixture(scope="module")
def oblique(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("pictures") / "oblique.png"
    skewed(draw_section(), [(110, 130), (890, 20), (770, 590), (15, 705)]).save(path)
    return path


@pytest.fixture
def tee(macro: Any) -> Any:
    choose(macro, "#joint", "tee")
    return macro


@pytest.mark.parametrize("scale", ["length", "thickness", "corners"])
def test_a_made_section_is_measured_to_a_pixel(tee: Any, square: Path, scale: str):
    tee.load(square)
    seen = dots(tee.seen())
    measure(tee, seen, scale)
    found = tee.values()
    assert found.keys() == TRUE.keys()
    pixel = screen_mm(seen)
    assert pixel < 0.05
    for name, value in TRUE.items():
        assert found[name] == pytest.approx(value, abs=1.5 * pixel), name
    assert tee.number("root penetration") == pytest.approx(found["penetration"], abs=0.005)
    assert tee.number("pores") == 2


def test_four_corners_take_out_the_skew_and_two_points_do_not(tee: Any, oblique: Path):
    tee.load(oblique)
    seen = dots(tee.seen())
    measure(tee, seen, "corners")
    pixel = screen_mm(seen)
    corrected = tee.values()
    for name, value in TRUE.items():
        assert corrected[name] == pytest.approx(value, abs=2 * pixel), name
    tee.browser.click("#step-scale")
    set_scale(tee, "length")
    tee.tap(seen["left"], seen["right"])
    plain = tee.values()
    assert max(abs(plain[name] - TRUE[name]) for name in ("legA", "legB", "throat")) > 6 * pixel


UNTURNED = {
    1: None,
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}
"""How an upright picture is stored under each orientation of Exif (tag 0x0112); checked against Pillow's reading."""


@pytest.mark.parametrize(
    "orientations",
    [
        pytest.param((1, 3, 6, 8), id="as cameras turn"),
        pytest.param((1, 2, 4, 5, 7), id="mirrored", marks=pytest.mark.slow),
    ],
)
def test_pictures_stand_upright_by_their_exif_orientation_and_measure_the_same(
    tee: Any, tmp_path: Path, orientations: tuple[int, ...]
):
    upright = draw_section()
    first: dict[str, Point] = {}
    for orientation in orientations:
        turn = UNTURNED[orientation]
        stored = upright if turn is None else upright.transpose(turn)
        exif = Image.Exif()
        exif[0x0112] = orientation
        path = tmp_path / f"turned-{orientation}.jpg"
        stored.save(path, quality=95, subsampling=0, exif=exif)
        with Image.open(path) as kept:
            assert np.abs(np.asarray(ImageOps.exif_transpose(kept), float) - np.asarray(upright, float)).mean() < 4
        tee.load(path)
        seen = dots(tee.seen())
        first = first or seen
        for name, place in seen.items():
            assert_allclose(place, first[name], atol=1.0, err_msg=f"{orientation}: {name}")
    set_scale(tee, "length")
    tee.tap(*(first[name] for name in (*SCALES["length"], *WELD)))
    for name in ("penetration", "legA", "legB", "throat"):
        assert tee.values()[name] == pytest.approx(TRUE[name], abs=1.5 * screen_mm(first)), name


def test_three_readings_give_the_repeat_error_and_are_blind(tee: Any, square: Path):
    tee.load(square)
    seen = dots(tee.seen())
    set_scale(tee, "length")
    depths = []
    for i, shift in enumerate((0, 3, -2)):
        if i:
            tee.browser.click("#read-again")
            assert "hidden" in tee.browser.text("#table")
            assert tee.state()["sections"]["W01 1"]["readings"][i]["points"] == {}
        tee.tap(*(seen[name] for name in SCALES["length"]))
        deepest = (seen["deepest"][0] - shift, seen["deepest"][1] + shift)
        tee.tap(*(seen[name] for name in WELD[:-1]), deepest)
        assert "hidden" not in tee.browser.text("#table")
        depths.append(tee.values()["penetration"])
    assert max(depths) - min(depths) > 4 * screen_mm(seen)
    assert tee.number("root penetration") == pytest.approx(statistics.mean(depths), abs=0.006)
    assert f"± {statistics.stdev(depths):.3f} mm" in tee.browser.text("#repeat")
    assert "from 3 readings of 1 section" in tee.browser.text("#repeat")
    row = rows(tee)[0]
    assert float(row["section root penetration, spread of the readings [mm]"]) == pytest.approx(
        statistics.stdev(depths), abs=0.001
    )
    assert row["section readings"] == "3"


def rows(macro: Any) -> list[dict[str, str]]:
    text = macro.browser.run("return document.getElementById('as-text').value")
    return list(csv.DictReader(io.StringIO("\n".join(line for line in text.splitlines() if not line.startswith("#")))))


def test_the_export_is_taken_into_results_csv(make_plan: Any, lugs: Any, macro: Any, square: Path):
    plan = make_plan(lugs)
    write_stage(plan)
    choose(macro, "#joint", "tee")
    choose(macro, "#weld", "W03")
    macro.load(square)
    seen = dots(macro.seen())
    measure(macro, seen)
    first = macro.values()
    choose(macro, "#cut", "2")
    macro.load(square)
    assert "was measured as W03, cut 1" in macro.browser.text("#picture-words")
    set_scale(macro, "thickness")
    macro.tap(*(seen[name] for name in (*SCALES["thickness"], *WELD)))
    macro.browser.click("#no-undercut")
    macro.browser.click("#no-pores")
    macro.browser.type("#reader", "=Ann")
    choose(macro, "#weld", "W05")
    macro.load(square)
    set_scale(macro, "thickness")
    macro.tap(seen["left"])
    macro.browser.click("#word-burnt-through")
    file = macro.export()
    export = read_export(file, plan.study)
    assert export.sections == ("W03", "W05")
    assert write_export(export).files == (plan.study.folder / "results.csv",)
    readings = export.results.readings["penetration"]
    assert readings.values[2][0] == pytest.approx(first["penetration"], abs=0.0051)
    assert_allclose(readings.values[2], TRUE["penetration"], atol=1.5 * screen_mm(seen))
    assert readings.full[4] == 10.0
    assert readings.values[4][0] >= 10.0
    remarks = export.results.remarks
    assert remarks["section picture"][2] == square.name
    assert remarks["section picture SHA-256"][2] == hashlib.sha256(square.read_bytes()).hexdigest()
    assert float(remarks["section leg A [mm]"][2]) == pytest.approx(5.2, abs=0.06)
    assert (remarks["section pores"][2], remarks["section 2 pores"][2]) == ("2", "0")
    assert remarks["section 2 undercut [mm]"][2] == "0.00"
    assert remarks["section read by"][2] == "=Ann"
    assert "'=Ann" in file.read_text(encoding="utf-8")


def test_a_reload_keeps_the_clicks_and_asks_for_the_picture_again(tee: Any, square: Path, oblique: Path):
    tee.load(square)
    seen = dots(tee.seen())
    set_scale(tee, "length")
    tee.tap(*(seen[name] for name in (*SCALES["length"], *WELD)))
    before = tee.values()
    tee.open()
    assert f"Choose {square.name} again" in tee.browser.text("#picture-words")
    assert tee.values() == before
    tee.tap(seen["surface"])
    assert tee.values() == before
    tee.load(oblique, shown="is not the picture that was measured")
    assert tee.values() == before
    tee.browser.click("#leave")
    tee.load(square, shown="SHA-256")
    time.sleep(0.1)
    assert "again" not in tee.browser.text("#picture-words")
    tee.tap(seen["surface"], seen["groove"])
    assert tee.values()["undercut"] == pytest.approx(0.45, abs=1.5 * screen_mm(seen))
    tee.load(oblique, shown="is not the picture that was measured")
    tee.browser.click("#anew")
    assert tee.values() == {}
    tee.browser.click("#undo")
    assert tee.values()["undercut"] == pytest.approx(0.45, abs=1.5 * screen_mm(seen))


def test_undo_takes_back_every_click_down_to_none(tee: Any, square: Path):
    tee.load(square)
    seen = dots(tee.seen())
    set_scale(tee, "thickness")
    before = tee.state()["sections"]["W01 1"]
    tee.tap(*(seen[name] for name in (*SCALES["thickness"], *WELD, "surface", "groove")))
    assert tee.values()["undercut"] > 0
    tee.browser.run("for (let i = 0; i < arguments[0]; i += 1) document.getElementById('undo').click()", 10)
    assert tee.state()["sections"]["W01 1"] == before
    assert tee.state()["step"] == "scale"


def test_a_point_is_dragged_and_nudged_to_its_place(tee: Any, square: Path):
    tee.load(square)
    seen = dots(tee.seen())
    set_scale(tee, "length")
    wrong = (seen["deepest"][0] + 40, seen["deepest"][1] + 25)
    tee.tap(*(seen[name] for name in (*SCALES["length"], *WELD[:-1])), wrong)
    assert abs(tee.values()["penetration"] - TRUE["penetration"]) > 0.3
    left, top, _, _ = tee.box()
    start, end = (
        {"type": "pointerMove", "duration": 0, "x": round(left + x), "y": round(top + y)}
        for x, y in (wrong, seen["deepest"])
    )
    tee.move([start, "down", {**start, "x": start["x"] - 10}, end, "up"])
    assert tee.values()["penetration"] == pytest.approx(TRUE["penetration"], abs=1.5 * screen_mm(seen))
    place = tee.state()["sections"]["W01 1"]["readings"][0]["points"]["deepest"]
    for label in ("left", "left", "up"):
        tee.browser.click(f"[aria-label='last point {'to the left' if label == 'left' else 'up'}']")
    moved = tee.state()["sections"]["W01 1"]["readings"][0]["points"]["deepest"]
    _, _, width, height = tee.box()
    step = max(1.0, SIZE[0] / width, SIZE[1] / height)
    assert_allclose(np.subtract(place, moved), [2 * step, step], rtol=0.05)
    tee.browser.click("#undo")
    tee.browser.click("#undo")
    assert_allclose(
        tee.state()["sections"]["W01 1"]["readings"][0]["points"]["deepest"], pictured(tee, wrong), atol=1.5
    )


def pictured(macro: Any, place: Point) -> Point:
    """Give the place in the picture of one on the screen, where the whole picture is shown."""
    _, _, width, height = macro.box()
    zoom = min(width / SIZE[0], height / SIZE[1])
    return (place[0] - (width - SIZE[0] * zoom) / 2) / zoom, (place[1] - (height - SIZE[1] * zoom) / 2) / zoom


def test_wheel_and_buttons_zoom_about_what_is_looked_at(tee: Any, square: Path):
    tee.load(square)
    first = dots(tee.seen())
    left, top, _, _ = tee.box()
    x, y = (round(left + first["root"][0]), round(top + first["root"][1]))
    wheel = {"type": "scroll", "duration": 0, "x": x, "y": y, "deltaX": 0, "deltaY": -200}
    tee.browser.call("POST", "/actions", {"actions": [{"type": "wheel", "id": "wheel", "actions": [wheel]}]})
    near = tee.seen()
    pixels = np.abs(np.asarray(near, float) - COLOURS["root"]).max(axis=2) < 40
    rows_, columns = np.nonzero(pixels)
    assert_allclose((columns.mean() + 0.5, rows_.mean() + 0.5), first["root"], atol=2)
    assert pixels.sum() > 1.5 * (np.abs(np.asarray(tee_whole(tee), float) - COLOURS["root"]).max(axis=2) < 40).sum()


def tee_whole(macro: Any) -> Image.Image:
    macro.browser.click("#whole")
    seen: Image.Image = macro.seen()
    return seen


def test_zoomed_in_a_tap_is_finer_than_a_pixel_of_the_whole(tee: Any, square: Path):
    tee.browser.resize(390, 844)
    tee.load(square)
    tee.browser.click("#nearer")
    tee.browser.click("#nearer")
    seen = tee.seen()
    pixels = np.abs(np.asarray(seen, float) - COLOURS["root"]).max(axis=2) < 40
    rows_, columns = np.nonzero(pixels)
    tee.browser.click("#step-root")
    tee.tap((columns.mean() + 0.5, rows_.mean() + 0.5))
    place = tee.state()["sections"]["W01 1"]["readings"][0]["points"]["root"]
    assert_allclose(place, in_picture(SECTION["root"]), atol=1.5)


def fingers(macro: Any, *paths: Sequence[Point]) -> None:
    """Move fingers over the picture, all at once; each path begins with a touch and ends with its lifting."""
    left, top, _, _ = macro.box()
    actions = []
    for i, path in enumerate(paths):
        moves = [{"type": "pointerMove", "duration": 30, "x": round(left + x), "y": round(top + y)} for x, y in path]
        steps = [moves[0], {"type": "pointerDown", "button": 0}, *moves[1:], {"type": "pointerUp", "button": 0}]
        actions.append(
            {"type": "pointer", "id": f"finger {i}", "parameters": {"pointerType": "touch"}, "actions": steps}
        )
    macro.browser.call("POST", "/actions", {"actions": actions})


def test_fingers_pinch_pan_and_tap(tee: Any, square: Path):
    tee.load(square)
    first = dots(tee.seen())
    root = first["root"]
    fingers(
        tee,
        [(root[0] - 40, root[1]), (root[0] - 60, root[1]), (root[0] - 80, root[1])],
        [(root[0] + 40, root[1]), (root[0] + 60, root[1]), (root[0] + 80, root[1])],
    )
    wide = tee.seen()
    spread = np.nonzero(np.abs(np.asarray(wide, float) - COLOURS["toe A"]).max(axis=2) < 40)
    toe = (spread[1].mean() + 0.5, spread[0].mean() + 0.5)
    assert math.dist(toe, root) == pytest.approx(2 * math.dist(first["toe A"], root), rel=0.06)
    assert tee.state()["sections"]["W01 1"]["readings"][0]["scale"]["points"] == []
    fingers(tee, [(300, 300), (280, 300), (250, 300), (200, 300)])
    moved = np.nonzero(np.abs(np.asarray(tee.seen(), float) - COLOURS["toe A"]).max(axis=2) < 40)
    assert moved[1].mean() + 0.5 == pytest.approx(toe[0] - 100, abs=25)
    fingers(tee, [(200.0, 200.0)])
    assert len(tee.state()["sections"]["W01 1"]["readings"][0]["scale"]["points"]) == 1


def test_the_keyboard_alone_puts_points(tee: Any, square: Path):
    enter, right, down, shift, backspace = "\ue007", "\ue014", "\ue015", "\ue008", "\ue003"
    tee.load(square)
    tee.browser.run("document.getElementById('picture').focus()")
    tee.browser.press(enter)
    assert tee.state()["sections"]["W01 1"]["readings"][0]["scale"]["points"] == []
    tee.browser.press(right, right, down, enter)
    _, _, width, height = tee.box()
    points = tee.state()["sections"]["W01 1"]["readings"][0]["scale"]["points"]
    assert_allclose(points, [pictured(tee, (width / 2 + 20, height / 2 + 10))], atol=0.6)
    keys = [
        {"type": "keyDown", "value": shift}, {"type": "keyDown", "value": right}, {"type": "keyUp", "value": right},
        {"type": "keyUp", "value": shift}, {"type": "keyDown", "value": enter}, {"type": "keyUp", "value": enter},
    ]  # fmt: skip
    tee.browser.call("POST", "/actions", {"actions": [{"type": "key", "id": "keys", "actions": keys}]})
    second = tee.state()["sections"]["W01 1"]["readings"][0]["scale"]["points"][1]
    assert_allclose(np.subtract(second, points[0]), [1, 0], atol=1e-9)
    tee.browser.press(backspace)
    assert len(tee.state()["sections"]["W01 1"]["readings"][0]["scale"]["points"]) == 1


def test_inches_are_shown_and_typed_and_the_table_stays_in_the_study_s_unit(tee: Any, square: Path):
    tee.load(square)
    seen = dots(tee.seen())
    set_scale(tee, "length")
    tee.browser.click("#scale-unit-in")
    retype(tee, "#known", "22/25")
    tee.tap(*(seen[name] for name in (*SCALES["length"], *WELD)))
    in_mm = tee.values()["penetration"]
    assert in_mm == pytest.approx(TRUE["penetration"] * 25.4 * 22 / 25 / 22, abs=1.5 * screen_mm(seen))
    tee.browser.click("#unit-in")
    assert tee.number("root penetration") == pytest.approx(in_mm / 25.4, abs=6e-5)
    assert float(rows(tee)[0]["penetration [mm]"]) == pytest.approx(in_mm, abs=0.006)


def test_another_joint_asks_for_its_own_points(tee: Any, square: Path):
    tee.load(square)
    seen = dots(tee.seen())
    set_scale(tee, "thickness")
    tee.tap(*(seen[name] for name in (*SCALES["thickness"], *WELD)))
    choose(tee, "#joint", "bead")
    assert tee.values() == {}
    tee.tap(seen["left"], seen["right"], seen["toe A"], seen["below"])
    pixel = screen_mm(seen)
    assert_allclose(
        [tee.values()[name] for name in ("penetration", "width", "height")], [10, 22, 5.2], atol=1.5 * pixel
    )
    choose(tee, "#joint", "butt")
    tee.tap(seen["left"], seen["right"], seen["toe A"], seen["deepest"], seen["below"])
    found = tee.values()
    assert_allclose([found["penetration"], found["throat"]], [10 - 1.3, 10], atol=1.5 * pixel)
    visible = (
        "return [...document.querySelectorAll('.figure')]"
        ".filter((one) => one.checkVisibility()).map((one) => one.dataset.joint)"
    )
    assert tee.browser.run(visible) == ["butt"]


def test_what_cannot_be_is_said_and_gives_no_number(tee: Any, square: Path):
    tee.load(square)
    seen = dots(tee.seen())
    set_scale(tee, "corners")
    tee.tap(*(seen[name] for name in ("corner 1", "corner 3", "corner 2", "corner 4", *WELD)))
    assert "do not go round a rectangle" in tee.browser.text("#readings")
    assert tee.values() == {}
    tee.browser.click("#step-scale")
    set_scale(tee, "length")
    retype(tee, "#known", "about 20")
    tee.tap(seen["left"], seen["right"])
    assert "Type the known size" in tee.browser.text("#readings")
    tee.browser.click("#step-scale")
    retype(tee, "#known", "22")
    tee.browser.click("#step-deepest")
    tee.tap(seen["face"])
    assert "fusion stops short of the root" in tee.browser.text("#readings")
    assert float(rows(tee)[0]["penetration [mm]"]) < 0


def test_a_file_that_is_no_picture_is_refused(tee: Any, tmp_path: Path):
    wrong = tmp_path / "notes.png"
    wrong.write_text("not a picture")
    tee.load(wrong, shown="cannot be shown by this browser")
    assert tee.state()["sections"] == {}


def test_of_a_picture_only_name_hash_and_size_are_kept(tee: Any, tmp_path: Path):
    exif = Image.Exif()
    exif[0x8825] = {1: "N", 2: (48.0, 7.0, 9.0), 3: "E", 4: (11.0, 34.0, 17.0)}
    path = tmp_path / "phone.jpg"
    draw_section().save(path, exif=exif)
    with Image.open(path) as kept_picture:
        assert kept_picture.getexif().get_ifd(0x8825)
    tee.load(path)
    seen = dots(tee.seen())
    set_scale(tee, "length")
    tee.tap(*(seen[name] for name in (*SCALES["length"], *WELD)))
    assert set(tee.state()["sections"]["W01 1"]["picture"]) == {"name", "hash", "width", "height"}
    kept = tee.browser.run("return JSON.stringify({ ...localStorage })")
    assert len(kept) < 20000
    assert not any(word in kept for word in ("data:", "blob:", "base64"))
    row = rows(tee)[0]
    assert row["section picture SHA-256"] == hashlib.sha256(path.read_bytes()).hexdigest()
    assert (
        tee.browser.run(
            "return performance.getEntriesByType('resource').filter((one) => !one.name.startsWith('blob:')).length"
        )
        == 0
    )
