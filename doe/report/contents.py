"""What the report says: every line, table and picture of the page, final.

One frozen ``ReportContents``; the templates only loop and escape.
"""

from __future__ import annotations

import base64
from collections.abc import Iterable
from dataclasses import dataclass
from importlib.metadata import version

import numpy as np

from doe.bench.alike import told_together
from doe.bench.results import Counts, Measurement, Passes, Readings, Results, Trips
from doe.models.diagnostics import Diagnosis, diagnose
from doe.models.fit import Fit, ResponseFit
from doe.report import answering, cautions
from doe.report.drawing import curve_figures, map_figures, residual_figure
from doe.report.figures import to_svg
from doe.report.formatting import number, printed_unit, quantity, setting
from doe.report.heat_lines import HeatPart, heat_part
from doe.report.settings import DialRow, dial_rows, held_words, reference_setting
from doe.study.model import Response, Study, Units
from doe.window.window import Window
from doe.window.words import at_least

NOT_CONFIRMED = "NOT CONFIRMED"
"""Stands on every answer until confirmation welds were made."""


@dataclass(frozen=True)
class Picture:
    """A picture of the page, with its heading, its caption and what it shows in answering."""

    heading: str
    source: str
    text: str
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
    working: tuple[str, ...]
    curves: tuple[Picture, ...]
    held: str
    weld_heads: tuple[str, ...]
    weld_rows: tuple[tuple[str, ...], ...]
    weld_notes: tuple[str, ...]
    heat: tuple[str, ...]
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
    heat = heat_part(results, window)
    heads, rows = weld_table(results, heat)
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
        maps=_maps(window, results),
        working=answering.working_lines(window),
        curves=_curves(fit, window),
        held=held_words(window),
        weld_heads=heads,
        weld_rows=rows,
        weld_notes=heat.notes,
        heat=heat.window,
        questions=results.questions,
        claim=answering.claim_lines(window),
        assumptions=window.assumptions,
        models=_model_parts(fit, window),
        conversions=told_together(results.conversions),
        repeat=_repeat(study, window),
        cautions=(*cautions.SCOPE, *cautions.ARC, *cautions.SUPPLY, *cautions.SECTION),
        foot=f"weldwindow {version('weldwindow')}, study {study.fingerprint}, seed {window.seed}",
    )


def job_line(study: Study) -> str:
    """Name joint, thickness, material, wire and supply in one line; what is not stated is left out."""
    job, supply = study.job, study.supply
    parts = [
        job.joint,
        "" if job.thickness_mm is None else f"{quantity(job.thickness_mm, 'mm', study.units)} thick",
        job.material,
        job.wire,
        "" if supply.voltage_v is None else f"{number(supply.voltage_v)} V",
        "" if supply.breaker_a is None else f"{number(supply.breaker_a)} A breaker",
    ]
    return ", ".join(part for part in parts if part)


def weld_table(results: Results, heat: HeatPart) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Give headings and rows of the weld table: one weld a row, as it was set and measured, and what follows."""
    study = results.study
    heads = ["weld", "plate", "position", "order", *(f.name for f in study.factors)]
    heads += [response.name for response in study.responses] + [*heat.heads, "status"]
    rows = []
    for i in range(results.n_welds):
        row = [results.weld[i], results.plate[i], str(results.position[i]), str(results.order[i] or "–")]
        pairs = zip(study.factors, results.settings[i], strict=True)
        row += [setting(factor, float(value), study.units) for factor, value in pairs]
        row += [
            reading_text(response, results.readings[response.name], i, units=study.units)
            for response in study.responses
        ]
        rows.append((*row, *heat.rows[i], results.status[i]))
    return tuple(heads), tuple(rows)


def reading_text(response: Response, reading: Readings, i: int, *, units: Units) -> str:
    """Print one weld's reading of one response; a dash where nothing was read."""
    if isinstance(reading, Measurement):
        values = [float(v) for v in reading.values[i] if np.isfinite(v)]
        over = "≥ " if values and max(values) >= reading.full[i] else ""
        return f"{over}{', '.join(number(v) for v in values)} {printed_unit(response.unit)}" if values else "–"
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


def _maps(window: Window, results: Results) -> tuple[Picture, ...]:
    return tuple(
        Picture(part.heading, _source(to_svg(part.figure)), part.text, part.caption)
        for part in map_figures(window, results)
    )


def _curves(fit: Fit, window: Window) -> tuple[Picture, ...]:
    return tuple(
        Picture(part.heading, _source(to_svg(part.figure)), part.text, part.caption)
        for part in curve_figures(fit, window)
    )


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
    drawn = residual_figure(part, results)
    figures = () if drawn is None else (Picture("", _source(to_svg(drawn.figure)), drawn.text, drawn.caption),)
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
