"""How the sense checks name a place, a setting and a list of welds."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from doe.bench.results import BoolArray, Results
from doe.errors import Fault
from doe.study.model import Factor
from doe.units import printed_unit

_MOST_NAMED = 6


def question(results: Results, i: int, column: str, message: str) -> Fault:
    """Ask about one weld."""
    row = int(results.row[i]) or None
    return Fault(f"{results.weld[i]}: {message}", results.file[i], row, column or None)


def question_of_all(results: Results, welds: Sequence[int], column: str, message: str) -> Fault:
    """Ask once about several welds."""
    return Fault(f"{names(results, welds)}: {message}", results.file[welds[0]], None, column or None)


def names(results: Results, welds: Sequence[int]) -> str:
    """Name welds: ``W01, W02 and 7 more``."""
    named = [results.weld[i] for i in welds[:_MOST_NAMED]]
    more = len(welds) - len(named)
    return ", ".join(named) + (f" and {more} more" if more else "")


def was_run(results: Results) -> BoolArray:
    """Whether each weld was made."""
    return np.array([status != "not run" for status in results.status], dtype=bool)


def welds_by_plate(results: Results) -> dict[str, list[int]]:
    """Give the welds that were made, plate by plate."""
    plates: dict[str, list[int]] = {}
    for i in np.flatnonzero(was_run(results)):
        plates.setdefault(results.plate[i], []).append(int(i))
    return plates


def by_order(results: Results, welds: Sequence[int]) -> list[int]:
    """Put welds in the order they were made in; those without an order stand as in the table."""
    return sorted(welds, key=lambda i: (int(results.order[i]) or 10**9, i))


def shown_value(factor: Factor, value: float) -> str:
    """Write a setting for a message: its kind, its mark where the dial is not calibrated, or its value and unit."""
    if factor.is_kind:
        return factor.kinds[int(value)]
    if factor.marks and not factor.calibrated:
        return f"mark {factor.mark_at(value) or format(value, 'g')}"
    return f"{value:.6g} {printed_unit(factor.unit)}".rstrip()
