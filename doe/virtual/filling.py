"""A blank results table, filled in by a virtual welder as a person would."""

from __future__ import annotations

import csv
import io
from collections.abc import Collection

import numpy as np

from doe.bench.columns import Column, further_cut, plan_columns, results_columns
from doe.bench.results import Counts, Measurement, Results, Trips
from doe.bench.tables import results_table
from doe.planning.plan import Plan
from doe.units import convert


def filled_table(plan: Plan, results: Results, *, only: Collection[str] | None = None) -> str:
    """Fill the blank table of a plan with the readings of results welded from it.

    Parameters
    ----------
    plan : Plan
    results : Results
        Made by ``weld_plan`` from the same plan.
    only : collection of str or None
        The welds that were made; the rows of the others stay blank. None: all.

    Returns
    -------
    str
        The CSV text; further cuts of a weld stand in columns of their own at the end.
    """
    lines = results_table(plan).splitlines(keepends=True)
    head, *rows = csv.reader(line for line in lines if not line.startswith("#"))
    known, more = results_columns(plan.study), _cut_columns(results)
    planned = len(plan_columns(plan.study))
    out = io.StringIO()
    out.writelines(line for line in lines if line.startswith("#"))
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow([*head, *(column.heading for column in more)])
    for row in rows:
        if only is not None and row[0] not in only:
            writer.writerow([*row, *("" for _ in more)])
            continue
        i = results.weld.index(row[0])
        writer.writerow([*row[:planned], *(_cell(column, results, i) for column in (*known[planned:], *more))])
    return out.getvalue()


def _cut_columns(results: Results) -> tuple[Column, ...]:
    """Give the columns of second and further cuts."""
    readings = (c for c in results_columns(results.study) if c.what == "reading")
    return tuple(further_cut(column, cut) for column in readings for cut in range(2, _n_cuts(results, column.name) + 1))


def _n_cuts(results: Results, name: str) -> int:
    reading = results.readings[name]
    return reading.values.shape[1] if isinstance(reading, Measurement) else 1


def _cell(column: Column, results: Results, i: int) -> str:
    """Give what stands in one column for one weld; blank where nothing was recorded."""
    if column.what == "status":
        return results.status[i]
    if column.what == "condition":
        values = results.conditions.get(column.name)
        if values is None or np.isnan(values[i]):
            return ""
        kept_in = column.name.rpartition("[")[2].rstrip("]")
        return f"{float(convert(values[i], kept_in, column.unit)):.6g}"
    if column.what in {"reading", "length", "run"}:
        return _reading_cell(column, results, i)
    return ""


def _reading_cell(column: Column, results: Results, i: int) -> str:
    """Give one weld's reading, inspected length or arc time."""
    reading = results.readings[column.name]
    if isinstance(reading, Measurement):
        return _unless_blank(reading.values[i, column.cut - 1], f"{reading.values[i, column.cut - 1]:g}")
    if isinstance(reading, Counts):
        length = float(convert(reading.length_mm[i], "mm", column.unit or "mm"))
        return f"{length:.6g}" if column.what == "length" else f"{reading.counts[i]:.0f}"
    if isinstance(reading, Trips):
        said = f"{reading.time_s[i]:g}" if column.what == "run" else ("yes" if reading.tripped[i] else "no")
        return _unless_blank(reading.tripped[i], said)
    return _unless_blank(reading.passed[i], "yes" if reading.passed[i] else "no")


def _unless_blank(value: float, said: str) -> str:
    """Give what is said of a reading; nothing where nothing was read."""
    return "" if np.isnan(value) else said
