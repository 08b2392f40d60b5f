"""Textbook designs, the points mostly by pydoe3: factorials, central composites, Box-Behnken.

They are the yardstick for a searched plan of the same size, and are welded where nothing beats them. pydoe3 gives the
coded points only; centre runs are counted out (its defaults add many), fractions are made from stated generators, and
the rank of the model matrix is checked by whoever uses a design.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from pyDOE3 import bbdesign, ccdesign, ff2n, fracfact

from doe.coding import FloatArray
from doe.planning.problem import DesignProblem, information_matrix, is_singular
from doe.planning.region import allowed, values_of_kind
from doe.study.model import Factor, Study

MOST_CENTRE_RUNS: Final = 6
"""More centre runs than this are a waste of coupons; six is the most that the textbook's tables of central composite
designs recommend for these numbers of factors (value from memory)."""

GENERATORS: Final = {
    (3, 4): "a b ab",
    (4, 8): "a b c abc",
    (5, 16): "a b c d abcd",
    (5, 8): "a b c ab ac",
    (6, 32): "a b c d e abcde",
    (6, 16): "a b c d abc bcd",
    (6, 8): "a b c ab ac bc",
}
"""Generators of the two-level fractions by (factors, runs): those of the textbook's table of minimum-aberration
fractions, resolutions III, IV, V, III, VI, IV, III (values from memory; their aliases are checked in the tests)."""

BOX_BEHNKEN_BLOCKS: Final = {
    6: ((0, 1, 3), (1, 2, 4), (2, 3, 5), (0, 3, 4), (1, 4, 5), (0, 2, 5)),
    7: ((3, 4, 5), (0, 5, 6), (1, 4, 6), (0, 1, 3), (2, 3, 6), (0, 2, 4), (1, 2, 5)),
}
"""Which factors vary together in the designs of 6 and 7 factors: three at a time, 48 and 56 runs. Box and Behnken
(1960), Technometrics 2, 455-475 (from memory). pydoe3's bbdesign takes every pair of factors at any number of them,
which is their design for 3, 4 and 5 factors only: for 6 and 7 it gives 60 and 84 runs."""
HALVED: Final = (5, 6)
"""Numbers of factors of which a half fraction's corners and the axial points still tell every product apart."""
NEAR: Final = 0.02
"""How far a dial may stand from a design's point that is no end and no middle, in halves of its range. Our choice: the
default step is half as much."""


@dataclass(frozen=True, eq=False)
class ClassicalDesign:
    """A textbook design.

    Attributes
    ----------
    name : str
    settings : ndarray, shape (n, n_factors)
        Natural settings of the study.
    """

    name: str
    settings: FloatArray


def classical_designs(study: Study, n_welds: int) -> tuple[ClassicalDesign, ...]:
    """Give the textbook designs of exactly this size that fit the study's region.

    Only for numeric factors with one range each; three-level designs only where every factor has a value between its
    ends, composites with longer arms only where every factor has a value near enough to their corners; none where a
    limit cuts a point off. The middle is the reachable value nearest to it.

    Parameters
    ----------
    study : Study
    n_welds : int
    """
    k = len(study.factors)
    if any(factor.is_kind or factor.ranges for factor in study.factors):
        return ()
    has_middle = all(len(factor.positions) > 2 for factor in study.factors)
    designs = []
    for name, coded in _two_level(k, n_welds) + (_three_level(k, n_welds) if has_middle else []):
        settings = _scaled(coded, study)
        if settings is None or (np.any(coded == 0) and not has_middle):
            continue
        if allowed(study, settings).all():
            designs.append(ClassicalDesign(name, settings))
    return tuple(designs)


def _two_level(k: int, n: int) -> list[tuple[str, FloatArray]]:
    """Give the full factorial or its fractions with the centre runs that make up the size."""
    cores = [(f"2^{k} factorial", np.asarray(ff2n(k), dtype=float))]
    cores += [
        (f"2^({k}-{k - round(np.log2(runs))}) fraction", np.asarray(fracfact(generators), dtype=float))
        for (factors, runs), generators in GENERATORS.items()
        if factors == k
    ]
    return [_with_centre(name, core, n - len(core)) for name, core in cores if _fits(n - len(core))]


def _three_level(k: int, n: int) -> list[tuple[str, FloatArray]]:
    """Give the central composites and the Box-Behnken design of this size."""
    designs = []
    if k >= 2:
        for name, core in _composite_cores(k, n):
            if _fits(n - len(core)):
                designs.append(_with_centre(name, core, n - len(core)))
    if 3 <= k <= max(BOX_BEHNKEN_BLOCKS):
        core = box_behnken_points(k)
        if _fits(n - len(core)):
            designs.append(_with_centre("Box-Behnken", core, n - len(core)))
    return designs


def box_behnken_points(n_factors: int) -> FloatArray:
    """Give the points of a Box-Behnken design, coded, without centre runs: shape (n, n_factors).

    Parameters
    ----------
    n_factors : int
        3 to 7.
    """
    if n_factors not in BOX_BEHNKEN_BLOCKS:
        return np.asarray(bbdesign(n_factors, center=0), dtype=float)
    blocks = BOX_BEHNKEN_BLOCKS[n_factors]
    corners = np.asarray(ff2n(3), dtype=float)
    points = np.zeros((len(blocks), len(corners), n_factors))
    for block, factors in enumerate(blocks):
        points[block][:, factors] = corners
    return points.reshape(-1, n_factors)


def axial_distance(n_factors: int, *, n_corners: int, n_centre: int | None = None) -> float:
    r"""Give how far the axial points of a central composite stand from its middle; its corners are at -1 and 1.

    Rotatable: the variance of a prediction depends only on how far from the middle it is,

    .. math:: \alpha = F^{1/4}

    orthogonal, where the number of centre runs is given: the columns of the squares, less their means, are
    uncorrelated,

    .. math:: \alpha^2 = (\sqrt{F (F + 2 k + n_0)} - F) / 2

    Parameters
    ----------
    n_factors : int
        k.
    n_corners : int
        F: 2^k, or the runs of a fraction.
    n_centre : int, optional
        n_0, for the orthogonal distance; default the rotatable one.

    References
    ----------
    .. [1] Myers & Montgomery, Response Surface Methodology, on central composites; NIST/SEMATECH e-Handbook, section
       5.3.3.6.1 (from memory).

    Examples
    --------
    >>> axial_distance(2, n_corners=4), axial_distance(4, n_corners=16, n_centre=1)
    (1.4142, 1.4142)
    """
    if n_centre is None:
        return math.sqrt(math.sqrt(n_corners))
    return math.sqrt((math.sqrt(n_corners * (n_corners + 2 * n_factors + n_centre)) - n_corners) / 2.0)


def _composite_cores(k: int, n: int) -> list[tuple[str, FloatArray]]:
    """Give corners, in full or halved where that will do, and axial points at the ends of the ranges.

    The arms are as long as the corners' sides (face-centred), or longer: rotatable or orthogonal. Then the corners
    stand inside the ranges.
    """
    full = np.asarray(ccdesign(k, center=(0, 0), alpha="o", face="ccf"), dtype=float)
    axial, kinds = full[2**k :], [("", full[: 2**k])]
    if k in HALVED:
        kinds.append((" on a half fraction", np.asarray(fracfact(GENERATORS[(k, 2 ** (k - 1))]), dtype=float)))
    cores = []
    for on, corners in kinds:
        cores.append((f"face-centred central composite{on}", np.vstack([corners, axial])))
        n_centre = n - len(corners) - len(axial)
        if not _fits(n_centre):
            continue
        lengths = {
            "rotatable": axial_distance(k, n_corners=len(corners)),
            "orthogonal": axial_distance(k, n_corners=len(corners), n_centre=n_centre),
        }
        cores += [
            (f"{name} central composite{on}", np.vstack([corners / length, axial]))
            for name, length in lengths.items()
            if length > 1.0 + NEAR
        ]
    return cores


def _fits(n_centre: int) -> bool:
    """Tell whether the rest of the welds is a sensible number of centre runs."""
    return 0 <= n_centre <= MOST_CENTRE_RUNS


def _with_centre(name: str, core: FloatArray, n_centre: int) -> tuple[str, FloatArray]:
    """Add centre runs, counted out."""
    label = f"{name} with {n_centre} centre run{'s' if n_centre != 1 else ''}" if n_centre else name
    return label, np.vstack([core, np.zeros((n_centre, core.shape[1]))])


def _scaled(coded: FloatArray, study: Study) -> FloatArray | None:
    """Put -1, 0 and 1 on the lowest, the middlemost and the highest value of each factor, the rest on what is near it.

    None where a factor has no value near enough.
    """
    columns = [_column(coded[:, j], factor, study) for j, factor in enumerate(study.factors)]
    found = [column for column in columns if column is not None]
    return np.column_stack(found) if len(found) == len(columns) else None


def _column(coded: FloatArray, factor: Factor, study: Study) -> FloatArray | None:
    """Scale one column; None where no value is near enough to a point."""
    values = values_of_kind(study, factor, None)
    middle, half = (values[0] + values[-1]) / 2, (values[-1] - values[0]) / 2
    wanted = middle + coded * half
    nearest = values[np.abs(wanted[:, None] - values).argmin(axis=1)]
    is_between = ~np.isin(coded, (-1.0, 0.0, 1.0))
    if np.any(np.abs(nearest - wanted)[is_between] > NEAR * half):
        return None
    return np.asarray(nearest, dtype=float)


def textbook_rows(study: Study, problem: DesignProblem) -> list[tuple[str, FloatArray]]:
    """Give the textbook designs of the same size, coded and laid on the plates, that estimate the model."""
    if len(problem.given) or problem.block is not None:
        return []
    found = []
    for design in classical_designs(study, problem.n_welds):
        rows = _on_plates(problem, study.coding.to_coded(design.settings))
        if rows is not None and not is_singular(information_matrix(problem, rows)):
            found.append((design.name, rows))
    return found


def _on_plates(problem: DesignProblem, rows: FloatArray) -> FloatArray | None:
    """Sort a design so that each plate has one value of what it holds, or None where that cannot be."""
    held = np.flatnonzero(problem.held)
    if problem.plate is None or not len(held):
        return rows
    sizes = list(np.bincount(problem.plate))
    groups = np.unique(np.round(rows[:, held], 9), axis=0, return_inverse=True)[1].ravel()
    left = {int(g): list(np.flatnonzero(groups == g)) for g in np.unique(groups)}
    placed: list[int] = []
    for size in sizes:
        fitting = [g for g, members in left.items() if len(members) >= size]
        if not fitting:
            return None
        group = max(fitting, key=lambda g: (len(left[g]), -g))
        placed += [int(i) for i in left[group][:size]]
        left[group] = left[group][size:]
    return np.asarray(rows[np.array(placed, dtype=int)])
