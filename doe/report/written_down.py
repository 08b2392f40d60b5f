"""What was written down beside the readings: line current, outlet, notes, and every column the models leave alone."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from doe.bench.results import Results
from doe.report.formatting import quantity
from doe.study.model import Units
from doe.units import convert

SHOWN_IN: Final = {"mm/s": "mm/min"}
"""The unit welders name a quantity in, where it is held in another."""


def written_down(results: Results) -> tuple[tuple[str, str], ...]:
    """Tell everything written down beside the readings, column by column: its heading, and what stands at which weld.

    Parameters
    ----------
    results : Results

    Returns
    -------
    tuple of (str, str)
        Only columns in which anything stands.
    """
    return tuple((heading, _told(results.weld, cells)) for heading, cells in _columns(results))


def _told(welds: Sequence[str], cells: Sequence[str]) -> str:
    """Tell a column: each weld with what stands at it, or that it stands at every one."""
    if len(set(cells)) == 1:
        return f"{cells[0]} at every weld"
    return "; ".join(f"{weld} {cell}" for weld, cell in zip(welds, cells, strict=True) if cell)


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
