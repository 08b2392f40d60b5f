"""Two plates a held level: what is set once a plate is judged by plates, so each of its values wants a second plate.

The search looks at the criterion alone and may leave one value on a single plate. Where the plates allow it, such a
plate is moved to another value, or a second one joined to it, whichever costs least; then the other factors settle.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from functools import lru_cache

import numpy as np

from doe.coding import FloatArray
from doe.planning.problem import (
    BoolArray,
    Criterion,
    DesignProblem,
    IntArray,
    allowed_settings,
    criterion_value,
    information_matrix,
    is_allowed,
    is_singular,
)

MOST_PASSES = 2
"""Rounds in which the factors that are free on a plate settle again. Our planning value."""


def lone_levels(problem: DesignProblem, rows: FloatArray) -> tuple[tuple[int, float], ...]:
    """Find the held values that stand on one plate only.

    Returns
    -------
    tuple of (int, float)
        Factor column and coded value.
    """
    if problem.plate is None:
        return ()
    first = [int(np.flatnonzero(problem.plate == p)[0]) for p in np.unique(problem.plate)]
    lone = []
    for j in np.flatnonzero(problem.held):
        counts = Counter(float(v) for v in np.round(rows[first, j], 9))
        lone += [(int(j), value) for value, count in counts.items() if count == 1]
    return tuple(lone)


def even_out(problem: DesignProblem, rows: FloatArray, criterion: Criterion) -> FloatArray:
    """Give every held value at least two plates where that can be, at the least cost in the criterion.

    Parameters
    ----------
    problem : DesignProblem
    rows : ndarray, shape (n_welds, n_factors)
        Coded design.
    criterion : {"I", "D", "compound"}

    Returns
    -------
    ndarray, shape (n_welds, n_factors)
        The design itself where nothing needs doing, or nothing can be done.
    """
    best = rows
    while lone := lone_levels(problem, best):
        moves = [m for m in _moves(problem, best) if len(lone_levels(problem, m)) < len(lone)]
        usable = [m for m in moves if is_usable(problem, m)]
        if not usable:
            break
        best = min(usable, key=lambda design: loss(problem, design, criterion))
    return best if best is rows else settle(problem, best, criterion)


def loss(problem: DesignProblem, rows: FloatArray, criterion: Criterion) -> float:
    """Give the criterion so that smaller is better."""
    value = criterion_value(problem, rows, criterion)
    return value if criterion == "I" else -value


def is_usable(problem: DesignProblem, rows: FloatArray) -> bool:
    """Tell whether a changed design is allowed, estimates the model and has its repeats."""
    return (
        bool(_allowed(problem, rows[len(problem.given) :]).all())
        and n_repeats(rows) >= min(problem.repeats, problem.n_welds - 1)
        and not is_singular(information_matrix(problem, rows))
    )


def n_repeats(rows: FloatArray) -> int:
    """Count the welds that repeat an earlier one's setting."""
    return len(rows) - len(np.unique(np.round(rows, 9), axis=0))


def _allowed(problem: DesignProblem, rows: FloatArray) -> BoolArray:
    """Tell which settings may be welded, from the limits or the list."""
    if problem.candidates is None:
        return is_allowed(problem, rows)
    known = _listed(problem)
    return np.array([tuple(row) in known for row in np.round(rows, 9)], dtype=bool)


@lru_cache(maxsize=2)
def _listed(problem: DesignProblem) -> frozenset[tuple[float, ...]]:
    """Give the listed settings for quick look-up; a problem is compared by identity."""
    return frozenset(tuple(float(v) for v in row) for row in np.round(allowed_settings(problem), 9))


def _moves(problem: DesignProblem, rows: FloatArray) -> Iterator[FloatArray]:
    """Give each design that differs in one plate: another held value, or a copy of another plate's welds."""
    for members, others in _movable(problem):
        for other in others:
            moved = rows.copy()
            moved[np.ix_(members, np.flatnonzero(problem.held))] = rows[other[0], problem.held]
            yield moved
            if len(other) >= len(members):
                copied = rows.copy()
                copied[members] = rows[other[: len(members)]]
                yield copied


def _movable(problem: DesignProblem) -> Iterator[tuple[IntArray, list[IntArray]]]:
    """Give each plate that is not kept, with the welds of every other plate."""
    if problem.plate is None:
        return
    plates = [np.flatnonzero(problem.plate == p) for p in np.unique(problem.plate)]
    for members in plates:
        if members[0] >= len(problem.given):
            yield members, [other for other in plates if other is not members]


def settle(problem: DesignProblem, rows: FloatArray, criterion: Criterion) -> FloatArray:
    """Improve the factors that are free on a plate, one coordinate at a time, held factors as they are."""
    best, value = rows, loss(problem, rows, criterion)
    free = [j for j, held in enumerate(problem.held) if not (held and problem.plate is not None)]
    for _ in range(MOST_PASSES):
        before = value
        for i in range(len(problem.given), problem.n_welds):
            for j in free:
                best, value = _best_level(problem, best, value, place=(i, j), criterion=criterion)
        if value >= before - 1e-9:
            break
    return best


def _best_level(
    problem: DesignProblem, rows: FloatArray, value: float, *, place: tuple[int, int], criterion: Criterion
) -> tuple[FloatArray, float]:
    """Try every level of one factor for one weld."""
    best = rows
    for level in problem.levels[place[1]]:
        tried = rows.copy()
        tried[place] = level
        if is_usable(problem, tried) and (found := loss(problem, tried, criterion)) < value - 1e-12:
            best, value = tried, found
    return best, value
