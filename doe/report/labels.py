"""What is cut out and carried: labels for plates and sections, and the chalk card."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Final

from doe.planning.plan import Plan, PlannedWeld, without_second
from doe.report.formatting import setting_value
from doe.report.pdf import Sheet
from doe.study.model import Factor, Study

LABEL_MM: Final = (46.0, 21.0)
"""Width and height of a label. [mm]"""

CHALK_ROW_MM: Final = (8.0, 10.5)
"""Least and most height of one weld on the chalk card, with figures to be read at a metre. [mm]"""

HEAD_MM: Final = (4.0, 10.0)
"""Height of the chalk card's headings: short ones, and where one must be wrapped. [mm]"""

MOST_NEED_MM: Final = 90.0
"""The width up to which a dial's words ask for more room. [mm]. Our choice."""

MOST_WORD_MM: Final = 16.0
"""The width up to which a word of a heading stays whole. [mm]. Our choice."""

PLACES: Final = (("order", 16.0), ("weld", 23.0), ("plate", 23.0), ("position", 15.0))
"""The first columns of the chalk card and their widths. [mm]"""


def add_labels(sheet: Sheet, plan: Plan) -> None:
    """Add pages of labels: one a plate, one a weld.

    A label shows no setting, so that whoever measures the section does not know what it was welded at.

    Parameters
    ----------
    sheet : Sheet
        The paper to add to.
    plan : Plan
    """
    width, height = LABEL_MM
    columns = int(sheet.epw // width)
    placed: Iterator[int] = itertools.cycle(range(columns))
    top = 0.0
    for number, (large, small) in enumerate(label_texts(plan)):
        column = next(placed)
        if column == 0:
            top = _next_row(sheet, is_first=number == 0, top=top)
        x = sheet.l_margin + column * width
        sheet.set_dash_pattern(dash=1.5, gap=1.5)
        sheet.rect(x, top, width, height)
        sheet.set_dash_pattern()
        sheet.fitted(x + 3, top + 10.5, large, width=width - 6, size=26)
        sheet.fitted(x + 3, top + 15.2, small, width=width - 6, size=9)
        foot = f"{plan.study.fingerprint}  {plan.study.title}"
        sheet.text_at(x + 3, top + 18.9, _shortened(sheet, foot, width=width - 6, size=6), size=6)
    sheet.set_y(top + height)


def label_texts(plan: Plan) -> list[tuple[str, str]]:
    """Give what stands on each label: plates first, then welds that are cut, each in the order of welding.

    Returns
    -------
    list of (str, str)
        What is printed large, and what is printed below it.
    """
    welds = sorted(plan.welds, key=lambda weld: weld.order)
    n_welds = {plate: [w.weld for w in welds if w.plate == plate] for plate in dict.fromkeys(w.plate for w in welds)}
    plates = [(plate, f"plate: {', '.join(on_it)}") for plate, on_it in n_welds.items()]
    cut = without_second(welds)
    return plates + [(weld.weld, f"plate {weld.plate}, position {weld.position}") for weld in cut]


def add_chalk_card(sheet: Sheet, plan: Plan) -> None:
    """Add the chalk card: every weld in its order, in figures to be read at a metre, to copy onto the steel.

    Parameters
    ----------
    sheet : Sheet
    plan : Plan
    """
    plates = plates_in_order(plan)
    _chalk_head(sheet, plan)
    row = min(CHALK_ROW_MM[1], max(CHALK_ROW_MM[0], sheet.room_left() / len(plan.welds)))
    for welds in plates:
        if sheet.room_left() < min(row * len(welds), 5 * row) - 0.01:
            _chalk_head(sheet, plan)
        for weld in welds:
            if sheet.room_left() < row - 0.01:
                _chalk_head(sheet, plan)
            _chalk_row(sheet, plan, weld, height=row, is_new_plate=weld is welds[0])


def plates_in_order(plan: Plan) -> list[list[PlannedWeld]]:
    """Give the welds of each plate, plates in the order in which they are welded."""
    welds = sorted(plan.welds, key=lambda weld: weld.order)
    return [list(group) for _, group in itertools.groupby(welds, key=lambda weld: weld.plate)]


def _next_row(sheet: Sheet, *, is_first: bool, top: float) -> float:
    """Go to the next row of labels, on a new page where this one is full."""
    height = LABEL_MM[1]
    if not is_first and top + 2 * height <= sheet.h - sheet.b_margin:
        return top + height
    sheet.add_page()
    sheet.text_line("Labels to cut out: tie or tape one to each plate, and to each weld's section.", size=9, bold=True)
    sheet.text_line("They show no setting: whoever measures should not know it.", size=8)
    sheet.ln(2)
    return float(sheet.get_y())


def _chalk_head(sheet: Sheet, plan: Plan) -> None:
    """Begin a page of the card with its title and its columns."""
    sheet.add_page()
    sheet.text_line("Chalk card: copy weld and plate onto the steel; tick what is made", size=9, bold=True)
    columns = _columns(sheet, plan)
    sheet.set_font("house", "B", 8)
    is_long = any(sheet.get_string_width(label) > width - 2 for label, width in columns)
    height = HEAD_MM[is_long]
    y, x = sheet.get_y() + height, sheet.l_margin
    for label, width in columns:
        sheet.boxed(x + 1, y, label, width=width - 2, height=height, size=8)
        x += width
    sheet.set_y(y + 1.5)


def _chalk_row(sheet: Sheet, plan: Plan, weld: PlannedWeld, *, height: float, is_new_plate: bool) -> None:
    """Print one weld; a heavy line where the plate changes."""
    top = sheet.get_y()
    sheet.set_line_width(0.9 if is_new_plate else 0.2)
    sheet.line(sheet.l_margin, top, sheet.w - sheet.r_margin, top)
    sheet.set_line_width(0.25)
    cells = [str(weld.order), weld.weld, weld.plate, str(weld.position), *chalk_settings(plan.study, weld)]
    x = sheet.l_margin
    for text, (_, width) in zip(cells, _columns(sheet, plan), strict=False):
        sheet.boxed(x + 1, top + height - 1.8, text, width=width - 3, height=height - 1.4, size=19)
        x += width
    side = 5.5
    sheet.rect(sheet.w - sheet.r_margin - side - 1, top + (height - side) / 2, side, side)
    sheet.set_y(top + height)


def chalk_settings(study: Study, weld: PlannedWeld) -> list[str]:
    """Give what each dial is to show: its mark where it has one, else the value; the unit stands at the head."""
    return [_mark(factor, value)[0] for factor, value in zip(study.factors, weld.settings, strict=True)]


def _mark(factor: Factor, value: float) -> tuple[str, str]:
    """Give mark, kind or number, and the number's unit."""
    mark = factor.mark_at(value)
    if mark is not None or factor.is_kind:
        return mark or factor.kinds[round(value)], ""
    number, _, unit = setting_value(factor, value).partition(" ")
    return number, unit


def _columns(sheet: Sheet, plan: Plan) -> list[tuple[str, float]]:
    """Give the columns of the chalk card: heading and width. [mm].

    Each dial has the room of the longest word of its heading; what is left is shared by how much each has to show.
    """
    made = 12.0
    headings = [_dial_heading(factor) for factor in plan.study.factors]
    cells = zip(*(chalk_settings(plan.study, weld) for weld in plan.welds), strict=True)
    sheet.set_font("house", "B", 7)
    words = [max(sheet.get_string_width(word) for word in heading.split()) for heading in headings]
    least = [min(MOST_WORD_MM, word) + 2.5 for word in words]
    sheet.set_font("house", "B", 19)
    needs = [min(MOST_NEED_MM, max(sheet.get_string_width(text) for text in column)) for column in cells]
    left = sheet.epw - sum(width for _, width in PLACES) - made - sum(least)
    widths = [width + left * need / sum(needs) for width, need in zip(least, needs, strict=True)]
    return [*PLACES, *zip(headings, widths, strict=True), ("made", made)]


def _dial_heading(factor: Factor) -> str:
    unit = "" if factor.is_kind or factor.marks else _mark(factor, factor.low)[1]
    return f"{factor.name} [{unit}]" if unit else factor.name


def _shortened(sheet: Sheet, text: str, *, width: float, size: float) -> str:
    """Cut a text to a width; it is printed in full elsewhere."""
    sheet.set_font("house", "", size)
    if sheet.get_string_width(text) <= width:
        return text
    while text and sheet.get_string_width(text + "…") > width:
        text = text[:-1]
    return text + "…"
