"""Readings of sections put into a table of results: blank cells are filled, and nothing else is touched."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from doe.bench.columns import Column
from doe.bench.headings import Heading, Table
from doe.bench.identity import identity
from doe.bench.log import Log, Place
from doe.bench.sheets import Row
from doe.planning.table import safe_cell


@dataclass(frozen=True)
class Merged:
    """A table with the readings in it.

    Attributes
    ----------
    text : str
        The whole table, as CSV with commas; each row keeps its number.
    is_changed : bool
        Whether any cell differs from the table as it was.
    """

    text: str
    is_changed: bool


def merge_readings(readings: Table, table: Table, log: Log, *, seal: str) -> Merged:
    """Put readings into a table, weld by weld and column by column.

    Parameters
    ----------
    readings : Table
        What was measured: a column ``weld`` and columns of readings.
    table : Table
        The table they belong in. A column it lacks is added at its end.
    log : Log
        Takes a fault for a weld that has no row, and a conversion for each cell that held something else before.
    seal : str
        How the comment line begins that no longer holds; it is left out.

    Returns
    -------
    Merged
    """
    rows = {identity(weld, "w"): row for weld, row in _welds(table)}
    columns = _columns(readings, table)
    new: dict[tuple[int, int], str] = {}
    for weld, row in _welds(readings):
        target = rows.get(identity(weld, "w"))
        if target is None:
            file = table.sheet.file
            log.fault(f"{weld} has no row in {file}: give it one", Place(readings.sheet.file, row.number))
            continue
        for heading, column in columns.items():
            text = _cell(row, heading.place)
            old = _cell(target, column.place)
            if not text or old == column.typed(text):
                continue
            if old:
                place = Place(table.sheet.file, target.number, column.heading)
                log.convert(old, f"{column.typed(text)}, from {readings.sheet.file}", place)
            new[target.number, column.place] = column.typed(text)
    return Merged(_written(table, list(columns.values()), new, seal), bool(new))


@dataclass(frozen=True)
class _Target:
    """Where a column of readings goes: its place, its heading, and the unit to write behind a number, if any."""

    place: int
    heading: str
    unit: str = ""

    def typed(self, text: str) -> str:
        """Give what is written in a cell."""
        return f"{text} {self.unit}" if self.unit and re.match(r"-?\d", text) else text


def _welds(table: Table) -> Iterator[tuple[str, Row]]:
    """Give each row with its weld number."""
    place = next(h.place for h in table.headings if h.column is not None and h.column.what == "weld")
    for row in table.rows:
        if not row.is_comment and _cell(row, place):
            yield _cell(row, place), row


def _columns(readings: Table, table: Table) -> dict[Heading, _Target]:
    """Tell where each column of readings goes; a new one goes beyond every cell there is."""
    known: dict[Column | str, Heading] = {h.column or h.text: h for h in table.headings}
    end = max(len(row.cells) for row in (table.heading_row, *table.rows) if not row.is_comment)
    found = {}
    for heading in readings.headings:
        if heading.column is not None and heading.column.what == "weld":
            continue
        there = known.get(heading.column or heading.text)
        if there is None:
            found[heading] = _Target(end, heading.text)
            end += 1
        else:
            found[heading] = _Target(there.place, there.text, _unit_to_write(heading, there))
    return found


def _unit_to_write(heading: Heading, there: Heading) -> str:
    """Give the unit that must stand behind a number, where the table's column is headed by another."""
    own = there.unit or (there.column.unit if there.column is not None else "")
    return heading.unit if heading.unit and heading.unit != own else ""


def _cell(row: Row, place: int) -> str:
    return row.cells[place].text if place < len(row.cells) else ""


def _written(table: Table, columns: Sequence[_Target], new: Mapping[tuple[int, int], str], seal: str) -> str:
    """Write the table out; each row begins on the line it began on before."""
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    head = table.heading_row
    width = max(len(head.cells), *(column.place + 1 for column in columns))
    for row in table.sheet.rows:
        text.write("\n" * (row.number - 1 - text.getvalue().count("\n")))
        cells = {place: cell.text for place, cell in enumerate(row.cells)}
        if row.is_comment:
            writer.writerow([] if cells[0].startswith(seal) else cells.values())
            continue
        if row is head:
            cells |= {column.place: column.heading for column in columns}
        cells |= {place: words for (number, place), words in new.items() if number == row.number}
        writer.writerow([safe_cell(cells.get(place, "")) for place in range(max(width, len(row.cells)))])
    return text.getvalue()
