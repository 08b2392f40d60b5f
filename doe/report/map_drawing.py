"""From the answer to its map: panels, welds and their outcomes, limits, the supply's loads, what was tested."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Final

import numpy as np

from doe.bench.results import Counts, Measurement, Passes, Results, Trips
from doe.coding import FloatArray
from doe.models.fit import Fit
from doe.models.load import LoadTrend
from doe.models.trip_cause import CauseModel
from doe.report.drawing import Drawn, axis_of, main_dials
from doe.report.formatting import number, setting
from doe.report.map_figure import MapLine, MapPanel, Outcome, WeldDots, map_drawing, map_legend
from doe.report.settings import reference_setting
from doe.study.model import Response, Study
from doe.trade.breaker import IEC_FAST, IEC_HOLDS, IEC_SLOW, UL_FAST, UL_HOLDS, UL_SLOW
from doe.window.box import BoolArray
from doe.window.hull import inside_hulls
from doe.window.window import Answer, AssuranceMap, SettingBox, Window
from doe.window.words import frequency

PANELS: Final = 9
"""No more small maps than this."""
FINE: Final = 60
"""Places an edge at which lines are worked out."""
HEADINGS: Final = {
    "any": "How likely a weld is good",
    1: "The first weld on a plate",
    2: "Later welds, on a warm plate",
}


def map_figures(fit: Fit, window: Window) -> Iterator[Drawn]:
    """Draw the assurance map of each answer: every weld, and first and later welds where plates run warm."""
    study = window.study
    if len(main_dials(study)) < 2:
        return
    load = load_trend(fit)
    tested = ground_between_welds(window, fit.results)
    reliability = window.claim.reliability
    answers = tuple(zip(window.answers, window.maps, strict=False))
    every = [_panels(window, answer, shown, fit.results, tested=tested, load=load) for answer, shown in answers]
    legend = map_legend([panel for panels in every for panel in panels], reliability)
    for (answer, shown), panels in zip(answers, every, strict=True):
        yield Drawn(
            "map" if answer.position == "any" else f"map-{'first' if answer.position == 1 else 'later'}",
            HEADINGS[answer.position],
            _caption(window, load, shown) if answer.position == "any" else "Drawn as the map above.",
            tuple(map_drawing(panel, reliability) for panel in panels),
            tuple(_map_text(panel, reliability) for panel in panels),
            legend,
        )


def _caption(window: Window, load: LoadTrend | None, shown: AssuranceMap) -> str:
    study = window.study
    varied = _varied(window, _others(study))
    held = [
        f"{study.factors[j].name} {setting(study.factors[j], reference_setting(window)[j])}"
        for j in _others(study)
        if j not in varied
    ]
    aside = f" The other dials are held at {', '.join(held)}; the welds are shown wherever they stood." if held else ""
    said = (
        "Each cell is one setting of the dials. Brighter: more good welds are expected. Hatched: the claim cannot be "
        "made there. Dots: the welds made, with their numbers. Nothing is drawn outside what was tested: the ground "
        f"between the welds (dotted edge).{aside}"
    )
    if "trip" not in {r.kind for r in study.responses if r.name in shown.passes}:
        return said
    if load is None:
        return f"{said} The load on the supply was not read, so the breaker’s band is not drawn."
    if not supply_ratios(study):
        return said
    standard = "UL 489" if study.supply.curve == "UL" else "IEC 60898-1"
    low, middle, high = (number(ratio) for ratio in supply_ratios(study))
    return (
        f"{said} Thin lines: the load on the supply in multiples of the breaker’s rating, where {standard} tests it "
        f"(from memory: check the standard). Up to {low} it must hold, from {middle} it must trip within the hour, "
        f"from {high} within minutes; in between is the breaker’s own band."
    )


# --- what was tested, limits, the supply


def ground_between_welds(window: Window, results: Results) -> BoolArray:
    """Tell which settings of the grid lie between the welds and may be welded, shape of the grid.

    Only the dials that are drawn count, along the edges and from map to map: with many dials the welds are so far apart
    in all of them together that next to nothing would be left to look at.
    """
    seen = sorted({*main_dials(window.study), *_varied(window, _others(window.study))})
    grid = np.column_stack([axis.ravel() for axis in np.meshgrid(*window.axes, indexing="ij")])
    inside = inside_hulls(results, grid, seen)
    tested = window.claimable if inside is None else inside.reshape(window.reachable.shape) & window.reachable
    return np.asarray(tested)


def load_trend(fit: Fit) -> LoadTrend | None:
    """Give the trend of the supply's load over the settings; None where it is not known."""
    models = [part.model for part in fit.responses if isinstance(part.model, CauseModel)]
    return models[0].breaker.load if models else None


def supply_ratios(study: Study) -> tuple[float, ...]:
    """Give the loads at which the breaker's standard tests it; none where the breaker's curve is not stated."""
    if not study.supply.curve:
        return ()
    return (UL_HOLDS, UL_SLOW, UL_FAST) if study.supply.curve == "UL" else (IEC_HOLDS, IEC_SLOW, IEC_FAST)


def _lines(
    window: Window, at: dict[int, int], dials: tuple[int, int], *, load: LoadTrend | None, tested: BoolArray
) -> tuple[MapLine, ...]:
    """Give the limits, and the supply's loads where cells, shape (n_y, n_x), were tested, over one map."""
    study = window.study
    x, y = (np.linspace(-0.5, len(window.axes[j]) - 0.5, FINE) for j in dials)
    natural = np.tile([float(axis[0]) for axis in window.axes], (FINE * FINE, 1))
    for j, index in at.items():
        natural[:, j] = window.axes[j][index]
    across, up = np.meshgrid(_between(window.axes[dials[0]], x), _between(window.axes[dials[1]], y))
    natural[:, dials[0]], natural[:, dials[1]] = across.ravel(), up.ravel()
    lines = []
    for limit in study.limits:
        total = sum(c * natural[:, study.coding.index[name]] for name, c in limit.coefficients)
        values = np.reshape(total, (FINE, FINE))
        lines.append(MapLine("limit", limit.why or limit.rule, x, y, values, limit.bound))
    if load is not None:
        ratio = np.exp(load.columns(natural) @ load.mean).reshape(FINE, FINE)
        column, row = (
            np.clip(np.rint(places), 0, n - 1).astype(int) for places, n in zip((x, y), tested.T.shape, strict=True)
        )
        ratio = np.where(tested[np.ix_(row, column)], ratio, np.nan)
        lines += [MapLine("supply", f"{number(level)}×", x, y, ratio, level) for level in supply_ratios(study)]
    return tuple(lines)


def _between(axis: FloatArray, places: FloatArray) -> FloatArray:
    """Give the values at places between cells; beyond the last cell the spacing goes on for half a cell."""
    if len(axis) == 1:
        return np.full(len(places), axis[0])
    ends = np.append(axis[0] - (axis[1] - axis[0]), np.append(axis, axis[-1] + (axis[-1] - axis[-2])))
    return np.asarray(np.interp(places, np.arange(-1, len(axis) + 1), ends))


# --- panels


def _panels(
    window: Window,
    answer: Answer,
    shown: AssuranceMap,
    results: Results,
    *,
    tested: BoolArray,
    load: LoadTrend | None,
) -> list[MapPanel]:
    """Cut the grid into small maps: one for each setting of the factors beside the two dials."""
    study = window.study
    jx, jy = main_dials(study)
    others = _others(study)
    held = [_nearest(window.axes[j], reference_setting(window)[j]) for j in range(len(study.factors))]
    varied = _varied(window, others)
    choices = [range(len(window.axes[j])) if j in varied else [held[j]] for j in others]
    panels = []
    for combination in itertools.product(*choices):
        place: list[int | slice] = [slice(None)] * len(study.factors)
        for j, index in zip(others, combination, strict=True):
            place[j] = index
        at = dict(zip(others, combination, strict=True))
        shown_at = {j: index for j, index in at.items() if j in varied}
        expected = _cut(shown.expected, tested, place, jx < jy)
        panels.append(
            MapPanel(
                title=_panel_title(study, window, shown_at),
                x=axis_of(study, jx, window.axes[jx]),
                y=axis_of(study, jy, window.axes[jy]),
                expected=expected,
                low=_cut(shown.low, tested, place, jx < jy),
                window=_outline(window, answer.box, at, (jx, jy)),
                working=_outline(window, None if answer.working is None else answer.working.box, at, (jx, jy)),
                welds=_weld_dots(window, results, shown_at, (jx, jy)),
                lines=_lines(window, at, (jx, jy), load=load, tested=np.isfinite(expected)),
            )
        )
    return panels


def _others(study: Study) -> list[int]:
    """Give the factors beside the two dials along the edges."""
    dials = main_dials(study)
    return [j for j in range(len(study.factors)) if j not in dials]


def _varied(window: Window, others: list[int]) -> set[int]:
    """Give the further factors that get a map each: as many as leave no more than ``PANELS`` maps."""
    varied: set[int] = set()
    maps = 1
    for j in others:
        if maps * len(window.axes[j]) <= PANELS:
            varied.add(j)
            maps *= len(window.axes[j])
    return varied


def _cut(values: FloatArray, shown: BoolArray, place: list[int | slice], transposed: bool) -> FloatArray:
    """Take one map out of the grid as (y, x), nan outside what is shown."""
    cut = np.where(shown, values, np.nan)[tuple(place)]
    return np.asarray(cut.T if transposed else cut)


def _panel_title(study: Study, window: Window, at: dict[int, int]) -> str:
    """Name the setting of the further factors that change from map to map."""
    return ", ".join(
        f"{study.factors[j].name} {setting(study.factors[j], float(window.axes[j][index]))}" for j, index in at.items()
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


# --- welds


def _weld_dots(window: Window, results: Results, at: dict[int, int], dials: tuple[int, int]) -> WeldDots:
    """Give the welds that lie nearest to this map among all maps, whatever the dials that are held stood at.

    A second bead is shown where it was not good: more than its count is not known of it, so it is never a good weld.
    """
    near = np.ones(results.n_welds, dtype=bool)
    for j, index in at.items():
        axis = window.axes[j]
        near &= np.array([_nearest(axis, value) == index for value in results.settings[:, j]])
    made = [i for i in np.flatnonzero(near).tolist() if results.status[i] not in {"scrapped", "not run"}]
    chosen = [i for i in made if not results.is_second[i] or outcome_of(results, i) in {"not good", "trip"}]
    return WeldDots(
        x=results.settings[chosen, dials[0]],
        y=results.settings[chosen, dials[1]],
        labels=tuple(results.weld[i].removeprefix("W").lstrip("0") for i in chosen),
        outcomes=tuple(outcome_of(results, i) for i in chosen),
    )


def outcome_of(results: Results, i: int) -> Outcome:
    """Tell how a weld came out: good where all that was read on it met its requirement; trips are told apart."""
    verdicts = [_meets(response, results, i) for response in results.study.responses if response.has_requirement]
    known = [verdict for verdict in verdicts if verdict is not None]
    if _tripped(results, i):
        return "late trip, good" if known and all(known) else "trip"
    if not known:
        return "not judged"
    return "good" if all(known) else "not good"


def _meets(response: Response, results: Results, i: int) -> bool | None:
    """Whether a weld met one requirement; None where nothing was read."""
    reading = results.readings[response.name]
    if isinstance(reading, Measurement):
        values = reading.values[i][np.isfinite(reading.values[i])]
        low = response.at_least is None or bool((values >= response.at_least).all())
        high = response.at_most is None or bool((values <= response.at_most).all())
        return low and high if len(values) else None
    if isinstance(reading, Counts):
        if np.isnan(reading.counts[i]):
            return None
        per = response.per_mm or reading.length_mm[i]
        limit = np.inf if response.at_most is None else response.at_most
        return not reading.counts[i] > limit * max(reading.length_mm[i] / per, 1.0)
    if isinstance(reading, Trips):
        early = response.hold_s is None or not reading.time_s[i] >= response.hold_s
        return None if np.isnan(reading.tripped[i]) else not (reading.tripped[i] == 1 and early)
    if isinstance(reading, Passes):
        return None if np.isnan(reading.passed[i]) else bool(reading.passed[i])
    message = f"no verdict for readings of type {type(reading).__name__}"
    raise TypeError(message)


def _tripped(results: Results, i: int) -> bool:
    trips = [reading for reading in results.readings.values() if isinstance(reading, Trips)]
    return any(reading.tripped[i] == 1 for reading in trips)


# --- words


def _map_text(panel: MapPanel, reliability: float) -> str:
    """Say what a map shows, for those who cannot see it."""
    tested = np.isfinite(panel.expected)
    where = panel.title or "all settings"
    welds = ", ".join(
        f"{sum(outcome == o for o in panel.welds.outcomes)} {outcome}"
        for outcome in dict.fromkeys(panel.welds.outcomes)
    )
    made = f"{len(panel.welds.labels)} welds ({welds})" if welds else "no welds"
    if not tested.any():
        return f"Map of {panel.y.label} by {panel.x.label} at {where}: nothing of it was tested."
    claimed = int((panel.low[tested] >= reliability).sum())
    outline = ""
    if panel.window is not None:
        x_low, x_high, y_low, y_high = panel.window
        outline = (
            f" The window: {panel.x.label} {panel.x.ticks[x_low]} to {panel.x.ticks[x_high]}, "
            f"{panel.y.label} {panel.y.ticks[y_low]} to {panel.y.ticks[y_high]}."
        )
    low, high = np.nanmin(panel.expected), np.nanmax(panel.expected)
    return (
        f"Map of {panel.y.label} by {panel.x.label} at {where}: {low * 100:.0f} to {high * 100:.0f} % of welds "
        "expected good; "
        f"{frequency(reliability)} can be claimed at {claimed} of {int(tested.sum())} settings; {made}.{outline}"
    )
