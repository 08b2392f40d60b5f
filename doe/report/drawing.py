"""From the answer to its pictures: which dials go where, and what each picture says in words."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from matplotlib.figure import Figure

from doe.bench.results import Counts, Measurement, Passes, Results, Trips
from doe.coding import FloatArray
from doe.models.bands import confidence_band
from doe.models.fit import Fit, Points, Posterior, ResponseFit
from doe.models.measure import MeasureModel
from doe.report import figures
from doe.report.figures import Axis, CurvePanel, MapPanel, WeldDots
from doe.report.formatting import printed_unit, setting, shown_unit
from doe.report.settings import reference_setting
from doe.study.model import Response, Study
from doe.units import convert
from doe.window.window import Answer, AssuranceMap, SettingBox, Window

DRAWS: Final = 1000
"""Draws behind the curves."""

PANELS: Final = 9
"""No more small maps than this."""


@dataclass(frozen=True, eq=False)
class Drawn:
    """A figure with its heading, its caption, and what it shows in words."""

    figure: Figure
    heading: str
    text: str
    caption: str


def map_figures(window: Window, results: Results) -> Iterator[Drawn]:
    """Draw the assurance map of each answer: every weld, and first and later welds where plates run warm."""
    dials = main_dials(window.study)
    if len(dials) < 2:
        return
    names = {"any": "How likely a weld is good", 1: "The first weld on a plate", 2: "Later welds, on a warm plate"}
    for answer, shown in zip(window.answers, window.maps, strict=False):
        panels, x, y = _panels(window, answer, shown, results)
        figure = figures.assurance_map(panels, x=x, y=y, reliability=window.claim.reliability)
        yield Drawn(
            figure,
            names[answer.position],
            _map_text(window.study, answer),
            "Each cell is one setting of the dials. Brighter: more good welds are expected. Hatched: the claim cannot "
            "be made there. Solid line: the window. Dashed line: the working region. Dots: the welds made, with their "
            "numbers; nothing is drawn outside what may be welded.",
        )


def main_dials(study: Study) -> tuple[int, ...]:
    """Give the columns drawn along the edges: feed and voltage where there are, else the first numeric factors."""
    numeric = [j for j, factor in enumerate(study.factors) if not factor.is_kind]
    wanted = [study.factor_of_role("feed"), study.factor_of_role("voltage")]
    first = [study.factors.index(factor) for factor in wanted if factor is not None]
    return tuple((first + [j for j in numeric if j not in first])[:2])


def _panels(window: Window, answer: Answer, shown: AssuranceMap, results: Results) -> tuple[list[MapPanel], Axis, Axis]:
    """Cut the grid into small maps: one for each setting of the factor beside the two dials."""
    study, (jx, jy) = window.study, main_dials(window.study)
    others = [j for j in range(len(study.factors)) if j not in {jx, jy}]
    held = [_nearest(window.axes[j], reference_setting(window)[j]) for j in range(len(study.factors))]
    varied = _varied(window, others)
    choices = [range(len(window.axes[j])) if j in varied else [held[j]] for j in others]
    panels = []
    for combination in itertools.islice(itertools.product(*choices), PANELS):
        place: list[int | slice] = [slice(None)] * len(study.factors)
        for j, index in zip(others, combination, strict=True):
            place[j] = index
        at = dict(zip(others, combination, strict=True))
        panels.append(
            MapPanel(
                title=_panel_title(study, window, at),
                expected=_cut(shown.expected, window.reachable, place, jx < jy),
                low=_cut(shown.low, window.reachable, place, jx < jy),
                window=_outline(window, answer.box, at, (jx, jy)),
                working=_outline(window, None if answer.working is None else answer.working.box, at, (jx, jy)),
                welds=_weld_dots(window, results, at, (jx, jy)),
            )
        )
    return panels, axis_of(study, jx, window.axes[jx]), axis_of(study, jy, window.axes[jy])


def _varied(window: Window, others: list[int]) -> set[int]:
    """Give the further factors that get a map each: as many as leave no more than ``PANELS`` maps."""
    varied: set[int] = set()
    maps = 1
    for j in others:
        if maps * len(window.axes[j]) <= PANELS:
            varied.add(j)
            maps *= len(window.axes[j])
    return varied


def _cut(values: FloatArray, reachable: np.ndarray, place: list[int | slice], transposed: bool) -> FloatArray:
    """Take one map out of the grid as (y, x), nan where nothing may be welded."""
    cut = np.where(reachable, values, np.nan)[tuple(place)]
    return np.asarray(cut.T if transposed else cut)


def _panel_title(study: Study, window: Window, at: dict[int, int]) -> str:
    """Name the setting of the further factors."""
    return ", ".join(
        f"{study.factors[j].name} {setting(study.factors[j], float(window.axes[j][index]), study.units)}"
        for j, index in at.items()
    )


def _outline(
    window: Window, box: SettingBox | None, at: dict[int, int], dials: tuple[int, int]
) -> tuple[int, int, int, int] | None:
    """Give a box's index ranges on one map, or None where it does not reach it."""
    if box is None or any(
        not box.low[j] - 1e-9 <= window.axes[j][index] <= box.high[j] + 1e-9 for j, index in at.items()
    ):
        return None
    ends = [_nearest(window.axes[j], value) for j in dials for value in (box.low[j], box.high[j])]
    return ends[0], ends[1], ends[2], ends[3]


def _nearest(axis: FloatArray, value: float) -> int:
    return int(np.abs(axis - value).argmin())


def _weld_dots(window: Window, results: Results, at: dict[int, int], dials: tuple[int, int]) -> WeldDots:
    """Give the welds that lie nearest to this map among all maps."""
    near = np.ones(results.n_welds, dtype=bool)
    for j, index in at.items():
        axis = window.axes[j]
        near &= np.array([_nearest(axis, value) == index for value in results.settings[:, j]])
    chosen = [i for i in np.flatnonzero(near).tolist() if results.status[i] not in {"scrapped", "not run"}]
    return WeldDots(
        x=results.settings[chosen, dials[0]],
        y=results.settings[chosen, dials[1]],
        labels=tuple(results.weld[i].removeprefix("W").lstrip("0") for i in chosen),
        good=tuple(meets_requirements(results, i) for i in chosen),
        tripped=tuple(_tripped(results, i) for i in chosen),
    )


def meets_requirements(results: Results, i: int) -> bool:
    """Whether a weld met every requirement that was read on it."""
    return all(_meets(response, results, i) for response in results.study.responses if response.has_requirement)


def _meets(response: Response, results: Results, i: int) -> bool:
    """Whether a weld met one requirement; what was not read is not held against it."""
    reading = results.readings[response.name]
    if isinstance(reading, Measurement):
        values = reading.values[i][np.isfinite(reading.values[i])]
        low = response.at_least is None or bool((values >= response.at_least).all())
        return low and (response.at_most is None or bool((values <= response.at_most).all()))
    if isinstance(reading, Counts):
        per = response.per_mm or reading.length_mm[i]
        limit = np.inf if response.at_most is None else response.at_most
        return not reading.counts[i] > limit * max(reading.length_mm[i] / per, 1.0)
    if isinstance(reading, Trips):
        early = response.hold_s is None or not reading.time_s[i] >= response.hold_s
        return not (reading.tripped[i] == 1 and early)
    return bool(reading.passed[i] != 0)


def _tripped(results: Results, i: int) -> bool:
    trips = [reading for reading in results.readings.values() if isinstance(reading, Trips)]
    return any(reading.tripped[i] == 1 for reading in trips)


def axis_of(study: Study, j: int, values: FloatArray) -> Axis:
    """Make a figure's axis of a factor: marks where the dial has them, values in the unit shown otherwise."""
    factor = study.factors[j]
    marks = [factor.mark_at(float(value)) for value in values]
    if factor.marks and all(mark is not None for mark in marks):
        return Axis(f"{factor.name}, mark", values, tuple(str(mark) for mark in marks))
    unit = shown_unit(factor.unit, study.units)
    shown = values if unit in {factor.unit, ""} else np.asarray(convert(values, factor.unit, unit))
    label = f"{factor.name}, {printed_unit(unit)}" if unit else factor.name
    return Axis(label, values, tuple(f"{value:.4g}" for value in shown))


def _map_text(study: Study, answer: Answer) -> str:
    """Say what the map shows, for those who cannot see it."""
    if answer.box is None:
        return "Map of the expected share of good welds over the dials. No window can be claimed on it."
    ends = [
        f"{factor.name} {setting(factor, answer.box.low[j], study.units)}"
        + ("" if factor.is_kind else f" to {setting(factor, answer.box.high[j], study.units)}")
        for j, factor in enumerate(study.factors)
    ]
    return f"Map of the expected share of good welds over the dials. The window: {'; '.join(ends)}."


def curve_figures(fit: Fit, window: Window) -> Iterator[Drawn]:
    """Draw each response along each numeric dial, the others held at the best setting."""
    confidence = window.claim.confidence
    numeric = [j for j, factor in enumerate(window.study.factors) if not factor.is_kind]
    for number, part in enumerate(fit.responses):
        if part.model is None:
            continue
        posterior = part.model.draw(DRAWS, np.random.default_rng([fit.seed, number]))
        panels = [_curve(window, fit.results, part, posterior, j) for j in numeric]
        yield Drawn(
            figures.mean_curves(
                panels,
                label=_response_label(part.response),
                confidence=confidence,
                is_chance=part.kind in {"trip", "pass"},
            ),
            part.name,
            f"{part.name} along each dial, with the {confidence:.0%} confidence band of the average weld and the "
            f"{confidence:.0%} prediction band of the next weld.",
            "Rings: the welds as measured, whatever the other dials stood at.",
        )


def _curve(window: Window, results: Results, part: ResponseFit, posterior: Posterior, j: int) -> CurvePanel:
    """Work out one response along one dial."""
    axis = window.axes[j]
    natural = np.tile(np.array(reference_setting(window), dtype=float), (len(axis), 1))
    natural[:, j] = axis
    level = window.claim.confidence
    points = Points(natural)
    band = confidence_band(posterior, points, level)
    weld_low, weld_high = posterior.weld_band(points, level=level)
    readings = response_points(part.response, results)
    requirement = part.response
    is_measured = requirement.kind in {"measure", "count"}
    return CurvePanel(
        title=window.study.factors[j].name,
        x=axis_of(window.study, j, axis),
        mean=band.mean,
        mean_low=band.low,
        mean_high=band.high,
        weld_low=weld_low,
        weld_high=weld_high,
        points_x=results.settings[:, j],
        points_y=readings,
        at_least=requirement.at_least if is_measured else None,
        at_most=requirement.at_most if is_measured else None,
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


def _response_label(response: Response) -> str:
    """Name a curve's vertical axis."""
    return {
        "measure": f"{response.name}, {printed_unit(response.unit)}" if response.unit else response.name,
        "count": f"{response.name} per {response.per_text}" if response.per_text else response.name,
        "trip": f"chance of no {response.name}",
        "pass": f"chance of {response.name}",
    }[response.kind]


def residual_figure(part: ResponseFit, results: Results) -> Drawn | None:
    """Draw a measure's residuals; None for the other kinds."""
    model = part.model
    if not isinstance(model, MeasureModel):
        return None
    order = results.order[model.usable.used].astype(float)
    figure = figures.residual_plots(model.fitted, model.residual, order, label=_response_label(part.response))
    text = f"Residuals of {part.name} against the fitted value and against the order of welding."
    return Drawn(figure, "", text, "No trend should be seen in either.")
