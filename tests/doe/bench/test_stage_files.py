"""Which files of a study are read, and what is said of each."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from doe.bench import examine_results, read_results
from doe.errors import ResultsError
from doe.study.model import Study

Rows = list[dict[str, str]]
Write = Callable[..., Path]


def test_every_stage_of_a_folder_is_read_together(write: Write, filled: Rows, planned: Study) -> None:
    write(filled[:4])
    write([{**row, "order": ""} for row in filled[4:]], "results-2.csv")
    results = read_results(planned.folder, planned)
    assert results.weld == ("W01", "W02", "W03", "W04", "W05", "W06")
    assert results.file == ("results.csv",) * 4 + ("results-2.csv",) * 2
    assert list(results.row) == [2, 3, 4, 5, 2, 3]


def test_one_file_is_read_alone(write: Write, filled: Rows, planned: Study) -> None:
    write(filled[:4])
    second = write(filled[4:], "results-2.csv")
    assert read_results(second, planned).weld == ("W05", "W06")


def test_a_stage_as_csv_and_xlsx_is_refused(write: Write, filled: Rows, planned: Study) -> None:
    write(filled)
    (planned.folder / "results.xlsx").write_bytes(b"")
    with pytest.raises(ResultsError, match="are the same stage"):
        read_results(planned.folder, planned)


def test_files_kept_aside_and_lock_files_are_left_alone(write: Write, filled: Rows, planned: Study) -> None:
    write(filled)
    for name in ("results.1.csv", "results-2.3.csv", "~$results.xlsx", ".~lock.results.csv#", "plan.1.csv"):
        (planned.folder / name).write_text("?", encoding="utf-8")
    results = read_results(planned.folder, planned)
    assert results.n_welds == 6
    assert results.questions == ()


def test_a_file_that_looks_like_results_and_is_not_read_is_asked_about(
    write: Write, filled: Rows, planned: Study
) -> None:
    write(filled)
    (planned.folder / "results (1).csv").write_text("?", encoding="utf-8")
    assert any("results (1).csv: this file is not read" in q for q in read_results(planned.folder, planned).questions)


def test_a_weld_in_two_files_is_refused(write: Write, filled: Rows, planned: Study) -> None:
    write(filled)
    write(filled[:1], "results-2.csv")
    with pytest.raises(ResultsError, match=r"W01 stands twice: here and in results\.csv, row 2"):
        read_results(planned.folder, planned)


def test_a_folder_without_results_says_so(planned: Study) -> None:
    with pytest.raises(ResultsError, match=r"no results\.csv and no results\.xlsx"):
        read_results(planned.folder, planned)


def test_a_file_that_is_not_there_says_so(planned: Study) -> None:
    with pytest.raises(ResultsError, match="closed in the spreadsheet program"):
        read_results(planned.folder / "results.csv", planned)


def test_the_faults_of_every_file_are_given_at_once(write: Write, filled: Rows, planned: Study) -> None:
    write(filled[:4], cells={"trip": "maybe"})
    write(filled[4:], "results-2.csv", cells={"penetration [mm]": "deep"})
    with pytest.raises(ResultsError) as caught:
        read_results(planned.folder, planned)
    assert [(f.file, f.row) for f in caught.value.faults] == [
        *(("results.csv", row) for row in (2, 3, 4, 5)),
        *(("results-2.csv", row) for row in (2, 3)),
    ]


def test_an_examination_gives_faults_conversions_and_questions_together(
    write: Write, filled: Rows, planned: Study
) -> None:
    filled[0]["penetration [mm]"] = "deep"
    filled[1]["penetration [mm]"] = "0.0709 in"
    filled[2]["feed [m/min]"] = "8.5"
    write(filled)
    examination = examine_results(planned.folder, planned)
    assert examination.results is None
    assert [fault.row for fault in examination.faults] == [2]
    assert [conversion.row for conversion in examination.conversions] == [3]
    assert [question.row for question in examination.questions] == [4]


def test_the_faults_of_plan_csv_are_given_too(write: Write, filled: Rows, planned: Study) -> None:
    write(filled)
    path = planned.folder / "plan.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("W01,P01,1,1,1", "W01,P01,1,1,9"), encoding="utf-8")
    with pytest.raises(ResultsError) as caught:
        read_results(planned.folder, planned)
    assert {fault.file for fault in caught.value.faults} == {"plan.csv"}
