"""Figures of curves: arrays in, ``matplotlib.figure.Figure`` out. No statistics, no state, the same bytes each time.

Every figure comes as panels of one size. The page sets them side by side where there is room and below one another on a
phone; as a file they are drawn together in as many columns as are asked for. The map is in ``doe.report.map_figure``.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final, TypeVar

import matplotlib as mpl
import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Patch
from scipy.special import ndtri

from doe.coding import FloatArray
from doe.window.words import level

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
    "text.parse_math": False,  # a dollar sign in a name is a dollar sign
}
"""One look for every figure."""

COLOURS: Final = "cividis"
"""Colour map of every area: made for readers with any colour vision, and rising in grey."""

CONFIDENCE_COLOUR: Final = "#1b5e8a"
PREDICTION_COLOUR: Final = "#d8a13a"
"""The band of the mean and the band of the next weld never share a colour."""

PANEL_IN: Final = (3.4, 3.0)
"""Width and height of a panel. [in] Read at about this size on a phone too."""
NARROW_COLUMNS: Final = 1
WIDE_COLUMNS: Final = 3
"""Panels side by side in a file for a phone, and for paper."""

PanelT = TypeVar("PanelT")
Drawing = Callable[[Axes], None]


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


def draw_panels(
    drawings: Sequence[Drawing], legend: Sequence[Artist] = (), *, columns: int = WIDE_COLUMNS, title: str = ""
) -> Figure:
    """Draw panels of one size in so many columns, with one legend below them."""
    columns = max(1, min(columns, len(drawings)))
    rows = -(-len(drawings) // columns)
    across = 1 if columns == 1 else 2 * columns - 2
    legend_in = 0.19 * -(-len(legend) // max(across, 1)) + (0.25 if title else 0.1) if legend else 0.0
    with mpl.rc_context(STYLE):
        size = (PANEL_IN[0] * columns, PANEL_IN[1] * rows + legend_in)
        alone = rows * columns == 1 and not legend
        figure = Figure(figsize=size, layout=None if alone else "constrained")
        grid = figure.subplots(rows, columns, squeeze=False)
        if alone:  # fixed margins, so that panels that stand apart have edges of one size
            figure.subplots_adjust(left=0.17, right=0.98, bottom=0.15, top=0.92)
        for place, draw in zip(grid.flat, drawings, strict=False):
            draw(place)
        for place in grid.flat[len(drawings) :]:
            place.set_axis_off()
        if legend:
            figure.legend(
                handles=list(legend),
                loc="outside lower center",
                ncols=across,
                fontsize=8,
                frameon=False,
                title=title or None,
                alignment="left",
            )
    return figure


@dataclass(frozen=True, eq=False)
class LegendGroup:
    """Entries of a legend that belong together; the groups stand side by side where there is room."""

    title: str
    entries: tuple[Artist, ...]


def legend_columns(entries: Sequence[Artist]) -> tuple[LegendGroup, ...]:
    """Part a legend's entries, in their order, among as many columns as panels stand side by side."""
    length = -(-len(entries) // WIDE_COLUMNS)
    starts = range(0, len(entries), length or 1)
    return tuple(LegendGroup("", tuple(entries[start : start + length])) for start in starts)


def legend_alone(legend: Sequence[Artist], *, title: str = "") -> Figure:
    """Draw a legend by itself, as wide as a panel, for beside panels that stand apart."""
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(PANEL_IN[0], 0.185 * len(legend) + (0.3 if title else 0.1)))
        figure.legend(
            handles=list(legend), loc="upper left", fontsize=8.5, frameon=False, title=title or None, alignment="left"
        )
    return figure


# --- curves


@dataclass(frozen=True, eq=False)
class CurvePanel:
    """One response along one dial, the other dials held.

    Attributes
    ----------
    title : str
    x : Axis
    mean, mean_low, mean_high : ndarray, shape (n,)
        The mean with its confidence band; nan where nothing may be welded.
    weld_low, weld_high : ndarray, shape (n,)
        The prediction band of the next weld.
    points_x, points_y : ndarray
        What was measured, near or far.
    limits : tuple of float
        The requirement's.
    is_kind : bool
        Whether the dial is a choice, drawn as posts and not as a curve.
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
    limits: tuple[float, ...] = ()
    is_kind: bool = False


@dataclass(frozen=True)
class CurveStyle:
    """What the panels of one response share: the vertical axis, and whether it is a chance."""

    label: str
    bottom: float
    top: float
    is_chance: bool = False


def curve_drawing(panel: CurvePanel, style: CurveStyle) -> Drawing:
    """Make the drawing of one response along one dial."""

    def draw(place: Axes) -> None:
        (_draw_posts if panel.is_kind else _draw_curve)(place, panel, style)
        for limit in panel.limits:
            place.axhline(limit, color="black", linestyle=":", linewidth=1.2)
        place.plot(panel.points_x, panel.points_y, "o", markersize=4, markerfacecolor="none", markeredgecolor="black")
        place.set_title(panel.title, loc="left")
        place.set_xlabel(panel.x.label)
        place.set_ylabel(style.label)
        place.set_ylim(style.bottom, style.top)
        step = max(1, -(-len(panel.x.values) // 7))
        place.set_xticks(panel.x.values[::step], panel.x.ticks[::step])

    return draw


def _draw_curve(place: Axes, panel: CurvePanel, style: CurveStyle) -> None:
    values = panel.x.values
    marker = "o" if len(values) < 8 else ""
    if not style.is_chance:
        place.fill_between(values, panel.weld_low, panel.weld_high, color=PREDICTION_COLOUR, alpha=0.35, linewidth=0)
    place.fill_between(values, panel.mean_low, panel.mean_high, color=CONFIDENCE_COLOUR, alpha=0.45, linewidth=0)
    place.plot(values, panel.mean, color=CONFIDENCE_COLOUR, linewidth=1.6, marker=marker, markersize=3)


def _draw_posts(place: Axes, panel: CurvePanel, style: CurveStyle) -> None:
    """Draw the bands of each kind as a wide and a narrow post, the mean across."""
    values = panel.x.values
    if not style.is_chance:
        height = panel.weld_high - panel.weld_low
        place.bar(values, height, width=0.6, bottom=panel.weld_low, color=PREDICTION_COLOUR, alpha=0.35)
    height = panel.mean_high - panel.mean_low
    place.bar(values, height, width=0.25, bottom=panel.mean_low, color=CONFIDENCE_COLOUR, alpha=0.45)
    place.hlines(panel.mean, values - 0.3, values + 0.3, color=CONFIDENCE_COLOUR, linewidth=1.8)
    place.set_xlim(values[0] - 0.6, values[-1] + 0.6)


def curve_legend(confidence: float, *, is_chance: bool) -> list[Artist]:
    """Explain line, bands, requirement and rings."""
    band = Patch(facecolor=PREDICTION_COLOUR, alpha=0.35, label=f"{level(confidence)} prediction band of the next weld")
    what = "chance" if is_chance else "average weld"
    return [
        Line2D([], [], color=CONFIDENCE_COLOUR, label=what),
        Patch(facecolor=CONFIDENCE_COLOUR, alpha=0.45, label=f"{level(confidence)} confidence band of the {what}"),
        *([] if is_chance else [band, Line2D([], [], color="black", linestyle=":", label="requirement")]),
        Line2D([], [], marker="o", color="none", markerfacecolor="none", markeredgecolor="black", label="weld as read"),
    ]


# --- residuals


def residual_drawings(
    fitted: FloatArray, residual: FloatArray, order: FloatArray, *, label: str, is_normal: bool
) -> tuple[Drawing, ...]:
    """Make the drawings of residuals: against the fitted value and the order; of readings on a scale, normal scores."""
    n = int(np.isfinite(residual).sum())
    expected = ndtri((np.arange(1, n + 1) - 0.375) / (n + 0.25))  # Blom 1958, from memory
    pairs = [(fitted, residual, f"fitted {label}"), (order, residual, "order of welding")]
    if is_normal:
        pairs.append((expected, np.sort(residual[np.isfinite(residual)]), "normal score"))

    def make(x: FloatArray, y: FloatArray, name: str) -> Drawing:
        def draw(place: Axes) -> None:
            place.axhline(0.0, color="black", linewidth=0.8)
            place.plot(x, y, "o", markersize=4, markerfacecolor="none", markeredgecolor="black")
            place.set_xlabel(name)
            place.set_ylabel("residual")

        return draw

    return tuple(make(*pair) for pair in pairs)


# --- files


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
