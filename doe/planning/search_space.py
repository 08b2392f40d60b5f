"""The few settings of the region that a search tries: levels, and points on the cut of a limit."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.coding import FactorCoding, FloatArray
from doe.planning.region import allowed, kind_ranges, slack_of, spread, thin, values_of_kind
from doe.study.model import Factor, Limit, Study

MOST_LEVELS: Final = 11
"""A range with at most this many steps is searched at every one of them. Our planning value."""
FEW_FACTORS: Final = 3
"""Up to this many factors a long range is searched at its eighths, beyond at its quarters. Our planning value."""
MOST_LISTED: Final = 4_000
"""At most this many settings are listed for each combination of kinds where a range depends on a kind. Our planning
value."""
MOST_CUT_POINTS: Final = 400
"""At most this many settings on the cut of a limit are offered to the search. Our planning value."""


def search_values(values: FloatArray, *, is_continuous: bool, n_factors: int) -> FloatArray:
    """Thin reachable values to those that a search tries.

    Marks and levels stay as they are, and so does a range of few steps. A longer range is tried at its eighths (up to
    three factors) or quarters, each moved to the nearest reachable step: the ends, the middle and what lies between.
    """
    if not is_continuous or len(values) <= MOST_LEVELS:
        return values
    parts = 8 if n_factors <= FEW_FACTORS else 4
    wished = np.linspace(values[0], values[-1], parts + 1)
    nearest = np.abs(values[:, None] - wished).argmin(axis=0)
    return np.asarray(values[np.unique(nearest)])


@dataclass(frozen=True, eq=False)
class SearchSpace:
    """The settings a search chooses from, coded.

    Attributes
    ----------
    levels : tuple of ndarray
        Values a factor; indices for kinds.
    limit_matrix, limit_bound : ndarray, shape (n_limits, n_factors) and (n_limits,)
        Allowed where ``limit_matrix @ coded <= limit_bound``.
    extra_points : ndarray, shape (n_points, n_factors)
        Allowed settings on the cut of a limit, beside the levels.
    candidates : ndarray, shape (n_candidates, n_factors), or None
        The whole list, where a range depends on a kind: a limit then differs by kind and is no plane in coded units.
    """

    levels: tuple[FloatArray, ...]
    limit_matrix: FloatArray
    limit_bound: FloatArray
    extra_points: FloatArray
    candidates: FloatArray | None = None


def search_space(study: Study) -> SearchSpace:
    """Give the settings a search chooses from: every one of them can be dialled in and is allowed."""
    if any(factor.ranges for factor in study.factors):
        return _listed_space(study)
    matrix, bound = coded_limits(study)
    return SearchSpace(_search_levels(study), matrix, bound, cut_points(study))


def _search_levels(study: Study) -> tuple[FloatArray, ...]:
    """Give the coded values to try, for factors with one range each."""
    coding, n = study.coding, len(study.factors)
    levels = []
    for factor in study.factors:
        values = search_values(factor.positions, is_continuous=factor.is_continuous, n_factors=n)
        scale = coding[factor.name]
        levels.append(values if factor.is_kind else (values - scale.centre) / scale.half)
    return tuple(levels)


def _listed_space(study: Study) -> SearchSpace:
    """List the allowed settings kind by kind."""
    k = len(study.factors)
    natural = np.vstack([_grid_of_kinds(study, kinds) for kinds in combinations_of_kinds(study)])
    natural = natural[allowed(study, natural)]
    coded = np.vstack([study.coding.to_coded(natural).reshape(-1, k), cut_points(study)])
    # Two kinds' codings of one step differ in the last digits only: round so that they count as one level.
    coded = np.unique(np.round(coded, 12), axis=0)
    levels = tuple(np.unique(coded[:, j]) for j in range(k))
    return SearchSpace(levels, np.empty((0, k)), np.empty(0), np.empty((0, k)), coded)


def combinations_of_kinds(study: Study) -> Iterator[dict[str, int]]:
    """Give every combination of kinds, by the name of their factor."""
    names = [factor.name for factor in study.factors if factor.is_kind]
    for combination in itertools.product(*(range(len(study.factor(name).kinds)) for name in names)):
        yield dict(zip(names, combination, strict=True))


def _grid_of_kinds(study: Study, kinds: dict[str, int]) -> FloatArray:
    """Give the natural settings to try for one combination of kinds."""
    axes = []
    for factor in study.factors:
        kind = kinds.get(factor.range_by)
        values = np.array([float(kinds[factor.name])]) if factor.is_kind else values_of_kind(study, factor, kind)
        # Every combination is listed, hence the fewest values that show a range: its ends, middle and quarters.
        axes.append(spread(values, 5) if factor.is_continuous else values)
    axes = thin([factor.is_continuous for factor in study.factors], axes, MOST_LISTED)
    return np.column_stack([axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")])


def coded_limits(study: Study) -> tuple[FloatArray, FloatArray]:
    """Write the limits as ``matrix @ coded <= bound``, for factors with one range each.

    Returns
    -------
    matrix : ndarray, shape (n_limits, n_factors)
    bound : ndarray, shape (n_limits,)
    """
    return _limits_for(study, {})


def limits_by_kind(study: Study) -> tuple[FloatArray, FloatArray]:
    """Write the limits in coded units for each combination of kinds, the last factor of kinds changing fastest.

    A range that depends on a kind, but is coded as one (the study's own coding), adds its two ends.

    Returns
    -------
    matrix : ndarray, shape (n_combinations, n_rows, n_factors)
    bound : ndarray, shape (n_combinations, n_rows)
    """
    found = [_limits_for(study, kinds) for kinds in combinations_of_kinds(study)]
    return np.array([matrix for matrix, _ in found]), np.array([bound for _, bound in found])


def _limits_for(study: Study, kinds: dict[str, int]) -> tuple[FloatArray, FloatArray]:
    """Write the limits for one combination of kinds."""
    limits = [(dict(limit.coefficients), limit.bound + slack_of(limit, study)) for limit in study.limits]
    for factor in study.factors:
        if factor.ranges and not study.coding[factor.name].by:
            low, high = (ends[kinds[factor.range_by]] for ends in kind_ranges(study, factor))
            limits += [({factor.name: 1.0}, float(high)), ({factor.name: -1.0}, -float(low))]
    matrix = np.zeros((len(limits), len(study.factors)))
    bound = np.zeros(len(limits))
    for i, (coefficients, natural_bound) in enumerate(limits):
        bound[i] = natural_bound
        for name, coefficient in coefficients.items():
            centre, half = _scale_for(study.coding[name], kinds)
            matrix[i, study.coding.index[name]] += coefficient * half
            bound[i] -= coefficient * centre
    return matrix, bound


def _scale_for(factor: FactorCoding, kinds: dict[str, int]) -> tuple[float, float]:
    """Give centre and half-range of a factor for one combination of kinds."""
    return (
        (factor.centres[kinds[factor.by]], factor.halves[kinds[factor.by]])
        if factor.by
        else (factor.centre, factor.half)
    )


def cut_points(study: Study) -> FloatArray:
    """Give settings on the cut of each limit, rounded inwards to reachable steps.

    A grid that misses the cut of a limit misses the corners that a good plan stands on. For each limit and each range
    in it, the other factors of the limit take their search values, the rest their ends and middle, and the range goes
    as far as the limit lets it.

    Returns
    -------
    ndarray, shape (n_points, n_factors)
        Coded settings, each allowed, none twice.
    """
    found = [
        _on_the_cut(study, limit, name)
        for limit in study.limits
        for name, coefficient in limit.coefficients
        if coefficient and study.factor(name).is_continuous
    ]
    if not found:
        return np.empty((0, len(study.factors)))
    points = np.unique(np.vstack(found), axis=0)
    points = points[allowed(study, points)]
    if len(points) > MOST_CUT_POINTS:
        points = points[np.rint(np.linspace(0, len(points) - 1, MOST_CUT_POINTS)).astype(int)]
    return study.coding.to_coded(points) if len(points) else points


def _on_the_cut(study: Study, limit: Limit, name: str) -> FloatArray:
    """Push one factor of a limit to the cut at every combination of the others."""
    involved = dict(limit.coefficients)
    column = study.coding.index[name]
    axes = [_values_beside(study, f, most=MOST_LEVELS if f.name in involved else 3) for f in study.factors]
    axes[column] = np.zeros(1)
    points = np.column_stack([axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")])
    rest = sum(c * points[:, study.coding.index[other]] for other, c in limit.coefficients if other != name)
    room = (limit.bound + slack_of(limit, study) - rest) / involved[name]
    values = study.factor(name).positions
    # Upwards the cut lies above the last value that fits, downwards below the first.
    rank = np.searchsorted(values, room, side="right") - 1 if involved[name] > 0 else np.searchsorted(values, room)
    rank = np.broadcast_to(rank, len(points))
    inside = (rank >= 0) & (rank < len(values))
    points[inside, column] = values[rank[inside]]
    return points[inside]


def _values_beside(study: Study, factor: Factor, *, most: int) -> FloatArray:
    """Give the few values of a factor at which a cut is looked for."""
    if factor.is_kind:
        return factor.positions
    values = search_values(factor.positions, is_continuous=factor.is_continuous, n_factors=len(study.factors))
    return spread(values, most)
