"""What the report says: every line, table and picture of the page, final.

One frozen ``ReportContents``; the templates only loop and escape.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from importlib.metadata import version

import numpy as np

from doe.bench.results import Counts, Measurement, Passes, Readings, Results, Trips
from doe.models.diagnostics import Diagnosis, diagnose
from doe.models.fit import Fit, ResponseFit
from doe.report import answering, cautions
from doe.report.drawing import Drawn, curve_figures, residual_figure
from doe.report.figures import to_svg
from doe.report.formatting import number, printed_unit, setting
from doe.report.map_drawing import map_figures
from doe.report.settings import DialRow, dial_rows, held_words, reference_setting
from doe.report.try_setting import TrySetting, try_setting
from doe.study.model import Response, Study
from doe.window.window import Window
from doe.window.words import at_least

NOT_CONFIRMED = "NOT CONFIRMED"
"""Stands on every answer until confirmation welds were made."""


@dataclass(frozen=True)
class Panel:
    """One image: its source, and what it shows in words."""

    source: str
    text: str


@dataclass(frozen=True)
class Picture:
    """A picture of the page: panels of one size, a legend below them, a caption."""

    heading: str
    panels: tuple[Panel, ...]
    legend: Panel | None
    caption: str


@dataclass(frozen=True)
class ModelPart:
    """One response's model, for the engineer."""

    name: str
    method: str
    notes: tuple[str, ...]
    terms: tuple[dict[str, str], ...]
    figures: tuple[Picture, ...]
    findings: tuple[str, ...]
    shifts_at: str
    shifts: tuple[tuple[str, str, str], ...]


@dataclass(frozen=True)
class ReportContents:
    """Everything the page says, in its order."""

    title: str
    job: str
    standing: str
    answer_heading: str
    dials: tuple[DialRow, ...]
    answer: tuple[str, ...]
    sides: tuple[str, ...]
    not_tested: tuple[str, ...]
    next_steps: tuple[str, ...]
    maps: tuple[Picture, ...]
    try_setting: TrySetting | None
    working: tuple[str, ...]
    curves: tuple[Picture, ...]
    held: str
    weld_heads: tuple[str, ...]
    weld_rows: tuple[tuple[str, ...], ...]
    questions: tuple[str, ...]
    claim: tuple[str, ...]
    assumptions: tuple[str, ...]
    models: tuple[ModelPart, ...]
    conversions: tuple[tuple[str, str, str], ...]
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
    results = fit.results
    study = results.study
    heads, rows = weld_table(results)
    return ReportContents(
        title=study.title,
        job=job_line(study),
        standing=NOT_CONFIRMED if window.found else "",
        answer_heading=answering.heading(window),
        dials=dial_rows(window),
        answer=answering.report_lines(window),
        sides=answering.side_lines(window),
        not_tested=answering.not_tested_lines(window, results),
        next_steps=answering.next_lines(window),
        maps=tuple(_picture(drawn) for drawn in map_figures(fit, window)),
        try_setting=try_setting(fit, window),
        working=answering.working_lines(window),
        curves=tuple(_picture(drawn) for drawn in curve_figures(fit, window)),
        held=held_words(window),
        weld_heads=heads,
        weld_rows=rows,
        questions=results.questions,
        claim=answering.claim_lines(window),
        assumptions=window.assumptions,
        models=_model_parts(fit, window),
        conversions=tuple((f"{c.file}, row {c.row}, {c.column}", c.found, c.read_as) for c in results.conversions),
        repeat=_repeat(study, window),
        cautions=(*cautions.SCOPE, *cautions.ARC, *cautions.SUPPLY, *cautions.SECTION),
        foot=f"weldwindow {version('weldwindow')}, study {study.fingerprint}, seed {window.seed}",
    )


def every_figure(fit: Fit, window: Window) -> Iterator[Drawn]:
    """Draw every figure of the page, in its order."""
    yield from map_figures(fit, window)
    yield from curve_figures(fit, window)
    for diagnosis in diagnose(fit, at=np.array(reference_setting(window))):
        if diagnosis.residuals is not None:
            yield residual_figure(fit.response(diagnosis.response), diagnosis.residuals, window.study)


def job_line(study: Study) -> str:
    """Name joint, thickness, material, wire and supply in one line; what is not stated is left out."""
    job, supply = study.job, study.supply
    parts = [
        job.joint,
        "" if job.thickness_mm is None else f"{number(job.thickness_mm)} mm thick",
        job.material,
        job.wire,
        "" if supply.voltage_v is None else f"{number(supply.voltage_v)} V",
        "" if supply.breaker_a is None else f"{number(supply.breaker_a)} A breaker",
    ]
    return ", ".join(part for part in parts if part)


def weld_table(results: Results) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Give headings and rows of the weld table: one weld a row, as it was set and measured."""
    study = results.study
    heads = ["weld", "plate", "position", "order", *(f.name for f in study.factors)]
    heads += [response.name for response in study.responses] + ["status"]
    rows = []
    for i in range(results.n_welds):
        row = [results.weld[i], results.plate[i], str(results.position[i]), str(results.order[i] or "–")]
        pairs = zip(study.factors, results.settings[i], strict=True)
        row += [setting(factor, float(value), study.units) for factor, value in pairs]
        row += [reading_text(response, results.readings[response.name], i) for response in study.responses]
        rows.append((*row, results.status[i]))
    return tuple(heads), tuple(rows)


def reading_text(response: Response, reading: Readings, i: int) -> str:
    """Print one weld's reading of one response; a dash where nothing was read."""
    if isinstance(reading, Measurement):
        values = [float(v) for v in reading.values[i] if np.isfinite(v)]
        over = "≥ " if values and max(values) >= reading.full[i] else ""
        return f"{over}{', '.join(number(v) for v in values)} {printed_unit(response.unit)}" if values else "–"
    if isinstance(reading, Counts):
        if np.isnan(reading.counts[i]):
            return "–"
        return f"{reading.counts[i]:.0f} in {number(reading.length_mm[i])} mm"
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


def _picture(drawn: Drawn) -> Picture:
    panels = tuple(Panel(_source(to_svg(figure)), text) for figure, text in drawn.panels())
    figure = drawn.legend_figure()
    words = "; ".join(str(entry.get_label()) for entry in drawn.legend)
    legend = None if figure is None else Panel(_source(to_svg(figure)), f"Legend: {words}.")
    return Picture(drawn.heading, panels, legend, drawn.caption)


def _model_parts(fit: Fit, window: Window) -> tuple[ModelPart, ...]:
    """Gather every response's model for the engineer, with what the checks say of it."""
    found = {diagnosis.response: diagnosis for diagnosis in diagnose(fit, at=np.array(reference_setting(window)))}
    return tuple(_model_part(part, fit.results, found.get(part.name)) for part in fit.responses)


def _model_part(part: ResponseFit, results: Results, diagnosis: Diagnosis | None) -> ModelPart:
    """Gather one response's model for the engineer."""
    notes, doubts = (diagnosis.notes, diagnosis.findings) if diagnosis else ((), ())
    terms = tuple(
        {"term": t.term, **{key: number(getattr(t, key), 4) for key in ("estimate", "se", "low", "high")}}
        for t in part.terms
    )
    residuals = diagnosis.residuals if diagnosis else None
    figures = () if residuals is None else (_picture(residual_figure(part, residuals, results.study)),)
    at, shifts = _sensitivity(part, results.study)
    lines = (*_number_lines(part), *notes)
    return ModelPart(part.name, part.method, lines, terms, figures, (*part.findings, *doubts), at, shifts)


def _sensitivity(part: ResponseFit, study: Study) -> tuple[str, tuple[tuple[str, str, str], ...]]:
    """Print how the answer at one setting moves when an assumption is shifted."""
    found = part.numbers.get("sensitivity")
    if not isinstance(found, dict):
        return "", ()
    at = ", ".join(
        f"{f.name} {found['at'][f.name] if f.is_kind else setting(f, float(found['at'][f.name]), study.units)}"
        for f in study.factors
    )
    rows = ((e["assumption"], at_least(e["expected"]), at_least(e["low"])) for e in found["effects"])
    return at, tuple(rows)


def _number_lines(part: ResponseFit) -> Iterable[str]:
    """Print scatter by source and the single numbers of a fit."""
    yield f"{part.n} welds entered."
    for key, value in part.numbers.items():
        if key == "spread" and isinstance(value, dict):
            known = {name: sd for name, sd in value.items() if sd is not None}
            unit = printed_unit(part.response.unit)
            sds = ", ".join(f"between {name}s {number(float(sd))} {unit}" for name, sd in known.items())
            yield f"Scatter, one standard deviation: {sds}."
        elif isinstance(value, bool):
            yield f"{key.replace('_', ' ')}: {'yes' if value else 'no'}."
        elif isinstance(value, int | float):
            yield f"{key.replace('_', ' ')}: {number(float(value), 4)}."


def _repeat(study: Study, window: Window) -> tuple[str, ...]:
    """Say how anyone makes the same numbers again."""
    return (
        f"Study {study.fingerprint}: study.toml with the plan and the results beside it.",
        f"weldwindow fit DIR --seed {window.seed}, weldwindow window DIR --seed {window.seed}, "
        f"weldwindow report DIR --seed {window.seed}.",
        "weldwindow fit DIR --textbook sets the handbook’s fit beside ours, without any prior information.",
        f"Versions: weldwindow {version('weldwindow')}, numpy {version('numpy')}, scipy {version('scipy')}.",
    )
