"""One weld on the run sheet: its place, its marks large, blanks for every reading; as high as it needs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from doe.planning.plan import SECOND, PlannedWeld
from doe.report.formatting import setting, setting_value, shown_unit
from doe.report.pdf import Sheet
from doe.study.model import Factor, Response, Study
from doe.study.trips import is_breaker
from doe.units import printed_unit

PICTURE_MM: Final = 26.0
"""Width of a plate's picture. [mm]"""
MOST_DIALS: Final = 4
"""Dials side by side; more of them take a second line."""
NAME_MM: Final = (3.4, 6.2)
"""Height of the dials' names on one line, and on two. [mm]"""
MARK_MM: Final = 8.6
"""Height of what a dial is to show. [mm]"""
BLANK_MM: Final = 5.6
"""Height of a line of blanks. [mm]"""
LEAST_MM: Final = 30.0
"""Least height of a row: the plate's picture stands in it. [mm]"""

Blank = tuple[str, float, str]
"""Label, width of the line to write on (0: a tick box), unit."""


@dataclass(frozen=True)
class _Layout:
    """How every row of a study is laid out: dials a line, lines of dials, height of their names, lines of blanks."""

    columns: int
    dial_lines: int
    name_mm: float
    blank_lines: tuple[tuple[tuple[Blank, ...], ...], ...]

    @property
    def dials_mm(self) -> float:
        """Height of all dials."""
        return self.dial_lines * (self.name_mm + MARK_MM)

    def height(self, *, is_watched: bool) -> float:
        """Height of a row with its frame."""
        blanks_mm = BLANK_MM * (len(self.blank_lines) + is_watched)
        return max(LEAST_MM, self.dials_mm + blanks_mm + 1.2)


def row_mm(sheet: Sheet, study: Study, *, is_watched: bool = False, is_second: bool = False) -> float:
    """Give the height a weld of a study, or a second bead, takes on a sheet. [mm]."""
    return _layout(sheet, study, is_second=is_second).height(is_watched=is_watched) + 1


def add_weld(sheet: Sheet, study: Study, weld: PlannedWeld, *, beads: int, watch: str = "") -> None:
    """Print one weld: order, place, marks large, blanks.

    Parameters
    ----------
    sheet : Sheet
    study : Study
    weld : PlannedWeld
    beads : int
        Welds on its plate.
    watch : str
        What to watch at this weld; empty for nothing.
    """
    left, top = sheet.l_margin, sheet.get_y()
    layout = _layout(sheet, study, is_second=weld.role == SECOND)
    height = layout.height(is_watched=bool(watch))
    sheet.rect(left, top, sheet.epw, height)
    sheet.text_at(left + 2, top + 9, f"{weld.order}", size=22, bold=True)
    sheet.fitted(left + 2, top + 14, f"{weld.weld}", width=PICTURE_MM - 4, size=10)
    sheet.text_at(left + 2, top + 18, f"position {weld.position}" if beads > 1 else "", size=7)
    _picture(sheet, left + 1.5, top + 20, weld.position, beads)
    _dials(sheet, study, weld, layout=layout)
    y = top + layout.dials_mm + BLANK_MM - 0.6
    if watch:
        sheet.text_at(left + PICTURE_MM, y, watch, size=8, bold=True)
    _blanks(sheet, layout, y + BLANK_MM * bool(watch))
    sheet.set_y(top + height)


def _layout(sheet: Sheet, study: Study, *, is_second: bool) -> _Layout:
    """Work out the layout, the same for every weld of a study, and for every second bead."""
    dials = _dials_of(study)
    dial_lines = max(1, -(-len(dials) // MOST_DIALS))
    columns = max(1, -(-len(dials) // dial_lines))
    sheet.set_font("house", "", 7)
    width = (sheet.epw - PICTURE_MM) / columns - 4
    is_long = any(sheet.get_string_width(factor.name) > width for _, factor in dials)
    lines: list[list[tuple[Blank, ...]]] = [[]]
    used = 0.0
    for group in blanks(study, is_second=is_second):
        needed = _width(sheet, group)
        if lines[-1] and used + needed > sheet.epw - PICTURE_MM:
            lines.append([])
            used = 0.0
        lines[-1].append(group)
        used += needed + 3
    return _Layout(columns, dial_lines, NAME_MM[is_long], tuple(tuple(line) for line in lines))


def _dials_of(study: Study) -> list[tuple[int, Factor]]:
    """Give the dials that are set for every weld; the others stand over the plate."""
    return [(j, factor) for j, factor in enumerate(study.factors) if not factor.hard_to_change]


def _dials(sheet: Sheet, study: Study, weld: PlannedWeld, *, layout: _Layout) -> None:
    """Print what each dial is to show, in one line or more."""
    left, top = sheet.l_margin + PICTURE_MM, sheet.get_y()
    width = (sheet.epw - PICTURE_MM) / layout.columns
    for place, (j, factor) in enumerate(_dials_of(study)):
        line, column = divmod(place, layout.columns)
        x, y = left + column * width, top + line * (layout.name_mm + MARK_MM) + layout.name_mm
        sheet.boxed(x, y + 0.3, factor.name, width=width - 4, height=layout.name_mm, size=7, bold=False)
        large, small = large_and_small(factor, weld.settings[j])
        sheet.set_font("house", "B", 8)
        beside = sheet.get_string_width(small) + 1.5 if small else 0.0
        sheet.boxed(x, y + MARK_MM - 1, large, width=width - 4 - beside, height=MARK_MM, size=20)
        if small:
            sheet.set_font("house", "B", 20)
            behind = x + min(sheet.get_string_width(large), width - 4 - beside) + 1.5
            sheet.text_at(behind, y + MARK_MM - 1, small, size=8)


def large_and_small(factor: Factor, value: float) -> tuple[str, str]:
    """Give what a dial is to show (its mark, or else the value), and the value behind a calibrated mark ("" if none).

    Examples
    --------
    >>> dial = Factor("voltage", "voltage", "V", (17.0, 18.4), ("1", "2"))
    >>> large_and_small(dial, 18.4)
    ('2', '18.4 V')
    """
    mark = factor.mark_at(value)
    if mark is None:
        return setting(factor, value), ""
    has_value = factor.calibrated and factor.unit not in {"", "mark"}
    return mark, setting_value(factor, value) if has_value else ""


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


def _blanks(sheet: Sheet, layout: _Layout, y: float) -> None:
    """Print the blanks of one weld; what belongs together stays on one line, smaller where it would not fit."""
    start = sheet.l_margin + PICTURE_MM
    for i, line in enumerate(layout.blank_lines):
        x = start
        for group in line:
            size = 8 * min(1.0, _shrink(sheet, group))
            for label, width, unit in group:
                if width:
                    x = sheet.blank(x, y + i * BLANK_MM, label=label, width=width, unit=unit, size=size)
                else:
                    x = sheet.tick_box(x, y + i * BLANK_MM, label=label, size=size)


def _shrink(sheet: Sheet, group: tuple[Blank, ...]) -> float:
    """Give the share to which the words of a group must shrink to fit a line on their own."""
    words = _words_mm(sheet, group)
    room = sheet.epw - PICTURE_MM - (_width(sheet, group) - words)
    return room / words if words else 1.0


def _width(sheet: Sheet, group: tuple[Blank, ...]) -> float:
    """Give the room a group takes. [mm]."""
    return _words_mm(sheet, group) + sum(width or 3.2 for _, width, _ in group) + 4.8 * len(group) - 3


def _words_mm(sheet: Sheet, group: tuple[Blank, ...]) -> float:
    """Give the width of a group's words. [mm]."""
    sheet.set_font("house", "", 8)
    return float(sum(sheet.get_string_width(label) + sheet.get_string_width(unit) for label, _, unit in group))


def blanks(study: Study, *, is_second: bool = False) -> list[tuple[Blank, ...]]:
    """Give every blank of a weld, in groups that stay together; a second bead is only asked for counts."""
    temperature = "°F" if study.units == "us" else "°C"
    groups: list[tuple[Blank, ...]] = [(("done", 0, ""), ("aborted", 0, ""), ("scrapped", 0, ""))]
    asked = [response for response in study.responses if response.kind == "count" or not is_second]
    groups += [_response_blanks(response, study) for response in asked]
    groups.append((("plate", 12, temperature), ("rest", 9, "min")))
    groups.append((("stick-out", 9, "in" if study.units == "us" else "mm"),))
    if any(response.kind == "trip" for response in asked):
        groups.append((("line", 9, "A"), ("", 9, "V")))
    return [*groups, (("note", 28, ""),)]


def _response_blanks(response: Response, study: Study) -> tuple[Blank, ...]:
    """Give the blanks of one response."""
    name = response.name
    if response.kind == "measure":
        return ((name, 14, printed_unit(response.unit)),)
    if response.kind == "count":
        return ((name, 9, ""), ("over", 11, shown_unit("mm", study.units)))
    if response.kind == "trip":
        whose = " (breaker)" if is_breaker(study, response) and "breaker" not in name.casefold() else ""
        return ((f"{name}{whose}: yes", 0, ""), ("no", 0, ""), ("arc", 11, "s"))
    return ((f"{name}: yes", 0, ""), ("no", 0, ""))
