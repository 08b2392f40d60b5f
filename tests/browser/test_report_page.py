from __future__ import annotations

import re
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import html5lib
import pytest
from click.testing import CliRunner

from cli.main import main

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report") / "hinge"
    result = CliRunner().invoke(main, ["demo", str(folder)], catch_exceptions=False)
    assert result.exit_code == 0
    return folder / "report" / "report.html"


HOSTILE = "<script>document.title='run'</script><img src=x onerror=alert(1)></style></details>"


def copy_study(source: Path, folder: Path) -> None:
    for name in ("study.toml", "plan.csv", "results.csv"):
        shutil.copy(source / name, folder / name)


@pytest.fixture(scope="module")
def unasked_page(page: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The same welds, and nothing asked of them."""
    folder = tmp_path_factory.mktemp("unasked")
    copy_study(page.parent.parent, folder)
    study = folder / "study.toml"
    study.write_text(re.sub(r'\n(at_least = 1.2|at_most = 2|hold = "30 s")', "", study.read_text()))
    assert CliRunner().invoke(main, ["report", str(folder)], catch_exceptions=False).exit_code == 0
    return folder / "report" / "report.html"


@pytest.fixture(scope="module")
def fixed_page(page: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A claim fixed, its confirmation welds waited for."""
    folder = tmp_path_factory.mktemp("fixed")
    copy_study(page.parent.parent, folder)
    for command in ("confirm", "report"):
        assert CliRunner().invoke(main, [command, str(folder)], catch_exceptions=False).exit_code == 0
    return folder / "report" / "report.html"


@pytest.fixture(scope="module", params=["page", "unasked_page", "fixed_page", "hostile_page"])
def every_page(request: pytest.FixtureRequest) -> Path:
    """Give each of the pages in turn."""
    found: Path = request.getfixturevalue(request.param)
    return found


@pytest.fixture(scope="module")
def hostile_page(page: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    copy_study(page.parent.parent, folder)
    study = folder / "study.toml"
    text = study.read_text()
    for was in ('title = "Hinge lugs, 10 mm"', 'material = "S275"', 'wire = "1.0 mm gas-shielded cored"'):
        assert was in text
        text = text.replace(was, f"{was.split(' = ')[0]} = '''{HOSTILE}'''")
    study.write_text(text)
    table = folder / "results.csv"
    lines = table.read_text().splitlines()
    first = next(i for i, line in enumerate(lines) if line.startswith("W01,"))
    lines[first] = f"{lines[first]}{HOSTILE}"  # its notes, the last column
    table.write_text("\n".join(lines) + "\n")
    assert CliRunner().invoke(main, ["report", str(folder)], catch_exceptions=False).exit_code == 0
    return folder / "report" / "report.html"


def test_the_page_is_valid_html(every_page: Path):
    parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
    tree = parser.parse(every_page.read_text(encoding="utf-8"))
    assert tree.find(".//h1").text in {"Hinge lugs, 10 mm", HOSTILE}


def test_no_request_leaves_the_page(every_page: Path, browser: Any):
    browser.resize(1440, 900)
    browser.open(every_page)
    browser.run("document.querySelectorAll('details').forEach((node) => { node.open = true; })")
    names = "performance.getEntriesByType('resource').map((entry) => entry.name)"
    asked = browser.run(f"return [...{names}, ...performance.getEntriesByType('navigation').map((e) => e.name)]")
    assert every_page.as_uri() in asked
    assert [name for name in asked if name != every_page.as_uri() and not name.startswith("data:")] == []
    assert [line for line in browser.log() if "Refused" in line or "ERR_" in line] == []


def test_the_page_asks_for_nothing_from_outside(page: Path):
    text = page.read_text(encoding="utf-8")
    assert not re.findall(r"""(?:src|href|action)\s*=\s*["'](?!data:|#)""", text)
    assert text.count("<script") == 2  # the data of "try a setting", and the script that reads it
    assert re.search(r"default-src 'none'; style-src 'sha256-[^']+'; script-src 'sha256-[^']+'; img-src data:", text)


def test_every_picture_has_a_text_alternative(every_page: Path):
    tree = html5lib.parse(every_page.read_text(encoding="utf-8"), namespaceHTMLElements=False)
    pictures = tree.findall(".//img")
    assert len(pictures) >= 5
    assert all(len(picture.get("alt", "")) > 12 for picture in pictures)


def test_nothing_is_blocked_or_missing_in_the_browser(page: Path, chromium: Callable[..., str]):
    log = chromium(page, "--dump-dom")
    assert "Refused to" not in log
    assert "violates the following Content Security Policy" not in log
    assert "In the long run at least 18 of 20" in log


CONTRASTS = """
const linear = (v) => { const c = v / 255; return c <= 0.04045 ? c / 12.92 : ((c + 0.055) / 1.055) ** 2.4; };
const light = (rgb) => 0.2126 * linear(rgb[0]) + 0.7152 * linear(rgb[1]) + 0.0722 * linear(rgb[2]);
const rgba = (text) => text.match(/[\\d.]+/g).map(Number);
const ground = (node) => {
  for (let at = node; at; at = at.parentElement) {
    const found = rgba(getComputedStyle(at).backgroundColor);
    if (found.length < 4 || found[3] > 0) return found;
  }
  return [255, 255, 255];
};
document.querySelectorAll("details").forEach((node) => { node.open = true; });
const found = {};
const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
while (walker.nextNode()) {
  const node = walker.currentNode.parentElement;
  if (!walker.currentNode.textContent.trim() || !node.getClientRects().length) continue;
  const [a, b] = [light(rgba(getComputedStyle(node).color)), light(ground(node))];
  const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
  const name = `${node.tagName} ${node.className}`;
  found[name] = Math.min(found[name] || 99, ratio);
}
return found;
"""
"""Contrast of every text with its ground: WCAG 2.2, "relative luminance" and "contrast ratio"; from memory."""


def test_every_text_stands_out_from_its_ground(every_page: Path, browser: Any):
    browser.resize(1440, 900)
    browser.open(every_page)
    contrasts = browser.run(CONTRASTS)
    assert len(contrasts) > 15
    assert {name: ratio for name, ratio in contrasts.items() if ratio < 4.5} == {}


@pytest.mark.parametrize("width", [390, 768, 1440])
def test_nothing_hangs_over_the_edge(every_page: Path, browser: Any, width: int):
    browser.resize(width, 900)
    browser.open(every_page)
    browser.run("document.querySelectorAll('details').forEach((node) => { node.open = true; })")
    assert browser.run("return document.documentElement.scrollWidth") <= width
    narrowest = browser.run(
        "return Math.min(...[...document.querySelectorAll('.panels img')].map((node) => node.clientWidth))"
    )
    assert narrowest >= 270  # a panel is 3.4 in wide with letters of 9 points: still 7 points at this width


def test_markup_in_a_title_stays_text(hostile_page: Path, chromium: Callable[..., str]):
    dom = chromium(hostile_page, "--dump-dom")
    assert dom.count("&lt;script&gt;document.title='run'&lt;/script&gt;") >= 4  # title twice, job, notes
    assert "<script>document.title" not in dom
    assert "onerror=alert(1)>" not in dom.replace("&gt;", "")


def test_the_page_prints(page: Path, chromium: Callable[..., str], tmp_path: Path):
    paper = tmp_path / "page.pdf"
    chromium(page, f"--print-to-pdf={paper}", "--no-pdf-header-footer")
    assert paper.read_bytes()[:5] == b"%PDF-"
    if shutil.which("pdftotext") is None:
        pytest.skip("poppler-utils is not installed")
    text = subprocess.run(["pdftotext", "-layout", paper, "-"], capture_output=True, text=True, check=True).stdout
    sheets = text.split("\f")[:-1]
    assert len(sheets) > 3
    for i, sheet in enumerate(sheets):
        assert "Hinge lugs, 10 mm" in sheet.splitlines()[0]
        assert f"page {i + 1} of {len(sheets)}" in sheet
    assert "How to repeat this" in text
    assert "Try a setting" not in text
