"""Read a table of timed wire pulls and volt readings: ``mark, seconds, length [mm], spool`` and ``mark, volts``."""

from __future__ import annotations

import re
from collections.abc import Mapping
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
}
"""The columns, and other headings each may have. Our choice."""
UNITS: Final = {"seconds": "s", "length": "mm", "volts": "V"}
"""The unit each column of numbers is read into."""
INCHES: Final = frozenset({"in", "ft", "thou"})
"""Lengths after which the feed is shown in inches a minute."""


@dataclass(frozen=True)
class Pull:
    """One timed pull: what the dial showed, feed in mm/s, seconds, place on the spool."""

    mark: str
    speed_mm_s: float
    seconds: float
    place: str


@dataclass
class DialFile:
    """What stands in the table.

    Attributes
    ----------
    pulls : list of Pull
    volts : list of (str, float)
        Mark and volts.
    in_inches : bool
        Whether every length was written in inches or feet.
    """

    pulls: list[Pull] = field(default_factory=list)
    volts: list[tuple[str, float]] = field(default_factory=list)
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
    found = DialFile()
    for row in sheet.rows:
        if row.number > columns.row.number and not row.is_comment:
            _read_row(row, columns, found, faults, file=path.name)
    if not found.pulls and not found.volts and not faults:
        faults.append(Fault("no readings below the headings", path.name))
    if sheet.fault:
        faults.append(sheet.fault)
    if faults:
        message = f"{path.name} cannot be used as it stands."
        raise DoeError(message, faults)
    return found


def _find_columns(file: str, sheets: list[Sheet]) -> tuple[Sheet, Columns, list[Fault]]:
    """Find the cut of the file, and the row, with the most known headings, “mark” among them."""
    best: tuple[Sheet, Columns, list[Fault]] | None = None
    for sheet in sheets:
        for row in (row for row in sheet.rows if not row.is_comment):
            columns, faults = _headings(file, row)
            if "mark" in columns.places and (best is None or len(columns.places) > len(best[1].places)):
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
    elif "seconds" not in has and "volts" not in has:
        faults.append(Fault("there is nothing to calibrate with: seconds and length, or volts, are missing", file))


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
    if not text["mark"]:
        faults.append(Fault("the dial's mark is missing", file, row.number, "mark"))
    if {"seconds", "length"} <= set(columns.places) and ("seconds" in numbers) != ("length" in numbers):
        missing = "length" if "seconds" in numbers else "seconds"
        faults.append(Fault(f"a timed pull needs seconds and length; {missing} is blank", file, row.number, missing))
    if not numbers and not any(text.get(name) for name in UNITS):
        faults.append(Fault("nothing was read at this mark", file, row.number))
    if len(faults) > before:
        return
    if "seconds" in numbers and "length" in numbers:
        speed = pulled_speed_mm_s(numbers["length"], numbers["seconds"])
        found.pulls.append(Pull(text["mark"], speed, numbers["seconds"], text.get("spool", "")))
        found.in_inches &= _unit_of(text["length"], columns.units.get("length", "")) in INCHES
    if "volts" in numbers:
        found.volts.append((text["mark"], numbers["volts"]))


def _number(text: str, column: str, columns: Columns, faults: list[Fault], at: Fault) -> float:
    """Read a number above 0 into the column's unit; a length must have one, in the heading or the cell."""
    default = columns.units.get(column, "")
    try:
        if column == "length" and not default and not parse_quantity(text).unit:
            faults.append(Fault(f"{quoted(text)} has no unit: head the column length [mm] or [in]", *_place(at)))
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
