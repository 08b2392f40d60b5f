from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest

from doe.bench import annotated_copy, examine_results
from doe.errors import Fault, ResultsError
from doe.study.model import Study

Rows = list[dict[str, str]]


def annotated(path: Path, study: Study) -> list[list[str]]:
    examination = examine_results(path, study)
    return list(csv.reader(annotated_copy(path, study, [*examination.faults, *examination.questions]).splitlines()))


def test_remarks_stand_beside_their_rows(write: Callable[..., Path], filled: Rows, planned: Study) -> None:
    filled[2]["penetration [mm]"], filled[3]["stick-out [mm]"] = "deep", "0.9 in"
    path = write(filled)
    rows = annotated(path, planned)
    assert rows[0] == [*filled[0], "remarks of the check"]
    assert [len(row) for row in rows] == [len(rows[0])] * 7
    assert "“deep” is not a quantity" in rows[3][-1]
    assert [bool(row[-1]) for row in rows[1:]] == [False, False, True, False, False, False]
    assert [row[:-1] for row in rows[1:]] == [list(row.values()) for row in filled]


def test_a_semicolon_table_with_a_title_is_copied_line_by_line(planned: Study) -> None:
    path = planned.folder / "results.csv"
    path.write_text("Lugs\n# seed 1\nweld;penetration [mm];notes\nW01;1,500;=1+1\n", encoding="utf-8")
    rows = annotated(path, planned)
    assert rows[:3] == [["Lugs"], ["# seed 1"], ["weld", "penetration [mm]", "notes", "remarks of the check"]]
    assert rows[3][:3] == ["W01", "1,500", "'=1+1"]
    assert "can be read as 1.500" in rows[3][3]


def test_remarks_on_the_whole_file_stand_above_it(write: Callable[..., Path], filled: Rows, planned: Study) -> None:
    path = write(filled)
    text = annotated_copy(path, planned, [Fault("look here", "results.csv"), Fault("not here", "results-2.csv", 2)])
    assert text.startswith("# results.csv: look here\n")
    assert "not here" not in text


def test_a_workbook_is_copied_as_text(planned: Study) -> None:
    book = openpyxl.Workbook()
    for row in (["weld", "penetration [mm]"], ["W01", "=1+1"], ["W02", 1.5]):
        book.active.append(row)  # type: ignore[union-attr]
    path = planned.folder / "results.xlsx"
    book.save(path)
    before = path.read_bytes()
    rows = annotated(path, planned)
    assert rows[1][:2] == ["W01", "'=1+1"]
    assert "was never calculated" in rows[1][2]
    assert path.read_bytes() == before


def test_a_table_without_headings_is_copied_all_the_same(planned: Study) -> None:
    path = planned.folder / "results.csv"
    path.write_text("a,b\n1,2\n", encoding="utf-8")
    assert annotated(path, planned)[-2:] == [["a", "b", ""], ["1", "2", ""]]


def test_a_file_that_cannot_be_read_is_refused(planned: Study) -> None:
    with pytest.raises(ResultsError, match="cannot be read"):
        annotated_copy(planned.folder / "results.csv", planned, [])
