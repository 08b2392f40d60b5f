"""The assurance map: arrays in, drawings out.

Colour is the expected share of good welds. Nothing is drawn outside what was tested; hatched is every setting where the
claim cannot be made on its own; the window is outlined, the working region dashed; limits and the supply's loads are
lines; every weld is a numbered dot. All of it is told by shape and hatch as well as by colour.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import matplotlib as mpl
import matplotlib.transforms as mtransforms
import numpy as np
from matplotlib import patheffects
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm
from matplotlib.lines import Line2D
from matplotlib.patches import Patch, PathPatch, Rectangle
from matplotlib.path import Path

from doe.coding import FloatArray
from doe.report.figures import COLOURS, Axis, Drawing, LegendGroup
from doe.window.words import frequency, level

STEPS: Final = (0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)
"""Steps of the assurance in the map."""
LIGHT_FROM: Final = 0.7
"""From this assurance the colour is light, and its hatch is dark."""
DOT_PT: Final = 12.0
"""Size of a weld's dot. [pt]"""

Outcome = Literal["good", "not good", "trip", "late trip, good", "not judged"]
LineKind = Literal["limit", "supply"]

MARKERS: Final[dict[Outcome, tuple[str, str, str]]] = {
    "good": ("o", "white", "black"),
    "not good": ("o", "#222222", "white"),
    "trip": ("s", "#222222", "white"),
    "late trip, good": ("s", "white", "black"),
    "not judged": ("D", "#c8c8c8", "black"),
}
"""Shape, fill and colour of the number, by outcome."""
LINES: Final[dict[LineKind, tuple[Literal["-.", "-"], float, str]]] = {
    "limit": ("-.", 2.0, "#7a2e00"),
    "supply": ("-", 1.1, "#7a2e00"),
}
"""Dashes, width and colour of the lines."""


@dataclass(frozen=True, eq=False)
class WeldDots:
    """Welds on a map: places, numbers, outcomes."""

    x: FloatArray
    y: FloatArray
    labels: tuple[str, ...]
    outcomes: tuple[Outcome, ...]


@dataclass(frozen=True, eq=False)
class MapLine:
    """Where a quantity reaches a level.

    Attributes
    ----------
    kind : {"limit", "supply"}
    label : str
        In the legend for a limit, beside the line for the supply.
    x, y : ndarray, shape (n_x,), (n_y,)
        Places on the map, in cells.
    values : ndarray, shape (n_y, n_x)
        nan where the line is not to be drawn.
    level : float
    """

    kind: LineKind
    label: str
    x: FloatArray
    y: FloatArray
    values: FloatArray
    level: float


@dataclass(frozen=True, eq=False)
class MapPanel:
    """One small map.

    Attributes
    ----------
    title : str
    x, y : Axis
    expected, low : ndarray, shape (n_y, n_x)
        Expected assurance, and its bound held with the claim's confidence; nan outside what was tested.
    window, working : tuple of int or None
        Index ranges x_low, x_high, y_low, y_high of the window and the working region on this panel.
    welds : WeldDots
    lines : tuple of MapLine
    """

    title: str
    x: Axis
    y: Axis
    expected: FloatArray
    low: FloatArray
    window: tuple[int, int, int, int] | None
    working: tuple[int, int, int, int] | None
    welds: WeldDots
    lines: tuple[MapLine, ...] = ()


def map_drawing(panel: MapPanel, reliability: float) -> Drawing:
    """Make the drawing of one small map."""

    def draw(place: Axes) -> None:
        n_y, n_x = panel.expected.shape
        place.pcolormesh(
            _edges(n_x), _edges(n_y), np.ma.masked_invalid(panel.expected), cmap=COLOURS, norm=_norm(), linewidth=0
        )
        _hatch(place, panel, reliability)
        _draw_tested(place, np.isfinite(panel.expected))
        for box, dashes, width in ((panel.working, "--", 1.4), (panel.window, "-", 2.8)):
            if box is not None:
                place.add_patch(_outline(box, dashes, width))
        for line in panel.lines:
            _draw_line(place, line)
        _draw_welds(place, panel)
        place.set_title(panel.title, loc="left")
        _label(place, panel.x, panel.y)

    return draw


def _norm() -> BoundaryNorm:
    return BoundaryNorm(STEPS, mpl.colormaps[COLOURS].N)


def _edges(n: int) -> FloatArray:
    """Give cell edges of n evenly drawn settings: dials are drawn mark by mark."""
    return np.arange(n + 1, dtype=float) - 0.5


def _hatch(place: Axes, panel: MapPanel, reliability: float) -> None:
    """Hatch every cell where the claim cannot be made, dark on light cells and light on dark ones."""
    unclaimed = np.isfinite(panel.expected) & ~(panel.low >= reliability)
    light = np.nan_to_num(panel.expected) >= LIGHT_FROM
    for cells, colour in ((unclaimed & light, "#00000099"), (unclaimed & ~light, "#ffffffb0")):
        corners = [_cell(row, column) for row, column in zip(*np.nonzero(cells), strict=True)]
        if corners:
            path = Path.make_compound_path(*corners)
            place.add_patch(PathPatch(path, fill=False, hatch="////", linewidth=0, edgecolor=colour))


def _cell(row: int, column: int) -> Path:
    x, y = column - 0.5, row - 0.5
    return Path([(x, y), (x + 1, y), (x + 1, y + 1), (x, y + 1), (x, y)], closed=True)


def _draw_tested(place: Axes, tested: np.ndarray) -> None:
    """Draw a thin line around the cells that lie within what was tested."""
    padded = np.pad(tested, 1)
    sides = []
    for row, column in zip(*np.nonzero(tested), strict=True):
        x, y = column - 0.5, row - 0.5
        around = {
            (row, column + 1): ((x, y), (x + 1, y)),  # below
            (row + 2, column + 1): ((x, y + 1), (x + 1, y + 1)),
            (row + 1, column): ((x, y), (x, y + 1)),
            (row + 1, column + 2): ((x + 1, y), (x + 1, y + 1)),
        }
        sides += [side for neighbour, side in around.items() if not padded[neighbour]]
    for (x1, y1), (x2, y2) in sides:
        place.plot([x1, x2], [y1, y2], color="black", linewidth=0.9, linestyle=(0, (1, 1.5)), zorder=3)


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


def _draw_line(place: Axes, line: MapLine) -> None:
    """Draw where a quantity reaches its level, if it does so on this map; a white edge parts it from any ground."""
    known = line.values[np.isfinite(line.values)]
    if not len(known) or not known.min() < line.level < known.max():
        return
    dashes, width, colour = LINES[line.kind]
    drawn = place.contour(
        line.x,
        line.y,
        np.ma.masked_invalid(line.values),
        levels=[line.level],
        colors=[colour],
        linewidths=width,
        linestyles=dashes,
        zorder=4,
    )
    edge: list[patheffects.AbstractPathEffect] = [patheffects.withStroke(linewidth=width + 1.6, foreground="white")]
    drawn.set_path_effects(edge)
    if line.kind == "supply":
        labels = place.clabel(drawn, fmt={line.level: line.label}, fontsize=7.5, inline=True, zorder=4.5)
        for label in labels:
            label.set_path_effects(edge)


def _draw_welds(place: Axes, panel: MapPanel) -> None:
    """Draw numbered dots; welds at one setting stand side by side."""
    welds = panel.welds
    column = np.interp(welds.x, panel.x.values, np.arange(len(panel.x.values)))
    row = np.interp(welds.y, panel.y.values, np.arange(len(panel.y.values)))
    alike: dict[tuple[float, float], list[int]] = {}
    for i in range(len(welds.labels)):
        alike.setdefault((round(float(column[i]), 2), round(float(row[i]), 2)), []).append(i)
    for at, members in alike.items():
        for i, shift in zip(members, _side_by_side(len(members)), strict=True):
            moved = place.transData + mtransforms.ScaledTranslation(*shift, place.figure.dpi_scale_trans)
            shape, fill, ink = MARKERS[welds.outcomes[i]]
            place.plot(
                *at, shape, markersize=DOT_PT, markerfacecolor=fill, markeredgecolor="black", markeredgewidth=0.9,
                transform=moved, zorder=5, clip_on=False,
            )  # fmt: skip
            place.text(*at, welds.labels[i], ha="center", va="center", fontsize=7, color=ink, transform=moved, zorder=6)


def _side_by_side(n: int) -> Iterator[tuple[float, float]]:
    """Give the shifts, in inches, of n dots around one place: rows of at most so many that the block is square."""
    columns = math.ceil(math.sqrt(n))
    rows = math.ceil(n / columns)
    step = DOT_PT * 0.95 / 72.0
    for i in range(n):
        row, column = divmod(i, columns)
        yield (column - (min(n - row * columns, columns) - 1) / 2) * step, ((rows - 1) / 2 - row) * step


def _label(place: Axes, x: Axis, y: Axis) -> None:
    """Label the settings, at most about nine an edge."""
    for axis, setter in ((x, place.set_xticks), (y, place.set_yticks)):
        step = max(1, -(-len(axis.values) // 9))
        at = np.arange(0, len(axis.values), step)
        setter(at, [axis.ticks[i] for i in at])
    place.set_xlim(-0.65, len(x.values) - 0.35)
    place.set_ylim(-0.65, len(y.values) - 0.35)
    place.set_xlabel(x.label)
    place.set_ylabel(y.label)


def map_legend(panels: Sequence[MapPanel], reliability: float) -> tuple[LegendGroup, ...]:
    """Explain colours, hatch, outlines, lines and dots, a group each; only lines and outcomes that are on a panel."""
    colours, norm = mpl.colormaps[COLOURS], _norm()
    shares: list[Artist] = [
        Patch(
            facecolor=colours(norm((low + high) / 2)),
            label=f"{level(low)} to {level(high)}" if low else f"under {level(high)}",
        )
        for low, high in itertools.pairwise(STEPS)
    ]
    ground: list[Artist] = [
        Patch(
            facecolor="#d0d0d0", edgecolor="black", hatch="////", label=f"{frequency(reliability)} cannot be claimed"
        ),
        Line2D([], [], color="black", linewidth=0.9, linestyle=(0, (1, 1.5)), label="edge of what was tested"),
    ]
    if any(panel.window for panel in panels):
        ground.append(Line2D([], [], color="black", linewidth=2.8, label="window"))
    if any(panel.working for panel in panels):
        ground.append(Line2D([], [], color="black", linewidth=1.4, linestyle="--", label="working region"))
    limits = dict.fromkeys(line.label for panel in panels for line in panel.lines if line.kind == "limit")
    ground += [_line_entry("limit", f"limit: {label}") for label in limits]
    if any(line.kind == "supply" for panel in panels for line in panel.lines):
        ground.append(_line_entry("supply", "load over the breaker’s rating"))
    seen = {outcome for panel in panels for outcome in panel.welds.outcomes}
    dots: list[Artist] = [_dot_entry(outcome) for outcome in MARKERS if outcome in seen]
    groups = (("expected share of good welds", shares), ("ground and lines", ground), ("welds made", dots))
    return tuple(LegendGroup(title, tuple(entries)) for title, entries in groups if entries)


def _line_entry(kind: LineKind, label: str) -> Line2D:
    dashes, width, colour = LINES[kind]
    return Line2D([], [], color=colour, linewidth=width, linestyle=dashes, label=label)


def _dot_entry(outcome: Outcome) -> Line2D:
    shape, fill, _ = MARKERS[outcome]
    words = {"trip": "trip", "late trip, good": "trip after the time to hold, weld good"}.get(
        outcome, f"weld, {outcome}"
    )
    return Line2D([], [], marker=shape, color="none", markerfacecolor=fill, markeredgecolor="black", label=words)
