"""Two tables of one stage brought together: blanks are filled, nothing is overwritten unless that is asked for.

A blank cell takes what stands in the other table; what stands in both must be the same. Any other is a conflict, told
with both readings. Every row keeps the line it began on.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from doe.bench.columns import fold
from doe.bench.headings import NUMERIC, Heading, Table, check_headings, find_table
from doe.bench.identity import identity
from doe.bench.log import Log
from doe.bench.records import Record, read_records
from doe.bench.sheets import Row, Sheet
from doe.bench.stage import SEAL
from doe.bench.text_tables import SEPARATORS
from doe.errors import DoeError, Fault, ResultsError, WouldOverwriteError, quoted
from doe.planning.table import safe_cell
from doe.study.model import Study
from doe.units import parse_quantity

PLANNED: Final = frozenset({"weld", "plate", "position", "order", "mark", "setting", "block", "role"})
"""Columns the plan fills in: they are no readings, and ours stay."""

Key = tuple[str, str, int]
Weld = tuple[str, int | str]


@dataclass(frozen=True)
class Filled:
    """One cell that took what the other table says.

    Attributes
    ----------
    weld, column, text : str
        Which cell, and what was put there.
    row : int
        The line of the first table; 0 where the row is new.
    was : str
        What stood there before; empty where it was blank.
    """

    weld: str
    column: str
    text: str
    row: int = 0
    was: str = ""


@dataclass(frozen=True, eq=False)
class Joined:
    """Two tables brought together.

    Attributes
    ----------
    text : str
        The table, in the layout of the first, and at its end in a comment what was filled or replaced.
    filled : tuple of Filled
        What it took from the second.
    """

    text: str
    filled: tuple[Filled, ...]


def join_tables(ours: Sequence[Sheet], theirs: Sequence[Sheet], study: Study, *, overrules: bool = False) -> Joined:
    """Fill the blanks of one table from another of the same stage.

    Parameters
    ----------
    ours, theirs : sequence of Sheet
        Every way to see each of the two files as a table; the second may have readings alone, without settings.
    study : Study
    overrules : bool
        Where both say something and not the same, the second counts.

    Returns
    -------
    Joined

    Raises
    ------
    ResultsError
        If a cell of either cannot be read, or readings without settings are of a weld that the first has no row for.
    WouldOverwriteError
        If both say something about one cell, and not the same; every such cell is named.
    """
    first, second = _read(ours, study), _read(theirs, study)
    pair = _Pair(first, second, _places(first, second))
    if not overrules:
        _refuse_conflicts(pair)
    _refuse_bare_rows(pair)
    rows: dict[int, list[str]] = {}
    filled: list[Filled] = []
    for weld, row in first.rows.items():
        changes = list(_changes(weld, pair)) if weld in second.rows else []
        rows[row.number] = _with_changes(row, [(place, change.text) for place, change in changes])
        filled += [change for _, change in changes]
    added = []
    for weld in second.rows:
        if weld not in first.rows:
            cells, new = _added(weld, pair)
            added.append(cells)
            filled += new
    lines = [*_lines(pair, rows, added), *_source(filled, pair)]
    return Joined("\n".join([*lines, ""]), tuple(filled))


# --- one side


@dataclass(frozen=True, eq=False)
class _Side:
    """One table: its rows and records by weld, its headings by meaning."""

    table: Table
    rows: dict[Weld, Row]
    records: dict[Weld, Record]
    headings: dict[Key, Heading]

    @property
    def file(self) -> str:
        return self.table.sheet.file

    def text(self, weld: Weld, key: Key) -> str:
        """Give what stands in a cell; empty where nothing does."""
        heading = self.headings.get(key)
        cells = self.rows[weld].cells
        return "" if heading is None or heading.place >= len(cells) else cells[heading.place].text


@dataclass(frozen=True, eq=False)
class _Pair:
    """Both tables, and where each column of the second that has something in it goes in the first."""

    first: _Side
    second: _Side
    places: dict[Key, int]


def _read(sheets: Sequence[Sheet], study: Study) -> _Side:
    """Read a table, and refuse it where a cell cannot be read."""
    log = Log()
    table = check_headings(find_table(sheets, study), study, log)
    records = read_records(table, study, log)
    if log.faults:
        message = f"{table.sheet.file} cannot be merged as it stands."
        raise ResultsError(message, log.faults)
    by_number = {row.number: row for row in table.rows}
    welds = {identity(record.weld, "w"): record for record in records}
    if len(welds) < len(records):
        message = f"{table.sheet.file} cannot be merged: a weld stands there twice."
        raise ResultsError(message)
    rows = {weld: by_number[record.row] for weld, record in welds.items()}
    return _Side(table, rows, welds, {_key(heading): heading for heading in table.headings})


def _key(heading: Heading) -> Key:
    """Say what a column means; one that is not known means its own words."""
    column = heading.column
    return ("unknown", fold(heading.text), 1) if column is None else (column.what, column.name, column.cut)


def _places(first: _Side, second: _Side) -> dict[Key, int]:
    """Tell where each column of the second table goes; a new one goes beyond every cell there is."""
    places = {}
    end = max(len(row.cells) for row in first.table.sheet.rows if not row.is_comment)
    for key in second.headings:
        if key in first.headings:
            places[key] = first.headings[key].place
        elif any(second.text(weld, key) for weld in second.rows):
            places[key] = end
            end += 1
    return places


# --- what does not agree


def _refuse_conflicts(pair: _Pair) -> None:
    """Raise with every cell of which the two tables do not say the same."""
    found = [conflict for weld in pair.first.rows if weld in pair.second.rows for conflict in _conflicts(weld, pair)]
    if found:
        ours, theirs = pair.first.file, pair.second.file
        message = (
            f"{ours} and {theirs} do not say the same; nothing was written. Keep one of the two in each "
            f"place, in either table, and take it again (“--replace” lets what {theirs} says stand, and keeps the old "
            "table beside)"
        )
        raise WouldOverwriteError(message, found)


def _conflicts(weld: Weld, pair: _Pair) -> Iterator[Fault]:
    first, second = pair.first, pair.second
    if clash := _run_clash(weld, first, second):
        yield clash
        return
    for key in pair.places:
        if _is_open(weld, key, pair) and first.text(weld, key) and not _agree(key, weld, first, second):
            yield _conflict(weld, key, first, second)


def _is_open(weld: Weld, key: Key, pair: _Pair) -> bool:
    """Whether the second table has a reading to give here; notes of both are kept, and never a conflict."""
    return key[0] not in PLANNED and not _is_note(key) and bool(pair.second.text(weld, key))


def _is_note(key: Key) -> bool:
    return key[:2] == ("remark", "notes")


def _run_clash(weld: Weld, first: _Side, second: _Side) -> Fault | None:
    """Find a weld that was not run by one table and has readings in the other."""
    for one, other in ((first, second), (second, first)):
        idle, made = one.records[weld], other.records[weld]
        if idle.words.get(("status", "")) == "not run" and made.is_measured:
            message = (
                f"{made.weld} is “not run” in {idle.file}, row {idle.row}, and has readings in {made.file}, row "
                f"{made.row}"
            )
            return Fault(message, first.file, first.rows[weld].number, "status")
    return None


def _agree(key: Key, weld: Weld, first: _Side, second: _Side) -> bool:
    """Whether two cells say the same, however they are written."""
    if first.text(weld, key).casefold() == second.text(weld, key).casefold():
        return True
    one, other = (side.records[weld].amounts.get(key) for side in (first, second))
    if one is not None and other is not None:
        return one.is_least == other.is_least and math.isclose(one.value, other.value, rel_tol=1e-6)
    words = [side.records[weld].words.get(key[:2], "").casefold() for side in (first, second)]
    return bool(words[0]) and words[0] == words[1]


def _conflict(weld: Weld, key: Key, first: _Side, second: _Side) -> Fault:
    record, heading = first.records[weld], first.headings[key]
    again = ""
    if key[0] == "reading" and first.records[weld].amounts.get(key) is not None:
        again = "; a further cut of the same weld has a column of its own, its name with a 2 behind it"
    message = (
        f"{record.weld} has {quoted(first.text(weld, key))} here and {quoted(second.text(weld, key))} in "
        f"{second.file}, row {second.rows[weld].number}{again}"
    )
    return Fault(message, first.file, first.rows[weld].number, heading.text)


def _refuse_bare_rows(pair: _Pair) -> None:
    """Raise where readings without settings are of welds the first table has no row for."""
    first, second = pair.first, pair.second
    if any(what in ("setting", "mark") for what, _, _ in second.headings):
        return
    faults = [
        Fault(f"{second.records[weld].weld} has no row in {first.file}: give it one", second.file, row.number)
        for weld, row in second.rows.items()
        if weld not in first.rows
    ]
    if faults:
        message = f"{second.file} cannot be merged as it stands."
        raise ResultsError(message, faults)


# --- cell by cell


def _changes(weld: Weld, pair: _Pair) -> Iterator[tuple[int, Filled]]:
    """Give each cell of a row that takes what the second table says, with its place."""
    first, second = pair.first, pair.second
    name, row = first.records[weld].weld, first.rows[weld].number
    for key, place in pair.places.items():
        theirs, ours = second.text(weld, key), first.text(weld, key)
        heading = first.headings.get(key, second.headings[key])
        if _is_note(key) and ours and theirs:
            text = _notes(ours, theirs)
            if text != ours:
                yield place, Filled(name, heading.text, text, row)
        elif key[0] not in PLANNED and theirs and not (ours and _agree(key, weld, first, second)):
            yield place, Filled(name, heading.text, _in_place(theirs, second.headings[key], heading), row, ours)


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


def _with_changes(row: Row, changes: Sequence[tuple[int, str]]) -> list[str]:
    """Give a row's cells with some of them put in."""
    cells = [cell.text or cell.formula for cell in row.cells]
    for place, text in changes:
        cells += [""] * (place + 1 - len(cells))
        cells[place] = text
    return cells


def _added(weld: Weld, pair: _Pair) -> tuple[list[str], list[Filled]]:
    """Give the cells of a row that only the second table has, and its readings."""
    cells: list[str] = []
    filled = []
    for key, place in pair.places.items():
        heading = pair.second.headings[key]
        text = pair.second.text(weld, key)
        if not text:
            continue
        cells += [""] * (place + 1 - len(cells))
        cells[place] = _in_place(text, heading, pair.first.headings.get(key, heading))
        if key[0] not in PLANNED:
            filled.append(Filled(pair.second.records[weld].weld, heading.text, cells[place]))
    return cells, filled


# --- writing


def _separator(pair: _Pair) -> str:
    """Give what separates the cells of the first table."""
    sheet = pair.first.table.sheet
    return SEPARATORS[sheet.how] if sheet.kind == "text" else ","


def _source(filled: Sequence[Filled], pair: _Pair) -> list[str]:
    """Say in a comment what became of how many cells, and where it came from; nothing where nothing was taken."""
    replaced = sum(bool(cell.was) for cell in filled)
    new = len(filled) - replaced
    parts = [f"{n} cell{'' if n == 1 else 's'} {what}" for n, what in ((new, "filled"), (replaced, "replaced")) if n]
    # no comma: the line is one cell of the table
    return [f"# {' and '.join(parts)} from {pair.second.file.replace(_separator(pair), ' ')}"] if parts else []


def _lines(pair: _Pair, rows: dict[int, list[str]], added: list[list[str]]) -> list[str]:
    """Give the table's lines as the first was laid out: each row on its line, new columns and rows behind."""
    sheet, head = pair.first.table.sheet, pair.first.table.heading_row
    separator = _separator(pair)
    new = [
        (place, pair.second.headings[key].text) for key, place in pair.places.items() if key not in pair.first.headings
    ]
    rows = {**rows, head.number: _with_changes(head, new)}
    width = len(rows[head.number])
    lines: list[str] = []
    for row in sheet.rows:
        lines += [""] * (row.number - 1 - len(lines))
        cells = rows.get(row.number, [cell.text or cell.formula for cell in row.cells])
        if row.is_comment and cells[0].lstrip("# ").startswith(SEAL.strip("# ")):
            lines.append("")  # the hash of the blank rows no longer holds; its line stays, so that no row moves
        elif row.is_comment:
            lines += _line(cells, separator)
        else:
            lines += _line([safe_cell(cell) for cell in cells] + [""] * (width - len(cells)), separator)
    for cells in added:
        lines += _line([safe_cell(cell) for cell in cells] + [""] * (width - len(cells)), separator)
    return lines


def _line(cells: Sequence[str], separator: str) -> list[str]:
    """Write one row; a cell may hold line breaks, so that it takes several lines."""
    text = io.StringIO()
    csv.writer(text, delimiter=separator, lineterminator="\n").writerow(cells)
    return text.getvalue()[:-1].split("\n")
