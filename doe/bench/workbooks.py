"""XLSX: cells and their last calculated values; no formula is ever evaluated."""

from __future__ import annotations

import datetime as dt
import io
import warnings
import zipfile
import zlib
from collections.abc import Iterable
from typing import Any, Final

from doe.bench.sheets import LARGEST_WORKBOOK, Cell, Row, Sheet, check_size, tidy
from doe.errors import Fault, ResultsError

_UNREADABLE: Final = (
    ArithmeticError,
    AssertionError,
    AttributeError,
    EOFError,
    LookupError,
    NotImplementedError,
    OSError,
    RuntimeError,
    SyntaxError,
    TypeError,
    ValueError,
    zipfile.BadZipFile,
    zlib.error,
)
"""What openpyxl and the zip and XML readers under it raise on a damaged workbook; they promise no one class."""


def read_workbook_sheets(file: str, data: bytes) -> list[Sheet]:
    """Read every visible sheet of a workbook.

    Parameters
    ----------
    file : str
        The file's name, for the messages.
    data : bytes
        Its contents.

    Returns
    -------
    list of Sheet

    Raises
    ------
    ResultsError
        If the workbook is damaged, of another kind, or too large.
    """
    _check_archive(file, data)
    try:
        return _read(file, data)
    except _UNREADABLE as error:
        raise _not_readable(file, "the workbook is damaged") from error


def _read(file: str, data: bytes) -> list[Sheet]:
    written = _cells_by_sheet(file, data, calculated=False)
    has_formulas = any(cell.formula for rows in written.values() for row in rows for cell in row.cells)
    if has_formulas:
        calculated = _cells_by_sheet(file, data, calculated=True)
        written = {name: _with_values(rows, calculated[name]) for name, rows in written.items()}
    return [Sheet(file, "workbook", name, tuple(rows), "") for name, rows in written.items()]


def _check_archive(file: str, data: bytes) -> None:
    """Refuse what is no workbook, what expands too far, and what smuggles in entities."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
            names = {member.filename for member in members}
            if "xl/workbook.xml" not in names:
                raise _not_readable(file, "this is not an .xlsx workbook")
            if sum(member.file_size for member in members) > LARGEST_WORKBOOK:
                raise _not_readable(file, f"the workbook expands to more than {LARGEST_WORKBOOK:,} bytes")
            for member in members:
                # No part of a workbook needs a document type (ECMA-376, part 2, 8.1.4 (from memory)).
                if b"<!DOCTYPE" in archive.read(member).upper():
                    raise _not_readable(file, "the workbook holds a document type declaration")
    except _UNREADABLE as error:
        raise _not_readable(file, "the workbook is damaged") from error


def _not_readable(file: str, reason: str) -> ResultsError:
    return ResultsError(
        f"{file} is not a table that can be read.",
        [Fault(f"{reason}: save it again from the spreadsheet as .xlsx or .csv", file)],
    )


def _cells_by_sheet(file: str, data: bytes, *, calculated: bool) -> dict[str, list[Row]]:
    import openpyxl  # type: ignore[import-untyped] # noqa: PLC0415 - costs a quarter of a second; only workbooks need it

    with warnings.catch_warnings():
        # openpyxl warns of styles and validations it cannot keep; nothing is written back here.
        warnings.simplefilter("ignore", UserWarning)
        book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=calculated)
        try:
            return {
                sheet.title: _rows(file, sheet.iter_rows())
                for sheet in book.worksheets
                if sheet.sheet_state == "visible"
            }
        finally:
            book.close()


def _rows(file: str, found: Iterable[Iterable[Any]]) -> list[Row]:
    rows: list[Row] = []
    widest = 0
    for number, cells in enumerate(found, start=1):
        read = [_cell(cell) for cell in cells]
        while read and read[-1] == Cell():
            read.pop()
        if read:
            rows.append(Row(number, tuple(read), len(read)))
            widest = max(widest, len(read) if not rows[-1].is_comment else 0)
            check_size(file, len(rows), widest)
    return rows


def _cell(cell: Any) -> Cell:
    value = cell.value
    if cell.data_type == "f":
        # An array formula is an object that keeps its text.
        return Cell(formula=str(getattr(value, "text", value)) or "=")
    if isinstance(value, bool):
        return Cell("yes" if value else "no")
    if isinstance(value, int | float):
        return _number(float(value), str(cell.number_format))
    if isinstance(value, dt.date | dt.time):
        return Cell(_date_text(value), date=value.isoformat())
    return Cell(tidy("" if value is None else str(value)))


def _number(value: float, number_format: str) -> Cell:
    """Give a number as it is shown: a cell formatted as per cent holds 0.12 and shows 12 %."""
    if "%" in number_format:
        return Cell(f"{value * 100:.12g} %")
    return Cell(f"{value:.15g}", number=value)


def _date_text(value: dt.date | dt.time) -> str:
    if not isinstance(value, dt.datetime):
        return value.isoformat()
    if value.time() == dt.time():
        return value.date().isoformat()
    return value.isoformat(sep=" ", timespec="minutes" if value.second == 0 else "seconds")


def _with_values(written: list[Row], calculated: list[Row]) -> list[Row]:
    """Put beside each formula the value the spreadsheet last calculated."""
    values = {(row.number, place): cell for row in calculated for place, cell in enumerate(row.cells)}
    return [
        Row(
            row.number,
            tuple(_calculated(cell, values.get((row.number, place), Cell())) for place, cell in enumerate(row.cells)),
            row.width,
        )
        for row in written
    ]


def _calculated(cell: Cell, value: Cell) -> Cell:
    return Cell(value.text, value.number, value.date, cell.formula) if cell.formula else cell
