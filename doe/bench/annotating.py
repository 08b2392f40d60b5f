"""A copy of a table with the remarks beside each row; the table itself is never rewritten."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from pathlib import Path
from typing import Final

from doe.bench.files import load_sheets
from doe.bench.headings import find_table
from doe.bench.sheets import Sheet
from doe.errors import Fault, ResultsError
from doe.planning.table import safe_cell
from doe.study.model import Study

REMARKS_HEADING: Final = "remarks of the check"


def annotated_copy(path: Path | str, study: Study, remarks: Iterable[Fault]) -> str:
    """Copy a table, with a last column that holds what was found in each row.

    Parameters
    ----------
    path : Path
        results.csv, results.xlsx ...
    study : Study
    remarks : iterable of Fault
        Faults and questions (``examine_results``); those of other files are left out.

    Returns
    -------
    str
        CSV with commas. Remarks on the whole file stand above the table, as comments.

    Raises
    ------
    ResultsError
        If the file cannot be read at all.
    """
    path = Path(path)
    mine = [remark for remark in remarks if remark.file == path.name]
    sheet, heading_row = _sheet(load_sheets(path), study)
    width = max((len(row.cells) for row in sheet.rows if not row.is_comment), default=0)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerows([f"# {remark}"] for remark in mine if remark.row is None)
    for row in sheet.rows:
        said = "; ".join(_said(remark) for remark in mine if remark.row == row.number)
        if row.number == heading_row and not said:
            said = REMARKS_HEADING
        cells = [safe_cell(cell.text or cell.formula) for cell in row.cells]
        is_weld = row.number >= heading_row and not row.is_comment
        writer.writerow([*cells, *[""] * (width - len(cells)), said] if is_weld or said else cells)
    return text.getvalue()


def _sheet(sheets: list[Sheet], study: Study) -> tuple[Sheet, int]:
    """Take the sheet with the welds, and its row of headings; where there is none, the sheet with most cells, and 0."""
    try:
        table = find_table(sheets, study)
    except ResultsError:
        return max(sheets, key=lambda sheet: sum(len(row.cells) for row in sheet.rows)), 0
    return table.sheet, table.heading_row.number


def _said(remark: Fault) -> str:
    return f"{remark.column}: {remark.message}" if remark.column else remark.message
