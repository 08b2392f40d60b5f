"""The setting card that hangs on the machine: A6, black and white."""

from __future__ import annotations

from typing import Final

from doe.bench.results import Results
from doe.report import answering
from doe.report.contents import job_line
from doe.report.pdf import PaperSize, Sheet
from doe.report.settings import DialRow, dial_rows
from doe.window.window import Window

DIALS_MM: Final = 60.0
"""Room for all dials together. [mm]"""

SHORT_STAMP: Final = 18
"""Letters of a stamp that leaves room for a date beside it."""

STOP_SIGNS: Final = (
    "Stop when the wire stubs, the arc burns back, or the supply trips. After a trip: let it cool, reset once; "
    "if it trips again, stop using this setting."
)


def setting_card(window: Window, results: Results, *, size: PaperSize = "A6") -> bytes:
    """Make the setting card.

    Parameters
    ----------
    window : Window
    results : Results
        Where the conditions of the test are taken from.
    size : {"A6", "index card"}

    Returns
    -------
    bytes
        A PDF of one page. Where nothing can be claimed the card says so instead of naming a setting.
    """
    study = window.study
    card = Sheet(study.title, foot=f"study {study.fingerprint}, {window.n_welds} welds", size=size, margin_mm=6)
    card.set_auto_page_break(False)
    card.add_page()
    card.text_line(job_line(study), size=7)
    card.ln(1)
    rows = dial_rows(window)
    if not rows:
        card.text_line(f"{answering.heading(window)}.", size=13, bold=True)
        for line in answering.report_lines(window)[:2]:
            card.text_line(line, size=7.5)
    for row in rows:
        wander = row.wander if row.wander.startswith("±") else ""
        values = " ".join(part for part in (row.values, wander) if part)
        _dial(card, row, values, height=min(14.5, DIALS_MM / len(rows)))
    if rows:
        card.ln(1)
        card.text_line(answering.sentence(window), size=8.5, bold=True)
        for line in answering.side_lines(window):
            card.text_line(f"• {line}", size=6.5)
    card.text_line(STOP_SIGNS, size=6.5)
    for line in (*conditions_tested(results), *answering.recheck_lines(window)):
        card.text_line(line, size=6.5)
    _foot(card, confirmed=answering.stamp(window))
    return bytes(card.output())


def _dial(card: Sheet, row: DialRow, values: str, *, height: float) -> None:
    """Print one dial: its name small, what it is to show large."""
    top, left, width = card.get_y(), card.l_margin, card.epw
    middle = left + width * 0.34
    card.rect(left, top, width, height)
    card.text_at(left + 1.5, top + height * 0.28, row.name, size=min(8, height * 0.6))
    card.text_at(left + 1.5, top + height * 0.87, f"best {row.best}", size=min(7, height * 0.55))
    card.fitted(middle, top + height * 0.6, row.marks, width=width * 0.64, size=height * 1.3)
    card.text_at(middle, top + height * 0.89, values, size=min(7, height * 0.55))
    card.set_y(top + height + 1)


def conditions_tested(results: Results) -> tuple[str, ...]:
    """Name the outlets, cords and places of the test, as far as they were written down."""
    lines = []
    for heading in ("outlet", "cord", "place", "spool"):
        known = sorted({text for text in results.remarks.get(heading, ()) if text})
        if known:
            lines.append(f"{heading} tested: {', '.join(known)}")
    return tuple(lines)


def _foot(card: Sheet, *, confirmed: str) -> None:
    """Print the stamp and the lines to sign on; a long stamp is smaller, and leaves the date out where it has one."""
    y, is_long = card.h - 15, len(confirmed) > SHORT_STAMP
    x = card.l_margin + (72 if is_long else 44)
    if confirmed:
        size = 7 if is_long else 9
        card.set_font("house", "B", size)
        card.rect(card.l_margin, y - 5, card.get_string_width(confirmed) + 4, 7)
        card.text_at(card.l_margin + 2, y - (0.5 if is_long else 0), confirmed, size=size, bold=True)
    if not is_long:
        x = card.blank(x, y, label="date", width=17, size=7)
    card.blank(x, y, label="initials", width=10, size=7)
