"""The setting card that hangs on the machine: A6, black and white."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

from doe.bench.results import Results
from doe.report import answering
from doe.report.answering import conditions_tested
from doe.report.contents import job_line
from doe.report.pdf import PaperSize, Sheet
from doe.report.settings import DialRow, dial_rows
from doe.window.cool_down import cool_down_sentence, first_answer
from doe.window.window import Window
from doe.window.words import POSITIONS, box_words

DIALS_MM: Final = 60.0
"""Room for all dials together. [mm]"""

FOOT_MM: Final = 27.0
"""Room for the stamp, the lines to sign on and the footer. [mm]"""

LARGEST_PT, SMALLEST_PT = 8.0, 5.0
"""Sizes of the text below the dials: as large as there is room for."""

STOP_SIGNS: Final = "Stop when the wire stubs, the arc burns back, or the supply trips."
AFTER_A_TRIP: Final = "After a trip: let it cool, reset once; if it trips again, stop using this setting."


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
        card.ln(1)
    for row in rows:
        wander = row.wander if row.wander.startswith("±") else ""
        values = " ".join(part for part in (row.values, wander) if part)
        _dial(card, row, values, height=min(14.5, DIALS_MM / len(rows)))
    if rows:
        card.ln(1)
        card.text_line(answering.sentence(window), size=8.5, bold=True)
    _lines(card, _words(window, results, is_claimed=bool(rows)))
    _foot(card, confirmed=answering.stamp(window))
    return bytes(card.output())


def _words(window: Window, results: Results, *, is_claimed: bool) -> Iterator[tuple[str, bool]]:
    """Give what stands below the dials, and whether it is bold: what good means, the sides, stop signs, conditions."""
    if is_claimed:
        yield from ((line, False) for line in whom_lines(window))
        yield from ((line, False) for line in answering.requirement_lines(window))
        yield from ((f"• {line}", False) for line in answering.side_lines(window))
    else:
        yield from ((line, False) for line in answering.report_lines(window)[:3])
        yield from ((line, False) for line in _first_welds_lines(window))
    yield STOP_SIGNS, True
    yield AFTER_A_TRIP, False
    yield from ((line, False) for line in (*conditions_tested(results), *answering.recheck_lines(window)))
    if is_claimed or first_answer(window) is not None:
        yield assumed_line(window), False


def whom_lines(window: Window) -> tuple[str, ...]:
    """Say for which welds of a plate the window is, and by which rule; nothing where a plate carries one weld."""
    if len(window.answers) > 1:
        whom = POSITIONS[window.answer.position]
        return (f"This window is for {whom}.", *_first_welds_lines(window))
    if not window.cool_plate:
        return ()
    return (f"For first and later welds alike: wait before each later one until the plate is {window.cool_plate}.",)


def _first_welds_lines(window: Window) -> tuple[str, ...]:
    """Name what is claimed for first welds alone, and the rule by which it serves every weld; it is never confirmed."""
    first = first_answer(window)
    if first is None or first.box is None:
        return ()
    only = f"For first welds alone (not confirmed): {box_words(window.study, first.box)}."
    return (f"{only} {cool_down_sentence(window)}".rstrip(),)


def assumed_line(window: Window) -> str:
    """Name in few words what was assumed, and say where all of it stands."""
    if not window.assumed:
        return "What was assumed is in the report."
    return f"Assumed: {'; '.join(window.assumed)}; all of it is in the report."


def _lines(card: Sheet, words: Iterable[tuple[str, bool]]) -> None:
    """Print paragraphs as large as the room above the foot allows."""
    told = tuple(words)
    room = card.h - FOOT_MM - card.get_y()
    size = LARGEST_PT
    while size > SMALLEST_PT and sum(card.height_of(text, size=size, bold=bold) for text, bold in told) > room:
        size -= 0.25
    for text, bold in told:
        card.text_line(text, size=size, bold=bold)


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


def _foot(card: Sheet, *, confirmed: str) -> None:
    """Print the stamp, and below it the lines to sign on."""
    y = card.h - 20
    if confirmed:
        card.set_font("house", "B", 9)
        width = min(card.get_string_width(confirmed) + 4, card.epw)
        card.rect(card.l_margin, y - 5, width, 7)
        card.fitted(card.l_margin + 2, y, confirmed, width=width - 4, size=9)
    x = card.blank(card.l_margin, y + 7, label="date", width=28, size=7)
    card.blank(x, y + 7, label="initials", width=16, size=7)
