from __future__ import annotations

import re
import shutil
from collections.abc import Callable
from pathlib import Path

import html5lib
import pytest
from click.testing import CliRunner
from PIL import Image

from cli.main import main

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("report") / "hinge"
    result = CliRunner().invoke(main, ["demo", str(folder)], catch_exceptions=False)
    assert result.exit_code == 0
    return folder / "report" / "report.html"


@pytest.fixture(scope="module")
def hostile_page(page: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("hostile")
    for name in ("study.toml", "plan.csv", "results.csv"):
        shutil.copy(page.parent.parent / name, folder / name)
    study = folder / "study.toml"
    title = "<script>document.title='run'</script><img src=x onerror=alert(1)>"
    study.write_text(study.read_text().replace('title = "Hinge lugs, 10 mm"', f"title = '''{title}'''"))
    assert CliRunner().invoke(main, ["report", str(folder)], catch_exceptions=False).exit_code == 0
    return folder / "report" / "report.html"


def test_the_page_is_valid_html(page: Path):
    parser = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False)
    tree = parser.parse(page.read_text(encoding="utf-8"))
    assert tree.find(".//h1").text == "Hinge lugs, 10 mm"


def test_the_page_asks_for_nothing_from_outside(page: Path):
    text = page.read_text(encoding="utf-8")
    assert not re.findall(r"""(?:src|href|action)\s*=\s*["'](?!data:|#)""", text)
    assert text.count("<script") == 2  # the data of "try a setting", and the script that reads it
    assert re.search(r"default-src 'none'; style-src 'sha256-[^']+'; script-src 'sha256-[^']+'; img-src data:", text)


def test_every_picture_has_a_text_alternative(page: Path):
    tree = html5lib.parse(page.read_text(encoding="utf-8"), namespaceHTMLElements=False)
    pictures = tree.findall(".//img")
    assert len(pictures) >= 5
    assert all(len(picture.get("alt", "")) > 20 for picture in pictures)


def test_nothing_is_blocked_or_missing_in_the_browser(page: Path, chromium: Callable[..., str]):
    log = chromium(page, "--dump-dom")
    assert "Refused to" not in log
    assert "violates the following Content Security Policy" not in log
    assert "In the long run at least 18 of 20" in log


@pytest.mark.parametrize("width", [390, 768, 1440])
def test_the_page_fits_the_screen(page: Path, chromium: Callable[..., str], tmp_path: Path, width: int):
    picture = tmp_path / "page.png"
    chromium(page, f"--window-size={max(width, 500)},1600", f"--screenshot={picture}")
    with Image.open(picture) as shot:
        colours = shot.convert("L").getextrema()
    assert colours == (0, 255) or colours[1] - colours[0] > 200


def test_markup_in_a_title_stays_text(hostile_page: Path, chromium: Callable[..., str]):
    dom = chromium(hostile_page, "--dump-dom")
    assert "&lt;script&gt;document.title='run'&lt;/script&gt;" in dom
    assert "<script>document.title" not in dom


def test_the_page_prints(page: Path, chromium: Callable[..., str], tmp_path: Path):
    paper = tmp_path / "page.pdf"
    chromium(page, f"--print-to-pdf={paper}", "--no-pdf-header-footer")
    assert paper.read_bytes()[:5] == b"%PDF-"
