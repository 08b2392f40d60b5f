"""The reading study: a few sections read twice, blind, by one or two people, so that the reading's scatter is known.

``reading-study.csv`` in the study's folder: one row a reading, in the order to read in, a column for each measure. It
is offered, never required.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np

from doe.bench.columns import fold
from doe.bench.files import load_sheets
from doe.bench.repeatability import LEAST_SECTIONS, Repeatability, repeatability
from doe.bench.resolution import find_resolution
from doe.bench.results import Measurement, Results
from doe.bench.sheets import Row, Sheet
from doe.errors import CannotAnswerError, DoeError, Fault, ResultsError, quoted
from doe.planning.table import safe_cell
from doe.study.model import Response, Study
from doe.units import find_unit, is_unit, read_in_unit, same_dimension

FILE: Final = "reading-study.csv"
"""The table's name in the study's folder."""
PLACES: Final = ("reading", "section", "reader", "round")
"""The first columns: what is read, by whom, for which time."""
UNREADABLE: Final = ("?", "-", "–")
"""What stands for a section that could not be read."""
ROUNDS: Final = 2
"""Times each reader reads each section."""

Key = tuple[str, str, str]
"""Section, reader, round."""


@dataclass(frozen=True)
class StudiedReading:
    """What the reading study found of one response.

    Attributes
    ----------
    response : Response
    found : Repeatability or None
        None where it could not be worked out.
    sections : tuple of str
        The sections that have every reading.
    notes : tuple of str
        What was left out, and what to know.
    """

    response: Response
    found: Repeatability | None
    sections: tuple[str, ...]
    notes: tuple[str, ...]


def measures(study: Study) -> tuple[Response, ...]:
    """Give the responses that are read on a scale.

    Raises
    ------
    CannotAnswerError
        If the study has none.
    """
    found = tuple(response for response in study.responses if response.kind == "measure")
    if not found:
        message = "The study measures nothing on a scale, so there is no reading whose scatter could be studied."
        raise CannotAnswerError(message)
    return found


def blank_rows(*, n_sections: int, readers: Sequence[str], seed: int) -> tuple[Key, ...]:
    """Give the readings in the order to make them: round by round, reader by reader, the sections shuffled anew."""
    rng = np.random.default_rng([seed, n_sections])
    sections = [f"S{i + 1}" for i in range(n_sections)]
    return tuple(
        (sections[i], reader, str(round_ + 1))
        for round_ in range(ROUNDS)
        for reader in readers
        for i in rng.permutation(n_sections)
    )


def blank_table(study: Study, rows: Sequence[Key], *, seed: int) -> str:
    """Write the blank table of a reading study."""
    text = io.StringIO()
    text.writelines(
        f"# {line}\n"
        for line in (
            f"reading study of {' '.join(study.title.split())}",
            f"seed {seed}",
            "Read in this order. Cover what was read before. Write ? where a section cannot be read.",
        )
    )
    writer = csv.writer(text, lineterminator="\n")
    heads = [f"{r.name} [{r.unit}]" if r.unit else r.name for r in measures(study)]
    writer.writerow([*PLACES, *(safe_cell(head) for head in heads)])
    writer.writerows([str(i), *row, *("" for _ in heads)] for i, row in enumerate(rows, start=1))
    return text.getvalue()


def read_reading_study(path: Path, study: Study) -> tuple[StudiedReading, ...]:
    """Read a filled-in table, and work out how well each measure's reading repeats.

    Parameters
    ----------
    path : Path
        The table.
    study : Study

    Returns
    -------
    tuple of StudiedReading
        One a measure that has readings; none where nothing is filled in yet.

    Raises
    ------
    ResultsError
        With every fault: a heading that is missing, a reading that stands twice, a cell that cannot be read.
    """
    sheet, row, places = _find(path, study)
    faults: list[Fault] = []
    tables = {r.name: _values(sheet, row, places, r, faults) for r in measures(study) if r.name in places}
    if faults:
        message = f"{path.name} cannot be used as it stands."
        raise ResultsError(message, faults)
    return tuple(_studied(study.response(name), values) for name, values in tables.items() if values)


def lacks_reading_scatter(results: Results) -> bool:
    """Whether a measure was read whose reading scatter nothing tells: no reading study, no second cut of any weld."""
    return any(
        isinstance(reading, Measurement)
        and np.isfinite(reading.values).any()
        and np.isfinite(reading.values).sum(axis=1).max() < ROUNDS
        and name not in results.reading_scatter
        for name, reading in results.readings.items()
    )


# --- the table


@dataclass(frozen=True)
class _Reading:
    """One reading: its value, and whether it says only "at least"."""

    value: float
    is_least: bool = False


def _find(path: Path, study: Study) -> tuple[Sheet, Row, Mapping[str, tuple[int, str]]]:
    """Find the row of headings, and which cell is which column, with the unit its heading gives."""
    for sheet in load_sheets(path):
        for row in sheet.rows:
            if row.is_comment:
                continue
            places = _places(row, study)
            if set(PLACES[1:]) <= set(places):
                _check(path.name, row, places, study)
                return sheet, row, places
    message = f"{path.name} is not the table of a reading study."
    raise ResultsError(message, [Fault(f"it needs the columns {', '.join(PLACES[1:])} and the measure's", path.name)])


def _places(row: Row, study: Study) -> dict[str, tuple[int, str]]:
    """Tell what each heading means; the first of two counts."""
    known = {fold(name): name for name in (*PLACES, *(r.name for r in measures(study)))}
    found: dict[str, tuple[int, str]] = {}
    for place, cell in enumerate(row.cells):
        words, _, unit = cell.text.partition("[")
        name = known.get(fold(words.strip()))
        if name is not None:
            found.setdefault(name, (place, unit.strip(" ]")))
    return found


def _check(file: str, row: Row, places: Mapping[str, tuple[int, str]], study: Study) -> None:
    """Refuse a table without a measure, or with a unit that is none of its measure's."""
    faults = []
    named = [r for r in measures(study) if r.name in places]
    if not named:
        names = ", ".join(r.name for r in measures(study))
        faults.append(Fault(f"no column of a measure of the study; it has {names}", file, row.number))
    for response in named:
        unit = places[response.name][1]
        if unit and not (is_unit(unit) and response.unit and same_dimension(unit, response.unit)):
            faults.append(Fault(f"{quoted(unit)} is no unit of {response.name}", file, row.number, response.name))
    if faults:
        message = f"{file} cannot be used as it stands."
        raise ResultsError(message, faults)


def _values(
    sheet: Sheet, headings: Row, places: Mapping[str, tuple[int, str]], response: Response, faults: list[Fault]
) -> dict[Key, _Reading]:
    """Read one measure's column, noting every fault."""
    values: dict[Key, _Reading] = {}
    seen: set[Key] = set()
    place, unit = places[response.name]
    for row in sheet.rows:
        if row.number <= headings.number or row.is_comment:
            continue
        section, reader, round_ = (_cell(row, places[name][0]).casefold() for name in PLACES[1:])
        text, at = _cell(row, place), Fault("", sheet.file, row.number, response.name)
        key = (section, reader, round_)
        if text and key in seen:
            faults.append(_said(f"section {section}, reader {reader}, round {round_} stands here a second time", at))
        if not text or text in UNREADABLE:
            continue
        seen.add(key)
        if not all(key):
            faults.append(_said("section, reader and round must stand before a reading", at))
            continue
        try:
            values[key] = _reading(text, response, unit)
        except DoeError as error:
            faults.append(_said(error.message, at))
    return values


def _cell(row: Row, place: int) -> str:
    return row.cells[place].text if place < len(row.cells) else ""


def _said(message: str, at: Fault) -> Fault:
    return Fault(message, at.file, at.row, at.column)


def _reading(text: str, response: Response, unit: str) -> _Reading:
    """Read one cell into the response's unit; “≥ 10” and a value at ``full`` say only "at least"."""
    least = text.lstrip(">≥= ")
    default = find_unit(unit).symbol if unit else response.unit
    value = read_in_unit(least, response.unit, default=default)[0]
    is_full = response.full is not None and value >= response.full
    return _Reading(value, is_full or least != text)


# --- what was found


def _studied(response: Response, values: Mapping[Key, _Reading]) -> StudiedReading:
    """Take the sections that every reader read every time, and work out the scatter."""
    readers = sorted({reader for _, reader, _ in values})
    rounds = sorted({round_ for _, _, round_ in values})
    sections = list(dict.fromkeys(section for section, _, _ in values))
    whole, notes = [], []
    for section in sections:
        read = [values.get((section, reader, round_)) for reader in readers for round_ in rounds]
        if any(reading is None for reading in read):
            notes.append(f"section {section.upper()} lacks a reading and is left out")
        elif any(reading is not None and reading.is_least for reading in read):
            notes.append(f"section {section.upper()} was read as “at least” and is left out")
        else:
            whole.append(section)
    if len(whole) < LEAST_SECTIONS or len(rounds) < ROUNDS:
        times = "twice" if len(rounds) < ROUNDS else "fully"
        notes.append(
            f"{response.name}: {len(whole)} section{'' if len(whole) == 1 else 's'} read {times if whole else 'fully'}"
            f" by all; at least {LEAST_SECTIONS} are needed, each read twice"
        )
        return StudiedReading(response, None, tuple(whole), tuple(notes))
    y = np.array([[[values[s, r, k].value for k in rounds] for r in readers] for s in whole])
    found = repeatability(y, resolution=find_resolution(y))
    return StudiedReading(response, found, tuple(whole), (*notes, *_findings(response, found)))


def _findings(response: Response, found: Repeatability) -> Iterator[str]:
    """Say what is odd about the readings."""
    if found.components.error <= found.resolution_variance:
        yield (
            f"every second reading is the first again, as finely as {response.name} was read: the scatter given is "
            "that of rounding alone. Read more finely, and blind"
        )
    if found.components.section == 0.0:
        yield "the sections do not differ more than their readings do: choose some that are shallow and some deep"
