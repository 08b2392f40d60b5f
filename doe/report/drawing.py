"""From the fit to its curves: which dials go where, and what each picture says in words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from matplotlib.artist import Artist
from matplotlib.figure import Figure

from doe.bench.results import Counts, Measurement, Passes, Results, Trips
from doe.coding import FloatArray
from doe.models.bands import confidence_band
from doe.models.fit import Fit, Points, Posterior, ResponseFit
from doe.models.residuals import Residuals
from doe.planning.region import allowed
from doe.report.figures import (
    Axis,
    CurvePanel,
    CurveStyle,
    Drawing,
    LegendGroup,
    curve_drawing,
    curve_legend,
    draw_panels,
    legend_alone,
    legend_columns,
    residual_drawings,
)
from doe.report.formatting import number, shown_reading
from doe.report.settings import reference_setting
from doe.study.model import Response, Study
from doe.units import printed_unit
from doe.window.window import Window
from doe.window.words import level

DRAWS: Final = 1000
"""Draws behind the curves."""


@dataclass(frozen=True, eq=False)
class Drawn:
    """A picture: its panels apart for the page, or all together for a file, and what it shows in words.

    Attributes
    ----------
    name : str
        Stem of its files.
    heading, caption : str
    drawings : tuple of Drawing
        One a panel.
    texts : tuple of str
        What each panel shows, for those who cannot see it.
    legend_groups : tuple of LegendGroup
        Empty for none.
    """

    name: str
    heading: str
    caption: str
    drawings: tuple[Drawing, ...]
    texts: tuple[str, ...]
    legend_groups: tuple[LegendGroup, ...] = ()

    @property
    def legend(self) -> tuple[Artist, ...]:
        """Every entry of the legend."""
        return tuple(entry for group in self.legend_groups for entry in group.entries)

    def panels(self) -> Iterator[tuple[Figure, str]]:
        """Draw each panel by itself; give it with what it shows."""
        for draw, text in zip(self.drawings, self.texts, strict=True):
            yield draw_panels([draw]), text

    def legend_figures(self) -> Iterator[tuple[Figure, str]]:
        """Draw each group of the legend by itself; give it with its words."""
        for group in self.legend_groups:
            words = "; ".join(str(entry.get_label()) for entry in group.entries)
            named = f"Legend, {group.title}" if group.title else "Legend"
            yield legend_alone(group.entries, title=group.title), f"{named}: {words}."

    @property
    def _legend_title(self) -> str:
        return self.legend_groups[0].title if self.legend_groups else ""

    def whole(self, columns: int) -> Figure:
        """Draw panels and legend together, in so many columns."""
        return draw_panels(self.drawings, self.legend, columns=columns, title=self._legend_title)


def main_dials(study: Study) -> tuple[int, ...]:
    """Give the columns drawn along the edges: feed and voltage where there are, else the first numeric factors."""
    numeric = [j for j, factor in enumerate(study.factors) if not factor.is_kind]
    wanted = [study.factor_of_role("feed"), study.factor_of_role("voltage")]
    first = [study.factors.index(factor) for factor in wanted if factor is not None]
    return tuple((first + [j for j in numeric if j not in first])[:2])


def axis_of(study: Study, j: int, values: FloatArray) -> Axis:
    """Make a figure's axis of a factor: marks where the dial has them, values in its own unit otherwise."""
    factor = study.factors[j]
    if factor.is_kind:
        return Axis(factor.name, values, tuple(factor.kinds[round(v)] for v in values))
    marks = [factor.mark_at(float(value)) for value in values]
    if factor.marks and all(mark is not None for mark in marks):
        return Axis(f"{factor.name}, mark", values, tuple(str(mark) for mark in marks))
    label = f"{factor.name}, {printed_unit(factor.unit)}" if factor.unit not in {"", "mark"} else factor.name
    return Axis(label, values, tuple(f"{value:.4g}" for value in values))


def curve_figures(fit: Fit, window: Window) -> Iterator[Drawn]:
    """Draw each response along each dial, the others held at the best setting."""
    confidence, study = window.claim.confidence, window.study
    for i, part in enumerate(fit.responses):
        if part.model is None:
            continue
        posterior = part.model.draw(DRAWS, np.random.default_rng([fit.seed, i]))
        panels = [_curve(window, fit.results, part, posterior, j) for j in range(len(study.factors))]
        style = _style(part.response, study, panels)
        yield Drawn(
            f"curves-{part.name}",
            part.name,
            "Rings: the welds as they were read, whatever the other dials stood at.",
            tuple(curve_drawing(panel, style) for panel in panels),
            tuple(_curve_text(part, panel, style, confidence) for panel in panels),
            legend_columns(curve_legend(confidence, is_chance=style.is_chance)),
        )


def _curve(window: Window, results: Results, part: ResponseFit, posterior: Posterior, j: int) -> CurvePanel:
    """Work out one response along one dial; nan where the other dials' setting forbids it."""
    study, axis, response = window.study, window.axes[j], part.response
    natural = np.tile(np.array(reference_setting(window), dtype=float), (len(axis), 1))
    natural[:, j] = axis
    level, points = window.claim.confidence, Points(natural)
    band = confidence_band(posterior, points, level)
    weld_low, weld_high = posterior.weld_band(points, level=level)
    per_unit, _ = shown_reading(response, study.units)
    shown = np.where(allowed(study, natural), per_unit, np.nan)
    is_number = response.kind in {"measure", "count"}
    limits = (response.at_least, response.at_most) if is_number else ()
    return CurvePanel(
        title=study.factors[j].name,
        x=axis_of(study, j, axis),
        mean=band.mean * shown,
        mean_low=band.low * shown,
        mean_high=band.high * shown,
        weld_low=weld_low * shown,
        weld_high=weld_high * shown,
        points_x=results.settings[:, j],
        points_y=response_points(response, results) * per_unit,
        limits=tuple(limit * per_unit for limit in limits if limit is not None),
        is_kind=study.factors[j].is_kind,
    )


def _style(response: Response, study: Study, panels: list[CurvePanel]) -> CurveStyle:
    """Give all panels of a response one vertical axis."""
    label = _response_label(response, study)
    if response.kind in {"trip", "pass"}:
        return CurveStyle(label, -0.04, 1.04, is_chance=True)
    lows = np.concatenate([np.append(panel.weld_low, panel.points_y) for panel in panels])
    highs = np.concatenate([np.append(panel.weld_high, panel.points_y) for panel in panels])
    limits = panels[0].limits
    bottom, top = float(np.nanmin([*lows, *limits])), float(np.nanmax([*highs, *limits]))
    room = 0.05 * (top - bottom) or 1.0
    return CurveStyle(label, bottom - room, top + room)


def _curve_text(part: ResponseFit, panel: CurvePanel, style: CurveStyle, confidence: float) -> str:
    """Tell a curve's ends and what the average is there, for those who cannot see it."""
    seen = np.flatnonzero(np.isfinite(panel.mean))
    if not len(seen):
        return f"{part.name} along {panel.title}: nothing of it may be welded with the other dials where they are."
    ends = [(panel.x.ticks[i], number(float(panel.mean[i]))) for i in (seen[0], seen[-1])]
    what = style.label if style.is_chance else f"average {style.label}"
    bands = f"{level(confidence)} confidence band" + (
        "" if style.is_chance else f" and the {level(confidence)} prediction band of the next weld"
    )
    return (
        f"{part.name} along {panel.x.label}, with the {bands}: {what} is {ends[0][1]} at {ends[0][0]} and {ends[1][1]} "
        f"at {ends[1][0]}."
    )


def response_points(response: Response, results: Results) -> FloatArray:
    """Give each weld's reading on the scale of the curve; nan where none."""
    reading = results.readings[response.name]
    if isinstance(reading, Measurement):
        known = np.isfinite(reading.values)
        sums = np.where(known, reading.values, 0.0).sum(axis=1)
        return np.where(known.any(axis=1), sums / np.maximum(known.sum(axis=1), 1), np.nan)
    if isinstance(reading, Counts):
        return np.asarray(reading.counts * (response.per_mm or 1.0) / reading.length_mm)
    if isinstance(reading, Trips):
        return np.asarray(1.0 - reading.tripped)
    if isinstance(reading, Passes):
        return reading.passed
    message = f"no points for readings of type {type(reading).__name__}"
    raise TypeError(message)


def _response_label(response: Response, study: Study) -> str:
    """Name a curve's vertical axis."""
    unit = printed_unit(shown_reading(response, study.units)[1])
    return {
        "measure": f"{response.name}, {unit}" if unit else response.name,
        "count": f"{response.name} in {response.per_text}" if response.per_text else response.name,
        "trip": f"chance of no {response.name}",
        "pass": f"chance of {response.name}",
    }[response.kind]


def residual_figure(part: ResponseFit, residuals: Residuals, study: Study) -> Drawn:
    """Draw a response's residuals."""
    per_unit, _ = shown_reading(part.response, study.units)
    label = {"count": "count expected"}.get(part.kind, _response_label(part.response, study))
    drawings = residual_drawings(
        residuals.fitted * per_unit,
        residuals.residual * per_unit,
        residuals.order.astype(float),
        label=label,
        is_normal=part.kind == "measure",
    )
    against = ("the fitted value", "the order of welding", "normal scores")
    largest = int(np.nanargmax(np.abs(residuals.residual)))
    far = f"the largest is {number(float(residuals.residual[largest]) * per_unit)}, of {residuals.weld[largest]}"
    normal = " Against normal scores they should lie along a line." if part.kind == "measure" else ""
    return Drawn(
        f"residuals-{part.name}",
        "",
        f"Residual: {residuals.meaning}. Against the fitted value and the order no trend should be seen.{normal}",
        drawings,
        tuple(f"Residuals of {part.name} against {what}; {far}." for what in against[: len(drawings)]),
    )
