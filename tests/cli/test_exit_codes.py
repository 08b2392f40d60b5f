"""Each way to end has its exit code, and one plain sentence on stderr."""

from __future__ import annotations

import errno
import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

from cli.main import COMMANDS
from doe.bench.stage import is_untouched

Run = Callable[..., Result]

ON_A_STUDY = ("plan", "check", "fit", "window", "next", "confirm", "compare", "report", "pack", "reading-study")
WRITING = {
    "plan": ("plan", "{}", "--replace"),
    "next": ("next", "{}", "--welds", "2"),
    "report": ("report", "{}"),
    "reading-study": ("reading-study", "{}"),
    "check": ("check", "{}", "--annotate"),
}
"""Commands that write, on a study whose first stage is welded."""


def ended(result: Result, code: int) -> str:
    assert result.exit_code == code, result.output
    assert "Traceback" not in result.output
    return result.stderr


@pytest.mark.parametrize("name", ON_A_STUDY)
def test_a_folder_without_a_study_is_invalid_input(name: str, tmp_path: Path, weldwindow: Run):
    assert "study.toml" in ended(weldwindow(name, tmp_path), 3)
    answer = json.loads(weldwindow(name, tmp_path, "--json").stdout)
    assert answer["schema"] == 1
    assert answer["error"]["code"] == 3


@pytest.mark.parametrize("name", ON_A_STUDY)
def test_a_broken_study_is_invalid_input(name: str, tmp_path: Path, weldwindow: Run):
    (tmp_path / "study.toml").write_text('[study]\ntitel = "x"\n')
    assert "titel" in ended(weldwindow(name, tmp_path), 3)


@pytest.mark.parametrize("name", ["fit", "window", "next", "report", "confirm"])
def test_a_plan_that_nobody_has_welded_answers_nothing(name: str, welded: Path, weldwindow: Run):
    table = welded / "results.csv"
    lines = table.read_text().splitlines()
    blank = [",".join(line.split(",")[:8]) if line.startswith("W") else line for line in lines]
    table.write_text("\n".join(blank))
    assert ended(weldwindow(name, welded), 4)


@pytest.mark.parametrize(
    "name", [name for name in COMMANDS if name not in ("completion", "new", "demo", "shelf", "go")]
)
def test_a_command_on_nothing_ends_with_a_code_of_the_interface(name: str, tmp_path: Path, weldwindow: Run):
    result = weldwindow(name, tmp_path / "no such place")
    assert result.exit_code in (0, 2, 3), result.output
    assert "Traceback" not in result.output


def test_what_a_person_wrote_is_code_five(welded: Path, weldwindow: Run):
    assert "--replace" in ended(weldwindow("plan", welded), 5)
    assert "study.toml exists" in ended(weldwindow("new", welded, "--no-input"), 5)
    assert "not empty" in ended(weldwindow("demo", welded), 5)


def no_room(number: int) -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@pytest.mark.parametrize("name", ["plan", "reading-study"])
def test_a_full_disk_is_code_six_and_loses_nothing(
    name: str, welded: Path, weldwindow: Run, monkeypatch: pytest.MonkeyPatch
):
    before = {path.name: path.read_bytes() for path in welded.iterdir() if path.is_file()}
    monkeypatch.setattr(os, "fsync", no_room)
    arguments = [part.format(welded) for part in WRITING[name]]
    assert "the disk is full" in ended(weldwindow(*arguments), 6)
    assert {path.name: path.read_bytes() for path in welded.iterdir() if path.is_file()} == before


@pytest.mark.slow
@pytest.mark.parametrize("name", ["next", "report"])
def test_a_full_disk_loses_nothing_at_the_end_of_long_work(
    name: str, welded: Path, weldwindow: Run, monkeypatch: pytest.MonkeyPatch
):
    test_a_full_disk_is_code_six_and_loses_nothing(name, welded, weldwindow, monkeypatch)


@pytest.mark.parametrize("is_new", [True, False])
def test_a_plan_whose_sheets_cannot_be_written_is_not_written_either(is_new: bool, welded: Path, weldwindow: Run):
    shutil.rmtree(welded / "report", ignore_errors=True)
    (welded / "report").write_text("in the way")
    for path in welded.glob("*.csv") if is_new else ():
        path.unlink()
    before = {path.name: path.read_bytes() for path in welded.iterdir()}
    ended(weldwindow("plan", welded, "--replace"), 6)
    assert {path.name: path.read_bytes() for path in welded.iterdir()} == before


def test_a_read_only_file_is_code_six(welded: Path, weldwindow: Run):
    (welded / "results.csv").chmod(0o444)
    before = (welded / "results.csv").read_bytes()
    assert "marked read-only" in ended(weldwindow("plan", welded, "--replace"), 6)
    assert (welded / "results.csv").read_bytes() == before


def test_a_table_open_in_a_spreadsheet_is_code_six(welded: Path, weldwindow: Run):
    (welded / ".~lock.results.csv#").write_text("x")
    before = (welded / "results.csv").read_bytes()
    said = ended(weldwindow("plan", welded, "--replace"), 6)
    assert "open in a spreadsheet program" in said
    assert (welded / "results.csv").read_bytes() == before


def test_a_report_folder_that_leads_out_of_the_study_is_code_six(welded: Path, tmp_path: Path, weldwindow: Run):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (welded / "report").symlink_to(elsewhere)
    for arguments in (("plan", welded, "--replace"), ("reading-study", welded), ("check", welded, "--annotate")):
        result = weldwindow(*arguments)
        if arguments[0] != "check" or result.exit_code:
            assert "symbolic link" in ended(result, 6)
    assert list(elsewhere.iterdir()) == []


def test_a_table_that_leads_out_of_the_study_is_not_written_through(welded: Path, tmp_path: Path, weldwindow: Run):
    outside = tmp_path / "outside.csv"
    outside.write_bytes((welded / "results.csv").read_bytes())
    before = outside.read_bytes()
    (welded / "results.csv").unlink()
    (welded / "results.csv").symlink_to(outside)
    assert "symbolic link" in ended(weldwindow("plan", welded, "--replace"), 6)
    assert outside.read_bytes() == before


def test_a_table_of_another_plan_is_told(welded: Path, weldwindow: Run):
    plan = welded / "plan.csv"
    plan.write_text(plan.read_text().replace("# seed 2", "# seed 9"))
    result = weldwindow("check", welded)
    ended(result, 3)
    assert "planning was cut short" in result.output
    assert not is_untouched(welded / "results.csv")
