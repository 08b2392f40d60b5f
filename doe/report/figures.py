"""Figures: arrays in, ``matplotlib.figure.Figure`` out. No statistics, no state, the same bytes for the same input."""

from __future__ import annotations

import io
import itertools
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, Rectangle

from doe.coding import FloatArray

STYLE: Final[dict[Any, Any]] = {
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 9.5,
    "hatch.linewidth": 0.6,
    "svg.hashsalt": "weldwindow",
    "svg.fonttype": "path",
    "figure.facecolor": "white",
}
"""One look for every figure."""

COLOURS: Final = "cividis"
"""Colour map of every area: made for readers with any colour vision, and rising in grey."""

CONFIDENCE_COLOUR: Final = "#1b5e8a"
PREDICTION_COLOUR: Final = "#d8a13a"
"""The band of the mean and the band of the next weld never share a colour."""

STEPS: Final = (0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)
"""Steps of the assurance in the map."""


@dataclass(frozen=True, eq=False)
class Axis:
    """One dial along a figure's edge.

    Attributes
    ----------
    label : str
    values : ndarray, shape (n,)
        Rising.
    ticks : tuple of str
        What stands at each value; "" for none.
    """

    label: str
    values: FloatArray
    ticks: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class WeldDots:
    """Welds on a map: places, numbers, whether each met every requirement it was measured for, and trips."""

    x: FloatArray
    y: FloatArray
    labels: tuple[str, ...]
    good: tuple[bool, ...]
    tripped: tuple[bool, ...]


@dataclass(frozen=True, eq=False)
class MapPanel:
    """One small map.

    Attributes
    ----------
    title : str
    expected, low : ndarray, shape (n_y, n_x)
        Expected assurance, and its bound held with the claim's confidence; nan where nothing may be welded.
    window, working : tuple of float or None
        Index ranges x_low, x_high, y_low, y_high of the window and the working region on this panel.
    welds : WeldDots
    """

    title: str
    expected: FloatArray
    low: FloatArray
    window: tuple[int, int, int, int] | None
    working: tuple[int, int, int, int] | None
    welds: WeldDots


def assurance_map(panels: Sequence[MapPanel], *, x: Axis, y: Axis, reliability: float, columns: int = 3) -> Figure:
    """Draw the assurance over two dials, one small map for each setting of the others.

    Colour is the expected share of good welds; hatched is every setting where the claim cannot be made on its own;
    the window is outlined, the working region dashed, every weld is a numbered dot.
    """
    columns = min(columns, len(panels))
    rows = -(-len(panels) // columns)
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(3.2 * columns + 0.4, 3.1 * rows + 0.9), layout="constrained")
        grid = figure.subplots(rows, columns, squeeze=False)
        for place, panel in zip(grid.flat, panels, strict=False):
            _draw_map(place, panel, x, y, reliability)
        for place in grid.flat[len(panels) :]:
            place.set_axis_off()
        _map_legend(figure, reliability)
    return figure


def _norm() -> BoundaryNorm:
    return BoundaryNorm(STEPS, mpl.colormaps[COLOURS].N)


def _draw_map(place: Axes, panel: MapPanel, x: Axis, y: Axis, reliability: float) -> None:
    """Draw one map."""
    x_edges, y_edges = _edges(len(x.values)), _edges(len(y.values))
    place.pcolormesh(x_edges, y_edges, np.ma.masked_invalid(panel.expected), cmap=COLOURS, norm=_norm())
    unclaimed = np.where(np.isnan(panel.expected) | (panel.low >= reliability), np.nan, 1.0)
    for row, column in zip(*np.nonzero(np.isfinite(unclaimed)), strict=True):
        place.add_patch(
            Rectangle((column - 0.5, row - 0.5), 1, 1, fill=False, hatch="////", linewidth=0, edgecolor="#ffffff99")
        )
    for box, dashes, width in ((panel.working, "--", 1.2), (panel.window, "-", 2.6)):
        if box is not None:
            place.add_patch(_outline(box, dashes, width))
    _draw_welds(place, panel.welds, x, y)
    place.set_title(panel.title, loc="left")
    place.set_xlabel(x.label)
    place.set_ylabel(y.label)
    _ticks(place, x, y)


def _edges(n: int) -> FloatArray:
    """Give cell edges of n evenly drawn settings: dials are drawn mark by mark."""
    return np.arange(n + 1, dtype=float) - 0.5


def _outline(box: tuple[int, int, int, int], dashes: str, width: float) -> Rectangle:
    x_low, x_high, y_low, y_high = box
    return Rectangle(
        (x_low - 0.5, y_low - 0.5),
        x_high - x_low + 1,
        y_high - y_low + 1,
        fill=False,
        linestyle=dashes,
        linewidth=width,
        edgecolor="black",
        zorder=4,
    )


def _draw_welds(place: Axes, welds: WeldDots, x: Axis, y: Axis) -> None:
    """Draw numbered dots; welds at one setting stand side by side."""
    column = np.interp(welds.x, x.values, np.arange(len(x.values)))
    row = np.interp(welds.y, y.values, np.arange(len(y.values)))
    seen: dict[tuple[float, float], int] = {}
    for i, label in enumerate(welds.labels):
        key = (round(float(column[i]), 3), round(float(row[i]), 3))
        turn = seen.get(key, 0)
        seen[key] = turn + 1
        at = (column[i] + 0.32 * ((turn + 1) // 2) * (-1) ** turn, row[i])
        marker = "s" if welds.tripped[i] else "o"
        place.plot(
            *at,
            marker,
            markersize=11,
            markerfacecolor="white" if welds.good[i] else "#222222",
            markeredgecolor="black",
            markeredgewidth=0.9,
            zorder=5,
        )
        colour = "black" if welds.good[i] else "white"
        place.text(*at, label, ha="center", va="center", fontsize=6, color=colour, zorder=6)


def _ticks(place: Axes, x: Axis, y: Axis) -> None:
    """Label the settings, at most about ten an edge."""
    for axis, setter, ticks in ((x, place.set_xticks, x.ticks), (y, place.set_yticks, y.ticks)):
        step = max(1, -(-len(axis.values) // 9))
        at = np.arange(0, len(axis.values), step)
        setter(at, [ticks[i] for i in at])
    place.set_xlim(-0.6, len(x.values) - 0.4)
    place.set_ylim(-0.6, len(y.values) - 0.4)


def _map_legend(figure: Figure, reliability: float) -> None:
    """Explain colours, hatch, outlines and dots in one legend below the maps."""
    colours, norm = mpl.colormaps[COLOURS], _norm()
    entries: list[Patch | Line2D] = [
        Patch(
            facecolor=colours(norm((low + high) / 2)),
            label=f"{low:.0%} to {high:.0%}" if low else f"under {high:.0%}",
        )
        for low, high in itertools.pairwise(STEPS)
    ]
    entries += [
        Patch(facecolor="#8a8a8a", edgecolor="white", hatch="////", label=f"{reliability:.0%} cannot be claimed"),
        Line2D([], [], color="black", linewidth=2.6, label="window"),
        Line2D([], [], color="black", linewidth=1.2, linestyle="--", label="working region"),
        Line2D([], [], marker="o", color="none", markerfacecolor="white", markeredgecolor="black", label="weld, good"),
        Line2D(
            [], [], marker="o", color="none", markerfacecolor="#222", markeredgecolor="black", label="weld, not good"
        ),
        Line2D([], [], marker="s", color="none", markerfacecolor="#222", markeredgecolor="black", label="trip"),
    ]
    figure.legend(
        handles=entries, loc="outside lower center", ncols=4, fontsize=7.5, frameon=False, title="expected good welds"
    )


@dataclass(frozen=True, eq=False)
class CurvePanel:
    """One response along one dial, the other dials held.

    Attributes
    ----------
    title : str
    x : Axis
    mean, mean_low, mean_high, weld_low, weld_high : ndarray, shape (n,)
        The mean with its confidence band, and the prediction band of the next weld.
    points_x, points_y : ndarray
        What was measured, near or far.
    at_least, at_most : float or None
        The requirement.
    """

    title: str
    x: Axis
    mean: FloatArray
    mean_low: FloatArray
    mean_high: FloatArray
    weld_low: FloatArray
    weld_high: FloatArray
    points_x: FloatArray
    points_y: FloatArray
    at_least: float | None = None
    at_most: float | None = None


def mean_curves(panels: Sequence[CurvePanel], *, label: str, confidence: float, is_chance: bool = False) -> Figure:
    """Draw one response along each dial: the mean, its confidence band, the prediction band, and the welds."""
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(3.2 * len(panels) + 0.4, 3.4), layout="constrained")
        places = figure.subplots(1, len(panels), squeeze=False, sharey=True)[0]
        for place, panel in zip(places, panels, strict=True):
            _draw_curve(place, panel)
        places[0].set_ylabel(label)
        if is_chance:
            places[0].set_ylim(-0.04, 1.04)
        handles = [
            Line2D([], [], color=CONFIDENCE_COLOUR, label="average weld"),
            Patch(facecolor=CONFIDENCE_COLOUR, alpha=0.45, label=f"{confidence:.0%} confidence band of the average"),
            Patch(facecolor=PREDICTION_COLOUR, alpha=0.35, label=f"{confidence:.0%} prediction band of the next weld"),
            Line2D([], [], color="black", linestyle=":", label="requirement"),
            Line2D([], [], marker="o", color="none", markeredgecolor="black", label="weld measured"),
        ]
        figure.legend(handles=handles, loc="outside lower center", ncols=3, fontsize=7.5, frameon=False)
    return figure


def _draw_curve(place: Axes, panel: CurvePanel) -> None:
    """Draw one response along one dial."""
    values = panel.x.values
    marker = "o" if len(values) < 8 else ""
    place.fill_between(values, panel.weld_low, panel.weld_high, color=PREDICTION_COLOUR, alpha=0.35, linewidth=0)
    place.fill_between(values, panel.mean_low, panel.mean_high, color=CONFIDENCE_COLOUR, alpha=0.45, linewidth=0)
    place.plot(values, panel.mean, color=CONFIDENCE_COLOUR, linewidth=1.6, marker=marker, markersize=3)
    for limit in (panel.at_least, panel.at_most):
        if limit is not None:
            place.axhline(limit, color="black", linestyle=":", linewidth=1.2)
    place.plot(panel.points_x, panel.points_y, "o", markersize=4, markerfacecolor="none", markeredgecolor="black")
    place.set_title(panel.title, loc="left")
    place.set_xlabel(panel.x.label)
    step = max(1, -(-len(values) // 7))
    place.set_xticks(values[::step], panel.x.ticks[::step])


def residual_plots(fitted: FloatArray, residual: FloatArray, order: FloatArray, *, label: str) -> Figure:
    """Draw residuals against the fitted value and against the order of welding."""
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(6.8, 2.8), layout="constrained")
        left, right = figure.subplots(1, 2, sharey=True)
        for place, along, name in ((left, fitted, f"fitted {label}"), (right, order, "order of welding")):
            place.axhline(0.0, color="black", linewidth=0.8)
            place.plot(along, residual, "o", markersize=4, markerfacecolor="none", markeredgecolor="black")
            place.set_xlabel(name)
        left.set_ylabel("residual")
    return figure


def to_svg(figure: Figure) -> str:
    """Render a figure as an SVG element, without date, XML prologue or fixed size."""
    out = io.StringIO()
    with mpl.rc_context(STYLE):
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    text = out.getvalue()
    return text[text.index("<svg") :]


def to_png(figure: Figure, *, dpi: int = 150) -> bytes:
    """Render a figure as PNG bytes, the same for the same input."""
    out = io.BytesIO()
    with mpl.rc_context(STYLE):
        figure.savefig(out, format="png", dpi=dpi, metadata={"Software": None})
    return out.getvalue()
