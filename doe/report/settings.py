"""Settings in the report's words: what each dial is to show, and how far it may wander."""

from __future__ import annotations

from dataclasses import dataclass

from doe.report.formatting import exact, setting, setting_value
from doe.study.model import Factor
from doe.units import printed_unit
from doe.window.window import SettingBox, Window


@dataclass(frozen=True)
class DialRow:
    """One dial of the answer: marks first, then values, the best place, and the wander."""

    name: str
    marks: str
    values: str
    best: str
    wander: str


def dial_rows(window: Window) -> tuple[DialRow, ...]:
    """Give one row a dial of the window; none where nothing is claimed."""
    answer = window.answer
    if answer.box is None or answer.best is None:
        return ()
    return tuple(
        _dial_row(factor, answer.box, j, best=answer.best.settings[j]) for j, factor in enumerate(window.study.factors)
    )


def _dial_row(factor: Factor, box: SettingBox, j: int, *, best: float) -> DialRow:
    """Describe one dial."""
    low, high = box.low[j], box.high[j]
    best_text = setting(factor, best)
    if factor.is_kind:
        return DialRow(factor.name, factor.kinds[round(low)], "", best_text, "")
    marked = factor.mark_at(low), factor.mark_at(high)
    values = range_text(setting_value(factor, low), setting_value(factor, high))
    if marked[0] is not None and marked[1] is not None:
        marks = range_text(marked[0], marked[1])
        values = values if factor.calibrated else ""
        best_text = factor.mark_at(best) or best_text
    else:
        marks, values = values, ""
    return DialRow(factor.name, marks, values, best_text, wander_text(factor))


def range_text(low: str, high: str) -> str:
    """Join two ends, one where they are the same; a unit both carry is said once.

    Examples
    --------
    >>> range_text("2", "4"), range_text("3", "3"), range_text("6.5 m/min", "8 m/min")
    ('2 to 4', '3', '6.5 to 8 m/min')
    """
    if low == high:
        return low
    number, blank, unit = low.partition(" ")
    return f"{number if blank and high.endswith(' ' + unit) else low} to {high}"


def wander_text(factor: Factor) -> str:
    """Say how far a dial may drift from where it was put: its stated standard deviation."""
    if not factor.set_within:
        return "as in the test"
    return f"± {exact(round(factor.set_within, 4))} {printed_unit(factor.unit)}"


def held_words(window: Window) -> str:
    """Say at which setting the other dials are held in the pictures."""
    at = reference_setting(window)
    study = window.study
    return ", ".join(f"{f.name} {setting(f, v)}" for f, v in zip(study.factors, at, strict=True))


def reference_setting(window: Window) -> tuple[float, ...]:
    """Give the best setting; where nothing is claimed the best candidate, else the middle of the region."""
    answer = window.answer
    if answer.best is not None:
        return answer.best.settings
    if answer.nearest is not None and answer.nearest.settings is not None:
        return answer.nearest.settings
    return tuple(float(axis[len(axis) // 2]) for axis in window.axes)
