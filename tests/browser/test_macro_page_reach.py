"""The macro page for everyone: phone and desk, light and dark, keyboard and screen reader, long names, no script."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import html5lib
import pytest
from PIL import Image, ImageDraw

from doe.study.model import Response, Study

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def photo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A grey picture (invented)."""
    path = tmp_path_factory.mktemp("pictures") / "W01.png"
    picture = Image.new("RGB", (800, 600), (150, 150, 150))
    ImageDraw.Draw(picture).rectangle([0, 350, 800, 500], fill=(90, 90, 90))
    picture.save(path)
    return path


@pytest.fixture
def begun(macro: Any, photo: Path) -> Any:
    """A section with everything clicked, and a second reading begun."""
    macro.load(photo)
    macro.browser.click("#scale-length")
    macro.browser.run("document.querySelector('#known').value = ''")
    macro.browser.type("#known", "20")
    places = [(100, 300), (700, 300), (300, 300), (300, 200), (420, 300), (380, 240), (280, 330)]
    macro.tap(*places)
    macro.browser.click("#read-again")
    macro.tap((120, 300))
    return macro


SIZES = [(390, 844), (320, 568), (1440, 900)]


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_everything_fits_and_every_key_is_large(begun: Any, width: int, height: int):
    begun.browser.resize(width, height)
    for step in ("scale", "pores"):
        begun.browser.click(f"#step-{step}")
        begun.browser.run("document.querySelectorAll('details').forEach((fold) => { fold.open = true; })")
        sizes = begun.browser.run(
            "return [...document.querySelectorAll('button, input, select, textarea, summary')]"
            ".filter((node) => node.checkVisibility()).map((node) => {"
            " const box = node.getBoundingClientRect(); return [node.id || node.textContent, box.width, box.height]; })"
        )
        assert len(sizes) >= 25
        assert [size for size in sizes if size[1] < 44 or size[2] < 44] == []
        assert begun.browser.run("return [document.documentElement.scrollWidth, innerWidth]") == [width, width]


def test_long_names_fit_the_smallest_phone(open_macro: Any, lugs: Study, make_plan: Any, photo: Path):
    long = "averylongnamewithoutanyblank" * 3
    study = replace(lugs, title=long * 2, responses=(Response(f"{long} penetration", "measure", "mm", full=10.0),))
    page = open_macro(make_plan(study))
    page.browser.resize(320, 568)
    page.load(photo)
    assert page.browser.run("return [document.documentElement.scrollWidth, innerWidth]") == [320, 320]


@pytest.mark.parametrize(("device", "chosen"), [("light", ""), ("dark", ""), ("light", "dark")])
def test_every_text_can_be_read_in_light_and_dark_by_device_and_by_choice(begun: Any, device: str, chosen: str):
    begun.browser.scheme(device)
    begun.browser.click(f"#look-{chosen or 'device'}")
    found = begun.browser.contrasts()
    assert len(found) > 80
    assert [text for text in found if text[1] < 4.5] == []
    begun.open()
    with begun.browser.picture() as shot:
        corner = shot.convert("L").getpixel((2, 2))
    assert (corner > 200) == ((chosen or device) == "light")
    begun.browser.click("#look-device")


def test_the_choice_of_light_or_dark_holds_on_the_bench_page_too(
    begun: Any, open_page: Any, lugs: Study, make_plan: Any
):
    begun.browser.scheme("light")
    begun.browser.click("#look-dark")
    bench = open_page(make_plan(lugs))
    bench.browser.click("#look-dark")
    with bench.browser.picture() as shot:
        assert shot.convert("L").getpixel((2, 2)) < 60
    bench.browser.click("#look-device")


def test_everything_has_a_name_for_the_screen_reader(begun: Any):
    nodes = begun.browser.devtools("Accessibility.getFullAXTree")["nodes"]
    asked = {
        "button",
        "textbox",
        "combobox",
        "group",
        "application",
        "image",
        "img",
        "table",
        "columnheader",
        "rowheader",
    }
    found = [(node["role"]["value"], node.get("name", {}).get("value", "")) for node in nodes if not node["ignored"]]
    named = [(role, name) for role, name in found if role in asked]
    assert len(named) > 30
    assert [role for role, name in named if not name and role != "group"] == []
    names = [name for _, name in named]
    for name in ("picture of the section", "last point to the left", "zoom in", "weld", "cut", "root penetration"):
        assert name in names
    assert any(name.startswith("lap joint: toe A on the edge") for name in names)


def test_a_step_is_said_when_it_is_due(begun: Any):
    begun.tap((700, 300))
    assert begun.browser.text("#said").startswith("R, root. The corner where")
    begun.browser.click("#undo")
    assert begun.browser.text("#said") == "Undone: a point of scale"


def test_the_figure_shows_the_joint_and_marks_the_point_that_is_due(begun: Any):
    begun.browser.click("#step-deepest")
    script = (
        "return [...document.querySelectorAll('.figure')].filter((one) => one.checkVisibility())"
        ".map((one) => [one.dataset.joint, [...one.querySelectorAll('.now')].map((spot) => spot.dataset.point)])"
    )
    assert begun.browser.run(script) == [["lap", ["deepest"]]]


def test_the_picture_stays_under_the_finger_when_the_step_changes(macro: Any, photo: Path):
    macro.browser.resize(390, 844)
    macro.load(photo)
    macro.box()
    where = "return document.getElementById('picture').getBoundingClientRect().top"
    for step in ("root", "undercut", "pores", "scale"):
        before = macro.browser.run(where)
        macro.browser.run("document.getElementById(arguments[0]).click()", f"step-{step}")
        assert macro.browser.run(where) == pytest.approx(before, abs=1.5)


def test_the_whole_page_is_reached_by_tab(begun: Any):
    begun.browser.run("document.getElementById('weld').focus()")
    reached = []
    for _ in range(60):
        reached.append(begun.browser.run("return document.activeElement.id"))
        begun.browser.press("\ue004")
    order = [
        "weld",
        "cut",
        "joint",
        "file",
        "step-scale",
        "known",
        "picture",
        "undo",
        "nearer",
        "reading-0",
        "download",
    ]
    assert [name for name in dict.fromkeys(reached) if name in order] == order


def test_nothing_is_asked_of_a_network_and_nothing_else_may_run(begun: Any):
    text = begun.page.read_text(encoding="utf-8")
    assert "default-src 'none'" in text
    assert "unsafe" not in text
    static = text.split("<script", maxsplit=1)[0]
    assert not re.findall(r"""(?:src|href|action|style)\s*=\s*["']""", static)
    assert not re.findall(r"\son[a-z]+\s*=", static)
    resources = begun.browser.run("return performance.getEntriesByType('resource').map((one) => one.name)")
    assert [name for name in resources if not name.startswith("blob:")] == []
    begun.browser.run(
        "const s = document.createElement('script'); s.textContent = 'window.hit = 1'; document.body.append(s);"
    )
    assert begun.browser.run("return window.hit === undefined")


def test_where_nothing_can_be_saved_the_page_says_so_and_goes_on(macro: Any, photo: Path):
    macro.browser.run("Storage.prototype.setItem = () => { throw new Error('full') }")
    macro.load(photo)
    assert macro.browser.text("#saved") == "Not saved"
    assert "export before that" in macro.browser.text("#warning")
    macro.browser.run("localStorage.clear()")


def test_what_was_saved_and_is_damaged_is_kept_aside(macro: Any):
    macro.browser.run("localStorage.setItem(arguments[0], '{broken')", macro.data["key"])
    macro.open()
    assert "is damaged" in macro.browser.text("#picture-words")
    assert macro.browser.run("return localStorage.getItem(arguments[0])", f"{macro.data['key']} damaged") == "{broken"


def test_without_script_the_definitions_and_cautions_still_stand(macro: Any):
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(macro.page.read_text(encoding="utf-8"))
    assert tree.find(".//*[@id='bench']").get("hidden") is not None
    assert "needs script" in tree.find(".//main/section/h2").text
    assert len(tree.findall(".//dl")) == 8
    assert "local rules come first" in "".join(tree.find(".//*[@class='care']").itertext())


def test_the_console_stays_quiet(begun: Any):
    begun.browser.log()
    begun.tap((700, 300))
    begun.browser.click("#undo")
    assert begun.browser.log() == []
