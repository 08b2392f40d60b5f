"""Moments of the region: the average of f(x) f(x)' over everything that may be welded.

The region is continuous: a factor's levels are where one can weld, not where one wants to predict. Numeric factors are
uniform over their coded range, cut by the limits; kinds are equally likely.

Without limits the moments are products of one-dimensional ones. Factors that share a limit are integrated together:
the cut box is split into simplices, and a product rule of Gauss and Jacobi type integrates each polynomial exactly
on a simplex (Stroud 1971, conical product rules). A midpoint grid can be asked for instead, for comparison with
tables made that way.

>>> from doe.coding import FactorCoding
>>> from doe.terms import polynomial_terms
>>> coding = Coding((FactorCoding("feed"),))
>>> region_moments(coding, polynomial_terms(coding, "second order")).round(3) + 0.0
array([[1.   , 0.   , 0.333],
       [0.   , 0.333, 0.   ],
       [0.333, 0.   , 0.2  ]])
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from doe.coding import Coding, FloatArray
from doe.errors import CannotAnswerError
from doe.planning.problem import IntArray
from doe.terms import Term

LARGEST_GRID: Final = 3_000_000
"""The most cells a midpoint grid may have."""
FLAT: Final = 1e-12
"""A region with a smaller volume than this, coded, is empty."""


def region_moments(
    coding: Coding,
    terms: Sequence[Term],
    *,
    limit_matrix: npt.ArrayLike | None = None,
    limit_bound: npt.ArrayLike | None = None,
    bounds: npt.ArrayLike | None = None,
    cells: int | None = None,
) -> FloatArray:
    """Give the moment matrix W of the region.

    Parameters
    ----------
    coding : Coding
    terms : sequence of Term
        The model, kinds as sum-to-zero contrasts.
    limit_matrix, limit_bound : array_like, shapes (n_limits, n_factors) and (n_limits,), or None
        The region is where ``limit_matrix @ a <= limit_bound`` for coded settings a. With one dimension more in front:
        one set of limits for each combination of kinds, the last factor of kinds changing fastest.
    bounds : array_like, shape (n_factors, 2), or None
        Coded range of each numeric factor; -1 to 1 where not given.
    cells : int or None
        Integrate by the midpoints of so many cells along each axis instead of exactly.

    Returns
    -------
    ndarray, shape (n_terms, n_terms)

    Raises
    ------
    CannotAnswerError
        If the limits leave nothing of the region.
    """
    ranges = np.tile([-1.0, 1.0], (len(coding.factors), 1)) if bounds is None else np.asarray(bounds, dtype=float)
    powers = np.array([[dict(term.powers).get(f.name, 0) for f in coding.factors] for term in terms], dtype=np.int64)
    limit_sets = _limit_sets(len(coding.factors), limit_matrix, limit_bound)
    numeric = np.array([_numeric_moments(powers, limits, ranges, cells) for limits in limit_sets])
    contrasts = _contrasts(coding, terms)
    return np.asarray((numeric * (contrasts[:, :, None] * contrasts[:, None, :])).mean(axis=0))


def _limit_sets(
    n_factors: int, limit_matrix: npt.ArrayLike | None, limit_bound: npt.ArrayLike | None
) -> list[tuple[FloatArray, FloatArray]]:
    """Give the limits of each combination of kinds, or one set for all of them."""
    matrix = np.zeros((0, n_factors)) if limit_matrix is None else np.asarray(limit_matrix, dtype=float)
    bound = np.zeros(0) if limit_bound is None else np.asarray(limit_bound, dtype=float)
    return [(matrix, bound)] if matrix.ndim == 2 else list(zip(matrix, bound, strict=True))


def _contrasts(coding: Coding, terms: Sequence[Term]) -> FloatArray:
    """Give the product of each term's contrasts at each combination of kinds. Returns (n_combinations, n_terms)."""
    combinations = itertools.product(*(range(len(f.kinds)) for f in coding.factors if f.is_kind))
    return np.array([_contrasts_at(coding, terms, combination) for combination in combinations])


def _contrasts_at(coding: Coding, terms: Sequence[Term], combination: tuple[int, ...]) -> list[float]:
    """Give the product of each term's contrasts at one combination of kinds."""
    names = [f.name for f in coding.factors if f.is_kind]
    at = dict(zip(names, combination, strict=True))

    def value(name: str, kind: str) -> float:
        kinds = coding[name].kinds
        return float(at[name] == kinds.index(kind)) - float(at[name] == len(kinds) - 1)

    return [math.prod(value(name, kind) for name, kind in term.kinds) for term in terms]


def _numeric_moments(
    powers: IntArray, limits: tuple[FloatArray, FloatArray], ranges: FloatArray, cells: int | None
) -> FloatArray:
    """Give the averages of products of the terms' numeric parts. powers: (n_terms, n_factors)."""
    matrix, bound = limits
    if any(not row.any() and b < 0 for row, b in zip(matrix, bound, strict=True)):
        raise _nothing_left()
    pairs = powers[:, None] + powers[None]
    moments = np.ones(pairs.shape[:2])
    for group in _factors_bound_together(matrix):
        own = matrix[:, group].any(axis=1)
        points, weights = _rule(
            matrix[own][:, group], bound[own], ranges[group], cells, int(powers[:, group].sum(axis=1).max())
        )
        exponents, where = np.unique(pairs[:, :, group].reshape(-1, len(group)), axis=0, return_inverse=True)
        averages = [weights @ (points**exponent).prod(axis=1) for exponent in exponents]
        moments *= np.array(averages)[where.reshape(-1)].reshape(moments.shape)
    return moments


def _factors_bound_together(matrix: FloatArray) -> list[IntArray]:
    """Split the factors into groups that share no limit."""
    label = np.arange(matrix.shape[1])
    for row in matrix:
        together = np.isin(label, label[row != 0])
        if together.any():
            label[together] = label[together].min()
    return [np.flatnonzero(label == value) for value in np.unique(label)]


def _rule(
    matrix: FloatArray, bound: FloatArray, ranges: FloatArray, cells: int | None, order: int
) -> tuple[FloatArray, FloatArray]:
    """Give points and weights (adding up to 1) that average polynomials of degree ``2 * order`` over the cut box."""
    if cells is not None:
        return _midpoints(matrix, bound, ranges, cells)
    vertices = _vertices(matrix, bound, ranges)
    if len(vertices) <= len(ranges):
        raise _nothing_left()
    if len(ranges) == 1:
        simplices = vertices[None]
    else:
        spread = np.linalg.matrix_rank(vertices - vertices[0], tol=FLAT)
        if spread < len(ranges):
            raise _nothing_left()
        from scipy.spatial import Delaunay  # noqa: PLC0415 - costs a third of a second, and only a cut region needs it

        simplices = vertices[Delaunay(vertices).simplices]
    edges = simplices[:, 1:] - simplices[:, :1]
    volumes = np.abs(np.linalg.det(edges))
    if volumes.sum() < FLAT:
        raise _nothing_left()
    local, weights = _simplex_rule(len(ranges), order + 1)
    points = simplices[:, :1] + np.einsum("nd,sde->sne", local, edges)
    return points.reshape(-1, len(ranges)), np.outer(volumes / volumes.sum(), weights).ravel()


def _vertices(matrix: FloatArray, bound: FloatArray, ranges: FloatArray) -> FloatArray:
    """Give the corners of the cut box: where as many faces meet as there are factors, and no limit is overstepped."""
    d = len(ranges)
    normals = np.vstack([np.eye(d), -np.eye(d), matrix])
    offsets = np.concatenate([ranges[:, 1], -ranges[:, 0], bound])
    sets = np.array(list(itertools.combinations(range(len(normals)), d)))
    solvable = np.abs(np.linalg.det(normals[sets])) > FLAT
    corners = np.linalg.solve(normals[sets[solvable]], offsets[sets[solvable]][..., None])[..., 0]
    inside = (corners @ normals.T <= offsets + 1e-9).all(axis=1)
    return np.unique(np.round(corners[inside], 12), axis=0)


def _simplex_rule(d: int, n_nodes: int) -> tuple[FloatArray, FloatArray]:
    """Give the conical product rule on the simplex x >= 0, sum x <= 1: exact to degree ``2 * n_nodes - 1``.

    Returns points (n_nodes**d, d) and weights that add up to 1.
    """
    from scipy.special import roots_jacobi  # noqa: PLC0415 - likewise

    points, weights = np.zeros((1, 0)), np.ones(1)
    room = np.ones(1)
    for axis in range(d):
        # along this axis the cross-section shrinks as (1 - t)^(d - 1 - axis): the Jacobi weight
        nodes, node_weights = roots_jacobi(n_nodes, d - 1 - axis, 0)
        t, w = (nodes + 1.0) / 2.0, node_weights / node_weights.sum()
        points = np.hstack([np.repeat(points, n_nodes, axis=0), np.outer(room, t).reshape(-1, 1)])
        weights = np.outer(weights, w).ravel()
        room = np.outer(room, 1.0 - t).ravel()
    return points, weights


def _midpoints(matrix: FloatArray, bound: FloatArray, ranges: FloatArray, cells: int) -> tuple[FloatArray, FloatArray]:
    """Give the midpoints of a regular grid that satisfy the limits, equally weighted."""
    d = len(ranges)
    if cells**d > LARGEST_GRID:
        message = f"a grid of {cells} cells along {d} axes is too large; leave cells out for exact moments"
        raise ValueError(message)
    steps = (np.arange(cells) + 0.5) / cells
    axes = [low + (high - low) * steps for low, high in ranges]
    grid = np.stack(np.meshgrid(*axes, indexing="ij"), axis=-1).reshape(-1, d)
    kept = grid[(grid @ matrix.T <= bound + 1e-9).all(axis=1)]
    if not len(kept):
        raise _nothing_left()
    return kept, np.full(len(kept), 1.0 / len(kept))


def _nothing_left() -> CannotAnswerError:
    message = "the limits leave nothing of the region to predict in; loosen a limit or widen a factor's range"
    return CannotAnswerError(message)
