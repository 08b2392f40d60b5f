"""XLSX: the same table as a workbook, and what only workbooks do to numbers."""

from __future__ import annotations

import datetime as dt
import io
import re
import zipfile
from collections.abc import Callable
from pathlib import Path

import openpyxl
import pytest
from numpy.testing import assert_allclose
from openpyxl.styles import numbers
from openpyxl.worksheet.formula import ArrayFormula

from doe.bench import read_results
from doe.bench.results import Counts, Measurement
from doe.errors import ResultsError
from doe.study.model import Study

Rows = list[dict[str, str]]


def typed(text: str) -> object:
    """Give a cell as a spreadsheet keeps it: a number where the text is one."""
    try:
        return float(text)
    except ValueError:
        return text or None


def make_book(rows: Rows, *, above: int = 0) -> openpyxl.Workbook:
    """Make a workbook of the rows, numbers as numbers."""
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "Welds"
    for _ in range(above):
        sheet.append(["Hinge lugs"])
    sheet.append(list(rows[0]))
    for row in rows:
        sheet.append([typed(text) for text in row.values()])
    return book


def cell_at(book: openpyxl.Workbook, rows: Rows, heading: str, weld: int = 3) -> openpyxl.cell.Cell:
    """Give the cell of a weld under a heading."""
    found = book["Welds"].cell(row=weld + 1, column=list(rows[0]).index(heading) + 1)
    assert isinstance(found, openpyxl.cell.Cell)
    return found


def edit_xml(path: Path, edit: Callable[[str], str]) -> None:
    """Change the first sheet's XML in place: what openpyxl itself cannot write."""
    out = io.BytesIO()
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for member in old.infolist():
            data = old.read(member)
            if member.filename == "xl/worksheets/sheet1.xml":
                data = edit(data.decode()).encode()
            new.writestr(member, data)
    path.write_bytes(out.getvalue())


@pytest.fixture
def path(planned: Study) -> Path:
    return planned.folder / "results.xlsx"


def test_a_workbook_is_read_as_the_same_csv(
    path: Path, planned: Study, filled: Rows, write: Callable[..., Path]
) -> None:
    plain = read_results(write(filled), planned)
    (planned.folder / "results.csv").unlink()
    make_book(filled).save(path)
    found = read_results(planned.folder, planned)
    assert found.conversions == ()
    assert found.questions == plain.questions
    assert found.weld == plain.weld
    assert_allclose(found.settings, plain.settings)
    mine, theirs = found.readings["penetration"], plain.readings["penetration"]
    assert isinstance(mine, Measurement)
    assert isinstance(theirs, Measurement)
    assert_allclose(mine.values, theirs.values)


def test_a_workbook_under_a_csv_name_is_read(path: Path, planned: Study, filled: Rows) -> None:
    make_book(filled).save(path)
    path.rename(path.with_suffix(".csv"))
    assert read_results(planned.folder, planned).n_welds == 6


def test_a_date_that_was_a_fraction_is_named(path: Path, planned: Study, filled: Rows) -> None:
    book = make_book(filled)
    cell_at(book, filled, "penetration [mm]").value = dt.datetime(2031, 3, 8)
    cell_at(book, filled, "gap [mm]").value = dt.date(1932, 3, 1)
    book.save(path)
    with pytest.raises(ResultsError) as caught:
        read_results(path, planned)
    assert [(f.row, f.column) for f in caught.value.faults] == [(4, "penetration [mm]"), (4, "gap [mm]")]
    assert "Was it 3/8 or 8/3?" in caught.value.faults[0].message
    assert "Was it 3/32?" in caught.value.faults[1].message


def test_a_plate_that_became_a_date_is_refused(path: Path, planned: Study, filled: Rows) -> None:
    book = make_book(filled)
    cell_at(book, filled, "plate").value = dt.datetime(2031, 1, 2)
    book.save(path)
    with pytest.raises(ResultsError, match="row 4, column “plate”: this cell holds the date “2031-01-02”: format"):
        read_results(path, planned)


def test_a_time_of_day_in_a_number_column_is_refused(path: Path, planned: Study, filled: Rows) -> None:
    book = make_book(filled)
    cell_at(book, filled, "trip time [s]").value = dt.time(0, 1, 30)
    book.save(path)
    with pytest.raises(ResultsError, match=r"row 4, column “trip time .s.”: this cell holds the time “00:01:30”"):
        read_results(path, planned)


def test_a_time_stamp_is_a_remark(path: Path, planned: Study, filled: Rows) -> None:
    book = make_book(filled)
    cell_at(book, filled, "time").value = dt.datetime(2031, 5, 4, 10, 30)
    book.save(path)
    assert read_results(path, planned).remarks["time"][2] == "2031-05-04 10:30"


def test_a_formula_that_was_never_calculated_is_named(path: Path, planned: Study, filled: Rows) -> None:
    book = make_book(filled)
    cell_at(book, filled, "penetration [mm]").value = "=4.2/2"
    book.save(path)
    with pytest.raises(
        ResultsError, match=r"row 4, column “penetration .mm.”: the formula “=4.2/2” was never calculated"
    ):
        read_results(path, planned)


def test_an_array_formula_that_was_never_calculated_is_named(path: Path, planned: Study, filled: Rows) -> None:
    book = make_book(filled)
    cell = cell_at(book, filled, "penetration [mm]")
    book["Welds"][cell.coordinate] = ArrayFormula(cell.coordinate, "=SUM(A1:A2)")
    book.save(path)
    with pytest.raises(ResultsError, match=r"“=SUM.A1:A2.” was never calculated"):
        read_results(path, planned)


def test_a_formula_gives_its_last_calculated_value_and_is_listed(path: Path, planned: Study, filled: Rows) -> None:
    book = make_book(filled)
    cell_at(book, filled, "penetration [mm]").value = "=4.4/2"
    book.save(path)
    edit_xml(path, lambda xml: re.sub(r"<f>4.4/2</f><v ?/>|<f>4.4/2</f><v></v>", "<f>4.4/2</f><v>2.2</v>", xml))
    results = read_results(path, planned)
    measure = results.readings["penetration"]
    assert isinstance(measure, Measurement)
    assert measure.values[2, 0] == 2.2
    assert [(c.row, c.found, c.read_as) for c in results.conversions] == [
        (4, "=4.4/2", "2.2, the value last calculated")
    ]


def test_a_formula_is_never_evaluated(path: Path, planned: Study, filled: Rows) -> None:
    book = make_book(filled)
    cell_at(book, filled, "penetration [mm]").value = "=4.4/2"
    book.save(path)
    edit_xml(path, lambda xml: re.sub(r"<f>4.4/2</f><v ?/>|<f>4.4/2</f><v></v>", "<f>4.4/2</f><v>1.7</v>", xml))
    measure = read_results(path, planned).readings["penetration"]
    assert isinstance(measure, Measurement)
    assert measure.values[2, 0] == 1.7


def test_a_spreadsheets_error_is_named(path: Path, planned: Study, filled: Rows) -> None:
    book = make_book(filled)
    cell_at(book, filled, "penetration [mm]").value = "#DIV/0!"
    book.save(path)
    with pytest.raises(ResultsError, match=r"row 4, column “penetration .mm.”: “#DIV/0!” is a spreadsheet's error"):
        read_results(path, planned)


def test_text_cells_with_units_commas_and_fractions_are_read(path: Path, planned: Study, filled: Rows) -> None:
    book = make_book(filled)
    cell_at(book, filled, "penetration [mm]", 1).value = "1,5"
    cell_at(book, filled, "penetration [mm]", 2).value = "3/32 in"
    book.save(path)
    measure = read_results(path, planned).readings["penetration"]
    assert isinstance(measure, Measurement)
    assert_allclose(measure.values[:2, 0], [1.5, 2.38125])


def test_true_and_false_are_yes_and_no(path: Path, planned: Study, filled: Rows) -> None:
    book = make_book(filled)
    cell_at(book, filled, "root fused", 1).value = True
    cell_at(book, filled, "root fused", 2).value = False
    book.save(path)
    assert read_results(path, planned).readings["root fused"].passed[:2].tolist() == [1.0, 0.0]  # type: ignore[union-attr]


def test_a_number_shown_as_per_cent_is_read_as_shown(path: Path, planned: Study, filled: Rows) -> None:
    book = make_book(filled)
    cell = cell_at(book, filled, "penetration [mm]")
    cell.value, cell.number_format = 0.5, numbers.FORMAT_PERCENTAGE
    book.save(path)
    with pytest.raises(ResultsError, match="“%” is a unit of ratio, not of length"):
        read_results(path, planned)


def test_headings_may_stand_lower_down(path: Path, planned: Study, filled: Rows) -> None:
    filled[0]["porosity"] = "2.5"
    make_book(filled, above=4).save(path)
    with pytest.raises(ResultsError, match="row 6, column “porosity”"):
        read_results(path, planned)


def test_other_sheets_are_left_alone(path: Path, planned: Study, filled: Rows) -> None:
    book = make_book(filled)
    book.create_sheet("guide", 0).append(["how to fill in"])
    hidden = book.create_sheet("old")
    hidden.append(list(filled[0]))
    hidden.sheet_state = "hidden"
    book.save(path)
    assert read_results(path, planned).n_welds == 6


def test_two_sheets_of_welds_are_refused(path: Path, planned: Study, filled: Rows) -> None:
    book = make_book(filled)
    book.create_sheet("more").append(list(filled[0]))
    book.save(path)
    with pytest.raises(ResultsError, match="the sheets “Welds”, “more” all hold welds"):
        read_results(path, planned)


def test_gaps_between_rows_are_counted(path: Path, planned: Study, filled: Rows) -> None:
    book = make_book(filled)
    book["Welds"].insert_rows(4, 3)
    book["Welds"].cell(row=8, column=list(filled[0]).index("porosity") + 1).value = "many"
    book.save(path)
    with pytest.raises(ResultsError, match="row 8, column “porosity”"):
        read_results(path, planned)


def test_a_count_as_a_spreadsheets_float_is_whole(path: Path, planned: Study, filled: Rows) -> None:
    make_book(filled).save(path)
    count = read_results(path, planned).readings["porosity"]
    assert isinstance(count, Counts)
    assert count.counts.tolist() == [0, 1, 0, 2, 0, 1]


def test_a_workbook_that_expands_too_far_is_refused(path: Path, planned: Study) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/workbook.xml", "<workbook/>")
        archive.writestr("xl/worksheets/sheet1.xml", b" " * 50_000_000)
    assert path.stat().st_size < 1_000_000
    with pytest.raises(ResultsError, match="expands to more than 40,000,000 bytes"):
        read_results(path, planned)


def test_a_workbook_with_entities_is_refused(path: Path, planned: Study, filled: Rows) -> None:
    make_book(filled).save(path)
    edit_xml(path, lambda xml: '<!DOCTYPE x [<!ENTITY a "aaaa">]>' + xml)
    with pytest.raises(ResultsError, match="document type declaration"):
        read_results(path, planned)


def test_a_text_document_is_no_workbook(path: Path, planned: Study) -> None:
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
    with pytest.raises(ResultsError, match=r"this is not an .xlsx workbook"):
        read_results(path, planned)


def test_too_many_rows_are_refused(path: Path, planned: Study, filled: Rows) -> None:
    book = make_book(filled)
    for i in range(5001):
        book["Welds"].append([f"T{i}"])
    book.save(path)
    with pytest.raises(ResultsError, match="more than 5000 rows"):
        read_results(path, planned)


@pytest.mark.parametrize("keep", [30, 200, 1000, 4000])
def test_a_cut_off_workbook_is_refused(keep: int, path: Path, planned: Study, filled: Rows) -> None:
    make_book(filled).save(path)
    path.write_bytes(path.read_bytes()[:keep])
    with pytest.raises(ResultsError, match="the workbook is damaged"):
        read_results(path, planned)
