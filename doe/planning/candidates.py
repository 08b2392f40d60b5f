"""The candidate set: the settings a search may choose among, and the tables that make model rows quickly."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from doe.coding import FloatArray
from doe.errors import CannotAnswerError
from doe.planning.problem import DesignProblem, IntArray, allowed_settings, is_allowed, level_grid, n_grid
from doe.terms import model_matrix

SingleArray = npt.NDArray[np.float32]

LISTABLE: Final = 200_000
"""Grids up to so many settings are listed in full; from larger ones a sample is drawn."""
_KEY_WEIGHTS: Final = np.sqrt([2.0, 3.0, 5.0, 7.0, 11.0, 13.0, 17.0, 19.0, 23.0, 29.0, 31.0, 37.0])


@dataclass(frozen=True, eq=False)
class CandidateSet:
    """Allowed settings, sorted by their held part.

    Attributes
    ----------
    rows : ndarray, shape (n_candidates, n_factors)
    matrix : ndarray, shape (n_candidates, n_terms)
        Their model rows.
    keys : ndarray, shape (n_candidates,)
        One number a setting; equal settings have equal keys.
    group : ndarray of int, shape (n_candidates,)
        Which combination of the held factors each has, 0, 1 ...
    group_start, group_size : ndarray of int, shape (n_groups,)
        Where each combination's settings are.
    group_keys : ndarray, shape (n_groups,)
        The key of each combination, rising.
    is_complete : bool
        Whether every allowed setting is in the list.
    """

    rows: FloatArray
    matrix: FloatArray
    keys: FloatArray
    group: IntArray
    group_start: IntArray
    group_size: IntArray
    group_keys: FloatArray
    is_complete: bool

    def group_of(self, held: FloatArray) -> IntArray:
        """Give the group with these held settings; -1 where there is none. held: (..., n_held)."""
        if not held.shape[-1]:
            return np.zeros(held.shape[:-1], dtype=np.int64)
        keys = setting_keys(held)
        place = np.clip(np.searchsorted(self.group_keys, keys), 0, len(self.group_keys) - 1)
        return np.where(self.group_keys[place] == keys, place, -1)


def setting_keys(rows: FloatArray) -> FloatArray:
    """Give one number a setting: a sum in fixed order, so that equal settings have exactly equal keys.

    rows : ndarray, shape (..., n_factors); returns shape (...).
    """
    rounded = np.round(rows, 9)
    keys = rounded[..., 0] * _KEY_WEIGHTS[0]
    for j in range(1, rows.shape[-1]):
        keys = keys + rounded[..., j] * _KEY_WEIGHTS[j % len(_KEY_WEIGHTS)] * (1 + j // len(_KEY_WEIGHTS))
    return np.asarray(keys)


def candidate_set(problem: DesignProblem, rng: np.random.Generator, *, at_most: int) -> CandidateSet:
    """List the allowed settings, or where there are more than ``at_most`` a coarser grid of them and a sample.

    Raises
    ------
    CannotAnswerError
        If no setting is allowed.
    """
    rows, is_complete = _all_or_some(problem, rng, at_most)
    if not len(rows):
        message = (
            "the limits leave no setting to weld: no combination of the levels satisfies all of them; "
            "loosen a limit or give the factors more levels"
        )
        raise CannotAnswerError(message)
    held = np.flatnonzero(problem.held)
    group, group_keys = np.zeros(len(rows), dtype=np.int64), np.zeros(1)
    if len(held):
        group_keys, group = np.unique(setting_keys(rows[:, held]), return_inverse=True)
        order = np.argsort(group, kind="stable")
        rows, group = rows[order], group[order]
    size = np.bincount(group)
    return CandidateSet(
        rows=rows,
        matrix=model_matrix(problem.terms, rows, problem.coding),
        keys=setting_keys(rows),
        group=group,
        group_start=np.cumsum(size) - size,
        group_size=size,
        group_keys=group_keys,
        is_complete=is_complete,
    )


def _all_or_some(problem: DesignProblem, rng: np.random.Generator, at_most: int) -> tuple[FloatArray, bool]:
    """Give the settings, and whether they are all there are."""
    if problem.candidates is not None or n_grid(problem) <= LISTABLE:
        rows = allowed_settings(problem)
        if len(rows) <= at_most:
            return rows, True
        drawn = rows[rng.choice(len(rows), at_most // 8, replace=False)]
    else:
        drawn = _draw(problem, rng, at_most // 8)
    coarse = _coarse_grid(problem, 3 * at_most // 4)
    rows = np.vstack([coarse, problem.extra_points[: at_most // 8], drawn])
    return rows[np.unique(setting_keys(rows), return_index=True)[1]], False


def _coarse_grid(problem: DesignProblem, at_most: int) -> FloatArray:
    """Give the allowed settings on the ends, middle and further evenly spread levels, as many as fit."""
    if problem.candidates is not None:
        return np.zeros((0, len(problem.levels)))
    coarse = problem.levels
    for n_levels in (9, 5, 3, 2):
        coarse = tuple(
            level if factor.is_kind else level[_spread(len(level), n_levels)]
            for level, factor in zip(problem.levels, problem.coding.factors, strict=True)
        )
        if math.prod(map(len, coarse)) <= at_most:
            break
    else:
        return np.zeros((0, len(problem.levels)))
    grid = level_grid(coarse)
    return grid[is_allowed(problem, grid)]


def _spread(n: int, wanted: int) -> IntArray:
    """Give the indices of ``wanted`` of n levels, evenly spread, ends included."""
    return np.unique(np.round(np.linspace(0, n - 1, min(n, wanted))).astype(np.int64))


def _draw(problem: DesignProblem, rng: np.random.Generator, wanted: int) -> FloatArray:
    """Draw allowed settings at random; fewer than wanted where they are rare."""
    drawn = [np.zeros((0, len(problem.levels)))]
    for _ in range(200):
        block = np.column_stack([rng.choice(level, wanted) for level in problem.levels])
        drawn.append(block[is_allowed(problem, block)])
        if sum(map(len, drawn)) >= wanted:
            break
    return np.vstack(drawn)[:wanted]


@dataclass(frozen=True, eq=False)
class TermTable:
    """Which function of each factor enters each term.

    A numeric factor has the functions 1, x, x^2 ...; a factor of kinds has 1 and its contrasts. A term's column is the
    product over the factors of the function that ``choice`` names.

    Attributes
    ----------
    contrasts : tuple of (ndarray, shape (n_kinds, depth)) or None
        For each factor of kinds its functions at each kind; None for a numeric factor.
    depth : int
        The most functions any factor has.
    choice : ndarray of int, shape (n_factors, n_terms)
    level_rows : tuple of ndarray, shape (n_levels, n_terms)
        Each factor's part of every term at each of its levels.
    """

    contrasts: tuple[FloatArray | None, ...]
    depth: int
    choice: IntArray
    level_rows: tuple[FloatArray, ...]

    def parts(self, rows: FloatArray) -> FloatArray:
        """Give each factor's part of every term. rows: (..., n_factors); returns (..., n_factors, n_terms)."""
        functions = np.ones((*rows.shape, self.depth))
        for power in range(1, self.depth):
            functions[..., power] = functions[..., power - 1] * rows
        for j, contrasts in enumerate(self.contrasts):
            if contrasts is not None:
                functions[..., j, :] = contrasts[rows[..., j].astype(int)]
        return functions[..., np.arange(rows.shape[-1])[:, None], self.choice]

    def model_rows(self, rows: FloatArray) -> FloatArray:
        """Give the model's columns. rows: (..., n_factors); returns (..., n_terms)."""
        return np.asarray(self.parts(rows).prod(axis=-2))


def term_table(problem: DesignProblem) -> TermTable:
    """Work out the table for a problem's terms."""
    factors, terms = problem.coding.factors, problem.terms
    choice = np.zeros((len(factors), len(terms)), dtype=np.int64)
    for t, term in enumerate(terms):
        for name, power in term.powers:
            choice[problem.coding.index[name], t] = power
        for name, kind in term.kinds:
            choice[problem.coding.index[name], t] = 1 + problem.coding[name].kinds.index(kind)
    depth = 1 + int(choice.max(initial=0))
    table = TermTable(tuple(_contrasts(f.kinds, depth) for f in factors), depth, choice, ())
    level_rows = []
    for j, levels in enumerate(problem.levels):
        rows = np.zeros((len(levels), len(factors)))
        rows[:, j] = levels
        level_rows.append(table.parts(rows)[:, j])
    return replace(table, level_rows=tuple(level_rows))


def _contrasts(kinds: tuple[str, ...], depth: int) -> FloatArray | None:
    """Give 1 and the sum-to-zero contrasts at each kind."""
    if not kinds:
        return None
    functions = np.hstack([np.ones((len(kinds), 1)), np.eye(len(kinds))[:, :-1]])
    functions[-1, 1:] = -1.0
    padded = np.ones((len(kinds), max(depth, len(kinds))))
    padded[:, : len(kinds)] = functions
    return padded[:, :depth]


def columns_and_one(matrix: FloatArray) -> SingleArray:
    """Give the candidates' model rows and a row of ones. matrix: (n_candidates, n_terms); transposed on return."""
    return np.ascontiguousarray(np.hstack([matrix, np.ones((len(matrix), 1))]).T, dtype=np.float32)


def pair_indices(n_terms: int) -> IntArray:
    """Give the pairs of terms, each with itself included. shape (2, n_pairs)."""
    terms = np.arange(n_terms)
    return np.array(np.nonzero(terms[:, None] <= terms), dtype=np.int64)


def pair_products(matrix: FloatArray, pairs: IntArray) -> SingleArray:
    """Give the products of two entries of each model row, those of different entries twice. (n_pairs, n_candidates)."""
    first, second = pairs
    products = matrix[:, first] * matrix[:, second] * np.where(first == second, 1.0, 2.0)
    return np.ascontiguousarray(products.T, dtype=np.float32)


def n_pairs(n_terms: int) -> int:
    """Count the pairs of terms, each with itself included."""
    return math.comb(n_terms + 1, 2)
