"""Find the heading row of a table, and what each heading means."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Final

from doe.bench.columns import Column, accepted_columns, fold, further_cut
from doe.bench.log import Log, Place
from doe.bench.sheets import Row, Sheet
from doe.errors import Fault, ResultsError, nearest
from doe.study.model import Study
from doe.units import UNITS, find_unit, is_unit, same_dimension

HEADINGS_WITHIN: Final = 30
"""Rows among which the headings are looked for. Our choice."""

_OTHER_WORDS: Final = {
    "weld": ("weld no", "weld no.", "weld number", "weld #"),
    "plate": ("plate no", "plate no.", "plate number", "plate #"),
    "notes": ("note", "remark", "remarks", "comment", "comments"),
}
"""Other words for a fixed column. Our choice; a factor or response of that name comes first."""

NUMERIC: Final = ("setting", "actual", "reading", "length", "run", "full", "condition")
"""The columns whose cells may have a unit."""


@dataclass(frozen=True)
class Heading:
    """What stands over one column.

    Attributes
    ----------
    place : int
        Which cell of the row, from 0.
    text : str
        The heading as typed.
    column : Column or None
        What it means; None where it is not known and kept as a remark.
    unit : str
        The unit the heading gives; empty where none.
    """

    place: int
    text: str
    column: Column | None
    unit: str = ""


@dataclass(frozen=True)
class Table:
    """A sheet whose headings are understood: rows of welds under ``headings``."""

    sheet: Sheet
    heading_row: Row
    headings: tuple[Heading, ...]
    rows: tuple[Row, ...]

    def comment(self, words: str) -> str:
        """Find what a comment line says after a word; empty where it is not there."""
        lines = (row.cells[0].text.lstrip("# ") for row in self.sheet.rows if row.is_comment)
        return next((line[len(words) :].strip() for line in lines if line.startswith(f"{words} ")), "")


def find_table(sheets: Iterable[Sheet], study: Study) -> Table:
    """Find the one sheet, or the one way to cut a text file, whose headings are those of a table of welds.

    Parameters
    ----------
    sheets : iterable of Sheet
        The candidates of one file.
    study : Study

    Returns
    -------
    Table

    Raises
    ------
    ResultsError
        If there is none, or more than one sheet of a workbook holds one.
    """
    candidates = list(sheets)
    words = _Words(study)
    found = [table for table in (_table_in(sheet, words) for sheet in candidates) if table is not None]
    if not found:
        raise _no_headings(candidates, study)
    if found[0].sheet.kind == "workbook" and len(found) > 1:
        names = ", ".join(f"“{table.sheet.how}”" for table in found)
        message = "Two sheets of one workbook hold welds."
        raise ResultsError(
            message, [Fault(f"the sheets {names} all hold welds: keep them in one", found[0].sheet.file)]
        )
    best = max(found, key=_trust)
    if best.sheet.fault is not None:
        message = f"{best.sheet.file} cannot be read to its end."
        raise ResultsError(message, [best.sheet.fault])
    return best


def check_headings(table: Table, study: Study, log: Log) -> Table:
    """Note the faults of the headings: twice the same, an unknown unit, a unit of another kind, a near miss.

    Returns
    -------
    Table
        The same, without the units that cannot be used, so that the rest can still be checked.
    """
    seen: dict[Column, str] = {}
    headings = []
    for heading in table.headings:
        place = Place(table.sheet.file, table.heading_row.number, heading.text)
        column = heading.column
        if column is not None and column in seen:
            log.fault(f"“{seen[column]}” and this column are the same: keep one{_cut_advice(column)}", place)
        if column is not None:
            seen.setdefault(column, heading.text)
        is_usable = column is None or _has_usable_unit(heading, column, log, place)
        headings.append(heading if is_usable else replace(heading, unit=""))
    _check_near_misses(table, study, log)
    return replace(table, headings=tuple(headings))


def meaning_of(heading: str, study: Study) -> Column | None:
    """Tell which column a heading means in a study's tables; None where it would be kept as a remark."""
    return _Words(study).read(0, heading).column


class _Words:
    """What headings mean, by exact words first and by folded words next."""

    def __init__(self, study: Study) -> None:
        columns = accepted_columns(study)
        self.exact: dict[str, Column] = {column.words: column for column in columns}
        self.folded: dict[str, Column] = {}
        for column in columns:
            self.folded.setdefault(fold(column.words), column)
        for words, others in _OTHER_WORDS.items():
            for other in others:
                if words in self.exact:
                    self.folded.setdefault(fold(other), self.exact[words])
        self.measures = {r.name for r in study.responses if r.kind == "measure"}

    def find(self, words: str) -> Column | None:
        """Find a column by its heading without the unit."""
        column = self.exact.get(words) or self.folded.get(fold(words))
        if column is not None:
            return column
        numbered = re.fullmatch(r"(.*?\D)[\s_\-]*([1-9]\d?)", words)
        first = self.folded.get(fold(numbered[1])) if numbered else None
        if numbered is None or first is None or first.what != "reading" or first.name not in self.measures:
            return None
        cut = int(numbered[2])
        return first if cut == 1 else further_cut(first, cut)

    def read(self, place: int, text: str) -> Heading:
        """Tell what a heading means: ``NAME [mm]``, ``NAME (mm)``, ``NAME_mm``, ``NAME / mm``, ``NAME mm``."""
        column = self.find(text)
        if column is not None:
            return Heading(place, text, column)
        bracketed = re.fullmatch(r"(.*?)[\s_]*[\[(]([^\[\]()]*)[\])]", text)
        if bracketed is not None:
            column = self.find(bracketed[1])
            return Heading(place, text, column, bracketed[2].strip() if column else "")
        for words, unit in _splits(text):
            column = self.find(words)
            if column is not None and is_unit(unit):
                return Heading(place, text, column, unit)
        return Heading(place, text, None)


def _splits(text: str) -> Iterator[tuple[str, str]]:
    for gap in re.finditer(r"[\s_,/]+(?:in[\s_]+)?", text):
        yield text[: gap.start()], text[gap.end() :]


def _table_in(sheet: Sheet, words: _Words) -> Table | None:
    """Take the row that holds most known headings, "weld" among them."""
    rows = [row for row in sheet.rows if not row.is_comment]
    best: tuple[int, Row, tuple[Heading, ...]] | None = None
    for row in rows[:HEADINGS_WITHIN]:
        headings = tuple(words.read(place, cell.text) for place, cell in enumerate(row.cells) if cell.text)
        known = [heading for heading in headings if heading.column is not None]
        has_weld = any(heading.column is not None and heading.column.what == "weld" for heading in known)
        if has_weld and len(known) >= 2 and (best is None or len(known) > best[0]):
            best = (len(known), row, headings)
    if best is None:
        return None
    _, heading_row, headings = best
    after = tuple(row for row in sheet.rows if row.number > heading_row.number)
    return Table(sheet, heading_row, headings, after)


def _trust(table: Table) -> tuple[int, bool]:
    known = sum(heading.column is not None for heading in table.headings)
    even = len({row.width for row in (table.heading_row, *table.rows) if not row.is_comment}) == 1
    return known, even


def _no_headings(sheets: list[Sheet], study: Study) -> ResultsError:
    file = sheets[0].file if sheets else "the workbook"
    wanted = ", ".join(column.heading for column in accepted_columns(study)[:6])
    faults = [
        Fault(
            f"no row with the headings was found in the first {HEADINGS_WITHIN} rows: "
            f"one is needed, with the column “weld” and the columns of the study ({wanted} ...)",
            file,
        )
    ]
    faults += [sheet.fault for sheet in sheets[:1] if sheet.fault is not None]
    message = f"{file} is not a table of welds that can be read."
    return ResultsError(message, faults)


def _cut_advice(column: Column) -> str:
    if column.what != "reading" or not column.unit:
        return ""
    return f", or head a second reading of the same weld “{further_cut(column, 2).heading}”"


def _has_usable_unit(heading: Heading, column: Column, log: Log, place: Place) -> bool:
    if not heading.unit or column.what not in NUMERIC:
        return True
    if not column.unit:
        # A bracket without a unit ("trip (yes/no)") is only a remark.
        if is_unit(heading.unit) and column.what in ("setting", "actual") and find_unit(heading.unit).symbol != "1":
            log.fault(f"the study gives no unit for {column.name}: take “{heading.unit}” out", place)
    elif not is_unit(heading.unit):
        near = nearest(heading.unit, UNITS)
        hint = f" Did you mean {near}?" if near else ""
        log.fault(f"“{heading.unit}” is no unit that is known: {column.unit} is expected.{hint}", place)
        return False
    elif not same_dimension(heading.unit, column.unit):
        log.fault(f"{heading.unit} cannot be turned into {column.unit}, the unit of {column.words}", place)
        return False
    return True


def _check_near_misses(table: Table, study: Study, log: Log) -> None:
    """Refuse a misspelt heading of a factor or response that the table otherwise lacks; ask of other near ones."""
    present = {heading.column for heading in table.headings}
    missing = {fold(c.words): c for c in accepted_columns(study) if c not in present}
    for heading in table.headings:
        if heading.column is not None:
            continue
        bare = fold(re.split(r"[\[(]", heading.text)[0])
        near = difflib.get_close_matches(bare, missing, n=1, cutoff=0.85)
        if not near:
            continue
        column = missing[near[0]]
        message = f"this heading is not known. Is it “{column.heading}”? Then write it so; if not, rename it"
        log.fault(message, Place(table.sheet.file, table.heading_row.number, heading.text))
