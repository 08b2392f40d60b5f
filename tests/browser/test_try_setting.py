"""“Try a setting” in headless Chromium: the page's own arithmetic against ours, dials, lamp, keyboard, paper.

The settings are random; our numbers come from the same posterior draws, not rounded to sixteen bits. They agree to
1e-3, above 1 to that share of the number.
"""

from __future__ import annotations

import base64
import json
import shutil
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import html5lib
import numpy as np
import pytest

from doe.bench.results import Results
from doe.models import fit_responses
from doe.models.fit import Fit
from doe.planning.plan import Plan, PlannedWeld
from doe.planning.region import allowed
from doe.report.contents import ReportContents, report_contents
from doe.report.page import render_page
from doe.report.try_setting import try_setting
from doe.study.model import Factor, Job, Limit, Machine, PlanWishes, Response, Study, Supply
from doe.virtual import WELDERS, Bench, weld_plan
from doe.window import find_window
from doe.window.explore import Explorer, expect_setting, open_explorer
from doe.window.window import Window

pytestmark = pytest.mark.browser

N_SETTINGS = 20
MARKS = {"1": 17.0, "2": 18.4, "3": 19.6, "4": 21.1, "5": 22.3}
VOLTAGE = Factor("voltage", "voltage", "V", tuple(MARKS.values()), tuple(MARKS), set_within=0.2)
FEED = Factor("feed", "feed", "m/min", tuple(np.arange(5.0, 9.25, 0.5).tolist()), is_continuous=True)
PREHEAT = Factor("preheat", "preheat", "degC", (20.0, 70.0, 120.0), hard_to_change=True)
DEPTH = Response("penetration", "measure", "mm", at_least=1.2, full=10.0, expect_scatter=0.3)
PORES = Response("porosity", "count", per_mm=100.0, per_text="100 mm", at_most=2)
TRIP = Response("trip", "trip", hold_s=30.0)


def lugs(**changes: Any) -> Study:
    study = Study(
        "Hinge lugs, 10 mm",
        (VOLTAGE, FEED, PREHEAT),
        (DEPTH, PORES, TRIP),
        job=Job(thickness_mm=10.0, travel_speed_mm_s=5.0, weld_length_mm=150.0),
        supply=Supply(230.0, 16.0, "C"),
        machine=Machine(0.8, 0.7),
        plan=PlanWishes(welds=18, welds_per_plate=2),
        fingerprint="0123456789ab",
    )
    return replace(study, **changes)


def two_wires() -> Study:
    """Two wires with feeds of their own, a limit, a depth with both limits, a response without, pass or fail."""
    feeds = tuple(np.arange(4.0, 9.25, 0.5).tolist())
    return lugs(
        factors=(
            Factor("wire", kinds=("thin", "thick")),
            Factor("voltage", "voltage", "V", (17.0, 18.0, 19.0, 20.0, 21.0, 22.0), is_continuous=True),
            Factor(
                "feed", "feed", "m/min", feeds, ranges=(("thin", 5.0, 9.0), ("thick", 4.0, 7.0)), range_by="wire",
                is_continuous=True,
            ),
        ),
        responses=(
            replace(DEPTH, at_most=3.4),
            Response("leg", "measure", "mm"),
            PORES,
            Response("root fused", "pass"),
        ),
        limits=(Limit((("voltage", 1.0), ("feed", -0.9)), 16.3, "voltage - 0.9*feed <= 16.3", "burn-back"),),
        supply=Supply(),
    )  # fmt: skip


def in_inches() -> Study:
    """Dials in inches and degrees Fahrenheit, depth read in inches, a supply nobody measured."""
    feed = Factor("feed", "feed", "in/min", tuple(np.arange(200.0, 361.0, 20.0).tolist()), is_continuous=True)
    heat = Factor("preheat", "preheat", "degF", (70.0, 160.0, 250.0), hard_to_change=True)
    depth = Response("penetration", "measure", "in", at_least=0.047, expect_scatter=0.012)
    return lugs(factors=(VOLTAGE, feed, heat), responses=(depth, PORES, TRIP), units="us", supply=Supply())


def random_plan(study: Study, rng: np.random.Generator, n: int = 18) -> Plan:
    """Weld settings at random among the ends and middles of the dials, two a plate, a limit kept."""
    kept: list[tuple[float, ...]] = []
    while len(kept) < n:
        levels = [
            rng.choice(f.positions)
            if f.is_kind or f.ranges
            else rng.choice(f.positions[[0, len(f.positions) // 2, -1]])
            for f in study.factors
        ]
        if allowed(study, np.array([levels]))[0]:
            kept.append(tuple(float(v) for v in levels))
    welds = (PlannedWeld(f"W{i + 1:02d}", f"P{i // 2 + 1:02d}", i % 2 + 1, i + 1, at) for i, at in enumerate(kept))
    return Plan(study, tuple(welds), seed=1)


def in_the_unit(results: Results, factor: float) -> Results:
    """Turn depths that a virtual welder gives in millimetres into another unit."""
    depth = results.readings["penetration"]
    scaled = replace(depth, values=np.round(depth.values * factor, 3), full=np.full(results.n_welds, np.inf))
    return replace(results, readings={**results.readings, "penetration": scaled})


def with_plate_temperatures(results: Results, rng: np.random.Generator) -> Results:
    rise = np.where(results.position > 1, 45.0, 3.0) + rng.normal(0.0, 3.0, results.n_welds)
    heat = results.planned[:, 2] + rise
    return replace(results, conditions={**results.conditions, "plate temperature [degC]": heat})


def welded(name: str) -> Results:
    """Weld one of the studies."""
    rng = np.random.default_rng(5)
    warm = PlanWishes(welds=18, welds_per_plate=2, later_welds="warm")
    if name == "in inches, supply unknown":
        return in_the_unit(weld_plan(random_plan(in_inches(), rng), WELDERS["hinge lugs"], rng=rng), 1 / 25.4)
    if name == "two wires":
        return weld_plan(random_plan(two_wires(), rng, 24), WELDERS["hinge lugs"], rng=rng)
    if name == "no pores, wander recorded":
        results = weld_plan(random_plan(lugs(), rng), WELDERS["no pores"], rng=rng)
        actual = results.planned.copy()
        actual[:, 0] += rng.normal(0.0, 0.2, results.n_welds)
        return replace(results, settings=actual)
    welder, study = WELDERS["warm second sides"], lugs(plan=warm)
    if name == "warm plates, load computed":
        return weld_plan(random_plan(study, rng), welder, rng=rng, bench=Bench(2.0, False, records_arc=True))
    if name == "warm plates, temperatures taken":
        return with_plate_temperatures(weld_plan(random_plan(study, rng), welder, rng=rng), rng)
    if name == "nothing asked":
        asks_nothing = (replace(DEPTH, at_least=None), replace(PORES, at_most=None), replace(TRIP, hold_s=None))
        study = lugs(plan=warm, responses=asks_nothing)
    else:
        welder, study = WELDERS["no window"], lugs()
    return weld_plan(random_plan(study, rng), welder, rng=rng)


NAMES = (
    "in inches, supply unknown",
    "two wires",
    "no pores, wander recorded",
    "warm plates, load computed",
    "warm plates, temperatures taken",
    "no window",
    "nothing asked",
)


@dataclass(frozen=True, eq=False)
class Tried:
    """One study's page, and our own numbers for it."""

    fit: Fit
    window: Window
    explorer: Explorer
    page: Path


@cache
def frame() -> ReportContents:
    """Give the contents of one report; the other studies' dials are put in their place, which saves their pictures."""
    results = weld_plan(
        random_plan(lugs(), np.random.default_rng(1)), WELDERS["hinge lugs"], rng=np.random.default_rng(1)
    )
    fit = fit_responses(results, seed=1)
    return replace(report_contents(fit, find_window(fit, seed=1)), maps=(), curves=(), models=())


@pytest.fixture(scope="module")
def make_page(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Tried]:
    folder = tmp_path_factory.mktemp("try")

    @cache
    def make(name: str) -> Tried:
        fit = fit_responses(welded(name), seed=1)
        window = find_window(fit, seed=1)
        explorer = open_explorer(fit, window)
        assert explorer is not None
        page = folder / f"{name}.html"
        page.write_text(render_page(replace(frame(), try_setting=try_setting(fit, explorer))), encoding="utf-8")
        return Tried(fit, window, explorer, page)

    return make


TURN = """
const [stops, position] = arguments;
const data = JSON.parse(document.getElementById("try-data").textContent);
const set = (node, kind) => node.dispatchEvent(new Event(kind, {bubbles: true}));
const byKindFirst = stops.map((_, j) => j).sort((a, b) => data.factors[b].isKind - data.factors[a].isKind);
for (const j of byKindFirst) {
  const factor = data.factors[j];
  if (factor.isKind) {
    const choice = document.getElementById(`try-${j}-${stops[j]}`);
    choice.checked = true; set(choice, "change");
  } else {
    const open = factor.stopsByKind ? factor.stopsByKind[stops[factor.by]] : factor.stops.map((_, i) => i);
    const slider = document.getElementById(`try-${j}`);
    slider.value = open.indexOf(stops[j]); set(slider, "input");
  }
}
const welds = document.querySelectorAll('input[name="try-position"]');
if (welds.length) { welds[position].checked = true; set(welds[position], "change"); }
return {numbers: JSON.parse(document.getElementById("try").dataset.numbers),
        lamp: document.getElementById("try-lamp").className,
        words: document.getElementById("try-lamp-words").textContent,
        sentence: document.getElementById("try-sentence").textContent};
"""


def turn(browser: Any, study: Study, setting: np.ndarray, position: int = 0) -> dict[str, Any]:
    stops = [int(np.abs(f.positions - v).argmin()) for f, v in zip(study.factors, setting, strict=True)]
    found: dict[str, Any] = browser.run(TURN, stops, position)
    return found


def random_settings(study: Study, n: int) -> Iterator[np.ndarray]:
    rng = np.random.default_rng(11)
    while n:
        at = np.array([rng.choice(f.positions) for f in study.factors])
        if allowed(study, at[None])[0]:
            n -= 1
            yield at


def flat(numbers: dict[str, Any]) -> dict[str, float]:
    """Name every number by its path."""
    found = {}
    for key, value in numbers.items():
        if isinstance(value, dict):
            found |= {f"{key}/{inner}": v for inner, v in flat(value).items()}
        elif value is not None:
            found[key] = float(value)
    return found


@pytest.mark.parametrize("name", NAMES)
def test_the_page_agrees_with_the_window_at_twenty_settings(browser: Any, make_page: Callable[[str], Tried], name: str):
    tried = make_page(name)
    browser.resize(1440, 900)
    browser.open(tried.page)
    study = tried.window.study
    for i, at in enumerate(random_settings(study, N_SETTINGS)):
        position = i % len(tried.window.answers)
        chance, numbers = expect_setting(
            tried.explorer, tuple(at.tolist()), position=tried.window.answers[position].position
        )
        ours = flat({"assurance": chance.to_dict(), "responses": {k: v.to_dict() for k, v in numbers.items()}})
        page = flat(turn(browser, study, at, position)["numbers"])
        assert page.keys() == ours.keys()
        for key, value in ours.items():
            assert page[key] == pytest.approx(value, abs=1e-3, rel=1e-3), (key, at)


def test_the_page_opens_at_the_best_setting_with_the_windows_own_numbers(
    browser: Any, make_page: Callable[[str], Tried]
):
    for name in NAMES:
        tried = make_page(name)
        browser.open(tried.page)
        shown = json.loads(browser.run("return document.getElementById('try').dataset.numbers"))["assurance"]
        answer = tried.window.answer
        if not tried.window.has_question:
            assert "Nothing was asked of a weld" in browser.text("#try-sentence")
            assert "expected to meet" not in browser.text("#try-sentence")
            continue
        said = answer.best.assurance if answer.best else answer.nearest.assurance
        assert shown["expected"] == pytest.approx(said.expected, abs=1e-3)
        assert shown["low"] == pytest.approx(said.low, abs=1e-3)


def test_a_setting_beyond_a_limit_is_not_worked_out(browser: Any, make_page: Callable[[str], Tried]):
    tried = make_page("two wires")
    browser.open(tried.page)
    found = turn(browser, tried.window.study, np.array([1.0, 22.0, 4.0]))
    assert found["numbers"] is None
    assert found["sentence"] == "Not to be welded: the limit is burn-back (voltage - 0.9*feed <= 16.3)."
    assert "stop" in found["lamp"]


def test_a_dial_stops_at_the_range_of_the_kind_that_is_set(browser: Any, make_page: Callable[[str], Tried]):
    tried = make_page("two wires")
    browser.open(tried.page)
    turn(browser, tried.window.study, np.array([0.0, 20.0, 9.0]))
    assert browser.text("#try-2-large") == "9"
    browser.click("#try-0-1")
    assert browser.text("#try-2-large") == "7"
    assert browser.run("return document.getElementById('try-2-up').disabled") is True


def test_the_lamp_tells_what_was_tested(browser: Any, make_page: Callable[[str], Tried]):
    tried = make_page("no window")
    study, results = tried.window.study, tried.fit.results
    browser.open(tried.page)
    assert turn(browser, study, results.planned[0])["lamp"] == "lamp within"
    narrow = replace(results, planned=np.clip(results.planned, None, [99.0, 7.5, 70.0]))
    fit = fit_responses(replace(narrow, settings=narrow.planned), seed=1)
    page = tried.page.parent / "narrow.html"
    explorer = open_explorer(fit, find_window(fit, seed=1))
    assert explorer is not None
    page.write_text(render_page(replace(frame(), try_setting=try_setting(fit, explorer))), encoding="utf-8")
    browser.open(page)
    found = turn(browser, study, np.array([19.6, 9.0, 120.0]))
    assert found["lamp"] == "lamp outside"
    assert "feed 9 m/min was not welded; preheat 120 °C was not welded" in found["words"]


def test_dials_turn_by_keyboard_and_by_touch(browser: Any, make_page: Callable[[str], Tried]):
    tried = make_page("no window")
    browser.resize(390, 844)
    browser.open(tried.page)
    turn(browser, tried.window.study, np.array([19.6, 7.0, 70.0]))
    browser.run("document.getElementById('try-0').focus()")
    browser.press("\ue014")  # the right arrow key
    assert browser.text("#try-0-large") == "4"
    assert browser.run("return document.getElementById('try-0').getAttribute('aria-valuetext')") == "4 (21.1 V)"
    browser.click("#try-1-down")
    assert browser.text("#try-1-large") == "6.5"
    smallest = browser.run(
        "return Math.min(...[...document.querySelectorAll('#try button, #try input[type=range]')]"
        ".map((node) => node.getBoundingClientRect().height))"
    )
    assert smallest >= 44


@pytest.mark.parametrize("width", [390, 768, 1440])
def test_nothing_hangs_over_the_edge(browser: Any, make_page: Callable[[str], Tried], width: int):
    browser.resize(width, 900)
    for name in ("two wires", "warm plates, load computed"):
        browser.open(make_page(name).page)
        assert browser.run("return document.documentElement.scrollWidth") <= width


def test_the_browser_finds_nothing_to_block_or_to_fetch(browser: Any, make_page: Callable[[str], Tried]):
    browser.open(make_page("two wires").page)
    assert browser.log() == []
    assert browser.run("return performance.getEntriesByType('resource').length") == 0


def printed(browser: Any, paper: Path) -> str:
    """Print the page and give its words; a busy Chromium once gave an empty sheet, so that is asked for again."""
    for _ in range(5):
        paper.write_bytes(base64.b64decode(browser.devtools("Page.printToPDF")["data"]))
        text = subprocess.run(["pdftotext", paper, "-"], capture_output=True, text=True, check=True).stdout
        if text.strip():
            break
    return text


def test_on_paper_and_without_script_the_dials_are_not_there(
    browser: Any, make_page: Callable[[str], Tried], tmp_path: Path
):
    page = make_page("two wires").page
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(page.read_text(encoding="utf-8"))
    assert "hidden" in next(node for node in tree.iter("section") if node.get("id") == "try").attrib
    browser.open(page)
    if shutil.which("pdftotext") is None:
        pytest.skip("poppler-utils is not installed")
    text = printed(browser, tmp_path / "page.pdf")
    assert "What was not tested" in text
    assert "Try a setting" not in text
