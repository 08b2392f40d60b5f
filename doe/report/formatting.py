"""How the report rounds, and in which unit it shows a quantity."""

from __future__ import annotations

import math
from typing import Final

from doe.study.model import Factor, Response, Study, Units
from doe.units import convert, parse_quantity, printed_unit

TO_US: Final = {
    "mm": "in",
    "cm": "in",
    "m/min": "in/min",
    "mm/s": "in/min",
    "mm/min": "in/min",
    "degC": "degF",
    "kJ/mm": "kJ/in",
    "kg": "lb",
    "kg/h": "lb/h",
    "m": "ft",
}
"""The customary unit a metric quantity is shown in where ``units = "us"``."""

TO_METRIC: Final = {
    "in": "mm",
    "in/min": "m/min",
    "degF": "degC",
    "kJ/in": "kJ/mm",
    "lb": "kg",
    "lb/h": "kg/h",
    "ft": "m",
}
"""The metric unit a customary quantity is shown in where ``units = "metric"``."""


def shown_unit(unit: str, units: Units) -> str:
    """Give the unit a quantity is shown in."""
    return (TO_US if units == "us" else TO_METRIC).get(unit, unit)


def shown_reading(response: Response, units: Units) -> tuple[float, str]:
    """Give what a measure's readings are multiplied by to be shown, and their unit then; 1 for other kinds.

    Units that differ by more than a factor (temperatures) are left as they are.
    """
    shown = shown_unit(response.unit, units)
    if response.kind != "measure" or shown in {response.unit, ""} or float(convert(0.0, response.unit, shown)) != 0.0:
        return 1.0, response.unit
    return float(convert(1.0, response.unit, shown)), shown


def number(value: float, digits: int = 3) -> str:
    """Round to significant digits, without an exponent and without trailing zeros.

    Examples
    --------
    >>> number(1.2345), number(300.0), number(0.00012345), number(-0.0)
    ('1.23', '300', '0.000123', '0')
    """
    if value == 0 or not math.isfinite(value):
        return "0" if value == 0 else "–"
    places = max(digits - 1 - math.floor(math.log10(abs(value))), 0)
    text = f"{value:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def exact(value: float) -> str:
    """Print a setting as it was given: the shortest text that reads back to twelve digits.

    Examples
    --------
    >>> exact(19.6), exact(7.0), exact(0.1 + 0.2)
    ('19.6', '7', '0.3')
    """
    return f"{value:.12g}"


def quantity(value: float, unit: str, units: Units, *, digits: int = 3) -> str:
    """Print a quantity in the unit it is to be shown in."""
    shown = shown_unit(unit, units)
    converted = float(convert(value, unit, shown)) if shown != unit else value
    return f"{number(converted, digits)} {printed_unit(shown)}".rstrip()


def setting(factor: Factor, value: float) -> str:
    """Print one setting: the dial's mark first, its value behind, in the unit the dial itself was given in.

    Whatever unit results are shown in: nobody can put a dial that counts metres a minute to inches a minute.
    A value that the dial has no mark for (an actual setting between two) is printed as it is.
    """
    if factor.is_kind:
        return factor.kinds[round(value)]
    mark = factor.mark_at(value)
    if factor.marks and not factor.calibrated:
        return mark if mark is not None else exact(value)
    printed = setting_value(factor, value)
    return f"{mark} ({printed})" if mark is not None else printed


def setting_value(factor: Factor, value: float) -> str:
    """Print a setting's value with its unit, without the mark."""
    if factor.unit in {"", "mark"}:
        return exact(value)
    return f"{exact(value)} {printed_unit(factor.unit)}"


def setting_words(study: Study, natural: tuple[float, ...]) -> str:
    """Print a whole setting: ``voltage 3 (19.6 V), feed 7.5 m/min, preheat 70 °C``."""
    return ", ".join(
        f"{factor.name} {setting(factor, value)}" for factor, value in zip(study.factors, natural, strict=True)
    )


def requirement_words(response: Response, study: Study) -> str:
    """Tell a response's requirement: ``at least 1.2 mm``, ``at most 2 over 100 mm``, ``holds for 30 s``."""
    per_unit, unit = shown_reading(response, study.units)
    parts = [
        f"{words} {number(limit * per_unit)} {printed_unit(unit)}".rstrip()
        for words, limit in (("at least", response.at_least), ("at most", response.at_most))
        if limit is not None
    ]
    if response.kind == "count" and response.per_text and parts:
        parts.append(f"over {_shown_length(response.per_text, study.units)}")
        return " ".join(parts)
    if response.hold_s is not None:
        return f"holds for {number(response.hold_s)} s"
    return " and ".join(parts) or ("yes" if response.kind == "pass" else "no requirement")


def _shown_length(text: str, units: Units) -> str:
    """Give a length as it was written, or converted where it was written in the other system's unit."""
    written = parse_quantity(text)
    return text if shown_unit(written.unit, units) == written.unit else quantity(written.value, written.unit, units)


def asked_of(response: Response, study: Study) -> str:
    """Say what a good weld is as far as one response goes: ``no trip within 30 s``, ``root fused``."""
    if response.kind == "pass":
        return response.name
    if response.hold_s is not None:
        return f"no {response.name} within {number(response.hold_s)} s"
    return f"{response.name} {requirement_words(response, study)}"
