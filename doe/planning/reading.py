"""plan.csv read back, with every fault at once."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.errors import Fault, ResultsError, quoted
from doe.loading import ChangedWhileReadError, read_whole
from doe.planning.plan import ROLES, Plan, PlannedWeld, factor_headings
from doe.planning.region import allowed
from doe.planning.table import PLACE_COLUMNS, plain_cell, plan_headings
from doe.study.model import Factor, Study

CLOSE: Final = 1e-6
"""Two numbers are the same setting when they differ by less than this share of the factor's range: what a table's
printed digits can lose."""
LARGEST_FILE: Final = 5_000_000
"""Bytes a plan may have. Our choice."""
MOST_DIGITS: Final = 10
"""Digits a whole number of a plan, or the seed in its comment, may have: those of the largest seed."""


@dataclass(frozen=True, eq=False)
class TextTable:
    """A table as text: the comments, the headings, and each row with its place in the file (the first line is 1)."""

    file: str
    comments: tuple[str, ...]
    headings: tuple[str, ...]
    rows: tuple[tuple[int, dict[str, str]], ...]


def read_plan(path: Path | str, study: Study) -> Plan:
    """Read plan.csv.

    Parameters
    ----------
    path : Path
        The study's folder, or the file (``plan-2.csv`` ...).
    study : Study

    Raises
    ------
    ResultsError
        With every fault at once: missing or unknown columns, cells that cannot be read, marks that the dial does not
        have, welds named twice, settings outside the region, plates that do not hold what is set once a plate.
    """
    table = read_text_table(_plan_file(Path(path)))
    faults = _heading_faults(table, study)
    welds: list[PlannedWeld] = []
    if not faults:
        for row, cells in table.rows:
            weld, found = _read_weld(cells, study, table.file, row)
            welds.append(weld)
            faults += found
        faults += _plan_faults(welds, table, study)
    if faults:
        message = f"{table.file} cannot be used as it stands: {len(faults)} fault{'s' if len(faults) > 1 else ''}."
        raise ResultsError(message, faults)
    seed, stage = _comment(table, "seed"), _comment(table, "stage")
    return Plan(
        study,
        tuple(welds),
        _number_or(0, seed),
        stage=_number_or(1, stage),
        fingerprint=_comment(table, "fingerprint"),
    )


def _plan_file(path: Path) -> Path:
    """Find the file."""
    return path / "plan.csv" if path.is_dir() else path


def read_text_table(path: Path) -> TextTable:
    """Read a CSV whose separator is a comma, a semicolon or a tab, with ``#`` comments and with or without a BOM.

    Raises
    ------
    ResultsError
        If there is no such file, it is not text, or it has no row of headings.
    """
    text = _text_of(path)
    lines = list(enumerate(text.splitlines(), start=1))
    comments = tuple(_comment_text(line) for _, line in lines if _is_comment(line))
    body = [(row, line) for row, line in lines if line.strip(" ,;\t") and not _is_comment(line)]
    if not body:
        message = f"{path.name} is empty: it has no row of headings."
        raise ResultsError(message, [Fault("there are no headings", path.name)])
    separator = max(",;\t", key=body[0][1].count)
    parsed = [cells_of(line, separator) for _, line in body]
    headings = tuple(" ".join(plain_cell(cell).split()) for cell in parsed[0])
    rows = tuple(
        (row, dict(zip(headings, [plain_cell(cell) for cell in cells], strict=False)))
        for (row, _), cells in zip(body[1:], parsed[1:], strict=True)
    )
    return TextTable(path.name, comments, headings, rows)


def _text_of(path: Path) -> str:
    """Read a plan's text."""
    try:
        data = read_whole(path, at_most=LARGEST_FILE)
        if len(data) > LARGEST_FILE:
            message = f"{path.name} is larger than a plan can be."
            raise ResultsError(message, [Fault(f"at most {LARGEST_FILE:,} bytes are read", path.name)])
        return data.decode("utf-8-sig")
    except ChangedWhileReadError as cause:
        message = f"{path.name} cannot be read."
        raise ResultsError(message, [Fault(str(cause.strerror), path.name)]) from cause
    except (UnicodeDecodeError, OSError) as cause:
        message = f"{path.name} cannot be read as a table of text ({type(cause).__name__})."
        raise ResultsError(message, [Fault("there is no such file, or it is not plain text", path.name)]) from cause


def cells_of(line: str, separator: str) -> list[str]:
    """Cut one line: in a plan no cell holds a line break, so a quotation mark left open ends with its line."""
    try:
        return next(csv.reader([line], delimiter=separator), [])
    except csv.Error:  # a cell of more letters than the reader takes
        return line.split(separator)


def _is_comment(line: str) -> bool:
    """Tell a comment line, also one that a spreadsheet has put in quotes."""
    return line.lstrip('"').startswith("#")


def _comment_text(line: str) -> str:
    """Take the comment out of its quotes and the separators a spreadsheet has put behind it."""
    return line.strip('"').lstrip("#").rstrip(',;\t" ').strip()


def _comment(table: TextTable, word: str) -> str:
    """Find what a comment says after a word; empty where it is not there."""
    return next((c[len(word) :].strip() for c in table.comments if c.startswith(f"{word} ")), "")


def _heading_faults(table: TextTable, study: Study) -> list[Fault]:
    """List missing, doubled and unknown columns."""
    wanted = plan_headings(study)
    faults = [
        Fault("this column is missing", table.file, column=heading)
        for heading in wanted
        if heading not in table.headings and not _can_do_without(heading, study, table)
    ]
    known = {h.casefold(): h for h in wanted}
    for heading, count in Counter(table.headings).items():
        if heading not in wanted:
            meant = known.get(heading.casefold())
            advice = f"did you mean “{meant}”?" if meant else f"a plan has {', '.join(wanted)}"
            faults.append(Fault(f"this column is not known; {advice}", table.file, column=heading or "(no heading)"))
        elif count > 1:
            faults.append(Fault("this column stands there twice", table.file, column=heading))
    return faults


def _can_do_without(heading: str, study: Study, table: TextTable) -> bool:
    """Tell whether a column may be missing: a factor is known by its mark or by its value, either is enough."""
    for factor in study.factors:
        headings = factor_headings(factor)
        if heading in headings:
            return any(other in table.headings for other in headings if other != heading)
    return heading == "role"


def _read_weld(cells: dict[str, str], study: Study, file: str, row: int) -> tuple[PlannedWeld, list[Fault]]:
    """Read one row; a cell with a fault is read as nan, 0 or empty."""
    faults: list[Fault] = []
    for column in ("weld", "plate"):
        if not cells.get(column):
            faults.append(Fault("this cell is empty", file, row, column))
    numbers = {c: _whole_number(cells.get(c, ""), faults, file=file, row=row, column=c) for c in PLACE_COLUMNS[2:]}
    settings = tuple(read_setting(cells, factor, faults, file=file, row=row) for factor in study.factors)
    block = _read_block(cells, study, faults, file=file, row=row)
    role = cells.get("role") or "plan"
    if role not in ROLES:
        faults.append(Fault(f"{quoted(role)} is not a role; accepted are {', '.join(ROLES)}", file, row, "role"))
    weld = PlannedWeld(
        cells.get("weld", ""),
        cells.get("plate", ""),
        numbers["position"],
        numbers["order"],
        settings,
        block,
        role,  # type: ignore[arg-type]  # checked above
    )
    return weld, faults


def _whole_number(text: str, faults: list[Fault], *, file: str, row: int, column: str) -> int:
    """Read 1, 2 ..."""
    number = _number_or(0, text)
    if number == 0:
        faults.append(Fault(f"{quoted(text)} is not a whole number of 1 or more", file, row, column))
    return number


def _number_or(otherwise: int, text: str) -> int:
    """Read a whole number of not too many digits, else give another."""
    return int(text) if text.isdecimal() and len(text) <= MOST_DIGITS else otherwise


def _read_block(cells: dict[str, str], study: Study, faults: list[Fault], *, file: str, row: int) -> str | None:
    """Read the block, where there are blocks."""
    if study.plan.blocks is None:
        return None
    block = cells.get(study.plan.blocks.name, "")
    if not block:
        faults.append(Fault("this cell is empty", file, row, study.plan.blocks.name))
    return block


def read_setting(cells: dict[str, str], factor: Factor, faults: list[Fault], *, file: str, row: int) -> float:
    """Read one factor's setting from its mark or value column, and compare the two where both are filled in.

    Returns
    -------
    float
        nan where a fault was found.
    """
    found: list[float] = []
    for column in factor_headings(factor):
        text = cells.get(column, "")
        if not text:
            continue
        value = _value_of(text, factor, is_mark=column.endswith(" mark"))
        if value is None:
            reason = f"{quoted(text)} is not understood; accepted are {_accepted(factor)}"
            faults.append(Fault(reason, file, row, column))
            return float("nan")
        found.append(value)
    if not found:
        faults.append(Fault("there is no setting", file, row, factor_headings(factor)[-1]))
        return float("nan")
    if max(found) - min(found) > _tolerance(factor):
        faults.append(Fault("mark and value do not belong together", file, row, factor_headings(factor)[0]))
    return found[0]


def _value_of(text: str, factor: Factor, *, is_mark: bool) -> float | None:
    """Give the value of a cell: of a kind, of a mark, or of a number with a point or a comma."""
    if factor.is_kind:
        return float(factor.kinds.index(text)) if text in factor.kinds else None
    if is_mark and text in factor.marks:
        return factor.values[factor.marks.index(text)]
    if is_mark and factor.marks:
        return None
    try:
        number = float(text.replace(",", "."))
    except ValueError:
        return None
    nearest = min(factor.values, key=lambda value: abs(value - number))
    return nearest if abs(nearest - number) <= _tolerance(factor) else number


def _tolerance(factor: Factor) -> float:
    """Give how far two numbers for the same setting may lie apart."""
    return CLOSE * (factor.high - factor.low or 1.0)


def _accepted(factor: Factor) -> str:
    """Say what a factor's cells may hold."""
    if factor.is_kind:
        return ", ".join(factor.kinds)
    if factor.marks:
        return f"the marks {', '.join(factor.marks)}"
    return f"numbers from {factor.low:g} to {factor.high:g}"


def _plan_faults(welds: Sequence[PlannedWeld], table: TextTable, study: Study) -> list[Fault]:
    """List what is wrong between rows, and settings that may not be welded."""
    rows = [row for row, _ in table.rows]
    faults = _repeated((w.weld for w in welds), rows, table.file, "weld")
    faults += _repeated((str(w.order) for w in welds), rows, table.file, "order")
    places = (f"{w.plate}, {w.position}" for w in welds)
    faults += _repeated(places, rows, table.file, "position")
    for weld, row in zip(welds, rows, strict=True):
        settings = np.array([weld.settings])
        if np.isfinite(settings).all() and not _is_inside(study, settings):
            faults.append(Fault(f"{weld.weld} lies outside the study's ranges or limits", table.file, row))
    if not welds:
        faults.append(Fault("there is no weld", table.file))
    return faults + _plate_faults(welds, rows, table.file, study)


def _is_inside(study: Study, settings: FloatArray) -> bool:
    """Tell whether one setting lies within ranges and limits."""
    within = all(
        factor.low - _tolerance(factor) <= settings[0, j] <= factor.high + _tolerance(factor)
        for j, factor in enumerate(study.factors)
    )
    return within and bool(allowed(study, settings)[0])


def _repeated(values: Iterable[str], rows: Sequence[int], file: str, column: str) -> list[Fault]:
    """List values that occur a second time."""
    first: dict[str, int] = {}
    faults = []
    for value, row in zip(values, rows, strict=True):
        if value in first and value not in {"", "0"}:
            faults.append(Fault(f"{quoted(value)} stands in row {first[value]} already", file, row, column))
        first.setdefault(value, row)
    return faults


def _plate_faults(welds: Sequence[PlannedWeld], rows: Sequence[int], file: str, study: Study) -> list[Fault]:
    """List plates whose welds differ in what is set once a plate, or in their block."""
    first: dict[str, PlannedWeld] = {}
    faults = []
    for weld, row in zip(welds, rows, strict=True):
        other = first.setdefault(weld.plate, weld)
        if weld.block != other.block:
            faults.append(Fault(f"plate {weld.plate} lies in two blocks", file, row))
        for factor, here, there in zip(study.factors, weld.settings, other.settings, strict=True):
            if factor.hard_to_change and study.plan.welds_per_plate > 1 and abs(here - there) > _tolerance(factor):
                reason = f"{factor.name} is set once a plate, but differs on {weld.plate} from {other.weld}"
                faults.append(Fault(reason, file, row, factor.heading))
    return faults
