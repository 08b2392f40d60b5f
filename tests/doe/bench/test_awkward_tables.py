"""Tables as they come from a shop: each is read rightly, or refused with file, row, column and what to do.

Every table is made by ``make_table`` from one plain table of six welds (conftest.py) by the changes its case names:
another separator, other letters, other headings, other cells. A case that is to be read must equal the plain table;
one that is to be refused names the row as a person counts it and the heading as typed.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.bench import read_results
from doe.bench.results import Counts, Measurement, Passes, Results, Trips
from doe.errors import ResultsError
from doe.study.model import Study

Rows = list[dict[str, str]]
LINE_OF = {f"W{i:02d}": i + 1 for i in range(1, 7)}
"""The line of each weld in a table without lines above its headings."""


@dataclass(frozen=True)
class Changes:
    """How an awkward table differs from the plain one.

    Attributes
    ----------
    separator, encoding, line_end : str
        Of the file.
    headings : mapping
        Heading to what stands there instead.
    cells : mapping of (weld, heading) to str
        What stands in a cell instead; the heading is the plain one.
    columns : mapping of str to function
        Turns every cell of a column into the one typed.
    drop : sequence of str
        Headings of columns that are left out.
    extra : mapping
        Heading to the cells of a further column, from the first weld on.
    above : sequence of str
        Lines over the headings.
    rows : sequence of str
        Lines under the last weld.
    raw : sequence of (str, str)
        Replacements in the finished text.
    """

    separator: str = ","
    encoding: str = "utf-8"
    line_end: str = "\n"
    headings: Mapping[str, str] = field(default_factory=dict)
    cells: Mapping[tuple[str, str], str] = field(default_factory=dict)
    columns: Mapping[str, Callable[[str], str]] = field(default_factory=dict)
    drop: Sequence[str] = ()
    extra: Mapping[str, Sequence[str]] = field(default_factory=dict)
    above: Sequence[str] = ()
    rows: Sequence[str] = ()
    raw: Sequence[tuple[str, str]] = ()


def make_table(plain: Rows, changes: Changes) -> bytes:
    """Make an awkward table from the plain one."""
    headings = [h for h in plain[0] if h not in changes.drop]
    text = io.StringIO()
    writer = csv.writer(text, delimiter=changes.separator, lineterminator="\n")
    text.writelines(f"{line}\n" for line in changes.above)
    writer.writerow([*(changes.headings.get(h, h) for h in headings), *changes.extra])
    for i, row in enumerate(plain):
        typed = {h: changes.columns[h](row[h]) if h in changes.columns else row[h] for h in headings}
        cells = [changes.cells.get((row["weld"], h), typed[h]) for h in headings]
        writer.writerow([*cells, *(column[i] for column in changes.extra.values())])
    text.writelines(f"{line}\n" for line in changes.rows)
    whole = text.getvalue()
    for old, new in changes.raw:
        assert old in whole
        whole = whole.replace(old, new)
    return whole.replace("\n", changes.line_end).encode(changes.encoding)


def in_unit(heading: str, retype: Callable[[str], str], new: str = "") -> Changes:
    """Type a whole column otherwise."""
    return Changes(headings={heading: new or heading}, columns={heading: retype})


def comma(text: str) -> str:
    return text.replace(".", ",")


def assert_same(found: Results, plain: Results, rtol: float) -> None:
    """Check that two results say the same, whatever the order of their welds."""
    at = [found.weld.index(weld) for weld in plain.weld]
    assert sorted(found.weld) == sorted(plain.weld)
    assert [found.status[i] for i in at] == list(plain.status)
    assert [found.plate[i] for i in at] == list(plain.plate)
    assert list(found.position[at]) == list(plain.position)
    assert list(found.order[at]) == list(plain.order)
    assert_allclose(found.planned[at], plain.planned, rtol=1e-9)
    assert_allclose(found.settings[at], plain.settings, rtol=rtol)
    for name, readings in plain.readings.items():
        for mine, theirs in zip(arrays(found.readings[name]), arrays(readings), strict=True):
            assert_allclose(mine[at], theirs, rtol=rtol)
    for name, values in plain.conditions.items():
        assert_allclose(found.conditions[name][at], values, rtol=rtol, atol=0.3 if "degC" in name else 0)


def arrays(readings: object) -> list[np.ndarray]:
    if isinstance(readings, Measurement):
        return [readings.values, readings.full]
    if isinstance(readings, Counts):
        return [readings.counts, readings.length_mm]
    if isinstance(readings, Trips):
        return [readings.tripped, readings.time_s]
    assert isinstance(readings, Passes)
    return [readings.passed]


READ: dict[str, tuple[Changes, str]] = {
    "a plain table": (Changes(), ""),
    "semicolons are separators": (Changes(separator=";"), "semicolons"),
    "tabs are separators": (Changes(separator="\t"), "tabs"),
    "a spreadsheet's sep line is no row": (Changes(separator=";", above=["sep=;"]), "semicolons"),
    "a byte order mark is no letter": (Changes(encoding="utf-8-sig"), ""),
    "utf-16 letters are read": (Changes(encoding="utf-16"), "UTF-16"),
    "utf-16 letters without a mark are read": (Changes(encoding="utf-16-le"), "UTF-16"),
    "big-endian utf-16 letters without a mark are read": (Changes(encoding="utf-16-be"), "UTF-16"),
    "windows letters are read": (
        Changes(encoding="cp1252", cells={("W01", "notes"): "Fläche naß, 20 °C"}),
        "Windows-1252",
    ),
    "windows line ends are read": (Changes(line_end="\r\n"), ""),
    "old line ends are read": (Changes(line_end="\r"), ""),
    "decimal commas in a semicolon table are read": (
        Changes(separator=";", cells={("W01", "penetration [mm]"): "1,5", ("W04", "voltage [V]"): "18,4"}),
        "18.4 V",
    ),
    "quoted decimal commas in a comma table are read": (Changes(cells={("W02", "feed [m/min]"): "5,5"}), "5.5 m/min"),
    "a fraction of an inch is read": (Changes(cells={("W01", "penetration [mm]"): "0.059055118 in"}), "1.5 mm"),
    "a common fraction of an inch is read": (Changes(cells={("W01", "penetration [mm]"): "15/254 in"}), "1.5 mm"),
    "a fraction behind a whole number is read": (Changes(cells={("W01", "penetration [mm]"): "1 1/2 mm"}), "1.5 mm"),
    "a fraction of one letter is read": (Changes(cells={("W01", "penetration [mm]"): "1½ mm"}), "1.5 mm"),
    "inch signs of a word processor are read": (
        Changes(cells={("W06", "porosity length [mm]"): "3 19/127″"}),
        "80 mm",
    ),
    "a decimal comma before a unit is read": (Changes(cells={("W03", "penetration [mm]"): "0,21 cm"}), "2.1 mm"),
    "a length as a whole and a fraction is read": (
        Changes(cells={("W06", "porosity length [mm]"): '3 19/127"'}),
        "80 mm",
    ),
    "a unit in the cell is read": (Changes(cells={("W03", "penetration [mm]"): "2.1 mm"}), ""),
    "a unit without a blank is read": (Changes(cells={("W03", "penetration [mm]"): "0.21cm"}), "2.1 mm"),
    "minutes are turned into seconds": (Changes(cells={("W01", "trip time [s]"): "1 min"}), "60 s"),
    "headings in round brackets are read": (Changes(headings={"penetration [mm]": "Penetration (mm)"}), ""),
    "headings with underscores are read": (
        Changes(headings={"penetration [mm]": "penetration_mm", "trip time [s]": "trip_time_s"}),
        "",
    ),
    "headings with a stroke before the unit are read": (Changes(headings={"penetration [mm]": "penetration / mm"}), ""),
    "headings with the unit in words are read": (Changes(headings={"penetration [mm]": "Penetration in mm"}), ""),
    "capitals and blanks in headings do not count": (
        Changes(
            headings={"root fused": "ROOT  FUSED", "weld": "WELD", "plate temperature [degC]": "Plate-Temperature [°C]"}
        ),
        "",
    ),
    "other words for the fixed columns are read": (Changes(headings={"weld": "Weld no.", "notes": "Remarks"}), "notes"),
    "a bracket without a unit is no unit": (
        Changes(headings={"trip": "trip (yes/no)", "status": "status (done ...)"}),
        "",
    ),
    "a heading without a unit takes the study's": (
        Changes(headings={"penetration [mm]": "penetration"}),
        "no unit of its own",
    ),
    "feed in inches a minute is read": (
        in_unit("feed [m/min]", lambda v: f"{float(v) / 0.0254:.1f}", "feed [in/min]"),
        "216.5 in/min",
    ),
    "preheat in fahrenheit is read": (
        in_unit("preheat [degC]", lambda v: f"{float(v) * 1.8 + 32:.0f}", "preheat [°F]"),
        "120 degC",
    ),
    "penetration in inches is read": (
        in_unit("penetration [mm]", lambda v: f"{float(v) / 25.4:.6f}", "penetration [in]"),
        "in",
    ),
    "every number may have its own unit": (
        in_unit("penetration [mm]", lambda v: f"{float(v) / 25.4:.6f} in" if float(v) > 1.7 else v),
        "in",
    ),
    "decimal commas everywhere are read": (
        Changes(separator=";", columns=dict.fromkeys(("penetration [mm]", "voltage [V]", "feed [m/min]"), comma)),
        "1.5 mm",
    ),
    "yes and no have many spellings": (
        Changes(
            cells={("W06", "trip"): "Tripped", ("W01", "trip"): "N", ("W02", "trip"): "0", ("W03", "trip"): "held"}
        ),
        "yes",
    ),
    "a cross is a yes": (Changes(cells={("W06", "trip"): "x", ("W01", "root fused"): "X"}), "yes"),
    "pass and fail are read": (Changes(cells={("W01", "root fused"): "pass", ("W04", "root fused"): "Failed"}), "no"),
    "a title above the headings is no row": (
        Changes(above=["Hinge lugs,Saturday", "", "measured by Ann"]),
        "above the headings",
    ),
    "comments are no rows": (Changes(above=["# seed 1", '"# version, with a comma"'], rows=["# the end"]), ""),
    "a row that was commented out is listed": (Changes(rows=["#W07,P04,1,7"]), "the row is not read"),
    "blank rows are no welds": (Changes(rows=["", ",,,,,", ""]), ""),
    "short rows end in blanks": (Changes(raw=[(",,,,,,,,,,,,,\n", "\n")]), ""),
    "quotation marks around every cell are read": (
        Changes(raw=[("W01,P01,1,1,1,17", '"W01","P01","1","1","1","17"')]),
        "",
    ),
    "a line break inside a quoted note is part of it": (Changes(cells={("W01", "notes"): "first\nsecond"}), ""),
    "a separator inside a quoted note is part of it": (Changes(cells={("W01", "notes"): "wet, then dry"}), ""),
    "an apostrophe kept against formulas is taken off": (Changes(cells={("W01", "notes"): "'=dry"}), ""),
    "weld numbers without their zero are found": (
        Changes(cells={("W01", "weld"): "W1", ("W02", "weld"): "w-02"}),
        "W02",
    ),
    "weld numbers without their letter are found": (Changes(cells={("W01", "weld"): "1"}), "W01"),
    "plates in other spelling are found": (Changes(cells={("W01", "plate"): "p1"}), "P01"),
    "a mark as a spreadsheet's number is read": (Changes(cells={("W02", "voltage mark"): "3.0"}), "3"),
    "marks alone give the settings": (Changes(drop=["voltage [V]"]), ""),
    "values alone give the settings": (Changes(drop=["voltage mark"]), ""),
    "the plan gives settings that were left out": (Changes(drop=["voltage mark", "voltage [V]", "feed [m/min]"]), ""),
    "the plan gives plate, position, order and role": (Changes(drop=["plate", "position", "order", "role"]), ""),
    "columns that are not needed may be left out": (
        Changes(drop=["rest [min]", "gap [mm]", "outlet", "cord", "spool", "time", "notes"]),
        "",
    ),
    "status in capitals is read": (Changes(cells={("W01", "status"): "DONE", ("W06", "status"): "Aborted "}), "done"),
    "a blank status is done where anything was measured": (
        Changes(cells={(f"W0{i}", "status"): "" for i in range(1, 6)}),
        "",
    ),
    "thin spaces and no-break spaces are blanks": (Changes(cells={("W01", "trip time [s]"): "\u00a060\u202fs"}), ""),
    "invisible letters are taken off": (Changes(raw=[("W01", "\u200bW01\ufeff")]), ""),
    "an inspected length in centimetres is read": (Changes(cells={("W06", "porosity length [mm]"): "8 cm"}), "80 mm"),
    "a blank inspected length is the study's": (
        Changes(cells={(f"W0{i}", "porosity length [mm]"): "" for i in range(1, 6)}),
        "",
    ),
    "a column of one's own is kept": (Changes(extra={"helper": ["Ann"] * 6}), ""),
    "a column without heading and cells is nothing": (Changes(extra={"": [""] * 6}), ""),
}
"""Tables that are read as the plain one, and a word that must be among their conversions."""


@dataclass(frozen=True)
class Refusal:
    """Where a table is refused and what is said."""

    row: int | None
    column: str | None
    says: str


WELD3 = LINE_OF["W03"]
PEN, COUNT, LENGTH = "penetration [mm]", "porosity", "porosity length [mm]"


def one_cell(heading: str, text: str, says: str, weld: str = "W03") -> tuple[Changes, Refusal]:
    """One cell of the plain table is replaced, and refused."""
    return Changes(cells={(weld, heading): text}), Refusal(LINE_OF[weld], heading, says)


ASKED: dict[str, tuple[Changes, str]] = {
    "a column typed in inches under millimetres": (
        Changes(columns={PEN: lambda v: f"{float(v) / 25.4:.3f}"}),
        r"penetration.* (in|inch)",
    ),
    "feed typed in inches a minute under metres": (
        Changes(cells={("W03", "feed actual [m/min]"): "236.2"}),
        r"W03.*in/min",
    ),
    "a plate temperature typed in fahrenheit under celsius": (
        Changes(cells={("W01", "plate temperature [degC]"): "68"}),
        r"W01.*°F",
    ),
    "a point left out": (Changes(cells={("W03", PEN): "21"}), r"W03.*2\.1"),
}
"""Tables that are read as they stand, and asked about."""

REFUSED: dict[str, tuple[Changes, Refusal]] = {
    "a comma that may be of thousands is refused with both readings": one_cell(
        PEN, "1,500", "can be read as 1.500 .* or as 1500"
    ),
    "a point that may be of thousands among decimal commas is refused with both readings": (
        Changes(separator=";", cells={("W01", PEN): "1,5", ("W03", "trip time [s]"): "1.200"}),
        Refusal(WELD3, "trip time [s]", "can be read as 1,200 .* or as 1200"),
    ),
    "a date that was a fraction is named": one_cell(PEN, "8-Mar", "date .* Was it 3/8 or 8/3"),
    "a date of a month and a year is named as its fraction": one_cell(PEN, "Mar-32", "Was it 3/32"),
    "a date in another language is named": one_cell(PEN, "08. Mrz", "Was it 3/8 or 8/3"),
    "a date in figures is named": one_cell(PEN, "2031-03-08", "Was it 3/8 or 8/3"),
    "a date with strokes is named": one_cell(PEN, "3/8/2031", "Was it 3/8 or 8/3"),
    "a date under a mark is named": (
        Changes(cells={("W03", "feed [m/min]"): "5-Jan"}),
        Refusal(WELD3, "feed [m/min]", "Was it 1/5 or 5/1"),
    ),
    "a word is no number": one_cell(PEN, "deep", "not a quantity"),
    "two numbers are none": one_cell(PEN, "1.2-1.4", "not a number"),
    "an endless number is none": one_cell(PEN, "inf", "not a quantity"),
    "a number that is none is refused": one_cell(PEN, "nan", "not a quantity"),
    "a negative count is refused": one_cell(COUNT, "-1", "whole numbers from 0"),
    "a broken count is refused": one_cell(COUNT, "2.5", "whole numbers from 0"),
    "a count in words is refused": one_cell(COUNT, "none", "not a quantity"),
    "an inspected length of nothing is refused": one_cell(LENGTH, "0", "must be over 0"),
    "a negative time is refused": one_cell("trip time [s]", "-5", "must be over 0"),
    "a negative line voltage is refused": one_cell("line voltage [V]", "-230", "0 or more"),
    "a time on the clock is no arc time": one_cell("trip time [s]", "1:30", "holds the time .* such as 90 s"),
    "less than a number says too little": one_cell(PEN, "<0.1", "type the reading"),
    "neither yes nor no is refused": one_cell("trip", "maybe", "neither yes nor no"),
    "a failed trip is ambiguous": one_cell("trip", "fail", "neither yes nor no"),
    "an unknown status names the nearest": one_cell(
        "status", "scraped", "done, aborted, scrapped, not run.*“scrapped”"
    ),
    "an unknown mark names the known ones": one_cell("voltage mark", "7", "known are 1, 2, 3, 4, 5"),
    "an unknown role names the nearest": one_cell("role", "confrim", "“confirm”"),
    "a position of nought is refused": one_cell("position", "0", "whole numbers from 1"),
    "an order in words is refused": one_cell("order", "third", "not a quantity"),
    "a unit of another kind is refused": one_cell(PEN, "2.1 V", "unit of voltage"),
    "an unknown unit is refused": one_cell(PEN, "2.1 furlong", "not known"),
    "a spreadsheet's error is named": one_cell(PEN, "#DIV/0!", "spreadsheet's error"),
    "hash signs for a narrow column are named": one_cell(PEN, "#####", "spreadsheet's error"),
    "mark and value that disagree are refused": one_cell(
        "voltage [V]", "21.1", "21.1 V is not mark 5, which is 22.3 V"
    ),
    "an actual mark that may be a value is refused with both readings": one_cell(
        "voltage actual [V]", "5", "5 V or as mark 5 .22.3 V"
    ),
    "an order that stands twice is refused": one_cell("order", "1", "already that of W01 in row 2"),
    "a weld that stands twice is refused": one_cell("weld", "W01", "stands twice: here and in results.csv, row 2"),
    "a weld that stands twice in other spelling is refused": one_cell("weld", "w 1", "stands twice"),
    "a weld without a number is refused": one_cell("weld", "", "no weld number"),
    "a weld that is not in the plan needs its settings": (
        Changes(cells={("W03", "weld"): "W30", ("W03", "feed [m/min]"): ""}),
        Refusal(WELD3, "weld", r"W30 is in no plan .*feed \[m/min\]"),
    ),
    "an unquoted decimal comma in a comma table is found": (
        Changes(raw=[("done,,,,2.1,", "done,,,,2,1,")]),
        Refusal(WELD3, None, "cells and there are .* headings.* decimal comma"),
    ),
    "an unquoted separator in a note is found": (
        Changes(separator=";", cells={("W03", "notes"): "wet"}, raw=[("wet", "wet; then dry")]),
        Refusal(WELD3, None, "semicolon in a note"),
    ),
    "an open quotation mark is found": (
        Changes(cells={("W03", "outlet"): "OPEN"}, raw=[("OPEN", '"garage')]),
        Refusal(WELD3, None, "quotation mark"),
    ),
    "the row is counted with the lines above the headings": (
        Changes(above=["Hinge lugs", "", "# comment"], cells={("W01", PEN): "deep"}),
        Refusal(5, PEN, "not a quantity"),
    ),
    "the row is counted with the lines of a note": (
        Changes(cells={("W01", "notes"): "first\nsecond", ("W02", PEN): "deep"}),
        Refusal(4, PEN, "not a quantity"),
    ),
    "an unknown unit in a heading is refused": (
        Changes(headings={PEN: "penetration [furlong]"}),
        Refusal(1, "penetration [furlong]", "no unit that is known: mm is expected"),
    ),
    "a unit of another kind in a heading is refused": (
        Changes(headings={PEN: "penetration [V]"}),
        Refusal(1, "penetration [V]", "cannot be turned into mm"),
    ),
    "a misspelt heading is refused": (
        Changes(headings={PEN: "penetraton [mm]"}),
        Refusal(1, "penetraton [mm]", r"Is it “penetration \[mm\]”"),
    ),
    "the same column twice is refused": (
        Changes(extra={"Penetration (mm)": ["1"] * 6}),
        Refusal(1, "Penetration (mm)", r"are the same: keep one, or head .* “penetration 2 \[mm\]”"),
    ),
    "a table without headings is refused": (
        Changes(headings={"weld": "bead", "plate": "x"}),
        Refusal(None, None, "no row with the headings was found"),
    ),
    "a table without welds is refused": (
        Changes(raw=[(f"\nW0{i},", "\n#") for i in range(1, 7)]),
        Refusal(None, None, "no row with a weld"),
    ),
}
"""Tables that are refused, and the fault that must be among theirs."""


def test_there_are_at_least_sixty_awkward_tables() -> None:
    assert len(READ) + len(REFUSED) >= 60


@pytest.mark.parametrize(("changes", "listed"), READ.values(), ids=READ.keys())
def test_is_read_as_the_plain_table(changes: Changes, listed: str, planned: Study, filled: Rows) -> None:
    path = planned.folder / "results.csv"
    path.write_bytes(make_table(filled, Changes()))
    plain = read_results(path, planned)
    assert plain.conversions == ()
    path.write_bytes(make_table(filled, changes))
    found = read_results(path, planned)
    assert_same(found, plain, rtol=2e-5)
    if listed:
        assert any(listed in f"{c.found} {c.read_as}" for c in found.conversions), found.conversions


@pytest.mark.parametrize(("changes", "says"), ASKED.values(), ids=ASKED.keys())
def test_is_read_and_asked_about(changes: Changes, says: str, planned: Study, filled: Rows) -> None:
    path = planned.folder / "results.csv"
    path.write_bytes(make_table(filled, changes))
    questions = read_results(path, planned).questions
    assert any(re.search(says, question) for question in questions), questions


@pytest.mark.parametrize(("changes", "refusal"), REFUSED.values(), ids=REFUSED.keys())
def test_is_refused_with_its_place(changes: Changes, refusal: Refusal, planned: Study, filled: Rows) -> None:
    path = planned.folder / "results.csv"
    path.write_bytes(make_table(filled, changes))
    with pytest.raises(ResultsError, match=refusal.says) as caught:
        read_results(path, planned)
    places = [(fault.file, fault.row, fault.column) for fault in caught.value.faults]
    assert ("results.csv", refusal.row, refusal.column) in places


def test_the_reader_never_writes(planned: Study, filled: Rows) -> None:
    path: Path = planned.folder / "results.csv"
    path.write_bytes(make_table(filled, Changes(separator=";", encoding="utf-16")))
    before = {p.name: p.read_bytes() for p in planned.folder.iterdir()}
    read_results(planned.folder, planned)
    assert {p.name: p.read_bytes() for p in planned.folder.iterdir()} == before
