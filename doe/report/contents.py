"""What the report says: every line, table and picture of the page, final.

One frozen ``ReportContents``; the templates only loop and escape.
"""

from __future__ import annotations

import base64
import platform
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from importlib.metadata import version
from typing import Final

import numpy as np

from doe.bench.alike import told_together
from doe.bench.results import Counts, Measurement, Passes, Readings, Results, Trips
from doe.glossary import glossary
from doe.models.diagnostics import Diagnosis, diagnose
from doe.models.fit import Fit
from doe.report import answering, cautions
from doe.report.calibration import CalibrationTable, calibration_table
from doe.report.drawing import Drawn, curve_figures, residual_figure
from doe.report.figures import to_svg
from doe.report.formatting import number, quantity, setting, shown_reading
from doe.report.found import found_lines
from doe.report.heat_lines import HeatPart, heat_part
from doe.report.map_drawing import map_figures
from doe.report.model_parts import ModelPart, model_part
from doe.report.plates import plates_picture
from doe.report.reasons import Reason, setting_reasons
from doe.report.settings import DialRow, dial_rows, held_words, reference_setting
from doe.report.try_setting import TrySetting, try_setting
from doe.report.written_down import written_down
from doe.study.model import Response, Study, Units
from doe.units import convert, printed_unit
from doe.window.explore import open_explorer
from doe.window.window import Window


@dataclass(frozen=True)
class Panel:
    """One image: its source, and what it shows in words."""

    source: str
    text: str


@dataclass(frozen=True)
class Picture:
    """A picture of the page: panels of one size, a legend below them in parts, a caption."""

    heading: str
    panels: tuple[Panel, ...]
    legend: tuple[Panel, ...]
    caption: str


@dataclass(frozen=True)
class ModelSection:
    """One response's model on the page: its part, its pictures drawn."""

    part: ModelPart
    figures: tuple[Picture, ...]


@dataclass(frozen=True)
class WeldTable:
    """The table of welds: headings, and a row a weld."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class ReportContents:
    """Everything the page says, in its order."""

    title: str
    job: str
    standing: str
    standing_lines: tuple[str, ...]
    answer_heading: str
    dials: tuple[DialRow, ...]
    answer: tuple[str, ...]
    found: tuple[str, ...]
    sides: tuple[str, ...]
    not_tested: tuple[str, ...]
    next_steps: tuple[str, ...]
    maps: tuple[Picture, ...]
    try_setting: TrySetting | None
    reasons_heading: str
    reasons: tuple[Reason, ...]
    working: tuple[str, ...]
    curves: tuple[Picture, ...]
    held: str
    welds: WeldTable
    plates: Picture | None
    written_down: tuple[tuple[str, str], ...]
    weld_notes: tuple[str, ...]
    heat: tuple[str, ...]
    questions: tuple[str, ...]
    claim_heading: str
    claim: tuple[str, ...]
    assumptions: tuple[str, ...]
    models: tuple[ModelSection, ...]
    calibration: CalibrationTable
    conversions: tuple[tuple[str, str, str], ...]
    words: tuple[tuple[str, str], ...]
    repeat: tuple[str, ...]
    cautions: tuple[str, ...]
    foot: str


def report_contents(fit: Fit, window: Window) -> ReportContents:
    """Gather what the page says.

    Parameters
    ----------
    fit : Fit
    window : Window
        Found from the same fit.
    """
    results, study = fit.results, fit.results.study
    heat = heat_part(results, window)
    explorer = open_explorer(fit, window)
    checks = diagnose(fit, at=np.array(reference_setting(window)))
    return ReportContents(
        title=study.title,
        job=job_line(study),
        standing=answering.stamp(window),
        standing_lines=answering.standing_lines(window),
        answer_heading=answering.heading(window),
        dials=dial_rows(window),
        answer=answering.report_lines(window),
        found=() if window.has_question or explorer is None else found_lines(results, explorer),
        sides=answering.side_lines(window),
        not_tested=answering.not_tested_lines(window, results),
        next_steps=answering.next_lines(window, results),
        maps=tuple(_picture(drawn, with_legend=i == 0) for i, drawn in enumerate(map_figures(fit, window))),
        try_setting=None if explorer is None else try_setting(fit, explorer),
        reasons_heading=_reasons_heading(window),
        reasons=() if explorer is None else setting_reasons(results, explorer),
        working=answering.working_lines(window),
        curves=tuple(_picture(drawn) for drawn in curve_figures(fit, window)),
        held=held_words(window),
        welds=WeldTable(*weld_table(results, heat)),
        plates=_plates(results),
        written_down=written_down(results),
        weld_notes=heat.notes,
        heat=heat.window,
        questions=(*results.questions, *(doubt for found in checks for doubt in found.findings)),
        claim_heading=answering.claim_heading(window),
        claim=answering.claim_lines(window),
        assumptions=window.assumptions,
        models=_models(fit, checks, window),
        calibration=calibration_table(),
        conversions=told_together(results.conversions),
        words=_words(study),
        repeat=_repeat(study, window),
        cautions=(*cautions.SCOPE, *cautions.ARC, *cautions.SUPPLY, *cautions.SECTION),
        foot=f"weldwindow {version('weldwindow')}, study {study.fingerprint}, seed {window.seed}",
    )


def _models(fit: Fit, checks: Sequence[Diagnosis], window: Window) -> tuple[ModelSection, ...]:
    """Gather each response's model with what its checks say, its pictures drawn."""
    named = {check.response: check for check in checks}
    shifted = window.answer.shifted
    parts = [model_part(part, fit.results, named.get(part.name), shifted) for part in fit.responses]
    return tuple(ModelSection(part, tuple(_picture(drawn) for drawn in part.figures)) for part in parts)


def _reasons_heading(window: Window) -> str:
    """Head the paragraphs a dial."""
    if not window.has_question:
        return "Turning one dial at a time"
    return "Why this setting" if window.found else "Why the best candidate is where it is"


def every_figure(fit: Fit, window: Window) -> Iterator[Drawn]:
    """Draw every figure of the page, in its order."""
    yield from map_figures(fit, window)
    yield from curve_figures(fit, window)
    for diagnosis in diagnose(fit, at=np.array(reference_setting(window))):
        if diagnosis.residuals is not None:
            yield residual_figure(fit.response(diagnosis.response), diagnosis.residuals, window.study)


def job_line(study: Study) -> str:
    """Name joint, thickness, material, wire, stick-out, travel and supply in one line, as far as they are stated."""
    job, supply = study.job, study.supply
    parts = [
        job.joint,
        "" if job.thickness_mm is None else f"{quantity(job.thickness_mm, 'mm', study.units)} thick",
        job.material,
        job.wire,
        "" if job.stickout_mm is None else f"{quantity(job.stickout_mm, 'mm', study.units)} stick-out",
        "" if job.travel_speed_mm_s is None else f"travel {_travel(job.travel_speed_mm_s, study.units)}",
        "" if supply.voltage_v is None else f"{number(supply.voltage_v)} V",
        "" if supply.breaker_a is None else f"{number(supply.breaker_a)} A breaker",
    ]
    return ", ".join(part for part in parts if part)


def _travel(speed_mm_s: float, units: Units) -> str:
    """Print a travel speed in what welders name it in."""
    return quantity(convert(speed_mm_s, "mm/s", "mm/min"), "mm/min", units)


def weld_table(results: Results, heat: HeatPart) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Give headings and rows of the weld table: one weld a row, as it was set and measured, and what follows."""
    study = results.study
    heads = ["weld", "plate", "position", "order", *(f.name for f in study.factors)]
    heads += [response.name for response in study.responses] + [*heat.heads, "status"]
    rows = []
    for i in range(results.n_welds):
        row = [results.weld[i], results.plate[i], str(results.position[i]), str(results.order[i] or "–")]
        pairs = zip(study.factors, results.settings[i], strict=True)
        row += [setting(factor, float(value)) for factor, value in pairs]
        row += [reading_text(response, results.readings[response.name], i, study.units) for response in study.responses]
        rows.append((*row, *heat.rows[i], results.status[i]))
    return tuple(heads), tuple(rows)


def reading_text(response: Response, reading: Readings, i: int, units: Units) -> str:
    """Print one weld's reading of one response; a dash where nothing was read."""
    if isinstance(reading, Measurement):
        values = [float(v) for v in reading.values[i] if np.isfinite(v)]
        over = "≥ " if values and max(values) >= reading.full[i] else ""
        per_unit, unit = shown_reading(response, units)
        shown = ", ".join(number(value * per_unit) for value in values)
        return f"{over}{shown} {printed_unit(unit)}".rstrip() if values else "–"
    if isinstance(reading, Counts):
        if np.isnan(reading.counts[i]):
            return "–"
        return f"{reading.counts[i]:.0f} over {quantity(float(reading.length_mm[i]), 'mm', units)}"
    if isinstance(reading, Trips):
        return _trip_text(float(reading.tripped[i]), float(reading.time_s[i]))
    if isinstance(reading, Passes):
        return {1.0: "yes", 0.0: "no"}.get(float(reading.passed[i]), "–")
    message = f"no text for readings of type {type(reading).__name__}"
    raise TypeError(message)


def _trip_text(tripped: float, time_s: float) -> str:
    if np.isnan(tripped):
        return "–"
    when = "" if np.isnan(time_s) else f" {'after' if tripped else 'in'} {number(time_s)} s"
    return ("trip" if tripped else "none") + when


def _source(svg: str) -> str:
    """Turn an SVG into the source of an image element, so that its styles stay inside it."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()


def _picture(drawn: Drawn, *, with_legend: bool = True) -> Picture:
    panels = tuple(Panel(_source(to_svg(figure)), text) for figure, text in drawn.panels())
    legend = (
        tuple(Panel(_source(to_svg(figure)), text) for figure, text in drawn.legend_figures()) if with_legend else ()
    )
    return Picture(drawn.heading, panels, legend, drawn.caption)


def _plates(results: Results) -> Picture | None:
    drawn = plates_picture(results)
    if drawn is None:
        return None
    return Picture("", (Panel(_source(to_svg(drawn.figure)), drawn.text),), (), drawn.caption)


LIBRARIES: Final = ("weldwindow", "numpy", "scipy", "pandas", "statsmodels", "scikit-learn", "matplotlib")
"""What the numbers and pictures hang on; their versions are printed."""


WORDS: Final = (
    "window", "best setting", "working region", "requirement", "confidence", "confidence band", "prediction band",
    "scatter", "plate", "position", "wander", "region", "welded region", "claim", "confirmed", "not contradicted",
    "withdrawn", "prior", "posterior", "load ratio", "t8/5",
)  # fmt: skip
"""Words of the page that the glossary explains; those of trips and heat stand only where there are some."""


def _words(study: Study) -> tuple[tuple[str, str], ...]:
    """Explain the page's words as ``weldwindow explain`` does."""
    entries = glossary()
    has_trips = any(response.kind == "trip" for response in study.responses)
    return tuple((word, entries[word].text) for word in WORDS if has_trips or word != "load ratio")


def _repeat(study: Study, window: Window) -> tuple[str, ...]:
    """Say how anyone makes the same numbers again."""
    return (
        f"Study {study.fingerprint}: study.toml with the plan and the results beside it.",
        f"weldwindow fit DIR --seed {window.seed}, weldwindow window DIR --seed {window.seed}, "
        f"weldwindow report DIR --seed {window.seed}.",
        "weldwindow fit DIR --textbook sets the handbook’s fit beside ours, without any prior information.",
        f"Versions: {', '.join(f'{name} {version(name)}' for name in LIBRARIES)}, Python {platform.python_version()}.",
    )
