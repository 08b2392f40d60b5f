"""Heat input, cooling time, preheat and leg size in the report: of each weld, and of the window."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.bench.results import Results
from doe.coding import FloatArray
from doe.models.load import find_arc_power
from doe.planning.heat import ArcPower, Heat, heat_at, is_burn_off_known, is_fillet
from doe.report.formatting import number, quantity, shown_unit
from doe.report.settings import range_text
from doe.study.model import Study
from doe.trade.aws_d11 import minimum_fillet
from doe.trade.cooling import USUAL_AIM_S
from doe.trade.preheat import CODE_FIRST, carbon_equivalent_cet, outside_method_b, preheat_by_cet
from doe.units import convert, printed_unit
from doe.window.window import SettingBox, Window

METHOD: Final = "EN 1011-2:2001 Annex C.3, method B, from memory"
"""Where the formula of the preheat is from."""
PLATE_NOT_READ: Final = "the plate at its set preheat"
"""What t8/5 and heat input of the window take for granted."""


@dataclass(frozen=True, eq=False)
class HeatPart:
    """What the report says of heat.

    Attributes
    ----------
    heads : tuple of str
        Headings of the columns it adds to the table of welds; none where nothing can be worked out.
    rows : tuple of tuple of str
        Its cells, one row a weld.
    window : tuple of str
        What the window means in heat, cooling, preheat and leg size.
    notes : tuple of str
        What the numbers rest on, and what is not shown and why.
    """

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    window: tuple[str, ...]
    notes: tuple[str, ...]


def heat_part(results: Results, window: Window) -> HeatPart:
    """Work out what the report says of heat.

    Parameters
    ----------
    results : Results
    window : Window
    """
    study = results.study
    heat = heat_at(study, results.settings, measured=results.conditions)
    made = np.array([status != "not run" for status in results.status])
    heads, rows = _columns(study, heat, made)
    lines = tuple(_window_lines(results, window))
    return HeatPart(heads, rows, lines, (*_sentences(heat.assumptions), *_sentences(heat.missing)))


def _sentences(lines: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(f"{line if line.startswith('t8/5') else line[:1].upper() + line[1:]}." for line in lines)


def _columns(study: Study, heat: Heat, made: FloatArray) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Give the columns that have a number in any row; a weld that was not made has none."""
    unit = shown_unit("kJ/mm", study.units)
    shown = [
        (f"heat input [{unit}]", np.asarray(convert(heat.input_kj_mm, "kJ/mm", unit))),
        ("t8/5 [s]", heat.cooling_s),
    ]
    shown = [(head, np.where(made, values, np.nan)) for head, values in shown]
    kept = [(head, values) for head, values in shown if np.isfinite(values).any()]
    rows = tuple(tuple(number(float(values[i])) for _, values in kept) for i in range(len(made)))
    return tuple(head for head, _ in kept), rows


def _window_lines(results: Results, window: Window) -> Iterator[str]:
    """Say what the window means; nothing where nothing is claimed."""
    answer, study = window.answer, results.study
    if answer.box is None or answer.best is None:
        return
    corners = _corners(answer.box)
    settings = np.vstack([corners, np.array(answer.best.settings)])
    power, basis = _power(results, settings)
    heat = heat_at(study, settings, power=power)
    if np.isfinite(heat.input_kj_mm).all():
        yield (
            f"Heat input {_span(heat.input_kj_mm, 'kJ/mm', study)} over the window, "
            f"{quantity(float(heat.input_kj_mm[-1]), 'kJ/mm', study.units)} at the best setting "
            f"(arc energy, without k: {_span(heat.energy_kj_mm, 'kJ/mm', study)}), {PLATE_NOT_READ}; {basis}."
        )
    if np.isfinite(heat.cooling_s).all():
        low, high = USUAL_AIM_S
        yield (
            f"Cooling time t8/5 {_span(heat.cooling_s, 's', study)}, {number(float(heat.cooling_s[-1]))} s at the best "
            f"setting. The usual aim for structural steel is {low:g} to {high:g} s (common practice); below it the "
            "zone beside the weld may turn hard."
        )
    yield from _leg_lines(study, heat)
    yield from _preheat_lines(study, heat, corners)


def _corners(box: SettingBox) -> FloatArray:
    """Give the corners of a box: every number here rises or falls with each dial alone, so its ends lie there."""
    return np.array(list(itertools.product(*({low, high} for low, high in zip(box.low, box.high, strict=True)))))


def _power(results: Results, settings: FloatArray) -> tuple[ArcPower | None, str]:
    """Give arc power at settings by the trend of the welds whose amps were read, where there are enough of them."""
    trend = find_arc_power(results)
    if trend is None:
        basis = "amps by the burn-off" if is_burn_off_known(results.study) else ""
        return None, basis
    watts = np.exp(trend.columns(settings) @ trend.mean)
    words = f"arc power by the trend of {trend.n_readings} welds whose amps were read"
    return ArcPower(watts, (words,) * len(settings), np.ones(len(settings), dtype=bool)), words


def _span(values: FloatArray, unit: str, study: Study) -> str:
    return range_text(*(quantity(float(v), unit, study.units) for v in (values.min(), values.max())))


def _leg_lines(study: Study, heat: Heat) -> Iterator[str]:
    """Say which fillet the wire fills, and what the code's table asks for."""
    if not is_fillet(study) or not np.isfinite(heat.leg_mm).all():
        return
    best = range_text(*(quantity(float(v), "mm", study.units, digits=2) for v in heat.leg_mm[-1]))
    spans = [quantity(float(v), "mm", study.units, digits=2) for v in (heat.leg_mm.min(), heat.leg_mm.max())]
    least = ""
    if study.job.thickness_mm is not None:
        figure = minimum_fillet(study.job.thickness_mm, in_inches=study.units == "us")
        shown = f"{number(figure.number, 4)} {printed_unit(figure.unit)}"
        least = f" AWS D1.1:2015 Table 5.7 asks for at least {shown} at this thickness, where that code applies."
    over = range_text(*spans)
    yield f"The wire fills a fillet with legs of {best} at the best setting, {over} over the window.{least}"


def _preheat_lines(study: Study, heat: Heat, corners: FloatArray) -> Iterator[str]:
    """Say which preheat the carbon equivalent asks for, inside the formula's range only."""
    job = study.job
    if not job.chemistry or job.hydrogen_ml_100g is None or job.thickness_mm is None:
        lacking = [
            name
            for name, known in (
                ("chemistry", job.chemistry),
                ("hydrogen", job.hydrogen_ml_100g),
                ("thickness", job.thickness_mm),
            )
            if not known
        ]
        yield f"Minimum preheat is not worked out: state {' and '.join(lacking)} under [job]. {_code()}"
        return
    if not np.isfinite(heat.input_kj_mm).all():
        yield f"Minimum preheat is not worked out: it needs the heat input. {_code()}"
        return
    composition = dict(job.chemistry)
    cet = carbon_equivalent_cet(composition)
    figure = preheat_by_cet(
        cet,
        thickness_mm=job.thickness_mm,
        hydrogen_ml_100g=job.hydrogen_ml_100g,
        heat_input_kj_mm=float(f"{heat.input_kj_mm.min():.4g}"),
    )
    outside = (*(() if figure.valid else figure.notes), *outside_method_b(composition))
    if outside:
        yield (
            f"Minimum preheat by CET ({METHOD}) is not given, the formula does not hold here: "
            f"{'; '.join(outside)}. {_code()}"
        )
        return
    asked = max(figure.number, 0.0)
    yield (
        f"Minimum preheat by CET {cet:.3f} % ({METHOD}) at the lowest heat input of the window: "
        f"{quantity(asked, 'degC', study.units)}. {_against(study, corners, asked)}{_code()}"
    )


def _against(study: Study, corners: FloatArray, asked_c: float) -> str:
    """Compare the window's lowest preheat with what is asked for."""
    factor = study.factor_of_role("preheat")
    if factor is None:
        return ""
    lowest = float(convert(corners[:, study.factors.index(factor)].min(), factor.unit, "degC"))
    if lowest >= asked_c:
        return "Every preheat in the window is at least that. "
    return f"The window goes down to {quantity(lowest, 'degC', study.units)}, which is less: heat to the higher one. "


def _code() -> str:
    return f"{CODE_FIRST[:1].upper()}{CODE_FIRST[1:]}."
