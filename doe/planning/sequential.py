"""Designs built one weld at a time: each weld goes where it helps most, given those before it.

(Dykstra 1971; from memory.)

Before there are welds enough for the model, something must stand in for the missing ones: the moments of the region, or
those of the settings that may be welded, at several weights. Each gives another design; they are built side by side.
Measured on the known problems: improved by exchanges, the best of them is mostly the best design there is.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.planning.lockstep import JITTER, Walk

STAND_INS: Final = np.array([(0.1, 0.0), (0.0, 1.0), (1.0, 0.0), (0.0, 0.1), (0.01, 0.0), (0.0, 0.01)])
"""How many welds' worth stands in for missing ones, spread evenly over the region, and over the settings."""


def can_be_sequential(walk: Walk) -> bool:
    """Whether there are welds to place, their place does not matter (no plates, blocks) and no repeats are wished."""
    has_places = bool(walk.plates) or walk.fixed.shape[1] > 0
    return walk.n_given < walk.problem.n_welds and not has_places and not walk.problem.repeats


def sequential_designs(walk: Walk, n_designs: int) -> FloatArray:
    """Build designs behind the given welds, one for each of the first ``STAND_INS``.

    Returns
    -------
    ndarray, shape (n_designs, n_welds, n_factors)
    """
    problem, columns = walk.problem, np.ascontiguousarray(walk.candidates.matrix.T)
    rows = np.empty((n_designs, problem.n_welds, len(problem.levels)))
    rows[:, : walk.n_given] = problem.given
    A = np.linalg.inv(_information_to_begin_with(walk, STAND_INS[:n_designs]))
    AF = A @ columns
    inner = outer = (columns * AF).sum(axis=1)
    trace = (A * walk.moments).sum(axis=(1, 2))
    if walk.needs_trace:
        outer = (AF * (walk.moments @ AF)).sum(axis=1)  # f'Bf with B = A W A
    each = np.arange(n_designs)
    for weld in range(walk.n_given, problem.n_welds):
        best = _worth(walk, trace, inner, outer).argmax(axis=1)
        rows[:, weld] = walk.candidates.rows[best]
        share = 1.0 / (1.0 + inner[each, best])[:, None]
        to_best = (A @ walk.candidates.matrix[best][:, :, None])[..., 0]
        crossed = to_best @ columns
        taken = share * crossed
        inner -= taken * crossed
        if walk.needs_trace:
            size = outer[each, best][:, None]
            spread = (A @ (to_best @ walk.moments)[:, :, None])[..., 0]
            outer += taken * (size * taken - 2.0 * (spread @ columns))
            trace -= (share * size)[:, 0]
        A -= (share * to_best)[:, :, None] * to_best[:, None, :]
    return rows


def _information_to_begin_with(walk: Walk, stand_ins: FloatArray) -> FloatArray:
    """Give M of the given welds with what stands in for the others. Returns (n_designs, n_terms, n_terms)."""
    settings = walk.candidates.matrix
    even = np.array([walk.moments, settings.T @ settings / len(settings)])
    M = np.tensordot(stand_ins, even, axes=1)
    if walk.n_given:
        given = walk.table.model_rows(walk.problem.given)
        M += given.T @ given
    diagonal = np.arange(walk.n_terms)
    M[:, diagonal, diagonal] += JITTER
    if walk.problem.prior_precision is not None:
        M[:, diagonal, diagonal] += walk.problem.prior_precision
    return np.asarray(M)


def _worth(walk: Walk, trace: FloatArray, inner: FloatArray, outer: FloatArray) -> FloatArray:
    """Say how much each candidate would better the criterion.

    inner, outer: f'Af and f'Bf, shape (n_designs, n_candidates); so is what comes back.
    """
    if walk.criterion == "D":
        return inner
    fall = outer / (1.0 + inner)
    if walk.criterion == "I":
        return fall
    return np.asarray(np.log1p(inner) / walk.order - np.log1p(-fall / trace[:, None]))
