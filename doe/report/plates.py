"""The picture of the plates: which bead went where, and in which order."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from doe.bench.results import Results
from doe.report.figures import STYLE
from doe.report.formatting import setting
from doe.study.model import Factor

WIDTH_INCH: Final = 6.8
BEAD_INCH: Final = 0.27
HEAD_INCH: Final = 0.36
"""Width of the picture, height of one bead, and of a plate's name over it."""
MOST_ACROSS: Final = 4
"""Plates side by side, where what stands on them is short."""
NAME_INCH, BEADS_INCH = 0.088, 0.062
"""What a character takes in a plate's name, and on a bead."""
MOST_PLATES: Final = 60
"""More than this many plates are told by the table alone."""


@dataclass(frozen=True)
class Bead:
    """One weld as it is drawn: what stands on it, and whether it was made."""

    order: str
    text: str
    was_made: bool


@dataclass(frozen=True)
class DrawnPlate:
    """One plate: its name with what it holds, and its beads by position, each place of the plate once."""

    name: str
    beads: tuple[Bead, ...]


@dataclass(frozen=True, eq=False)
class PlatesPicture:
    """The picture, what it shows in words, and its caption."""

    figure: Figure
    text: str
    caption: str


def plates_picture(results: Results) -> PlatesPicture | None:
    """Draw every plate with its beads, plates in the order in which they were begun.

    None where the welds came without plates of their own names, or are too many to draw.
    """
    plates = drawn_plates(results)
    if not 0 < len(plates) <= MOST_PLATES:
        return None
    free, held = _split(results)
    beside = " / ".join(factor.name for factor in free)
    above = f"; above a plate: {', '.join(factor.name for factor in held)}" if held else ""
    caption = (
        f"Plates in the order of welding; a bead’s number is its place in that order, as planned. "
        f"Beside a weld’s name: {beside}{above}. Dashed: not made, or scrapped."
    )
    text = "; ".join(
        f"{plate.name}: {', '.join(f'{b.order} {b.text}'.strip() for b in plate.beads)}" for plate in plates
    )
    return PlatesPicture(plates_figure(plates), f"The plates with their welds. {text}.", caption)


def drawn_plates(results: Results) -> tuple[DrawnPlate, ...]:
    """Give the plates that have a name, by the order of their first weld."""
    members: dict[str, list[int]] = {}
    for i in np.argsort(np.where(results.order > 0, results.order, np.iinfo(np.int64).max), kind="stable"):
        if results.plate[i] and not results.plate[i].startswith("("):
            members.setdefault(results.plate[i], []).append(int(i))
    free, held = _split(results)
    return tuple(_plate(results, name, on_it, (free, held)) for name, on_it in members.items())


def _split(results: Results) -> tuple[Mapping[Factor, int], Mapping[Factor, int]]:
    """Part the factors into those set at every weld and those set once a plate, each with its column."""
    columns = {factor: j for j, factor in enumerate(results.study.factors)}
    held = {factor: j for factor, j in columns.items() if factor.hard_to_change}
    return {factor: j for factor, j in columns.items() if factor not in held}, held


def _plate(
    results: Results, name: str, on_it: Sequence[int], factors: tuple[Mapping[Factor, int], Mapping[Factor, int]]
) -> DrawnPlate:
    """Write what stands on one plate, beads from the first position down."""
    free, held = factors
    kept = [setting(factor, float(results.planned[on_it[0], j])) for factor, j in held.items()]
    beads = []
    for i in sorted(on_it, key=lambda i: int(results.position[i])):
        marks = " / ".join(_short(factor, float(results.planned[i, j])) for factor, j in free.items())
        order = f"{results.order[i]}" if results.order[i] > 0 else ""
        was_made = results.status[i] not in {"not run", "scrapped"}
        beads.append(Bead(order, f"{results.weld[i]}  {marks}", was_made))
    return DrawnPlate("  ".join([name, *kept]), tuple(beads))


def _short(factor: Factor, value: float) -> str:
    """Write a setting as the dial shows it, without its unit."""
    mark = factor.mark_at(value)
    return mark if mark is not None else setting(factor, value).split(" ")[0]


def plates_figure(plates: Sequence[DrawnPlate]) -> Figure:
    """Draw plates in rows, as many side by side as their texts leave room for, each with room for the fullest."""
    width = max(_width_needed(plate) for plate in plates)
    across = min(max(int(WIDTH_INCH / width), 1), MOST_ACROSS)
    down = math.ceil(len(plates) / across)
    cell = (WIDTH_INCH / across, HEAD_INCH + BEAD_INCH * max(len(plate.beads) for plate in plates))
    with mpl.rc_context(STYLE):
        figure = Figure(figsize=(WIDTH_INCH, cell[1] * down))
        place = figure.add_axes((0.0, 0.0, 1.0, 1.0))
        place.set(xlim=(0.0, WIDTH_INCH), ylim=(cell[1] * down, 0.0))
        place.axis("off")
        for number, plate in enumerate(plates):
            row, column = divmod(number, across)
            _draw_plate(place, plate, corner=(column * cell[0], row * cell[1]), width=cell[0])
    return figure


def _width_needed(plate: DrawnPlate) -> float:
    """Estimate the width that a plate's texts take. [inch]."""
    return max(NAME_INCH * len(plate.name) + 0.1, *(BEADS_INCH * len(bead.text) + 0.5 for bead in plate.beads))


def _draw_plate(place: Axes, plate: DrawnPlate, *, corner: tuple[float, float], width: float) -> None:
    """Draw one plate: its name, its outline, and a bar with its number for each bead."""
    left, top = corner[0] + 0.06, corner[1] + HEAD_INCH - 0.06
    place.text(left, top - 0.06, plate.name, fontsize=8.5, fontweight="bold")
    height = BEAD_INCH * len(plate.beads)
    place.add_patch(Rectangle((left, top), width - 0.14, height, fill=False, linewidth=1.0))
    for number, bead in enumerate(plate.beads):
        middle = top + BEAD_INCH * (number + 0.5)
        bar = Rectangle((left + 0.05, middle - 0.095), width - 0.24, 0.19, edgecolor="#555555", linewidth=0.7)
        bar.set(facecolor="#e4e4e4" if bead.was_made else "white", linestyle="solid" if bead.was_made else "dashed")
        place.add_patch(bar)
        place.text(left + 0.1, middle, bead.order, fontsize=8.5, fontweight="bold", va="center_baseline")
        place.text(left + 0.34, middle, bead.text, fontsize=7.5, va="center_baseline")
