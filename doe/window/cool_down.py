"""The cool-down rule: a plate that is as cool as before its first weld makes the answer for first welds serve all.

Where later welds start on a warm plate (``later_welds = "warm"``) the rule is a way out, told beside the answers: with
it one answer serves every weld. Where plates cool in between (``"cooled"``) the one answer holds by the rule alone.
"""

from __future__ import annotations

import numpy as np

from doe.bench.results import Results
from doe.models.surface import find_start, plate_temperatures
from doe.units import convert, printed_unit
from doe.window.window import Answer, SettingBox, Window


def cool_plate(results: Results) -> str:
    """Say how cool a plate is before its first weld; empty where a plate carries one weld.

    Returns
    -------
    str
        ``back at the preheat setting`` (with the mean excess over it where the fit counts with one); without a preheat
        the mean that was read before first welds, where all have a reading; else ``as cool as a first weld starts``.
    """
    study = results.study
    if study.plan.welds_per_plate < 2:
        return ""
    preheat, start = study.factor_of_role("preheat"), find_start(results)
    if preheat is not None:
        excess = round(start.first) if start.rule == "preheat" else 0
        if not excess:
            return f"back at the {preheat.name} setting"
        side = "above" if excess > 0 else "below"
        unit = printed_unit(preheat.unit)
        return f"back at the {preheat.name} setting (first welds: mean {abs(excess)} {unit} {side} it)"
    made = np.array([status != "not run" for status in results.status], dtype=bool)
    before = plate_temperatures(results)[made & (results.position == 1)]
    if not len(before) or not np.isfinite(before).all():
        return "as cool as a first weld starts"
    unit = "degF" if study.units == "us" else "degC"
    return f"back at {convert(float(before.mean()), 'degC', unit):.0f} {printed_unit(unit)} (mean of the first welds)"


def cool_down_assumptions(results: Results) -> tuple[str, ...]:
    """Say what the claim takes the plate to be before a later weld; nothing where a plate carries one weld."""
    state = cool_plate(results)
    if not state:
        return ()
    if results.study.plan.later_welds == "warm":
        return (
            f"Once the plate is {state}, a later weld is taken to be as a first one: that warmth alone sets them apart "
            "was not tested.",
        )
    return (f"Before each later weld the plate is {state}.",)


def first_answer(window: Window) -> Answer | None:
    """Give the answer for first welds alone, where it claims other settings than the one for every weld."""
    first = next((answer for answer in window.answers[1:] if answer.position == 1), None)
    if first is None or first.box is None or is_same_box(window.answer.box, first.box):
        return None
    return first


def cool_down_sentence(window: Window) -> str:
    """Say how the window for first welds serves every weld; empty where it claims nothing of its own."""
    first = first_answer(window)
    if first is None or not window.cool_plate:
        return ""
    serves = "window then serves" if not first.single_setting else "settings then serve"
    if first.is_one_setting:
        serves = "setting then serves"
    return f"Wait before each later weld until the plate is {window.cool_plate}: the first-weld {serves} every weld."


def is_same_box(one: SettingBox | None, other: SettingBox | None) -> bool:
    """Say whether two boxes are of the same settings."""
    if one is None or other is None:
        return False
    return all(box.contains(end) for box in (one, other) for end in (one.low, one.high, other.low, other.high))
