"""A table of the bench page, taken into the study."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path

import openpyxl
import pytest

from doe.bench import read_results, results_table
from doe.bench.due import due_step
from doe.bench.stage import write_stage
from doe.bench.taking import read_export, write_export
from doe.errors import CannotWriteError, ResultsError, WouldOverwriteError
from doe.planning.plan import Plan
from doe.study.model import Study

Rows = list[dict[str, str]]


def export_text(plan: Plan, rows: Rows) -> str:
    """Give what the bench page exports: the blank table's comments and columns, filled in."""
    comments = [line for line in results_table(plan).splitlines() if line.startswith("#")]
    text = io.StringIO()
    text.writelines(f"{line}\n" for line in [*comments, "# filled in on the bench page"])
    writer = csv.DictWriter(text, fieldnames=list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


@pytest.fixture
def staged(plan: Plan) -> Study:
    write_stage(plan)
    return plan.study


@pytest.fixture
def file(plan: Plan, filled: Rows, tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("phone") / "bench-0123456789ab-1.csv"
    path.write_text(export_text(plan, filled), encoding="utf-8")
    return path


def test_an_export_becomes_the_blank_results_csv_as_it_is(staged: Study, file: Path):
    export = read_export(file, staged)
    assert export.stage == 1
    assert export.results.n_welds == 6
    assert write_export(export).files == (staged.folder / "results.csv",)
    assert (staged.folder / "results.csv").read_bytes() == file.read_bytes()
    assert read_results(staged.folder, staged).status == export.results.status
    (staged.folder / "study.toml").write_text("[study]")
    assert due_step(staged.folder).command == "report"


def test_the_same_export_again_writes_nothing(staged: Study, file: Path):
    write_export(read_export(file, staged))
    assert write_export(read_export(file, staged)).files == ()


def test_a_missing_results_csv_is_written(staged: Study, file: Path):
    (staged.folder / "results.csv").unlink()
    assert write_export(read_export(file, staged)).files == (staged.folder / "results.csv",)


def test_what_a_person_filled_in_is_never_overwritten(staged: Study, file: Path):
    path = staged.folder / "results.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    heads = next(line for line in lines if line.startswith("weld,")).split(",")
    first = next(i for i, line in enumerate(lines) if line.startswith("W01,"))
    cells = lines[first].split(",")
    cells[heads.index("penetration [mm]")] = "1.7"
    lines[first] = ",".join(cells)
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    before = path.read_bytes()
    with pytest.raises(WouldOverwriteError, match=r"do not say the same; nothing was written.*") as refused:
        write_export(read_export(file, staged))
    [conflict] = refused.value.faults
    assert conflict.message.startswith("W01 has “1.7” here and “1.5” in bench-0123456789ab-1.csv, row")
    assert (conflict.file, conflict.row, conflict.column) == ("results.csv", first + 1, "penetration [mm]")
    assert path.read_bytes() == before
    assert not (staged.folder / "results.1.csv").exists()


def test_replace_keeps_the_old_table_beside(staged: Study, file: Path, plan: Plan, filled: Rows):
    write_export(read_export(file, staged))
    before = file.read_bytes()
    filled[0]["penetration [mm]"] = "1.6"
    file.write_text(export_text(plan, filled), encoding="utf-8")
    with pytest.raises(WouldOverwriteError):
        write_export(read_export(file, staged))
    taken = write_export(read_export(file, staged), replace=True)
    assert taken.files == (staged.folder / "results.csv",)
    assert taken.kept == staged.folder / "results.1.csv"
    assert (staged.folder / "results.1.csv").read_bytes() == before
    assert (staged.folder / "results.csv").read_bytes() == file.read_bytes()


@pytest.mark.parametrize("forced", [False, True])
def test_a_workbook_of_the_same_stage_stands_in_the_way(staged: Study, file: Path, forced: bool):
    openpyxl.Workbook().save(staged.folder / "results.xlsx")
    with pytest.raises(WouldOverwriteError, match=r"results.xlsx holds the results of stage 1"):
        write_export(read_export(file, staged), replace=forced)


def test_a_table_open_in_a_spreadsheet_is_not_written(staged: Study, file: Path):
    (staged.folder / ".~lock.results.csv#").write_text("")
    with pytest.raises(CannotWriteError, match="open in a spreadsheet program"):
        write_export(read_export(file, staged))


def test_the_export_of_another_study_is_refused_before_its_rows(staged: Study, file: Path):
    file.write_text(file.read_text().replace("0123456789ab", "ba9876543210").replace("seed 1", "seed 2"))
    file.write_text(file.read_text().replace("done", "finished"))
    with pytest.raises(ResultsError) as caught:
        read_export(file, staged)
    advice = "Is it the right study, or was the plan made again since?"
    assert [fault.message for fault in caught.value.faults] == [
        f"it was made for a plan with the fingerprint ba9876543210; plan.csv has 0123456789ab. {advice}",
        f"it was made for a plan with the seed 2; plan.csv has 1. {advice}",
    ]


def test_a_table_without_its_comment_lines_is_refused(staged: Study, file: Path):
    text = "\n".join(line for line in file.read_text().splitlines() if not line.startswith("#"))
    file.write_text(text)
    with pytest.raises(ResultsError, match="the comment lines with fingerprint and stage and seed are missing"):
        read_export(file, staged)


@pytest.mark.parametrize(("stage", "name"), [("2", "plan-2.csv"), ("0", "plan-0.csv"), ("two", "plan-0.csv")])
def test_an_export_of_a_stage_that_the_study_does_not_have_is_refused(staged: Study, file: Path, stage: str, name: str):
    file.write_text(file.read_text().replace("# stage 1", f"# stage {stage}"))
    with pytest.raises(ResultsError, match=f"it was made for stage {stage}, and this study has no {name}"):
        read_export(file, staged)


def test_a_later_stage_goes_into_its_own_table(staged: Study, plan: Plan, filled: Rows, file: Path):
    later = replace(plan, stage=2, welds=tuple(replace(w, weld=f"W{i}", order=i) for i, w in enumerate(plan.welds, 7)))
    write_stage(later)
    rows = [{**row, "weld": f"W{i}", "order": str(i)} for i, row in enumerate(filled, 7)]
    file.write_text(export_text(later, rows), encoding="utf-8")
    assert write_export(read_export(file, staged)).files == (staged.folder / "results-2.csv",)


def test_missing_and_unknown_welds_and_bad_cells_are_listed_at_once(
    staged: Study, plan: Plan, filled: Rows, file: Path
):
    filled[0]["weld"], filled[0]["order"] = "W21", "21"
    filled[2]["trip"] = "perhaps"
    file.write_text(export_text(plan, filled), encoding="utf-8")
    with pytest.raises(ResultsError, match="cannot be taken as it stands: 3 faults") as caught:
        read_export(file, staged)
    messages = [str(fault) for fault in caught.value.faults]
    assert any("these welds of the plan are missing: W01" in message for message in messages)
    assert any("W21 is not in the plan of this stage" in message for message in messages)
    assert any("“perhaps” is neither yes nor no" in message for message in messages)


def test_a_blank_table_is_refused(staged: Study, file: Path):
    file.write_bytes((staged.folder / "results.csv").read_bytes())
    with pytest.raises(ResultsError, match="nothing is filled in yet"):
        read_export(file, staged)


@pytest.mark.parametrize(("heading", "text"), [("notes", "rain"), ("status", "not run"), ("gap [mm]", "0.5")])
def test_one_entry_is_enough_to_be_filled_in(staged: Study, plan: Plan, file: Path, heading: str, text: str):
    lines = [line for line in results_table(plan).splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    rows[0][heading] = text
    file.write_text(export_text(plan, rows), encoding="utf-8")
    assert read_export(file, staged).results.n_welds == 6


def test_conversions_and_questions_are_given(staged: Study, plan: Plan, filled: Rows, file: Path):
    filled[0]["penetration [mm]"] = "0,08 in"
    filled[1]["voltage actual [V]"] = "17.0"
    file.write_text(export_text(plan, filled), encoding="utf-8")
    export = read_export(file, staged)
    assert [(c.found, c.read_as) for c in export.conversions if c.column == "penetration [mm]"] == [
        ("0,08 in", "2.032 mm")
    ]
    assert any("planned 19.6 V" in question.message for question in export.questions)


def test_a_workbook_is_told_where_to_go(staged: Study, tmp_path_factory: pytest.TempPathFactory):
    path = tmp_path_factory.mktemp("phone") / "bench.xlsx"
    openpyxl.Workbook().save(path)
    with pytest.raises(ResultsError, match=r"save it in the study's folder as results\.xlsx"):
        read_export(path, staged)


def test_an_export_saved_again_by_a_spreadsheet_is_still_known(staged: Study, file: Path):
    lines = file.read_text(encoding="utf-8").splitlines()
    width = lines[-1].count(",") + 1
    mangled = [
        f'"{line}"' + ";" * (width - 1) if line.startswith("#") else ";".join(next(csv.reader([line])))
        for line in lines
    ]
    file.write_text("\n".join(mangled), encoding="utf-8-sig")
    assert read_export(file, staged).results.n_welds == 6
