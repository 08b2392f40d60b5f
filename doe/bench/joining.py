"""Two tables of one stage, filled in by two people, brought together: rows fill each other, nothing is overwritten.

A blank cell takes what stands in the other table; what stands in both must be the same. Any other is a conflict, told
with both readings, and nothing is written then.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from doe.bench.columns import fold
from doe.bench.files import load_sheets
from doe.bench.headings import NUMERIC, Heading, Table, check_headings, find_table
from doe.bench.identity import identity
from doe.bench.log import Log
from doe.bench.records import Record, read_records
from doe.bench.sheets import Row
from doe.bench.text_tables import SEPARATORS
from doe.errors import DoeError, Fault, ResultsError, WouldOverwriteError, quoted
from doe.planning.table import safe_cell
from doe.study.model import Study
from doe.units import parse_quantity

PLANNED: Final = frozenset({"weld", "plate", "position", "order", "mark", "setting", "block", "role"})
"""Columns the plan fills in: they are no readings, and ours stay."""

Key = tuple[str, str, int]


@dataclass(frozen=True)
class Filled:
    """One cell that was filled from the other table: weld, heading, what was put there."""

    weld: str
    column: str
    text: str


@dataclass(frozen=True, eq=False)
class Joined:
    """Two tables brought together.

    Attributes
    ----------
    text : str
        The table, in the layout of the first.
    filled : tuple of Filled
        What it took from the second.
    """

    text: str
    filled: tuple[Filled, ...]


def join_tables(ours: Path, theirs: Path, study: Study) -> Joined:
    """Fill the blanks of one table from another of the same stage.

    Parameters
    ----------
    ours, theirs : Path
        Neither is changed.
    study : Study

    Returns
    -------
    Joined

    Raises
    ------
    ResultsError
        If a cell of either cannot be read.
    WouldOverwriteError
        If both say something about one cell, and not the same; every such cell is named.
    """
    first, second = _read(ours, study), _read(theirs, study)
    conflicts: list[Fault] = []
    filled: list[Filled] = []
    headings = [*first.table.headings, *(h for h in second.table.headings if _is_new(h, first, second))]
    rows: dict[int, list[str]] = {}
    for key, row in first.rows.items():
        cells = [cell.text or cell.formula for cell in row.cells]
        cells += [""] * (max(h.place for h in first.table.headings) + 1 - len(cells))
        rows[row.number] = cells
        if key in second.rows:
            _fill(cells, key, (first, second), filled=filled, conflicts=conflicts)
    if conflicts:
        message = (
            f"{ours.name} and {theirs.name} do not say the same; nothing was written. Keep one of the two in each "
            "place, in either table, and take it again (“--replace” takes the new table alone and keeps the old beside)"
        )
        raise WouldOverwriteError(message, conflicts)
    added = [_added(key, headings, first, second, filled) for key in second.rows if key not in first.rows]
    return Joined(_text(first, headings, rows, added, source=theirs.name), tuple(filled))


# --- one side


@dataclass(frozen=True, eq=False)
class _Side:
    """One table: its rows and records by weld, its headings by meaning."""

    table: Table
    rows: dict[tuple[str, int | str], Row]
    records: dict[tuple[str, int | str], Record]
    headings: dict[Key, Heading]

    def text(self, weld: tuple[str, int | str], key: Key) -> str:
        """Give what stands in a cell; empty where nothing does."""
        heading = self.headings.get(key)
        cells = self.rows[weld].cells
        return "" if heading is None or heading.place >= len(cells) else cells[heading.place].text


def _read(path: Path, study: Study) -> _Side:
    """Read a table, and refuse it where a cell cannot be read."""
    log = Log()
    table = check_headings(find_table(load_sheets(path), study), study, log)
    records = read_records(table, study, log)
    if log.faults:
        message = f"{path.name} cannot be merged as it stands."
        raise ResultsError(message, log.faults)
    by_number = {row.number: row for row in table.rows}
    welds = {identity(record.weld, "w"): record for record in records}
    if len(welds) < len(records):
        message = f"{path.name} cannot be merged: a weld stands there twice."
        raise ResultsError(message)
    rows = {weld: by_number[record.row] for weld, record in welds.items()}
    return _Side(table, rows, welds, {_key(heading): heading for heading in table.headings})


def _key(heading: Heading) -> Key:
    """Say what a column means; one that is not known means its own words."""
    column = heading.column
    return ("unknown", fold(heading.text), 1) if column is None else (column.what, column.name, column.cut)


def _is_new(heading: Heading, first: _Side, second: _Side) -> bool:
    """Whether the second table has a column the first lacks, with something in it."""
    key = _key(heading)
    return key not in first.headings and any(second.text(weld, key) for weld in second.rows)


# --- cell by cell


def _fill(
    cells: list[str],
    weld: tuple[str, int | str],
    sides: tuple[_Side, _Side],
    *,
    filled: list[Filled],
    conflicts: list[Fault],
) -> None:
    """Fill one row's blanks, in place, and note what does not agree."""
    first, second = sides
    name = first.records[weld].weld
    if clash := _run_clash(weld, first, second):
        conflicts.append(clash)
        return
    for key, heading in second.headings.items():
        theirs = second.text(weld, key)
        if key[0] in PLANNED or not theirs:
            continue
        ours = first.headings.get(key)
        if ours is None:
            text = theirs
            cells.extend([""] * (_width(first, second, key) - len(cells)))
            cells[_width(first, second, key) - 1] = text
            filled.append(Filled(name, heading.text, text))
        elif not first.text(weld, key):
            cells[ours.place] = text = _in_place(theirs, heading, ours)
            filled.append(Filled(name, ours.text, text))
        elif key[:2] == ("remark", "notes"):
            text = _notes(first.text(weld, key), theirs)
            if text != cells[ours.place]:
                cells[ours.place] = text
                filled.append(Filled(name, ours.text, theirs))
        elif not _agree(key, weld, first, second):
            conflicts.append(_conflict(weld, key, first, second))


def _run_clash(weld: tuple[str, int | str], first: _Side, second: _Side) -> Fault | None:
    """Find a weld that was not run by one table and has readings in the other."""
    for one, other in ((first, second), (second, first)):
        idle, made = one.records[weld], other.records[weld]
        if idle.words.get(("status", "")) == "not run" and made.is_measured:
            message = (
                f"{made.weld} is “not run” in {idle.file}, row {idle.row}, and has readings in {made.file}, row "
                f"{made.row}"
            )
            return Fault(message, first.table.sheet.file, first.rows[weld].number, "status")
    return None


def _width(first: _Side, second: _Side, key: Key) -> int:
    """Give how wide a row is with the new column in it; new columns stand behind all of the first table's."""
    new = [_key(h) for h in second.table.headings if _is_new(h, first, second)]
    return max(h.place for h in first.table.headings) + 2 + new.index(key)


def _in_place(text: str, theirs: Heading, ours: Heading) -> str:
    """Write a cell under the other heading: with its unit, where the headings' units differ."""
    if theirs.column is None or theirs.column.what not in NUMERIC or theirs.unit == ours.unit:
        return text
    try:
        written = parse_quantity(text).unit
    except DoeError:
        return text  # a word ("trip", "≥ 10"): it was read without fault, and needs no unit
    return text if written or not theirs.unit else f"{text} {theirs.unit}"


def _notes(ours: str, theirs: str) -> str:
    """Keep both notes; one that is in the other already is not said twice."""
    return ours if theirs.casefold() in ours.casefold() else f"{ours}; {theirs}"


def _agree(key: Key, weld: tuple[str, int | str], first: _Side, second: _Side) -> bool:
    """Whether two cells say the same, however they are written."""
    if first.text(weld, key).casefold() == second.text(weld, key).casefold():
        return True
    one, other = (side.records[weld].amounts.get(key) for side in (first, second))
    if one is not None and other is not None:
        return one.is_least == other.is_least and math.isclose(one.value, other.value, rel_tol=1e-6)
    words = [side.records[weld].words.get(key[:2], "").casefold() for side in (first, second)]
    return bool(words[0]) and words[0] == words[1]


def _conflict(weld: tuple[str, int | str], key: Key, first: _Side, second: _Side) -> Fault:
    record, heading = first.records[weld], first.headings[key]
    theirs = second.table.sheet.file
    again = ""
    if key[0] == "reading" and first.records[weld].amounts.get(key) is not None:
        again = "; a further cut of the same weld has a column of its own, its name with a 2 behind it"
    message = (
        f"{record.weld} has {quoted(first.text(weld, key))} here and {quoted(second.text(weld, key))} in {theirs}, "
        f"row {second.rows[weld].number}{again}"
    )
    return Fault(message, first.table.sheet.file, first.rows[weld].number, heading.text)


# --- writing


def _added(
    key: tuple[str, int | str], headings: list[Heading], first: _Side, second: _Side, filled: list[Filled]
) -> list[str]:
    """Write a row that only the second table has."""
    width = max(h.place for h in first.table.headings) + 1
    cells = [""] * (width + len(headings) - len(first.table.headings))
    for column, theirs in second.headings.items():
        text = second.text(key, column)
        ours = first.headings.get(column)
        if not text:
            continue
        place = ours.place if ours is not None else _width(first, second, column) - 1
        cells[place] = text if ours is None else _in_place(text, theirs, ours)
        if column[0] not in PLANNED:
            filled.append(Filled(second.records[key].weld, theirs.text, cells[place]))
    return cells


def _text(
    first: _Side, headings: list[Heading], rows: dict[int, list[str]], added: list[list[str]], source: str
) -> str:
    """Write the table as the first was laid out: its comments, its separator, its columns, then the new ones."""
    sheet, table = first.table.sheet, first.table
    separator = SEPARATORS[sheet.how] if sheet.kind == "text" else ","
    lines = list(_lines(first, headings, rows))
    text = io.StringIO()
    writer = csv.writer(text, delimiter=separator, lineterminator="\n")
    before = [line for number, line in lines if number < table.heading_row.number]
    after = [line for number, line in lines if number >= table.heading_row.number]
    writer.writerows(before)
    writer.writerow([f"# blanks filled from {source.replace(separator, ' ')}"])
    writer.writerows([safe_cell(cell) for cell in line] for line in (*after, *added))
    return text.getvalue()


def _lines(first: _Side, headings: list[Heading], rows: dict[int, list[str]]) -> Iterator[tuple[int, list[str]]]:
    """Give every line of the first table with its number, filled up; the hash of the blank rows is left out."""
    sheet, table = first.table.sheet, first.table
    for row in sheet.rows:
        cells = rows.get(row.number, [cell.text or cell.formula for cell in row.cells])
        if row.is_comment and cells[0].lstrip("# ").startswith("rows as written"):
            continue
        if row.number == table.heading_row.number:
            wide = max(h.place for h in table.headings) + 1
            new = [h.text for h in headings[len(table.headings) :]]
            cells = [*cells, *[""] * (wide - len(cells)), *new]
        yield row.number, cells
