"""Headless Chromium: by its command line, or driven by plain WebDriver calls (W3C WebDriver, 2018).

Tests are skipped where it is not installed.
"""

from __future__ import annotations

import base64
import csv
import io
import json
import re
import shutil
import subprocess
import time
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from doe.planning.plan import Plan, PlannedWeld
from doe.report.bench_page import write_bench_page
from doe.report.macro_page import write_macro_page
from doe.study.model import Response, Study

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
CHROMEDRIVER = shutil.which("chromedriver")


@pytest.fixture
def chromium(tmp_path: Path) -> Callable[..., str]:
    """Run Chromium on a page with the given switches; give stdout and stderr together."""
    if CHROMIUM is None:
        pytest.skip("chromium is not installed")

    def run(page: Path, *switches: str) -> str:
        command = [
            CHROMIUM, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
            "--disable-background-networking", "--disable-component-update", "--disable-sync", "--hide-scrollbars",
            "--enable-logging=stderr", f"--user-data-dir={tmp_path / 'profile'}", *switches, page.as_uri(),
        ]  # fmt: skip
        done = subprocess.run(command, capture_output=True, text=True, check=True, timeout=120)
        return done.stdout + done.stderr

    return run


CONTRAST = """
const parse = (colour) => colour.match(/[\\d.]+/g).map(Number);
const light = (colour) => parse(colour).slice(0, 3).map((part) => part / 255)
  .map((part) => (part <= 0.04045 ? part / 12.92 : ((part + 0.055) / 1.055) ** 2.4))
  .reduce((sum, part, i) => sum + part * [0.2126, 0.7152, 0.0722][i], 0);
const behind = (node) => { while (node) { const found = getComputedStyle(node).backgroundColor;
  if ((parse(found)[3] ?? 1) > 0) return found; node = node.parentElement; } return 'rgb(255, 255, 255)'; };
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
const found = [];
while (walker.nextNode()) {
  const node = walker.currentNode.parentElement;
  const isSeen = node.checkVisibility() && !node.closest('script, .unseen, canvas, option');
  if (!walker.currentNode.data.trim() || !isSeen) continue;
  const style = getComputedStyle(node);
  const ink = node.closest('svg') ? style.fill : style.color;
  const [a, b] = [light(ink), light(behind(node))].sort((x, y) => y - x);
  found.push([node.textContent.slice(0, 30), (a + 0.05) / (b + 0.05)]);
}
return found;
"""
"""Contrast of every visible text against what is behind it: WCAG 2.2, "contrast ratio" and "relative luminance"."""

STALE_STORAGE = "RenderDocument,BackForwardCache"
"""Features of Chromium 156.0.8078.108 with which a page that reads its storage while it is loaded again sees, in one of
six reloads of a driven browser, what stood there before (seen here, with a page of one line; 0 of 50 without them)."""


class Browser:
    """One window, driven by WebDriver calls."""

    def __init__(self, folder: Path) -> None:
        self.downloads = folder / "downloads"
        self.process = subprocess.Popen(
            [str(CHROMEDRIVER), "--port=0"], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
        self.base = self._address()
        switches = ["--headless=new", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
                    "--disable-background-networking", "--disable-component-update", "--disable-sync",
                    f"--disable-features={STALE_STORAGE}", f"--user-data-dir={folder / 'profile'}"]  # fmt: skip
        options = {
            "binary": CHROMIUM,
            "args": switches,
            "prefs": {"download.default_directory": str(self.downloads), "download.prompt_for_download": False},
        }
        wanted = {"goog:chromeOptions": options, "goog:loggingPrefs": {"browser": "ALL"}}
        self.session = ""
        self.session = (
            f"/session/{self.call('POST', '/session', {'capabilities': {'alwaysMatch': wanted}})['sessionId']}"
        )

    def _address(self) -> str:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            started = re.search(r"started successfully on port (\d+)", line)
            if started:
                return f"http://127.0.0.1:{started[1]}"
        pytest.fail("chromedriver did not start")

    def call(self, method: str, path: str, body: object = None) -> Any:
        data = None if body is None else json.dumps(body).encode()
        address = self.base + self.session + path
        request = urllib.request.Request(address, data, {"Content-Type": "application/json"}, method=method)
        try:
            with urllib.request.urlopen(request, timeout=240) as answer:
                return json.loads(answer.read())["value"]
        except urllib.error.HTTPError as error:
            value = json.loads(error.read())["value"]
            pytest.fail(f"{path}: {value['error']}: {value['message'][:300]}")

    def open(self, page: Path) -> None:
        self.call("POST", "/url", {"url": page.as_uri()})

    def run(self, script: str, *arguments: object) -> Any:
        return self.call("POST", "/execute/sync", {"script": script, "args": list(arguments)})

    def devtools(self, command: str, **parameters: object) -> Any:
        return self.call("POST", "/goog/cdp/execute", {"cmd": command, "params": parameters})

    def find(self, selector: str) -> str:
        found: dict[str, str] = self.call("POST", "/element", {"using": "css selector", "value": selector})
        return next(iter(found.values()))

    def click(self, selector: str) -> None:
        script = (
            "const node = document.querySelector(arguments[0]); node.scrollIntoView({block: 'center'}); return node"
        )
        found = self.run(script, selector)
        self.call("POST", f"/element/{next(iter(found.values()))}/click", {})

    def type(self, selector: str, text: str) -> None:
        self.call("POST", f"/element/{self.find(selector)}/value", {"text": text})

    def press(self, *keys: str) -> None:
        actions = [{"type": kind, "value": key} for key in keys for kind in ("keyDown", "keyUp")]
        self.call("POST", "/actions", {"actions": [{"type": "key", "id": "keys", "actions": actions}]})

    def text(self, selector: str) -> str:
        return str(self.run("return document.querySelector(arguments[0]).textContent", selector))

    def log(self) -> list[str]:
        return [entry["message"] for entry in self.call("POST", "/se/log", {"type": "browser"})]

    def resize(self, width: int, height: int) -> None:
        self.devtools(
            "Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1, mobile=True
        )

    def scheme(self, name: str) -> None:
        self.devtools("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": name}])

    def contrasts(self) -> list[tuple[str, float]]:
        """Give every text that is seen, and its contrast."""
        return [(text, ratio) for text, ratio in self.run(CONTRAST)]

    def picture(self) -> Image.Image:
        shot = self.devtools("Page.captureScreenshot")
        return Image.open(io.BytesIO(base64.b64decode(shot["data"])))

    def close(self) -> None:
        self.call("DELETE", "")
        self.process.terminate()
        self.process.wait(timeout=30)
        assert self.process.stdout is not None
        self.process.stdout.close()


class BenchPage:
    """The page of one plan, by what stands on it."""

    def __init__(self, browser: Browser, plan: Plan) -> None:
        self.browser = browser
        self.plan = plan
        self.page = write_bench_page(plan)[0]
        browser.resize(390, 844)
        browser.open(self.page)
        browser.run("localStorage.clear(); history.replaceState(null, '')")
        browser.open(self.page)
        self.data = browser.run("return JSON.parse(document.getElementById('plan').textContent)")
        self.field = {field["heading"]: f"field-{i}" for i, field in enumerate(self.data["fields"])}

    def go(self, weld: str) -> None:
        self.browser.click("#all")
        names = [planned["weld"] for planned in self.data["welds"]]
        self.browser.click(f"#weld-{names.index(weld)}")

    def choose(self, heading: str, choice: str) -> None:
        choices = next(f["choices"] for f in self.data["fields"] if f["heading"] == heading)
        self.browser.click(f"#{self.field[heading]}-{choices.index(choice)}")

    def write(self, heading: str, text: str, *, unit: str = "") -> None:
        """Type into a field, after its unit has been tapped; unfold the part it stands in."""
        unfold = "const fold = document.getElementById(arguments[0]).closest('details'); if (fold) fold.open = true"
        self.browser.run(unfold, self.field[heading])
        units = [u["unit"] for f in self.data["fields"] if f["heading"] == heading for u in f["units"]]
        if len(units) > 1:
            self.browser.click(f"#{self.field[heading]}-unit-{units.index(unit or units[0])}")
        self.browser.type(f"#{self.field[heading]}", text)

    def word(self, heading: str, label: str) -> None:
        labels = [w["label"] for f in self.data["fields"] if f["heading"] == heading for w in f["words"]]
        self.browser.click(f"#{self.field[heading]}-word-{labels.index(label)}")

    def at_time(self, milliseconds: int) -> None:
        """Let the device's clock show a time, as after the phone lay locked."""
        self.browser.run("Date.now = () => arguments[0]".replace("arguments[0]", str(milliseconds)))

    def export(self) -> Path:
        """Tap download, and wait for the file."""
        shutil.rmtree(self.browser.downloads, ignore_errors=True)
        self.browser.click("#all")
        self.browser.click("#download")
        file = self.browser.downloads / self.data["file"]
        for _ in range(200):
            if file.exists() and file.stat().st_size:
                return file
            time.sleep(0.05)
        pytest.fail("nothing was downloaded")

    def rows(self) -> list[dict[str, str]]:
        """Give the table as it stands on the page, to copy."""
        self.browser.click("#all")
        text = self.browser.run("return document.getElementById('as-text').value")
        return list(csv.DictReader(line for line in text.splitlines() if not line.startswith("#")))


Place = tuple[float, float]


class MacroPage:
    """The macro page of one plan, with a picture on it, by what stands on it and what is seen of it."""

    def __init__(self, browser: Browser, plan: Plan) -> None:
        self.browser = browser
        self.page = write_macro_page(plan)[0]
        browser.resize(1000, 1100)
        browser.open(self.page)
        browser.run("localStorage.clear(); history.replaceState(null, '')")
        self.open()

    def open(self) -> None:
        """Open it anew, as after the device was off."""
        self.browser.open(self.page)
        self.data = self.browser.run("return JSON.parse(document.getElementById('plan').textContent)")

    def state(self) -> Any:
        """Give what is saved on the device."""
        return json.loads(self.browser.run("return localStorage.getItem(arguments[0])", self.data["key"]))

    def load(self, picture: Path, *, shown: str = "") -> None:
        """Choose a picture, and wait till something is said of it."""
        self.browser.type("#file", str(picture))
        for _ in range(200):
            if (shown or picture.name) in self.browser.text("#picture-words"):
                return
            time.sleep(0.05)
        pytest.fail(f"{picture.name} was not taken: {self.browser.text('#picture-words')}")

    def box(self) -> tuple[float, float, float, float]:
        """Give the picture's frame on the screen: left, top, width, height, after it was brought into sight."""
        script = (
            "const node = document.getElementById('picture'); node.scrollIntoView({block: 'center'});"
            "const box = node.getBoundingClientRect();"
            "return [box.left + node.clientLeft, box.top + node.clientTop, node.clientWidth, node.clientHeight]"
        )
        left, top, width, height = self.browser.run(script)
        return left, top, width, height

    def seen(self) -> Image.Image:
        """Give what is seen in the frame, its upper left pixel at (0, 0)."""
        left, top, width, height = self.box()
        with self.browser.picture() as shot:
            return shot.convert("RGB").crop((round(left), round(top), round(left + width), round(top + height)))

    def tap(self, *places: Place, kind: str = "mouse") -> None:
        """Tap places of the frame, one after the other, while the page keeps it where it is."""
        left, top, _, _ = self.box()
        steps: list[Any] = []
        for x, y in places:
            steps += [{"type": "pointerMove", "duration": 0, "x": round(left + x), "y": round(top + y)}, "down", "up"]
        self.move(steps, kind)

    def move(self, actions: list[Any], kind: str = "mouse") -> None:
        words = {"down": {"type": "pointerDown", "button": 0}, "up": {"type": "pointerUp", "button": 0}}
        plain = [words[action] if isinstance(action, str) else action for action in actions]
        pointer = {"type": "pointer", "id": kind, "parameters": {"pointerType": kind}, "actions": plain}
        self.browser.call("POST", "/actions", {"actions": [pointer]})

    def number(self, label: str) -> float:
        """Give the mean of a measure as the page shows it; nan where it shows none."""
        script = (
            "const row = [...document.querySelectorAll('#table tbody tr')]"
            ".find((node) => node.querySelector('th').textContent === arguments[0]);"
            "return row.querySelector('td.mean').textContent"
        )
        text = self.browser.run(script, label)
        return float(text) if text else float("nan")

    def values(self) -> dict[str, float]:
        """Give the exact values of the reading that is looked at, in mm."""
        script = (
            "const plan = JSON.parse(document.getElementById('plan').textContent);"
            "const state = JSON.parse(localStorage.getItem(plan.key));"
            "const section = state.sections[`${state.weld} ${state.cut}`];"
            "const joint = plan.joints.find((one) => one.id === section.joint);"
            "return readings.measured(section.readings[state.reading], joint, plan.mmPerUnit).values"
        )
        values: dict[str, float] = self.browser.run(script)
        return values

    def export(self) -> Path:
        """Download the table, and wait for the file."""
        shutil.rmtree(self.browser.downloads, ignore_errors=True)
        self.browser.click("#download")
        file = self.browser.downloads / self.data["file"]
        for _ in range(200):
            if file.exists() and file.stat().st_size:
                return file
            time.sleep(0.05)
        pytest.fail("nothing was downloaded")


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Browser]:
    if CHROMEDRIVER is None or CHROMIUM is None:
        pytest.skip("chromium and chromedriver are not installed")
    opened = Browser(tmp_path_factory.mktemp("browser"))
    yield opened
    opened.close()


MakePlan = Callable[..., Plan]


@pytest.fixture
def make_plan() -> MakePlan:
    """Give plans of two welds a plate, the last plate first: the order of welding is not that of the table."""
    return two_a_plate


def two_a_plate(study: Study, n_welds: int = 6) -> Plan:
    volts, feeds, heats = (factor.values for factor in study.factors[:3])
    welds = tuple(
        PlannedWeld(
            f"W{i + 1:02d}",
            f"P{i // 2 + 1:02d}",
            i % 2 + 1,
            n_welds - 2 * (i // 2) - 1 + i % 2,
            (volts[(2 * i) % 5], feeds[i % 9], heats[(i // 2) % 3]),
        )
        for i in range(n_welds)
    )
    return Plan(study, welds, seed=3)


@pytest.fixture
def lugs(hinge: Study) -> Study:
    return replace(hinge, responses=(*hinge.responses, Response("root fused", "pass")))


OpenPage = Callable[[Plan], BenchPage]


@pytest.fixture
def open_page(browser: Browser) -> OpenPage:
    return lambda plan: BenchPage(browser, plan)


@pytest.fixture
def page(open_page: OpenPage, lugs: Study) -> BenchPage:
    return open_page(two_a_plate(lugs))


OpenMacro = Callable[[Plan], MacroPage]


@pytest.fixture
def open_macro(browser: Browser) -> OpenMacro:
    return lambda plan: MacroPage(browser, plan)


@pytest.fixture
def macro(open_macro: OpenMacro, lugs: Study) -> MacroPage:
    return open_macro(two_a_plate(lugs))
