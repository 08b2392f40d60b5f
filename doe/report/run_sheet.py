"""The run sheet: the plan as paper to write on beside the machine."""

from __future__ import annotations

from typing import Final

from doe.planning.feasibility import plan_loads
from doe.planning.plan import Plan, PlannedWeld
from doe.report import cautions
from doe.report.formatting import printed_unit, setting, setting_value
from doe.report.labels import add_chalk_card, add_labels, plates_in_order
from doe.report.pdf import PaperSize, Sheet
from doe.study.model import Factor, Response, Study

ROW_MM: Final = 31.0
"""Height of one weld's row. [mm]"""

PICTURE_MM: Final = 26.0
"""Width of a plate's picture. [mm]"""


def run_sheet(plan: Plan, *, size: PaperSize = "A4") -> bytes:
    """Make the run sheet.

    Parameters
    ----------
    plan : Plan
    size : {"A4", "Letter"}

    Returns
    -------
    bytes
        A PDF: one block a plate in the order of welding, with the marks to set and blanks for every reading; then the
        chalk card, and labels to cut out.
    """
    study = plan.study
    sheet = Sheet(
        f"Run sheet: {study.title}",
        foot=f"study {study.fingerprint}   seed {plan.seed}   stage {plan.stage}   {len(plan.welds)} welds",
        size=size,
    )
    sheet.add_page()
    _front(sheet, study)
    plates = plates_in_order(plan)
    watched = {load.weld for load in plan_loads(plan) if load.note}
    for number, welds in enumerate(plates, start=1):
        _plate(sheet, study, welds, place=f"plate {number} of {len(plates)}", watched=watched)
    add_chalk_card(sheet, plan)
    add_labels(sheet, plan)
    return bytes(sheet.output())


def _front(sheet: Sheet, study: Study) -> None:
    """Print what is held, what to check and what to beware of."""
    job = [study.job.joint, study.job.material, study.job.wire]
    if study.job.thickness_mm:
        job.insert(1, f"{study.job.thickness_mm:g} mm thick")
    sheet.text_line(", ".join(part for part in job if part) or study.title, size=10)
    sheet.ln(1)
    y = sheet.get_y() + 4
    x = sheet.l_margin
    for label, width in (("date", 24), ("welder", 30), ("outlet", 20), ("cord", 26), ("spool", 18)):
        x = sheet.blank(x, y, label=label, width=width)
    sheet.set_y(y + 4)
    _ticks(sheet, "Before the first arc", cautions.BEFORE_THE_ARC)
    _ticks(sheet, "At every weld", cautions.BETWEEN_WELDS)
    for line in how_to_run(study):
        sheet.text_line(f"• {line}", size=8)
    sheet.ln(1)
    sheet.text_line("Take care", size=9, bold=True)
    for line in (*cautions.ARC, *cautions.SUPPLY, *cautions.SECTION, *cautions.SCOPE):
        sheet.text_line(f"• {line}", size=7)
    sheet.ln(2)


def how_to_run(study: Study) -> tuple[str, ...]:
    """Say in sentences what a weld of this study needs: rest, arc time, lengths looked at."""
    lines = []
    if study.plan.welds_per_plate > 1 and study.plan.later_welds == "cooled":
        lines.append(
            "Before each weld let the plate come back to its set temperature, measured about 75 mm from the joint; "
            "write it down."
        )
    elif study.plan.welds_per_plate > 1:
        lines.append("Later welds start on the warm plate: write the plate temperature down before every arc.")
    for response in study.responses:
        if response.kind == "trip" and response.hold_s:
            lines.append(
                f"Hold the arc for {2 * response.hold_s:g} s where you can (twice the {response.hold_s:g} s asked; run "
                "off onto a scrap piece), and write the arc time down, tripped or not. Let the breaker cool in between."
            )
        if response.kind == "count":
            lines.append(
                f"Count {response.name} over the steady part, not the first and last 20 mm; write down how many "
                "millimetres you looked at. More length tells more. What is something else (a wormhole, slag, spatter "
                "beside round pores) goes under notes."
            )
        if response.kind == "measure":
            lines.append(
                f"Measure {response.name} on a section at mid-run. A tripped weld has a steady part too: measure it."
            )
    return tuple(lines)


def _ticks(sheet: Sheet, title: str, lines: tuple[str, ...]) -> None:
    """Print a title and tick boxes, wrapped over the width."""
    sheet.text_line(title, size=9, bold=True)
    x, y = sheet.l_margin, sheet.get_y() + 4
    for line in lines:
        sheet.set_font("house", "", 8)
        if x + sheet.get_string_width(line) + 8 > sheet.w - sheet.r_margin:
            x, y = sheet.l_margin, y + 5
        x = sheet.tick_box(x, y, label=line)
    sheet.set_y(y + 3)


def _plate(sheet: Sheet, study: Study, welds: list[PlannedWeld], *, place: str, watched: set[str]) -> None:
    """Print one plate: its picture, what holds for all of it, one row a weld."""
    height = 9 + ROW_MM * len(welds)
    if sheet.room_left() < min(height, 9 + 2 * ROW_MM):
        sheet.add_page()
    top = sheet.get_y()
    sheet.rect(sheet.l_margin, top, sheet.epw, 7.5, style="D")
    held = [
        f"{factor.name} {setting(factor, welds[0].settings[j], study.units)}"
        for j, factor in enumerate(study.factors)
        if factor.hard_to_change
    ]
    heading = "   ".join([f"{welds[0].plate}", *held, *([f"{welds[0].block}"] if welds[0].block else [])])
    sheet.fitted(sheet.l_margin + 2, top + 5.4, heading, width=sheet.epw - 34, size=13)
    sheet.text_at(sheet.w - sheet.r_margin - 28, top + 5, place, size=8)
    sheet.set_y(top + 8)
    for weld in welds:
        if sheet.room_left() < ROW_MM:
            sheet.add_page()
        _weld(sheet, study, weld, beads=len(welds))
        if weld.weld in watched:
            _watch(sheet)
    sheet.ln(2)


def _watch(sheet: Sheet) -> None:
    """Print, in the row just drawn, that this weld loads the supply most."""
    text = "loads the supply most: watch the breaker"
    sheet.set_font("house", "B", 7)
    sheet.text_at(
        sheet.w - sheet.r_margin - sheet.get_string_width(text) - 2,
        sheet.get_y() - ROW_MM + 4.6,
        text,
        size=7,
        bold=True,
    )


def _weld(sheet: Sheet, study: Study, weld: PlannedWeld, *, beads: int) -> None:
    """Print one weld: order, place, marks large, blanks."""
    left, top = sheet.l_margin, sheet.get_y()
    sheet.rect(left, top, sheet.epw, ROW_MM - 1)
    sheet.text_at(left + 2, top + 9, f"{weld.order}", size=22, bold=True)
    sheet.text_at(left + 2, top + 14, f"{weld.weld}", size=10, bold=True)
    sheet.text_at(left + 2, top + 18, f"position {weld.position}" if beads > 1 else "", size=7)
    _picture(sheet, left + 1.5, top + 20, weld.position, beads)
    x = left + PICTURE_MM
    free = [(j, factor) for j, factor in enumerate(study.factors) if not factor.hard_to_change]
    width = (sheet.epw - PICTURE_MM) / max(len(free), 1)
    for j, factor in free:
        _mark(sheet, x, top, factor, weld.settings[j], width=width, study=study)
        x += width
    _blanks(sheet, study, top)
    sheet.set_y(top + ROW_MM - 1)


def _mark(  # noqa: PLR0913 - a drawing call: where, what, how wide
    sheet: Sheet, x: float, top: float, factor: Factor, value: float, *, width: float, study: Study
) -> None:
    """Print what the dial is to show, large, with the value small beside it."""
    large, small = large_and_small(factor, value, study)
    sheet.text_at(x, top + 3.6, factor.name, size=7)
    sheet.fitted(x, top + 11.5, large, width=width - 4, size=20)
    if small:
        sheet.set_font("house", "B", 20)
        behind = x + min(sheet.get_string_width(large), width - 4) + 1.5
        sheet.text_at(behind, top + 11.5, small, size=8)


def large_and_small(factor: Factor, value: float, study: Study) -> tuple[str, str]:
    """Give what a dial is to show (its mark, or else the value), and the value behind a calibrated mark ("" if none).

    Examples
    --------
    >>> dial = Factor("voltage", "voltage", "V", (17.0, 18.4), ("1", "2"))
    >>> large_and_small(dial, 18.4, Study("Lugs", (dial,), ()))
    ('2', '18.4 V')
    """
    mark = factor.mark_at(value)
    if mark is None:
        return setting(factor, value, study.units), ""
    has_value = factor.calibrated and factor.unit not in {"", "mark"}
    return mark, setting_value(factor, value, study.units) if has_value else ""


def _picture(sheet: Sheet, x: float, y: float, position: int, beads: int) -> None:
    """Draw the plate with its beads; this weld's bead is filled."""
    if beads < 2:
        return
    width, height = 20.0, 8.5
    sheet.rect(x, y, width, height)
    for bead in range(1, beads + 1):
        middle = y + height * bead / (beads + 1)
        thick = 1.4 if bead == position else 0.7
        sheet.rect(x + 2, middle - thick / 2, width - 4, thick, style="F" if bead == position else "D")


def _blanks(sheet: Sheet, study: Study, top: float) -> None:
    """Print the blanks of one weld, wrapped over three lines; what belongs together stays on one line."""
    start, right = sheet.l_margin + PICTURE_MM, sheet.w - sheet.r_margin
    x, y = start, top + 17
    for group in blanks(study):
        if x > start and x + _width(sheet, group) > right:
            x, y = start, y + 5.6
        for label, width, unit in group:
            x = sheet.blank(x, y, label=label, width=width, unit=unit) if width else sheet.tick_box(x, y, label=label)


Blank = tuple[str, float, str]
"""Label, width of the line to write on (0: a tick box), unit."""


def _width(sheet: Sheet, group: tuple[Blank, ...]) -> float:
    """Give the room a group takes. [mm]."""
    sheet.set_font("house", "", 8)
    texts = sum(sheet.get_string_width(label) + sheet.get_string_width(unit) for label, _, unit in group)
    return float(texts + sum(width or 3.2 for _, width, _ in group) + 4.8 * len(group) - 3)


def blanks(study: Study) -> list[tuple[Blank, ...]]:
    """Give every blank of a weld, in groups that stay together."""
    temperature = "°F" if study.units == "us" else "°C"
    groups: list[tuple[Blank, ...]] = [(("done", 0, ""), ("aborted", 0, ""), ("scrapped", 0, ""))]
    groups += [_response_blanks(response) for response in study.responses]
    groups.append((("plate", 12, temperature), ("rest", 9, "min")))
    groups.append((("stick-out", 9, "in" if study.units == "us" else "mm"),))
    if any(response.kind == "trip" for response in study.responses):
        groups.append((("line", 9, "A"), ("", 9, "V")))
    return [*groups, (("note", 28, ""),)]


def _response_blanks(response: Response) -> tuple[Blank, ...]:
    """Give the blanks of one response."""
    name = response.name
    if response.kind == "measure":
        return ((name, 14, printed_unit(response.unit)),)
    if response.kind == "count":
        return ((name, 9, ""), ("in", 11, "mm"))
    if response.kind == "trip":
        return ((f"{name}: yes", 0, ""), ("no", 0, ""), ("arc", 11, "s"))
    return ((f"{name}: yes", 0, ""), ("no", 0, ""))
