from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from doe.bench.stage import write_stage
from doe.planning.plan import Plan, PlannedWeld
from doe.study import read_study

STUDY = """
[study]
title = "Lugs"

[[factor]]
name = "voltage"
unit = "V"
marks = { "1" = 17.0, "2" = 18.4, "3" = 19.6 }

[[response]]
name = "depth"
kind = "measure"
unit = "mm"

[[response]]
name = "trip"
kind = "trip"
"""


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(main, [str(a) for a in arguments], catch_exceptions=False)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A study of three welds, planned."""
    study = tmp_path / "lugs"
    study.mkdir()
    (study / "study.toml").write_text(STUDY)
    read = read_study(study)
    welds = tuple(PlannedWeld(f"W0{i}", f"P0{i}", 1, i, (volts,)) for i, volts in enumerate((17.0, 18.4, 19.6), 1))
    write_stage(Plan(read, welds, seed=1))
    return study


@pytest.fixture
def file(folder: Path, tmp_path: Path) -> Path:
    """An export of two welds; the third was not run."""
    lines = (folder / "results.csv").read_text().splitlines()
    head = next(line for line in lines if line.startswith("weld,")).split(",")
    filled = []
    for line in lines:
        cells = line.split(",")
        if line.startswith("W"):
            entry = {"W01": ("1.4", "no"), "W02": ("0.08 in", "no"), "W03": ("", "")}[cells[0]]
            cells[head.index("depth [mm]")], cells[head.index("trip")] = entry
        filled.append(",".join(cells))
    path = tmp_path / "bench.csv"
    path.write_text("\n".join(line for line in filled if "rows as written" not in line) + "\n")
    return path


def test_take_writes_results_csv_and_names_the_next_command(folder: Path, file: Path):
    result = run("take", file, folder)
    assert result.exit_code == 0
    assert "3 welds read, no fault; not run: W03." in result.stdout
    assert "0.08 in read as 2.032 mm" in result.stdout
    assert f"wrote {folder / 'results.csv'}" in result.stderr
    assert result.stderr.rstrip().endswith(f"next: weldwindow check {folder}")
    assert (folder / "results.csv").read_bytes() == file.read_bytes()


def test_a_whole_table_without_doubts_leads_to_the_report(folder: Path, file: Path):
    lines = file.read_text().splitlines()
    done = lines[-2].split(",")
    entered = [*lines[-1].split(",")[:6], *done[6:]]
    file.write_text(
        "\n".join([*lines[:-1], ",".join(entered).replace("0.08 in", "2.1")]).replace("0.08 in", "1.9") + "\n"
    )
    result = run("take", file, folder)
    assert "3 welds read, no fault.\n" in result.stdout
    assert result.stderr.rstrip().endswith(f"next: weldwindow report {folder}")


def test_questions_are_shown_and_nothing_is_changed(folder: Path, file: Path):
    file.write_text(file.read_text().replace("1.4,no", "1.4,yes"))
    result = run("take", file, folder)
    assert result.exit_code == 0
    assert "Please look at these again (nothing was changed or left out):" in result.stdout
    assert "W01" in result.stdout


def test_taking_twice_writes_once(folder: Path, file: Path):
    run("take", file, folder)
    again = run("take", file, folder)
    assert again.exit_code == 0
    assert "holds all of it already; nothing was written" in again.stderr
    assert "wrote" not in again.stderr.replace("nothing was written", "")


def test_a_filled_in_table_is_refused_with_five_and_what_to_do(folder: Path, file: Path):
    run("take", file, folder)
    before = (folder / "results.csv").read_bytes()
    file.write_text(file.read_text().replace("1.4", "1.5"))
    refused = run("take", file, folder)
    assert refused.exit_code == 5
    assert "--replace" in refused.stderr
    assert (folder / "results.csv").read_bytes() == before
    assert run("take", file, folder, "--replace").exit_code == 0
    assert (folder / "results.1.csv").read_bytes() == before


def test_faults_leave_with_three_and_write_nothing(folder: Path, file: Path):
    blank = (folder / "results.csv").read_bytes()
    file.write_text(file.read_text().replace("0.08 in", "deep").replace("1.4,no", "1.4,perhaps"))
    result = run("take", file, folder, "--json")
    assert result.exit_code == 3
    faults = json.loads(result.stdout)["error"]["faults"]
    assert {fault["column"] for fault in faults} == {"depth [mm]", "trip"}
    assert (folder / "results.csv").read_bytes() == blank


def test_the_answer_as_json(folder: Path, file: Path):
    answer = json.loads(run("take", file, folder, "--json").stdout)
    assert answer["schema"] == 1
    assert answer["files"] == [str(folder / "results.csv")]
    assert (answer["stage"], answer["welds"], answer["not_run"]) == (1, 3, ["W03"])
    assert any(c["found"] == "0.08 in" and c["read_as"] == "2.032 mm" for c in answer["conversions"])
    assert isinstance(answer["questions"], list)


def test_a_file_that_is_not_there_is_wrong_usage(folder: Path):
    assert run("take", folder / "nothing.csv", folder).exit_code == 2


def test_a_table_of_another_study_is_refused(folder: Path, file: Path, tmp_path: Path):
    other = tmp_path / "other"
    shutil.copytree(folder, other)
    text = (other / "plan.csv").read_text().replace("# seed 1", "# seed 9")
    (other / "plan.csv").write_text(text)
    result = run("take", file, other)
    assert result.exit_code == 3
    assert "is not a table of this study's bench page" in result.stderr


def test_sections_are_put_into_the_table_and_named(folder: Path, file: Path, tmp_path: Path):
    run("take", file, folder)
    comments = [line for line in file.read_text().splitlines() if line.startswith("#")]
    macro = tmp_path / "macro.csv"
    rows = ["# measured on the macro page", "weld,depth [mm],section throat [mm]", "W03,1.7,4.2", ""]
    macro.write_text("\n".join([*comments, *rows]))
    result = run("take", macro, folder)
    assert result.exit_code == 0
    assert "Sections of W03, put into results.csv." in result.stdout
    assert json.loads(run("take", macro, folder, "--json").stdout)["sections"] == ["W03"]
    assert (folder / "results.1.csv").read_bytes() == file.read_bytes()


def test_the_export_of_a_second_person_fills_the_blanks_of_the_first(folder: Path, file: Path):
    run("take", file, folder)
    second = file.with_name("second.csv")
    lines = file.read_text().splitlines()
    head = next(line for line in lines if line.startswith("weld,")).split(",")
    for i, line in enumerate(lines):
        cells = line.split(",")
        if line.startswith("W"):
            is_last = cells[0] == "W03"
            cells[head.index("depth [mm]")] = "1.9" if is_last else ""
            cells[head.index("trip")] = "no" if is_last else ""
            lines[i] = ",".join(cells)
    second.write_text("\n".join(lines) + "\n")
    before = (folder / "results.csv").read_bytes()
    answer = json.loads(run("take", second, folder, "--json").stdout)
    assert [(cell["weld"], cell["text"]) for cell in answer["filled"]] == [("W03", "1.9"), ("W03", "no")]
    assert Path(answer["kept"]).read_bytes() == before
    assert json.loads(run("check", folder, "--json").stdout)["welds"] == 3


def test_what_was_filled_is_said(folder: Path, file: Path):
    run("take", file, folder)
    more = file.read_text().replace("W03,P03,1,3,3,19.6,plan,,,,", "W03,P03,1,3,3,19.6,plan,,,1.9,")
    file.write_text(more)
    result = run("take", file, folder)
    assert "1 blank cells of W03 were filled; what stood there is as it was." in result.stdout
    assert "results.1.csv, as it was" in result.stderr
