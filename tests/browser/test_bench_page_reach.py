"""The bench page for everyone: any screen, any light, keyboard and screen reader; and nothing that should not run."""

from __future__ import annotations

import re
import time
from dataclasses import replace
from typing import Any

import html5lib
import pytest

from doe.planning.plan import Plan
from doe.study.model import Blocks, Factor, Response, Study

pytestmark = pytest.mark.browser


def test_markup_in_titles_names_and_kinds_stays_text(open_page: Any, lugs: Study, make_plan: Any):
    bad = "</script><script>window.hit = 1</script><img src=x onerror='window.hit = 2'>"
    study = replace(
        lugs,
        title=f"Lugs {bad}",
        factors=(*lugs.factors[:3], Factor(f"wire {bad}", kinds=(f"A {bad}", "B"))),
        responses=(Response(f"depth {bad}", "measure", "mm"), Response(f"trip {bad}", "trip")),
        plan=replace(lugs.plan, blocks=Blocks(f"day {bad}", (6,))),
    )
    plan = make_plan(lugs)
    welds = tuple(replace(weld, settings=(*weld.settings, 0.0), block=f"first {bad}") for weld in plan.welds)
    page = open_page(Plan(study, welds, seed=3, reasons={"W05": bad}))
    page.go("W05")
    page.choose(f"trip {bad}", "yes")
    page.rows()
    assert page.browser.run("return window.hit === undefined")
    assert page.browser.run("return document.querySelectorAll('img').length") == 0
    assert page.browser.run("return document.title") == f"Bench page: Lugs {bad}"


def test_nothing_is_asked_of_a_network_and_nothing_else_may_run(page: Any):
    text = page.page.read_text(encoding="utf-8")
    assert "default-src 'none'" in text
    assert "unsafe" not in text
    assert not re.findall(r"""(?:src|href|action)\s*=\s*["']""", text.split("<script", maxsplit=1)[0])
    assert not re.findall(r"\son[a-z]+\s*=", text.split("<script", maxsplit=1)[0])
    assert page.browser.run("return performance.getEntriesByType('resource').length") == 0
    page.browser.run(
        "const s = document.createElement('script'); s.textContent = 'window.hit = 1'; document.body.append(s)"
    )
    assert page.browser.run("return window.hit === undefined")


def test_without_script_the_page_sends_to_the_paper_run_sheet(page: Any):
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page.page.read_text(encoding="utf-8"))
    assert tree.find(".//main/h2").text == "Use the paper run sheet"
    assert "run-sheet.pdf" in tree.find(".//main/p").text
    assert tree.find(".//nav").get("hidden") is not None


SIZES = [(390, 844), (820, 1180), (320, 568)]


@pytest.mark.parametrize(("width", "height"), SIZES)
def test_everything_fits_and_every_key_is_large(page: Any, width: int, height: int):
    page.browser.resize(width, height)
    for place in ("all", "back", "begin"):
        if place == "begin":
            page.browser.run("for (let i = 0; i < 10; i += 1) document.getElementById('back').click()")
        page.browser.click(f"#{place}")
        page.browser.run("document.querySelectorAll('details').forEach((fold) => { fold.open = true; })")
        sizes = page.browser.run(
            "return [...document.querySelectorAll('button, input, textarea, summary')].map((node) => {"
            " const box = node.getBoundingClientRect(); return [node.id || node.textContent, box.width, box.height]; })"
        )
        assert len(sizes) >= 5
        assert [size for size in sizes if size[1] < 44 or size[2] < 44] == []
        # A phone widens its view for what does not fit.
        assert page.browser.run("return [document.documentElement.scrollWidth, innerWidth]") == [width, width]


def test_long_names_and_six_factors_fit_the_smallest_phone(open_page: Any, lugs: Study, make_plan: Any):
    long = "averylongnamewithoutanyblank" * 2
    more = tuple(Factor(f"{long} {i}", kinds=(f"{long}-kind", "B")) for i in range(3))
    responses = (Response(long, "measure", "mm"), Response(f"{long} c", "count"), Response(f"{long} t", "trip"))
    study = replace(lugs, title=long * 3, factors=(*lugs.factors, *more), responses=responses)
    plan = make_plan(lugs)
    welds = tuple(replace(weld, settings=(*weld.settings, 0.0, 0.0, 0.0)) for weld in plan.welds)
    page = open_page(Plan(study, welds, seed=3))
    page.browser.resize(320, 568)
    page.go("W05")
    page.browser.run("document.querySelectorAll('details').forEach((fold) => { fold.open = true; })")
    assert page.browser.run("return [document.documentElement.scrollWidth, innerWidth]") == [320, 320]
    assert page.browser.run("return document.querySelectorAll('.dials li').length") == 6


@pytest.mark.parametrize("width", [320, 360, 390, 820])
def test_a_number_is_never_broken_over_two_lines(open_page: Any, lugs: Study, make_plan: Any, width: int):
    """120 broken after the 12 would be welded at 12."""
    odd = tuple(Factor(name, unit="mm", values=(value, 2 * value)) for name, value in (("a", 8.25), ("b", 0.7874)))
    study = replace(lugs, factors=(*lugs.factors, *odd, Factor("c", unit="mm", values=(236.2, 300.0))))
    plan = make_plan(lugs)
    welds = tuple(replace(weld, settings=(*weld.settings, 8.25, 0.7874, 236.2)) for weld in plan.welds)
    page = open_page(Plan(study, welds, seed=3))
    page.browser.resize(width, 844)
    page.go("W05")
    found = page.browser.run(
        "return [...document.querySelectorAll('.dials .large')].map((node) => [node.textContent,"
        " node.scrollWidth <= node.clientWidth, node.getBoundingClientRect().height"
        " < 1.7 * parseFloat(getComputedStyle(node).fontSize)])"
    )
    assert {text for text, *_ in found} == {"4", "7", "120", "8.25", "0.7874", "236.2"}
    assert [text for text, is_within, is_one_line in found if not (is_within and is_one_line)] == []


def test_what_was_tapped_stays_where_it_was(page: Any):
    page.go("W05")
    page.browser.click("#arc-key")
    where = "return document.getElementById('arc-key').getBoundingClientRect().top"
    before = page.browser.run(where)
    page.browser.run("document.getElementById('arc-trip-0').click()")
    assert page.browser.run(where) == pytest.approx(before, abs=1.5)


def test_the_marks_are_set_very_large(page: Any):
    page.go("W05")
    sizes = page.browser.run(
        "return [...document.querySelectorAll('.dials .large')]"
        ".map((node) => [node.textContent, parseFloat(getComputedStyle(node).fontSize)])"
    )
    assert [text for text, _ in sizes] == ["4", "7", "120"]
    assert min(size for _, size in sizes) >= 64


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_text_can_be_read_in_light_and_dark(page: Any, scheme: str):
    page.browser.scheme(scheme)
    page.go("W05")
    page.choose("trip", "yes")
    page.choose("status", "aborted")
    page.browser.click("#arc-key")
    page.write("penetration [mm]", "21")
    found = page.browser.contrasts()
    page.browser.click("#all")
    found += page.browser.contrasts()
    assert len(found) > 60
    assert [text for text in found if text[1] < 4.5] == []
    with page.browser.picture() as shot:
        corner = shot.convert("L").getpixel((2, 2))
    assert (corner > 200) == (scheme == "light")


def test_everything_has_a_name_for_the_screen_reader(page: Any):
    page.go("W05")
    page.browser.run("document.querySelectorAll('details').forEach((fold) => { fold.open = true; })")
    nodes = page.browser.devtools("Accessibility.getFullAXTree")["nodes"]
    asked = {"button", "textbox", "group", "timer", "progressbar", "image", "img", "DisclosureTriangle"}
    found = [(node["role"]["value"], node.get("name", {}).get("value", "")) for node in nodes if not node["ignored"]]
    named = [(role, name) for role, name in found if role in asked]
    assert len(named) > 50
    assert [role for role, name in named if not name and role != "group"] == []
    names = [name for _, name in named]
    assert "penetration" in names
    assert "penetration is in in" in names
    assert "porosity: one more" in names
    assert "bead 1 of 2 on plate P03" in names


def test_timers_speak_in_a_live_region_of_their_own(page: Any):
    page.go("W05")
    page.at_time(1_900_000_000_000)
    page.browser.click("#arc-key")
    assert page.browser.text("#said") == "Arc timer running"
    page.at_time(1_900_000_020_500)
    time.sleep(0.3)
    assert page.browser.text("#said") == "20 seconds"
    page.at_time(1_900_000_030_500)
    time.sleep(0.3)
    assert page.browser.text("#said") == "30 s reached"
    live = page.browser.run(
        "return ['said', 'arc-clock'].map((id) => document.getElementById(id).getAttribute('aria-live'))"
    )
    assert live == ["polite", "off"]


def test_the_page_works_by_keyboard(page: Any):
    tab, enter, space = "\ue004", "\ue007", " "
    page.go("W05")
    assert page.browser.run("return document.activeElement.id") == "heading"
    focused = []
    for _ in range(60):
        page.browser.press(tab)
        focused.append(page.browser.run("return document.activeElement.id"))
        if focused[-1] == f"{page.field['status']}-0":
            break
    order = [page.field[heading] for heading in ("plate temperature [degC]", "rest [min]")]
    order += ["arc-key", f"{page.field['trip']}-0", page.field["trip time [s]"], f"{page.field['status']}-0"]
    assert [key for key in focused if key in order] == order
    page.browser.press(space)
    assert page.browser.run("return document.activeElement.id") == f"{page.field['status']}-0"
    page.browser.run("document.getElementById('next').focus()")
    page.browser.press(enter)
    assert page.browser.run("return document.activeElement.id") == "heading"
    assert page.browser.text("#heading").startswith("W06")
    assert page.rows()[4]["status"] == "done"


def test_the_focused_field_is_not_hidden_behind_the_bar(page: Any):
    page.go("W05")
    hidden = []
    for _ in range(30):
        page.browser.press("\ue004")
        box = page.browser.run(
            "const node = document.activeElement; const box = node.getBoundingClientRect();"
            "const bar = document.getElementById('bar').getBoundingClientRect();"
            "return [node.id, node.closest('#bar') !== null || box.bottom <= bar.top + 1]"
        )
        hidden += [] if box[1] else [box[0]]
    assert hidden == []
