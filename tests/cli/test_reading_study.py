from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from cli.main import main

STUDY = """
[study]
title = "Lugs"
units = "{units}"

[[factor]]
name = "feed"
unit = "m/min"
low = 5.0
high = 9.0
step = 0.5

[[response]]
name = "depth"
kind = "measure"
unit = "mm"
{expect}
"""


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, ["reading-study", *map(str, arguments)], catch_exceptions=False)


def start(folder: Path, *, expect: str = "", units: str = "metric", readers: str = "1") -> Path:
    folder.mkdir()
    (folder / "study.toml").write_text(STUDY.format(expect=expect, units=units), encoding="utf-8")
    assert run(folder, "--readers", readers).exit_code == 0
    return folder


def fill(folder: Path, *, scatter: float = 0.1, bias: float = 0.0) -> None:
    """Fill the sheet in: readings of a section differ by ``scatter`` times 1.41, reader B reads ``bias`` more."""
    path = folder / "reading-study.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    for i, line in enumerate(lines):
        cells = line.split(",")
        if not line.startswith("#") and cells[0] != "reading":
            value = 0.5 * int(cells[1][1:]) + scatter * 2**0.5 * (cells[3] == "2") + bias * (cells[2] == "B")
            lines[i] = ",".join([*cells[:4], f"{value:.3f}"])
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def weld(folder: Path, *, scatter: float) -> None:
    """Write sixteen welds whose depth rises with feed and scatters."""
    rng = np.random.default_rng(1)
    feeds = np.tile([5.0, 6.5, 8.0, 9.0], 4)
    with (folder / "results.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["weld", "plate", "feed [m/min]", "depth [mm]"])
        for i, feed in enumerate(feeds, start=1):
            depth = 0.2 * feed + rng.normal(0.0, scatter)
            writer.writerow([f"W{i:02d}", f"P{i:02d}", feed, f"{depth:.3f}"])


def test_the_first_run_writes_a_blank_table_and_the_sheet(tmp_path: Path):
    folder = start(tmp_path / "s")
    assert (folder / "report" / "reading-sheet.pdf").read_bytes().startswith(b"%PDF")
    result = run(folder)
    assert result.exit_code == 4
    assert "is not filled in yet" in result.stderr


def test_what_was_filled_in_is_never_overwritten(tmp_path: Path):
    folder = start(tmp_path / "s")
    fill(folder)
    before = (folder / "reading-study.csv").read_bytes()
    assert run(folder, "--sections", "9").exit_code == 0
    assert (folder / "reading-study.csv").read_bytes() == before


def test_without_welds_or_expectation_the_share_of_the_scatter_is_not_said(tmp_path: Path):
    folder = start(tmp_path / "s")
    fill(folder)
    result = run(folder)
    # 1.645 times 0.1
    assert "depth: your reading repeats to ± 0.16 mm" in result.stdout
    assert "cannot be said yet: fill in the welds, or state expect_scatter" in result.stdout
    assert "of the variance is the reading" in result.stdout


def test_the_share_is_of_the_expected_scatter_where_there_are_no_welds(tmp_path: Path):
    folder = start(tmp_path / "s", expect="expect_scatter = 0.2")
    fill(folder)
    answer = json.loads(run(folder, "--json").stdout)["responses"]["depth"]
    assert answer["scatter"] == {"sd": 0.2, "origin": "expected"}
    assert answer["share_of_scatter"] == pytest.approx(0.25, abs=0.005)
    assert answer["repeats_within"] == pytest.approx(1.645 * 0.1, rel=0.01)
    assert answer["error_df"] == 5
    assert "25 % of the scatter is the reading" in run(folder).stdout


def test_the_share_is_of_the_fitted_scatter_where_there_are_welds(tmp_path: Path):
    folder = start(tmp_path / "s", expect="expect_scatter = 0.25")
    fill(folder, scatter=0.2)
    weld(folder, scatter=0.25)
    answer = json.loads(run(folder, "--json").stdout)["responses"]["depth"]
    assert answer["scatter"]["origin"] == "fitted"
    result = run(folder)
    assert "as these welds show" in result.stdout
    assert "That is much" in result.stdout


def test_more_scatter_in_reading_than_between_welds_is_all_of_it(tmp_path: Path):
    folder = start(tmp_path / "s", expect="expect_scatter = 0.05")
    fill(folder)
    assert "100 % of the scatter is the reading" in run(folder).stdout


def test_two_people_are_compared(tmp_path: Path):
    folder = start(tmp_path / "s", readers="2")
    fill(folder, bias=0.2)
    result = run(folder)
    assert "whichever of you reads" in result.stdout
    assert "The second reader reads 0.2 mm more than the first, on average" in result.stdout


def test_the_fit_takes_the_readings_scatter_off_and_says_so(tmp_path: Path):
    folder = start(tmp_path / "s")
    weld(folder, scatter=0.25)

    def spread() -> tuple[dict[str, float], str]:
        result = CliRunner().invoke(main, ["fit", str(folder), "--json"], catch_exceptions=False)
        depth = json.loads(result.stdout)["responses"]["depth"]
        return depth["spread"], " ".join(depth["warnings"])

    before, said = spread()
    assert before["reading"] is None
    assert "reading study" not in said
    fill(folder, scatter=0.15)
    after, said = spread()
    assert after["reading"] == pytest.approx(0.15, abs=0.005)
    # what is held with 90 %: 5 s^2 over the 0.9 quantile of chi-squared, 9.236 (handbook table)
    taken = 5 * 0.15**2 / 9.236
    assert after["weld"] == pytest.approx((before["weld"] ** 2 - taken) ** 0.5, rel=0.03)
    assert "was taken off the scatter between welds" in said


def test_an_incomplete_sheet_is_answered_with_four(tmp_path: Path):
    folder = start(tmp_path / "s")
    fill(folder)
    path = folder / "reading-study.csv"
    lines = [
        ",".join([*line.split(",")[:4], ""]) if ",A,2," in line else line for line in path.read_text().splitlines()
    ]
    path.write_text("\n".join(lines))
    result = run(folder)
    assert result.exit_code == 4
    assert "read twice" in result.stdout


def test_a_study_in_inches_gets_a_letter_sheet(tmp_path: Path):
    folder = start(tmp_path / "s", units="us")
    assert (
        b"612.28" in (folder / "report" / "reading-sheet.pdf").read_bytes()
        or b"612" in (folder / "report" / "reading-sheet.pdf").read_bytes()
    )
