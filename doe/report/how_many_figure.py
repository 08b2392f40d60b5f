"""The drawing of precision and cost against the number of welds."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Final

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from doe.coding import FloatArray
from doe.planning.sizes import FEWEST_DF, SizeRow
from doe.rehearsal.how_many import SimulatedSize
from doe.report.figures import CONFIDENCE_COLOUR, PREDICTION_COLOUR, STYLE, to_png, to_svg
from doe.report.writing import FOLDER
from doe.saving import make_folder, write_bytes, write_text
from doe.study.model import Study

STEM: Final = "how-many"
"""Name of the drawing's files."""


def how_many_figure(study: Study, rows: Sequence[SizeRow], simulated: Sequence[SimulatedSize] = ()) -> Figure:
    """Draw half-width and cost against the number of welds, the knee marked.

    Parameters
    ----------
    study : Study
    rows : sequence of SizeRow
        Sizes that no plan could be made for are left out.
    simulated : sequence of SimulatedSize
        Chance and share of a window, drawn in a third panel where there are any.
    """
    with mpl.rc_context(STYLE):
        n_panels = 3 if simulated else 2
        figure = Figure(figsize=(3.4 * n_panels, 3.0), layout="constrained")
        places = figure.subplots(1, n_panels)
        _draw_half_width(places[0], study, rows)
        _draw_cost(places[1], rows)
        if simulated:
            _draw_chance(places[2], simulated)
        for place in places:
            _finish(place, rows)
    return figure


def write_how_many(study: Study, rows: Sequence[SizeRow], simulated: Sequence[SimulatedSize] = ()) -> list[Path]:
    """Write the drawing as ``report/how-many.svg`` and ``.png``.

    Raises
    ------
    CannotWriteError
        If a file cannot be written.
    """
    folder = study.folder / FOLDER
    make_folder(folder, within=study.folder)
    figure = how_many_figure(study, rows, simulated)
    drawing, picture = folder / f"{STEM}.svg", folder / f"{STEM}.png"
    write_text(drawing, to_svg(figure), within=study.folder)
    write_bytes(picture, to_png(figure), within=study.folder)
    return [drawing, picture]


def half_widths(study: Study, rows: Sequence[SizeRow]) -> tuple[str, FloatArray]:
    """Give the half-width whose knee is sought: its label, and its value a row; nan where it is not known.

    It is in the unit of the first measure whose scatter is known. Where none is, it is in scatters between welds,
    from three welds to spare on: with fewer the scatter itself is hardly known.
    """
    names = [name for row in rows for name, _ in row.half_widths][:1]
    if names:
        unit = study.response(names[0]).unit
        known = [dict(row.half_widths).get(names[0]) for row in rows]
        return f"{names[0]} ± [{unit}]", np.array(known, dtype=float)
    widths = [row.half_width if row.residual_df >= FEWEST_DF else None for row in rows]
    return "± [scatter between welds]", np.array(widths, dtype=float)


def _draw_half_width(place: Axes, study: Study, rows: Sequence[SizeRow]) -> None:
    """Draw the half-width, averaged over the region."""
    label, widths = half_widths(study, rows)
    place.plot([row.welds for row in rows], widths, "o-", color=CONFIDENCE_COLOUR, markersize=3.5)
    place.set_title("how closely the mean is known, 90 % sure", loc="left")
    place.set_ylabel(label)


def _draw_cost(place: Axes, rows: Sequence[SizeRow]) -> None:
    """Draw hours where the job states what they follow from, plates where it does not."""
    known = [(row.welds, row.cost) for row in rows if row.cost is not None]
    welds = [n for n, _ in known]
    timed = [(cost.elapsed_min, cost.bench_min) for _, cost in known if cost.elapsed_min is not None]
    if timed and len(timed) == len(known):
        welding = np.array([elapsed for elapsed, _ in timed], dtype=float) / 60
        bench = np.array([minutes for _, minutes in timed]) / 60
        place.plot(welds, welding, "o-", color=CONFIDENCE_COLOUR, markersize=3.5, label="welding with rests")
        if bench.any():
            colour = PREDICTION_COLOUR
            place.plot(welds, welding + bench, "s-", color=colour, markersize=3.5, label="with cutting and etching")
        place.legend(framealpha=1.0, edgecolor="none", fontsize=7.5)
        place.set_ylabel("hours")
    else:
        place.plot(welds, [cost.plates for _, cost in known], "o-", color=CONFIDENCE_COLOUR, markersize=3.5)
        place.set_ylabel("plates")
    place.set_title("what they cost", loc="left")


def _draw_chance(place: Axes, simulated: Sequence[SimulatedSize]) -> None:
    """Draw the simulated chance and share of a window, with their Monte Carlo errors."""
    known = [row for row in simulated if not row.refused]
    welds = [row.welds for row in known]
    for values, errors, style, colour, label in (
        ([r.chance for r in known], [r.chance_error for r in known], "o-", CONFIDENCE_COLOUR, "a window is found"),
        ([r.share for r in known], [r.share_error for r in known], "s-", PREDICTION_COLOUR, "share of it, on average"),
    ):
        place.errorbar(welds, values, errors, fmt=style, color=colour, markersize=3.5, capsize=2, label=label)
    place.set_ylim(-0.04, 1.04)
    place.legend(framealpha=1.0, edgecolor="none", fontsize=7.5)
    place.set_title("simulated chance of a window", loc="left")


def _finish(place: Axes, rows: Sequence[SizeRow]) -> None:
    """Label the welds and mark the knee."""
    place.set_xlabel("welds")
    place.set_xlim(min(row.welds for row in rows) - 0.5, max(row.welds for row in rows) + 0.5)
    place.xaxis.set_major_locator(MaxNLocator(integer=True))
    if place.get_ylabel():
        place.set_ylim(bottom=0)
    for row in rows:
        if row.is_knee:
            place.axvline(row.welds, color="black", linestyle=":", linewidth=1.2)
            place.text(
                row.welds, 0.02, f" knee: {row.welds} welds", transform=place.get_xaxis_transform(), fontsize=7.5
            )
