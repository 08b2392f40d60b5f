"""The sheet of a reading study: a page for each reader and round, so that what was read before can be put away."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

from doe.bench.reading_study import Key, measures
from doe.report.pdf import PaperSize, Sheet
from doe.saving import make_folder, write_bytes
from doe.study.model import Study
from doe.units import printed_unit

ROW_MM: Final = 14.0
"""Height of one reading. [mm]"""
ROUNDS: Final = {"1": "first time", "2": "second time"}
"""How a round is called."""
HOW: Final = (
    "Read the sections in this order. Set scale or microscope anew for each.",
    "Do not look at an earlier page. Write ? where a section cannot be read.",
)
"""What stands on every page."""


def reading_sheet(study: Study, rows: Sequence[Key], *, size: PaperSize = "A4") -> bytes:
    """Make the sheet.

    Parameters
    ----------
    study : Study
    rows : sequence of (section, reader, round)
        In the order to read in.
    size : {"A4", "Letter"}

    Returns
    -------
    bytes
        A PDF, one page a reader and round; the same study gives the same bytes.
    """
    foot = f"study {study.fingerprint}   {len(rows)} readings"
    sheet = Sheet(f"Reading study: {study.title}", foot=foot, size=size)
    for reader, round_ in dict.fromkeys((reader, round_) for _, reader, round_ in rows):
        sheet.add_page()
        sheet.text_line(f"Reader {reader}, {ROUNDS[round_]}", size=14, bold=True)
        sheet.ln(2)
        y = sheet.get_y() + 4
        x = sheet.blank(sheet.l_margin, y, label="name", width=50)
        sheet.blank(x, y, label="date", width=30)
        sheet.set_y(y + 6)
        for line in HOW:
            sheet.text_line(line, size=9)
        sheet.ln(4)
        for number, (section, who, when) in enumerate(rows, start=1):
            if (who, when) == (reader, round_):
                _row(sheet, study, number, section)
    return bytes(sheet.output())


def _row(sheet: Sheet, study: Study, number: int, section: str) -> None:
    """Print one reading: its number, the section large, a blank a measure."""
    if sheet.room_left() < ROW_MM:
        sheet.add_page()
    top = sheet.get_y()
    sheet.rect(sheet.l_margin, top, sheet.epw, ROW_MM - 1)
    sheet.text_at(sheet.l_margin + 3, top + 8.5, f"{number}", size=9)
    sheet.text_at(sheet.l_margin + 14, top + 9, section, size=18, bold=True)
    x = sheet.l_margin + 40
    for response in measures(study):
        if x > sheet.w - sheet.r_margin - 50:
            break
        x = sheet.blank(x, top + 8.5, label=response.name, width=26, unit=printed_unit(response.unit), size=10)
    sheet.set_y(top + ROW_MM)


def write_reading_sheet(study: Study, rows: Sequence[Key]) -> list[Path]:
    """Write the sheet as PDF, A4, or Letter where the study is in customary units.

    Raises
    ------
    CannotWriteError
        If it cannot be written.
    """
    folder = study.folder / "report"
    make_folder(folder, within=study.folder)
    path = folder / "reading-sheet.pdf"
    write_bytes(path, reading_sheet(study, rows, size="Letter" if study.units == "us" else "A4"), within=study.folder)
    return [path]
