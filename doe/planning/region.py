"""The region: every setting that may be welded.

Settings are natural, kinds by index (``doe.coding``). A factor of marks or levels has just those values; a range has
its reachable steps. Limits are in natural units. Where a numeric factor has its own range a kind, a value outside the
range of its row's kind is not allowed.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from doe.coding import FloatArray
from doe.study.model import Factor, Limit, Study

BoolArray = npt.NDArray[np.bool_]

TOLERANCE: Final = 1e-9
"""A setting counts as within a limit or a range when it is beyond it by no more than this share of the numbers
involved: dial values are decimal fractions that binary numbers cannot hold exactly."""


@dataclass(frozen=True, eq=False)
class ReachableSettings:
    """Every setting that can be dialled in, thinned where there are too many.

    Attributes
    ----------
    axes : tuple of ndarray
        Natural values a factor, rising; indices for kinds.
    allowed : ndarray of bool, shape (len(axes[0]), len(axes[1]), ...)
        Whether the setting satisfies every limit and the range of its kind.
    thinned : bool
        Whether values were left out to stay below the wished number.
    """

    axes: tuple[FloatArray, ...]
    allowed: BoolArray
    thinned: bool = False

    @property
    def points(self) -> FloatArray:
        """The allowed settings, natural, shape (n_allowed, n_factors)."""
        grid = np.meshgrid(*self.axes, indexing="ij")
        return np.column_stack([axis[self.allowed] for axis in grid])


def reachable_settings(study: Study, *, at_most: int = 20_000) -> ReachableSettings:
    """Give every reachable setting that satisfies the limits.

    Parameters
    ----------
    study : Study
    at_most : int
        Where the grid of all values is larger, ranges are thinned first (their ends and even steps stay), then marks
        and levels.
    """
    full = [factor.positions for factor in study.factors]
    axes = thin([f.is_continuous for f in study.factors], full, at_most)
    thinned = any(len(a) < len(b) for a, b in zip(axes, full, strict=True))
    return ReachableSettings(tuple(axes), _allowed_on_grid(study, axes), thinned)


def thin(is_continuous: list[bool], axes: list[FloatArray], at_most: int) -> list[FloatArray]:
    """Halve the longest axis until the grid is small enough, ranges down to 5 values before anything else."""
    axes = list(axes)
    while np.prod([float(len(axis)) for axis in axes]) > at_most:
        lengths = [len(axis) for axis in axes]
        long_ranges = [n if c and n > 5 else 0 for n, c in zip(lengths, is_continuous, strict=True)]
        choose_from = long_ranges if any(long_ranges) else [n if n > 3 else 0 for n in lengths]
        if not any(choose_from):
            break
        longest = int(np.argmax(choose_from))
        axes[longest] = spread(axes[longest], max((lengths[longest] + 1) // 2, 3))
    return axes


def spread(values: FloatArray, n: int) -> FloatArray:
    """Give at most n of the values, as evenly spread in rank as can be, both ends among them."""
    if len(values) <= n:
        return values
    return np.asarray(values[np.unique(np.rint(np.linspace(0, len(values) - 1, n)).astype(int))])


def _allowed_on_grid(study: Study, axes: list[FloatArray]) -> BoolArray:
    """Evaluate limits and ranges on a grid by broadcasting, without making its points."""
    shape = tuple(len(axis) for axis in axes)
    allowed = np.ones(shape, dtype=bool)
    along = [_along(axis, j, len(axes)) for j, axis in enumerate(axes)]
    index = study.coding.index
    for limit in study.limits:
        total = sum((c * along[index[name]] for name, c in limit.coefficients), start=np.zeros((1,) * len(axes)))
        allowed &= total <= limit.bound + slack_of(limit, study)
    for j, factor in enumerate(study.factors):
        if factor.ranges:
            low, high = kind_ranges(study, factor)
            kind = along[index[factor.range_by]].astype(int)
            room = TOLERANCE * max(abs(factor.low), abs(factor.high))
            allowed &= (along[j] >= low[kind] - room) & (along[j] <= high[kind] + room)
    return allowed


def _along(axis: FloatArray, j: int, n_axes: int) -> FloatArray:
    """Shape one axis so that it broadcasts along dimension j."""
    return axis.reshape([-1 if d == j else 1 for d in range(n_axes)])


def slack_of(limit: Limit, study: Study) -> float:
    """Give the rounding that a limit forgives."""
    sizes = [abs(c) * max(abs(study.factor(n).low), abs(study.factor(n).high)) for n, c in limit.coefficients]
    return TOLERANCE * max(abs(limit.bound), *sizes, 1e-300)


def kind_ranges(study: Study, factor: Factor) -> tuple[FloatArray, FloatArray]:
    """Give the lowest and highest value of a factor for each kind of the factor its range depends on."""
    by_kind = {kind: (low, high) for kind, low, high in factor.ranges}
    kinds = study.factor(factor.range_by).kinds
    return np.array([by_kind[k][0] for k in kinds]), np.array([by_kind[k][1] for k in kinds])


def allowed(study: Study, natural: npt.ArrayLike) -> BoolArray:
    """Tell which settings satisfy every limit and the range of their kind.

    Parameters
    ----------
    study : Study
    natural : array_like, shape (n, n_factors)

    Returns
    -------
    ndarray of bool, shape (n,)
    """
    settings = np.array(natural, dtype=float, ndmin=2)
    index = study.coding.index
    inside = np.ones(len(settings), dtype=bool)
    for limit in study.limits:
        total = sum((c * settings[:, index[name]] for name, c in limit.coefficients), start=np.zeros(len(settings)))
        inside &= total <= limit.bound + slack_of(limit, study)
    for j, factor in enumerate(study.factors):
        if factor.ranges:
            low, high = kind_ranges(study, factor)
            kind = settings[:, index[factor.range_by]].astype(int)
            room = TOLERANCE * max(abs(factor.low), abs(factor.high))
            inside &= (settings[:, j] >= low[kind] - room) & (settings[:, j] <= high[kind] + room)
    return inside


def is_reachable(study: Study, natural: npt.ArrayLike) -> BoolArray:
    """Tell which settings can be dialled in and are allowed, shape (n,)."""
    settings = np.array(natural, dtype=float, ndmin=2)
    reachable = allowed(study, settings)
    for j, factor in enumerate(study.factors):
        distance = np.abs(settings[:, [j]] - factor.positions).min(axis=1)
        reachable &= distance <= TOLERANCE * max(abs(factor.low), abs(factor.high), 1.0)
    return reachable


def is_empty(study: Study) -> bool:
    """Tell whether the limits leave no setting at all."""
    return not reachable_settings(study, at_most=1_000_000).allowed.any()


def values_of_kind(study: Study, factor: Factor, kind: int | None) -> FloatArray:
    """Give a factor's reachable values, only those in the range of a kind where its range depends on one."""
    values = factor.positions
    if not factor.ranges or kind is None:
        return values
    low, high = kind_ranges(study, factor)
    room = TOLERANCE * max(abs(factor.low), abs(factor.high))
    return np.asarray(values[(values >= low[kind] - room) & (values <= high[kind] + room)])
