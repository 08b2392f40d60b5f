"""The run sheet as a workbook to fill in: planned columns locked, lists and limits for what is entered."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
import zipfile
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import openpyxl  # type: ignore[import-untyped]
from openpyxl.cell.cell import ILLEGAL_CHARACTERS_RE  # type: ignore[import-untyped]
from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side  # type: ignore[import-untyped]
from openpyxl.utils import get_column_letter  # type: ignore[import-untyped]
from openpyxl.worksheet.datavalidation import DataValidation  # type: ignore[import-untyped]

from doe.bench.columns import Column, is_asked_of_second, plan_columns, results_columns
from doe.bench.form_entries import Entry, entry_of
from doe.bench.tables import results_table
from doe.planning.plan import Plan
from doe.saving import keep_copy, make_folder, write_bytes

SPARE_COLUMNS: Final = 6
"""Unlocked columns behind the table: for a further cut of a weld, or a note of one's own. Our choice."""
_FIXED_TIME: Final = dt.datetime(2000, 1, 1)
_ZIP_TIME: Final = (2000, 1, 1, 0, 0, 0)
_LINE: Final = Side(style="thin", color="FF767676")
_LOCKED_FILL: Final = PatternFill("solid", start_color="FFE7E6E2")


def write_workbook_form(plan: Plan) -> list[Path]:
    """Write the workbook form of a stage: ``report/run-sheet.xlsx``, ``report/run-sheet-2.xlsx`` ...

    It lies in ``report/``, where nothing is read from: one stage has one table of results, results.csv. One
    that was saved by a spreadsheet program is kept beside, as ``run-sheet.1.xlsx`` ...

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    list of Path

    Raises
    ------
    CannotWriteError
        If it cannot be written.
    """
    folder = plan.study.folder / "report"
    make_folder(folder, within=plan.study.folder)
    path = folder / ("run-sheet.xlsx" if plan.stage == 1 else f"run-sheet-{plan.stage}.xlsx")
    if path.exists() and not _is_as_written(path):
        keep_copy(path)
    write_bytes(path, results_workbook(plan), within=plan.study.folder)
    return [path]


def _is_as_written(path: Path) -> bool:
    """Whether no spreadsheet program has saved a workbook since: each of them puts its own date on the parts."""
    try:
        with zipfile.ZipFile(path) as parts:
            return all(part.date_time == _ZIP_TIME for part in parts.infolist())
    except zipfile.BadZipFile:
        return False


def results_workbook(plan: Plan) -> bytes:
    """Make the workbook form of the table of results.

    The sheet "welds" has the columns of results.csv, one row a weld in the order of welding; the sheet "guide" says
    what goes where; hidden sheets hold what made the plan and the words of the lists. Limits warn and let the person
    go on: a reading with its unit, a fraction or a ``?`` may be typed everywhere.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    bytes
        XLSX. The same plan gives the same bytes.
    """
    comments, headings, rows = _blank_table(plan)
    entries = [entry_of(column, plan.study) for column in _entered(plan)]
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "welds"
    _fill_welds(sheet, headings, rows)
    _guide(book.create_sheet("guide"), headings[-len(entries) :], entries, has_second=bool(plan.second_beads))
    _hidden(book.create_sheet("plan"), [[line.lstrip("# ")] for line in comments])
    lists = book.create_sheet("lists")
    _hidden(lists, _turned([entry.choices for entry in entries if entry.choices]))
    _validate(sheet, entries, first=len(headings) - len(entries) + 1, n_welds=len(rows))
    _protect(sheet, n_planned=len(headings) - len(entries), n_columns=len(headings), n_welds=len(rows))
    _lay_out(sheet, headings, n_welds=len(rows))
    if plan.second_beads:
        _grey_out(sheet, plan, rows)
    book.properties.creator, book.properties.title = "weldwindow", _text(plan.study.title)
    out = io.BytesIO()
    book.save(out)
    return _without_clock(out.getvalue())


def _blank_table(plan: Plan) -> tuple[list[str], list[str], list[list[str]]]:
    """Cut the blank results.csv into comments, headings and rows; the rows in the order of welding."""
    lines = results_table(plan).splitlines(keepends=True)
    comments = [line.strip() for line in lines if line.startswith("#")]
    headings, *rows = csv.reader(line for line in lines if not line.startswith("#"))
    order = {weld.weld: weld.order for weld in plan.welds}
    return comments, headings, sorted(rows, key=lambda row: order[row[0]])


def _entered(plan: Plan) -> tuple[Column, ...]:
    """Give the columns that a person fills in."""
    return results_columns(plan.study)[len(plan_columns(plan.study)) :]


def _fill_welds(sheet: Any, headings: Sequence[str], rows: Sequence[Sequence[str]]) -> None:
    """Write headings and planned cells: numbers as numbers, all else as text that is never run as a formula."""
    for j, heading in enumerate(headings, start=1):
        _write(sheet.cell(row=1, column=j), heading)
        is_text = heading.endswith(" mark") or heading in ("weld", "plate", "role")
        for i, row in enumerate(rows, start=2):
            _write(sheet.cell(row=i, column=j), row[j - 1], is_text=is_text)


def _write(cell: Any, words: str, *, is_text: bool = True) -> None:
    if not words:
        return
    if not is_text and re.fullmatch(r"-?\d+(\.\d+)?", words):
        cell.value = float(words) if "." in words else int(words)
        return
    cell.value = _text(words)
    cell.data_type = "s"


def _text(words: str) -> str:
    """Leave out control characters, which no workbook can hold."""
    return str(ILLEGAL_CHARACTERS_RE.sub("", words))


def _guide(sheet: Any, headings: Sequence[str], entries: Sequence[Entry], *, has_second: bool) -> None:
    """Say how to fill in, and what goes into each column."""
    lines = (
        "How to fill in",
        "One row a weld, in the order of welding. The grey cells are the plan: they are locked (without a password).",
        "Leave blank what was not measured. Write ? where it is unreadable, and 0 where nothing was found.",
        "Any unit may stand behind a number: 3/32 in. A limit only warns: say yes where you mean what you typed.",
        "A fraction without its unit may turn into a date: write 3/32 in, or 0.094 in.",
        "A further cut of the same weld: use a free column at the end, with a 2 in its heading: penetration 2 [mm].",
        "When done: save this as results.xlsx in the study's folder (results-2.xlsx for stage 2), and move the blank "
        "results.csv away: one stage has one table. Then: weldwindow check",
        "Cautions stand on the run sheet. A coupon test qualifies neither a procedure nor a welder.",
    )
    for line in lines:
        sheet.append([line])
    if has_second:
        sheet.append(["A second bead (role second) is only looked over and counted: leave its grey cells blank."])
    sheet["A1"].font = Font(bold=True, size=14)
    sheet.append([])
    for heading, entry in zip(headings, entries, strict=True):
        sheet.append(["", ""])
        row = sheet.max_row
        _write(sheet.cell(row=row, column=1), heading)
        _write(sheet.cell(row=row, column=2), entry.guide)
        sheet.cell(row=row, column=1).font = Font(bold=True)
    sheet.column_dimensions["A"].width, sheet.column_dimensions["B"].width = 34, 90
    sheet.protection.sheet = True


def _hidden(sheet: Any, rows: Sequence[Sequence[str]]) -> None:
    for i, row in enumerate(rows, start=1):
        for j, words in enumerate(row, start=1):
            _write(sheet.cell(row=i, column=j), words)
    sheet.sheet_state = "hidden"


def _turned(columns: Sequence[Sequence[str]]) -> list[list[str]]:
    """Lay lists side by side, one a column."""
    longest = max((len(column) for column in columns), default=0)
    return [[column[i] if i < len(column) else "" for column in columns] for i in range(longest)]


def _validate(sheet: Any, entries: Sequence[Entry], *, first: int, n_welds: int) -> None:
    """Give each column to be filled in its list or its limits, with a message when a cell is entered."""
    n_lists = 0
    for j, entry in enumerate(entries, start=first):
        letter = get_column_letter(j)
        if entry.choices:
            n_lists += 1
            column = get_column_letter(n_lists)
            source = f"lists!${column}$1:${column}${len(entry.choices)}"
            rule = DataValidation("list", formula1=source, allow_blank=True)
        elif entry.limits is not None:
            kind = "whole" if entry.is_whole else "decimal"
            low, high = (f"{limit:g}" for limit in entry.limits)
            rule = DataValidation(kind, operator="between", formula1=low, formula2=high, allow_blank=True)
        else:
            continue
        rule.errorStyle = "warning"
        # Longer messages are cut off or refused: 255 characters, 32 for a title (ECMA-376, part 1, 18.3.1.32; memory).
        rule.promptTitle, rule.prompt = entry.title[:32], entry.guide[:255]
        rule.errorTitle, rule.error = "Is that right?", entry.doubt[:255]
        rule.showInputMessage = rule.showErrorMessage = True
        rule.add(f"{letter}2:{letter}{n_welds + 1}")
        sheet.add_data_validation(rule)


def _protect(sheet: Any, *, n_planned: int, n_columns: int, n_welds: int) -> None:
    """Lock headings and plan, leave everything else open; without a password."""
    free = Protection(locked=False)
    for row in sheet.iter_rows(min_row=1, max_row=n_welds + 1, max_col=n_columns + SPARE_COLUMNS):
        for cell in row:
            is_spare = cell.column > n_columns
            if is_spare or (cell.row > 1 and cell.column > n_planned):
                cell.protection = free
            elif cell.row > 1:
                cell.fill = _LOCKED_FILL
            if not is_spare:
                cell.border = Border(bottom=_LINE, right=_LINE)
    sheet.protection.sheet = True
    sheet.protection.formatColumns = sheet.protection.formatRows = False


def _grey_out(sheet: Any, plan: Plan, rows: Sequence[Sequence[str]]) -> None:
    """Shade what is not asked of second beads; the cells stay open."""
    second = {weld.weld for weld in plan.second_beads}
    for j, column in enumerate(results_columns(plan.study), start=1):
        if is_asked_of_second(column, plan.study):
            continue
        for i, row in enumerate(rows, start=2):
            if row[0] in second:
                sheet.cell(row=i, column=j).fill = _LOCKED_FILL


def _lay_out(sheet: Any, headings: Sequence[str], *, n_welds: int) -> None:
    """Freeze the heading row and the weld's number; set widths and the printed page."""
    sheet.freeze_panes = "B2"
    for j, heading in enumerate(headings, start=1):
        cell = sheet.cell(row=1, column=j)
        cell.font, cell.alignment = Font(bold=True), Alignment(wrap_text=True, vertical="top")
        sheet.column_dimensions[get_column_letter(j)].width = max(8, min(18, len(heading) + 2))
    sheet.row_dimensions[1].height = 48
    sheet.print_title_rows = "1:1"
    sheet.print_area = f"A1:{get_column_letter(len(headings))}{n_welds + 1}"
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr = openpyxl.worksheet.properties.PageSetupProperties(fitToPage=True)


def _without_clock(data: bytes) -> bytes:
    """Put one fixed time in place of the times of writing, so that the same plan gives the same bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(out, "w") as new:
        for member in old.infolist():
            content = old.read(member)
            if member.filename == "docProps/core.xml":
                stamp = _FIXED_TIME.strftime("%Y-%m-%dT%H:%M:%SZ").encode()
                content = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", stamp, content)
            entry = zipfile.ZipInfo(member.filename, _ZIP_TIME)
            entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o600 << 16
            new.writestr(entry, content)
    return out.getvalue()
