"""The setting card that hangs on the machine: A6, black and white."""

from __future__ import annotations

from doe.bench.results import Results
from doe.report import answering
from doe.report.contents import NOT_CONFIRMED, job_line
from doe.report.pdf import PaperSize, Sheet
from doe.report.settings import dial_rows
from doe.window.window import Window

STOP_SIGNS = (
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
        card.text_line("No setting can be claimed yet.", size=13, bold=True)
        for line in answering.report_lines(window)[:2]:
            card.text_line(line, size=7.5)
    for row in rows:
        _dial(card, row.name, row.marks, " ".join(part for part in (row.values, row.wander) if part), row.best)
    if rows:
        card.ln(1)
        card.text_line(answering.sentence(window), size=8.5, bold=True)
        for line in answering.side_lines(window):
            card.text_line(f"• {line}", size=6.5)
    card.text_line(STOP_SIGNS, size=6.5)
    for line in conditions_tested(results):
        card.text_line(line, size=6.5)
    _foot(card, confirmed=NOT_CONFIRMED if rows else "")
    return bytes(card.output())


def _dial(card: Sheet, name: str, marks: str, values: str, best: str) -> None:
    """Print one dial: its name small, what it is to show large."""
    top, width = card.get_y(), card.epw
    card.rect(card.l_margin, top, width, 14.5)
    card.text_at(card.l_margin + 1.5, top + 4, name, size=8)
    card.text_at(card.l_margin + 1.5, top + 12.6, f"best {best}", size=7)
    card.fitted(card.l_margin + width * 0.34, top + 8.6, marks, width=width * 0.64, size=19)
    card.text_at(card.l_margin + width * 0.34, top + 12.9, values, size=7)
    card.set_y(top + 15.5)


def conditions_tested(results: Results) -> tuple[str, ...]:
    """Name the outlets, cords and places of the test, as far as they were written down."""
    lines = []
    for heading in ("outlet", "cord", "place", "spool"):
        known = sorted({text for text in results.remarks.get(heading, ()) if text})
        if known:
            lines.append(f"{heading} tested: {', '.join(known)}")
    return tuple(lines)


def _foot(card: Sheet, *, confirmed: str) -> None:
    """Print the stamp and the lines to sign on."""
    y = card.h - 13
    if confirmed:
        card.set_font("house", "B", 9)
        wide = card.get_string_width(confirmed) + 4
        card.rect(card.l_margin, y - 5, wide, 7)
        card.text_at(card.l_margin + 2, y, confirmed, size=9, bold=True)
    x = card.blank(card.l_margin + 44, y, label="date", width=17, size=7)
    card.blank(x, y, label="initials", width=10, size=7)
