"""Read a table of dial readings: ``mark, seconds, length [mm], spool``, ``mark, volts``, ``amps, stick-out [mm]``."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from doe.bench.sheets import Row, Sheet
from doe.bench.text_tables import read_text_sheets
from doe.errors import DoeError, Fault, nearest, quoted
from doe.trade.dials import pulled_speed_mm_s
from doe.units import find_unit, is_unit, parse_quantity, read_in_unit, units_of

COLUMNS: Final = {
    "mark": ("mark", "dial", "dial mark"),
    "seconds": ("seconds", "time"),
    "length": ("length", "wire", "wire length"),
    "spool": ("spool", "spool place", "place"),
    "volts": ("volts", "voltage", "arc volts", "volts read"),
    "feed": ("feed", "wire feed"),
    "amps": ("amps", "current", "arc current", "arc amps"),
    "stick-out": ("stick-out", "stickout", "stick out"),
}
"""The columns, and other headings each may have. Our choice."""
UNITS: Final = {"seconds": "s", "length": "mm", "volts": "V", "feed": "mm/s", "amps": "A", "stick-out": "mm"}
"""The unit each column of numbers is read into."""
STATED: Final = {"length": "[mm] or [in]", "feed": "[m/min] or [in/min]", "stick-out": "[mm] or [in]"}
"""Columns whose unit must be given, in the heading or the cell."""
INCHES: Final = frozenset({"in", "ft", "thou"})
"""Lengths after which the feed is shown in inches a minute."""


@dataclass(frozen=True)
class Pull:
    """One timed pull: what the dial showed, feed in mm/s, seconds, place on the spool."""

    mark: str
    speed_mm_s: float
    seconds: float
    place: str


@dataclass(frozen=True)
class Arc:
    """Amps read at the arc: the row, what the dial showed (empty: not noted), feed in mm/s or None, stick-out."""

    row: int
    mark: str
    feed_mm_s: float | None
    current_a: float
    stickout_mm: float


@dataclass
class DialFile:
    """What stands in the table.

    Attributes
    ----------
    name : str
        Of the file.
    pulls : list of Pull
    volts : list of (str, float)
        Mark and volts.
    arcs : list of Arc
        Amps, from which the wire's burn-off follows.
    in_inches : bool
        Whether every length was written in inches or feet.
    """

    name: str = ""
    pulls: list[Pull] = field(default_factory=list)
    volts: list[tuple[str, float]] = field(default_factory=list)
    arcs: list[Arc] = field(default_factory=list)
    in_inches: bool = True


@dataclass(frozen=True)
class Columns:
    """Which cell of a row is which column, and the unit its heading gives (empty where none)."""

    row: Row
    places: Mapping[str, int]
    units: Mapping[str, str]


def read_dial_file(path: Path) -> DialFile:
    """Read a table of dial readings.

    Raises
    ------
    DoeError
        If there is no such file, or listing every fault in it.
    """
    if not path.is_file():
        message = f"There is no file {path}."
        raise DoeError(message)
    sheet, columns, faults = _find_columns(path.name, read_text_sheets(path.name, path.read_bytes()))
    found = DialFile(path.name)
    for row in sheet.rows:
        if row.number > columns.row.number and not row.is_comment:
            _read_row(row, columns, found, faults, file=path.name)
    if not found.pulls and not found.volts and not found.arcs and not faults:
        faults.append(Fault("no readings below the headings", path.name))
    if sheet.fault:
        faults.append(sheet.fault)
    if faults:
        message = f"{path.name} cannot be used as it stands."
        raise DoeError(message, faults)
    return found


def _find_columns(file: str, sheets: list[Sheet]) -> tuple[Sheet, Columns, list[Fault]]:
    """Find the cut of the file, and the row, with the most known headings, “mark” or “amps” among them."""
    best: tuple[Sheet, Columns, list[Fault]] | None = None
    for sheet in sheets:
        for row in (row for row in sheet.rows if not row.is_comment):
            columns, faults = _headings(file, row)
            if {"mark", "amps"} & set(columns.places) and (best is None or len(columns.places) > len(best[1].places)):
                best = sheet, columns, faults
    if best is None:
        message = f"{file} has no row of headings; it needs mark, seconds and length [mm], or mark and volts."
        raise DoeError(message, [Fault("no heading “mark” was found", file)])
    _check_columns(file, best[1], best[2])
    return best


def _headings(file: str, row: Row) -> tuple[Columns, list[Fault]]:
    """Tell what each heading means; one that is not known is left alone, unless it nearly is one that is lacking."""
    places: dict[str, int] = {}
    units: dict[str, str] = {}
    faults: list[Fault] = []
    strangers: list[tuple[str, str]] = []
    for place, cell in enumerate(row.cells):
        words, unit = _split(cell.text)
        column = next((name for name, known in COLUMNS.items() if words in known), None)
        if column is None:
            strangers.append((words, cell.text))
            continue
        if column in places:
            faults.append(Fault("this column is there twice: keep one", file, row.number, cell.text))
            continue
        places[column] = place
        if unit and column in UNITS:
            units[column] = unit
            _check_unit(unit, column, faults, Fault("", file, row.number, cell.text))
    lacking = [word for name, known in COLUMNS.items() if name not in places for word in known]
    for words, text in strangers:
        if words and (near := nearest(words, lacking)):
            faults.append(Fault(f"is not known; did you mean “{near}”?", file, row.number, text))
    return Columns(row, places, units), faults


def _split(heading: str) -> tuple[str, str]:
    """Cut ``length [mm]`` or ``length (mm)`` into words and unit."""
    match = re.fullmatch(r"(.*?)\s*(?:[\[(]([^\[\]()]*)[\])])?", heading)
    words, unit = (match[1], match[2] or "") if match else (heading, "")
    return " ".join(words.casefold().replace("_", " ").split()), unit.strip()


def _check_unit(unit: str, column: str, faults: list[Fault], at: Fault) -> None:
    dimension = find_unit(UNITS[column]).dimension
    if not is_unit(unit) or find_unit(unit).dimension != dimension:
        message = f"{quoted(unit)} is no unit of {dimension}; known are {', '.join(units_of(dimension))}"
        faults.append(Fault(message, at.file, at.row, at.column))


def _check_columns(file: str, columns: Columns, faults: list[Fault]) -> None:
    has = columns.places
    if ("seconds" in has) != ("length" in has):
        missing = "length" if "seconds" in has else "seconds"
        faults.append(Fault(f"a timed pull needs seconds and length; the column {missing} is missing", file))
    elif not {"seconds", "volts", "amps"} & set(has):
        faults.append(Fault("there is nothing to calibrate with: seconds and length, or volts, are missing", file))
    if "amps" in has and "stick-out" not in has:
        faults.append(Fault("amps need the stick-out they were read at; the column stick-out is missing", file))
    if "amps" in has and "feed" not in has and "seconds" not in has:
        faults.append(Fault("amps need the wire feed: add a column feed, or timed pulls of the same marks", file))


def _read_row(row: Row, columns: Columns, found: DialFile, faults: list[Fault], *, file: str) -> None:
    """Read one row: a timed pull, volts, or both."""
    text = {name: row.cells[place].text if place < len(row.cells) else "" for name, place in columns.places.items()}
    if not any(text.values()):
        return
    before = len(faults)
    numbers = {
        name: _number(text[name], name, columns, faults, Fault("", file, row.number, name))
        for name in UNITS
        if text.get(name)
    }
    faults += [
        Fault(said, file, row.number, column)
        for said, column in _lacking(text.get("mark", ""), set(numbers), set(columns.places))
    ]
    if len(faults) > before:
        return
    if "seconds" in numbers and "length" in numbers:
        speed = pulled_speed_mm_s(numbers["length"], numbers["seconds"])
        found.pulls.append(Pull(text["mark"], speed, numbers["seconds"], text.get("spool", "")))
        found.in_inches &= _unit_of(text["length"], columns.units.get("length", "")) in INCHES
    if "volts" in numbers:
        found.volts.append((text["mark"], numbers["volts"]))
    if "amps" in numbers and "stick-out" in numbers:
        arc = Arc(row.number, text.get("mark", ""), numbers.get("feed"), numbers["amps"], numbers["stick-out"])
        found.arcs.append(arc)


def _lacking(mark: str, read: set[str], columns: set[str]) -> Iterator[tuple[str, str | None]]:
    """Say what a row lacks, with its column; a column that is missing altogether is told once, for the table."""
    if not mark and "feed" not in read and "mark" in columns:
        yield "the dial's mark is missing", "mark"
    if {"seconds", "length"} <= columns and ("seconds" in read) != ("length" in read):
        missing = "length" if "seconds" in read else "seconds"
        yield f"a timed pull needs seconds and length; {missing} is blank", missing
    if not read:
        yield "nothing was read at this mark", None
    if "amps" in read and "stick-out" in columns and "stick-out" not in read:
        yield "amps need the stick-out they were read at", "stick-out"


def _number(text: str, column: str, columns: Columns, faults: list[Fault], at: Fault) -> float:
    """Read a number above 0 into the column's unit; some must have one, in the heading or the cell."""
    default = columns.units.get(column, "")
    try:
        if column in STATED and not default and not parse_quantity(text).unit:
            faults.append(Fault(f"{quoted(text)} has no unit: head the column {column} {STATED[column]}", *_place(at)))
            return 0.0
        value = read_in_unit(text, UNITS[column], default=default or UNITS[column])[0]
    except DoeError as error:
        faults.append(Fault(error.message, *_place(at)))
        return 0.0
    if value <= 0.0:
        faults.append(Fault(f"{quoted(text)} must be above 0", *_place(at)))
    return value


def _place(at: Fault) -> tuple[str | None, int | None, str | None]:
    return at.file, at.row, at.column


def _unit_of(text: str, heading_unit: str) -> str:
    return parse_quantity(text).unit or find_unit(heading_unit).symbol
