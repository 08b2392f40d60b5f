"""What was written down beside the readings: line current, outlet, notes, and every column the models leave alone."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from doe.bench.results import Results
from doe.report.formatting import quantity
from doe.study.model import Units
from doe.units import convert

SHOWN_IN: Final = {"mm/s": "mm/min"}
"""The unit welders name a quantity in, where it is held in another."""


def written_down(results: Results) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Give headings and rows of everything written down beside the readings: a column where anything stands in it.

    Parameters
    ----------
    results : Results

    Returns
    -------
    heads : tuple of str
        "weld" first; empty where nothing was written down.
    rows : tuple of tuple of str
        One a weld with anything; a dash where a cell is empty.
    """
    columns = dict(_columns(results))
    rows = [
        (weld, *(cells[i] or "–" for cells in columns.values()))
        for i, weld in enumerate(results.weld)
        if any(cells[i] for cells in columns.values())
    ]
    return (("weld", *columns), tuple(rows)) if columns else ((), ())


def _columns(results: Results) -> Iterator[tuple[str, list[str]]]:
    """Give each column in which anything stands."""
    for heading, values in results.conditions.items():
        if np.isfinite(values).any():
            name, _, unit = heading.rstrip("]").partition(" [")
            yield name, [_number(float(value), unit, results.study.units) for value in values]
    for heading, words in results.remarks.items():
        if any(word.strip() for word in words):
            yield heading, [word.strip() for word in words]


def _number(value: float, unit: str, units: Units) -> str:
    """Print a measured condition; empty where none was."""
    if not np.isfinite(value):
        return ""
    wanted = SHOWN_IN.get(unit, unit)
    return quantity(float(convert(value, unit, wanted)) if wanted != unit else value, wanted, units)
