"""The rows of one table, each cell read by what its heading means."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final, get_args

from doe.bench.cells import PASS_WORDS, TRIP_WORDS, Amount, CellReader, Units
from doe.bench.columns import CONDITIONS, Column, fold
from doe.bench.headings import NUMERIC, Heading, Table
from doe.bench.log import Log, Place
from doe.bench.results import Status
from doe.bench.sheets import Cell, Row
from doe.errors import quoted
from doe.planning.plan import ROLES
from doe.study.model import Factor, Study

STATUSES: Final[tuple[Status, ...]] = get_args(Status)

_CONDITION_UNIT: Final = {condition.key: condition.unit for condition in CONDITIONS}


@dataclass
class Record:
    """One weld as its row gives it.

    Attributes
    ----------
    file, row : str, int
        Where it stands.
    weld : str
        Its number as typed.
    amounts : dict of (what, name, cut) to Amount
        Every number, kind (by index), yes (1) or no (0) that was read.
    words : dict of (what, name) to str
        Plate, block, role, status and remarks.
    headings : dict of (what, name, cut) to str
        The headings as typed.
    written : set of (what, name, cut)
        The cells with something in them, read or refused.
    """

    file: str
    row: int
    weld: str = ""
    amounts: dict[tuple[str, str, int], Amount] = field(default_factory=dict)
    words: dict[tuple[str, str], str] = field(default_factory=dict)
    headings: dict[tuple[str, str, int], str] = field(default_factory=dict)
    written: set[tuple[str, str, int]] = field(default_factory=set)

    def number(self, what: str, name: str = "", cut: int = 1) -> float | None:
        """Give a number, or None where the row has none."""
        amount = self.amounts.get((what, name, cut))
        return None if amount is None else amount.value

    def has_written(self, name: str) -> bool:
        """Whether anything stands under a factor's or response's name, be it only a cell that was refused."""
        return any(key[1] == name for key in self.written)

    @property
    def has_reading(self) -> bool:
        """Whether a response was read."""
        return any(what in ("reading", "run") for what, _, _ in self.amounts)

    @property
    def is_measured(self) -> bool:
        """Whether anything was measured: a response, a condition, an actual setting."""
        return any(what in ("reading", "run", "condition", "actual") for what, _, _ in self.amounts)

    def place(self, what: str, name: str = "", cut: int = 1) -> Place:
        """Give the place of a cell."""
        return Place(self.file, self.row, self.headings.get((what, name, cut), ""))


def read_records(table: Table, study: Study, log: Log) -> list[Record]:
    """Read every row with content.

    Parameters
    ----------
    table : Table
        With its headings checked.
    study : Study
    log : Log
        Takes the faults and conversions.

    Returns
    -------
    list of Record
    """
    _note_how(table, log)
    reader = _RowReader(table, study, log)
    return [record for row in _welds(table, log) if (record := reader.read(row)) is not None]


class _RowReader:
    """Reads rows of one table."""

    def __init__(self, table: Table, study: Study, log: Log) -> None:
        self.table = table
        self.study = study
        self.log = log
        self.cells = CellReader(log, decimal_commas=_has_decimal_commas(table))
        self.headings = {_key(h.column): h.text for h in table.headings if h.column is not None}

    def read(self, row: Row) -> Record | None:
        """Read one row; None where it holds no weld."""
        record = Record(self.table.sheet.file, row.number, headings=self.headings)
        for heading in self.table.headings:
            cell = row.cells[heading.place] if heading.place < len(row.cells) else Cell()
            if cell != Cell():
                self._read_cell(heading, cell, record)
        if record.weld:
            return record
        self.log.fault("this row has no weld number: give it one, or clear the row", record.place("weld"))
        return None

    def _read_cell(self, heading: Heading, cell: Cell, record: Record) -> None:
        place = Place(record.file, record.row, heading.text)
        column = heading.column
        if column is None:
            record.words["remark", heading.text] = self.cells.text(cell, place)
        elif column.what == "weld":
            record.weld = self.cells.name(cell, place)
        elif column.what in ("plate", "block", "remark"):
            read = self.cells.text if column.what == "remark" else self.cells.name
            record.words[column.what, column.name] = read(cell, place)
        elif column.what in ("role", "status"):
            self._read_word(column, cell, record, place)
        else:
            record.written.add(_key(column))
            amount = self._amount(column, cell, place, heading.unit if column.unit else "")
            if amount is not None:
                record.amounts[_key(column)] = amount

    def _read_word(self, column: Column, cell: Cell, record: Record, place: Place) -> None:
        names = ROLES if column.what == "role" else STATUSES
        found = self.cells.choice(cell, place, names, column.what)
        if found is not None:
            record.words[column.what, ""] = names[found]

    def _amount(self, column: Column, cell: Cell, place: Place, heading_unit: str) -> Amount | None:
        if column.what in ("position", "order"):
            return _amount(self.cells.whole(cell, place, least=1, what=f"a {column.what}"))
        if column.what in ("setting", "actual", "mark"):
            factor = self.study.factor(column.name)
            if factor.is_kind or (factor.marks and (column.what == "mark" or not factor.calibrated)):
                return self._named(factor, cell, place)
            if column.what == "actual" and factor.marks:
                return self._value_or_mark(factor, cell, place, heading_unit)
            return self.cells.quantity(cell, place, Units(column.unit, heading_unit))
        if column.what == "reading":
            return self._reading(column, cell, place, heading_unit)
        return self._length_or_condition(column, cell, place, heading_unit)

    def _named(self, factor: Factor, cell: Cell, place: Place) -> Amount | None:
        """Read a kind (by its index) or a mark (as its value)."""
        if factor.is_kind:
            return _amount(self.cells.choice(cell, place, factor.kinds, f"kind of {factor.name}"))
        found = self.cells.choice(cell, place, factor.marks, f"mark of {factor.name}")
        return None if found is None else Amount(factor.values[found])

    def _value_or_mark(self, factor: Factor, cell: Cell, place: Place, unit: str) -> Amount | None:
        """Read an actual setting: a value, or a mark written as such ("C", "mark 3")."""
        written = re.fullmatch(r"mark\s*(.+)", cell.text, re.IGNORECASE)
        text = written[1] if written else cell.text
        is_number = re.match(r"[+\-−]?[.,]?\d", text) is not None
        if written or (not is_number and text in factor.marks):
            return self._named(factor, Cell(text), place)
        amount = self.cells.quantity(cell, place, Units(factor.unit, unit))
        span = factor.high - factor.low
        is_far = amount is not None and not factor.low - span <= amount.value <= factor.high + span
        if is_far and text in factor.marks:
            value = factor.values[factor.marks.index(text)]
            self.log.fault(
                f"{quoted(text)} can be read as {text} {factor.unit} or as mark {text} ({value:g} {factor.unit}): "
                f"write {value:g}, or “mark {text}”",
                place,
            )
            return None
        return amount

    def _reading(self, column: Column, cell: Cell, place: Place, unit: str) -> Amount | None:
        response = self.study.response(column.name)
        if response.kind == "measure":
            return self.cells.reading(cell, place, Units(response.unit, unit), full=response.full)
        if response.kind == "count":
            return _amount(self.cells.whole(cell, place, least=0, what=f"a count of {response.name}"))
        words = TRIP_WORDS if response.kind == "trip" else PASS_WORDS
        return _amount(self.cells.yes_no(cell, place, words))

    def _length_or_condition(self, column: Column, cell: Cell, place: Place, unit: str) -> Amount | None:
        if column.what == "condition":
            wanted = _CONDITION_UNIT[column.name]
            may_be_negative = wanted == "degC"
        else:
            wanted = {"length": "mm", "run": "s"}.get(column.what, column.unit)
            may_be_negative = False
        amount = self.cells.quantity(cell, place, Units(wanted, unit or column.unit))
        may_be_zero = column.what == "condition"
        if amount is None or may_be_negative or amount.value > 0 or (may_be_zero and amount.value == 0):
            return amount
        self.log.fault(
            f"{quoted(cell.text)} cannot be: it must be {'0 or more' if may_be_zero else 'over 0'}; "
            "leave the cell blank where it was not measured",
            place,
        )
        return None


def _key(column: Column) -> tuple[str, str, int]:
    return column.what, column.name, column.cut


def _amount(value: int | bool | None) -> Amount | None:
    return None if value is None else Amount(float(value))


def _welds(table: Table, log: Log) -> Iterator[Row]:
    """Give the rows that may hold a weld; refuse those whose cells cannot stand under their headings."""
    width = table.heading_row.width
    headed = {heading.place for heading in table.headings}
    for row in table.rows:
        place = Place(table.sheet.file, row.number)
        if row.is_comment:
            if any(cell.text for cell in row.cells[1:]):
                log.convert(row.cells[0].text, "a comment: the row is not read", place)
            continue
        if table.sheet.kind == "text" and row.width > width:
            log.fault(
                f"this row has {row.width} cells and there are {width} headings: is there a decimal comma, or a "
                f"{table.sheet.how} in a note? Put quotation marks around it",
                place,
            )
            continue
        stray = [j + 1 for j, cell in enumerate(row.cells) if cell.text and j not in headed]
        if stray:
            columns = ", ".join(str(j) for j in stray)
            log.question(f"cells without a heading (column {columns}) are not read", place)
        yield row


def _note_how(table: Table, log: Log) -> None:
    """List what was decided for the whole table: letters, separator, sheet, lines left out, units not given."""
    sheet = table.sheet
    whole = Place(sheet.file, 0)
    if sheet.kind == "text" and sheet.encoding != "UTF-8":
        log.convert(f"{sheet.encoding} letters", "text", whole)
    if sheet.kind == "text" and sheet.how != "comma":
        log.convert(f"{sheet.how}s between the cells", "columns", whole)
    above = [r.number for r in sheet.rows if r.number < table.heading_row.number and not r.is_comment]
    if above:
        lines = f"row {above[0]}" if len(above) == 1 else f"rows {above[0]} to {above[-1]}"
        log.convert(f"{lines}, above the headings", "a title: not read", Place(sheet.file, above[0]))
    for heading in table.headings:
        if heading.column is not None:
            _note_heading(heading, heading.column, Place(sheet.file, table.heading_row.number, heading.text), log)


def _note_heading(heading: Heading, column: Column, place: Place, log: Log) -> None:
    if column.unit and not heading.unit and column.what in NUMERIC:
        log.convert(heading.text, f"{column.heading}, where a cell gives no unit of its own", place)
        if column.what in ("condition", "length", "full"):
            log.question(f"this heading gives no unit: {column.unit} is taken. Is that right?", place)
    elif not fold(heading.text).startswith(fold(column.words)):
        log.convert(heading.text, column.heading, place)


def _has_decimal_commas(table: Table) -> bool:
    """Whether some number of the table can only be a decimal comma."""
    numeric = {h.place for h in table.headings if h.column is not None and h.column.what not in ("remark", "weld")}
    pattern = re.compile(r"[+\-−]?(?:\d+,(?:\d{1,2}|\d{4,})|0,\d{3})(?![\d,.])")
    return any(
        pattern.match(cell.text) for row in table.rows for place, cell in enumerate(row.cells) if place in numeric
    )
