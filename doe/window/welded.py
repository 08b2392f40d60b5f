"""Where a claim may lie: the planned region, as far as it was welded.

A claim never goes beyond the lowest and highest planned value that was welded of each factor, and never to a kind that
was not welded (TRAPS 34). Inside, a corner of the planned region need not have been welded itself: the models were
tried on such claims. What lies outside the convex hull of the welds is told in a finding.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.optimize import linprog

from doe.bench.results import Results
from doe.coding import FloatArray
from doe.planning.region import ReachableSettings, reachable_settings
from doe.planning.region import allowed as is_allowed
from doe.study.model import Factor, Study
from doe.window.box import MOST_BOXES, BoolArray, count_boxes

GRID_SETTINGS: Final = (4_000, 2_200)
"""Long ranges are thinned to so many settings, the first number under which every box can still be looked at; the sides
of a window are then moved on to the dial's own steps. Our choice: all of five factors at five levels, or 26 x 26 values
of two ranges at three preheats."""


@dataclass(frozen=True, eq=False)
class WeldedRegion:
    """The settings at which the assurance is worked out, and those at which it may be claimed.

    Attributes
    ----------
    study : Study
    axes : tuple of ndarray
        Values a factor on the grid, rising; indices for kinds. Thinned where a range has many steps.
    reachable : ndarray of bool, shape of the grid
        Within the limits.
    claimable : ndarray of bool, shape of the grid
        Within the limits and within what was welded.
    low, high : ndarray, shape (n_kinds, n_factors)
        Lowest and highest planned value that was welded: one row a kind of the factor a range depends on (one row
        where none does).
    welded_kinds : tuple of frozenset of int
        Kinds that were welded, factor by factor; empty for numeric factors.
    thinned : bool
    """

    study: Study
    axes: tuple[FloatArray, ...]
    reachable: BoolArray
    claimable: BoolArray
    low: FloatArray
    high: FloatArray
    welded_kinds: tuple[frozenset[int], ...]
    thinned: bool

    @property
    def shape(self) -> tuple[int, ...]:
        """The grid's shape."""
        return tuple(len(axis) for axis in self.axes)

    @property
    def kind_axes(self) -> tuple[int, ...]:
        """The axes of factors of kinds."""
        return tuple(j for j, factor in enumerate(self.study.factors) if factor.is_kind)

    def settings(self, mask: BoolArray) -> FloatArray:
        """Give the grid's settings where a mask is true, natural, shape (n, n_factors)."""
        return np.column_stack([axis[index] for axis, index in zip(self.axes, np.nonzero(mask), strict=True)])

    def is_claimable(self, natural: FloatArray) -> BoolArray:
        """Tell which settings are within the limits and within what was welded, shape (n,)."""
        inside = is_allowed(self.study, natural)
        for j, factor in enumerate(self.study.factors):
            inside &= self._is_welded(j, factor, natural)
        return inside

    def _is_welded(self, j: int, factor: Factor, natural: FloatArray) -> BoolArray:
        """Tell whether one factor's values are within what was welded."""
        if factor.is_kind:
            return np.isin(natural[:, j].astype(int), sorted(self.welded_kinds[j]))
        kind = np.zeros(len(natural), dtype=int)
        if factor.ranges:
            kind = natural[:, self.study.coding.index[factor.range_by]].astype(int)
        slack = 1e-9 * max(1.0, abs(factor.low), abs(factor.high))
        return np.asarray((natural[:, j] >= self.low[kind, j] - slack) & (natural[:, j] <= self.high[kind, j] + slack))

    def dial(self, j: int, natural: tuple[float, ...]) -> FloatArray:
        """Give every value of factor j that can be claimed with the other factors as in ``natural``."""
        values = self.study.factors[j].positions
        settings = np.tile(np.array(natural, dtype=float), (len(values), 1))
        settings[:, j] = values
        return values[self.is_claimable(settings)]

    def count(self, kinds: tuple[int, ...]) -> int:
        """Count the reachable settings of one combination of kinds, on the dials' own steps.

        Where the grid is thinned each of its values stands for the steps nearest to it.
        """
        weights = np.ones(self.shape)
        for j, (axis, factor) in enumerate(zip(self.axes, self.study.factors, strict=True)):
            nearest = np.abs(factor.positions[:, None] - axis).argmin(axis=1)
            share = np.bincount(nearest, minlength=len(axis)).astype(float)
            weights = weights * share.reshape([-1 if d == j else 1 for d in range(len(self.axes))])
        at = dict(zip(self.kind_axes, kinds, strict=True))
        cut = tuple(at.get(j, slice(None)) for j in range(len(self.axes)))
        return round(float((weights * self.reachable)[cut].sum()))


def find_welded_region(results: Results) -> WeldedRegion:
    """Find where a claim may lie."""
    study = results.study
    grid = _grid(study)
    run = np.array([status != "not run" for status in results.status], dtype=bool)
    welded = results.planned[run]
    low, high = _welded_ranges(study, welded)
    kinds = tuple(
        frozenset(welded[:, j].astype(int).tolist()) if factor.is_kind else frozenset()
        for j, factor in enumerate(study.factors)
    )
    region = WeldedRegion(study, grid.axes, grid.allowed, grid.allowed.copy(), low, high, kinds, grid.thinned)
    region.claimable[grid.allowed] = region.is_claimable(region.settings(grid.allowed))
    return region


def _grid(study: Study) -> ReachableSettings:
    """Give the reachable settings, thinned as far as it takes to look at every box."""
    for at_most in GRID_SETTINGS:
        grid = reachable_settings(study, at_most=at_most)
        if count_boxes([len(a) for a, f in zip(grid.axes, study.factors, strict=True) if not f.is_kind]) <= MOST_BOXES:
            break
    return grid


def _welded_ranges(study: Study, welded: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Find lowest and highest welded value of each factor, kind by kind where its range depends on a kind."""
    n_rows = max([len(study.factor(f.range_by).kinds) for f in study.factors if f.ranges], default=1)
    low = np.full((n_rows, len(study.factors)), np.inf)
    high = -low
    for j, factor in enumerate(study.factors):
        for row in range(n_rows):
            of_kind = np.ones(len(welded), dtype=bool)
            if factor.ranges:
                of_kind = welded[:, study.coding.index[factor.range_by]].astype(int) == row
            if of_kind.any():
                low[row, j], high[row, j] = welded[of_kind, j].min(), welded[of_kind, j].max()
    return low, high


def corners(low: tuple[float, ...], high: tuple[float, ...]) -> FloatArray:
    """Give the corners of a box of settings, each once, shape (n_corners, n_factors)."""
    ends = [(a,) if math.isclose(a, b) else (a, b) for a, b in zip(low, high, strict=True)]
    return np.array(list(itertools.product(*ends)), dtype=float)


def outside_hull(results: Results, natural: FloatArray) -> BoolArray:
    """Tell which settings lie outside the convex hull of the welds of the same kinds.

    A setting is inside where it is a weighted mean of settings that were welded, planned or actual: a small linear
    programme for each.

    Parameters
    ----------
    results : Results
    natural : ndarray, shape (n, n_factors)

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    study = results.study
    run = np.array([status != "not run" for status in results.status], dtype=bool)
    welded = study.coding.to_coded(np.vstack([results.planned[run], results.settings[run]]))
    asked = study.coding.to_coded(natural)
    is_kind = np.array([factor.is_kind for factor in study.factors], dtype=bool)
    outside = np.ones(len(asked), dtype=bool)
    for i, point in enumerate(asked):
        alike = welded[(welded[:, is_kind] == point[is_kind]).all(axis=1)][:, ~is_kind]
        outside[i] = not _is_mean_of(alike, point[~is_kind])
    return outside


def _is_mean_of(points: FloatArray, point: FloatArray) -> bool:
    """Whether a point is a weighted mean of others."""
    if not len(points):
        return False
    equal = np.vstack([points.T, np.ones(len(points))])
    solved = linprog(np.zeros(len(points)), A_eq=equal, b_eq=np.append(point, 1.0), bounds=(0, None), method="highs")
    return bool(solved.status == 0)
