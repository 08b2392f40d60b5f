"""A blank results table, filled in by a virtual welder as a person would."""

from __future__ import annotations

import csv
import io

import numpy as np

from doe.bench.results import Counts, Measurement, Passes, Results, Trips
from doe.bench.tables import results_table
from doe.planning.plan import Plan


def filled_table(plan: Plan, results: Results) -> str:
    """Fill the blank table of a plan with the readings of results welded from it.

    Parameters
    ----------
    plan : Plan
    results : Results
        Made by ``weld_plan`` from the same plan.

    Returns
    -------
    str
        The CSV text.
    """
    lines = results_table(plan).splitlines()
    comments = [line for line in lines if line.startswith("#")]
    rows = list(csv.DictReader(line for line in lines if not line.startswith("#")))
    index = {weld: i for i, weld in enumerate(results.weld)}
    for row in rows:
        i = index[row["weld"]]
        row["status"] = results.status[i]
        row.update(_cells(results, i))
    out = io.StringIO()
    writer = csv.DictWriter(out, fieldnames=list(rows[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return "\n".join([*comments, out.getvalue()])


def _cells(results: Results, i: int) -> dict[str, str]:
    """Give one weld's readings by column heading."""
    cells: dict[str, str] = {}
    for response in results.study.responses:
        reading, name = results.readings[response.name], response.name
        if isinstance(reading, Measurement):
            unit = f" [{response.unit}]" if response.unit else ""
            for cut, value in enumerate(reading.values[i], start=1):
                cells[f"{name}{unit}" if cut == 1 else f"{name} {cut}{unit}"] = f"{value:g}"
        elif isinstance(reading, Counts):
            cells[name] = f"{reading.counts[i]:.0f}"
            cells[f"{name} length [mm]"] = f"{reading.length_mm[i]:g}"
        elif isinstance(reading, Trips):
            cells[name] = "yes" if reading.tripped[i] else "no"
            cells[f"{name} time [s]"] = f"{reading.time_s[i]:g}"
        elif isinstance(reading, Passes):
            cells[name] = "yes" if reading.passed[i] else "no"
    for heading, values in results.conditions.items():
        if np.isfinite(values[i]):
            cells[heading] = f"{values[i]:g}"
    return cells
