"""Textbook designs, made by pydoe3: factorials, the face-centred central composite, Box-Behnken.

They are the yardstick for a searched plan of the same size, and are welded where nothing beats them. pydoe3 gives the
coded points only; centre runs are counted out (its defaults add many), fractions are made from stated generators, and
the rank of the model matrix is checked by whoever uses a design.
"""

from __future__ import annotations

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
    ends; none where a limit cuts a point off. The middle is the reachable value nearest to it.

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
        if (has_middle or not np.any(coded == 0)) and allowed(study, settings).all():
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
    """Give the face-centred central composite and the Box-Behnken design of this size."""
    designs = []
    if k >= 2:
        for name, core in _composite_cores(k):
            if _fits(n - len(core)):
                designs.append(_with_centre(name, core, n - len(core)))
    if k in {3, 4, 5}:
        core = np.asarray(bbdesign(k, center=0), dtype=float)
        if _fits(n - len(core)):
            designs.append(_with_centre("Box-Behnken", core, n - len(core)))
    return designs


def _composite_cores(k: int) -> list[tuple[str, FloatArray]]:
    """Give corners and face centres; the corners in full, and halved where that keeps every product estimable."""
    full = np.asarray(ccdesign(k, center=(0, 0), alpha="o", face="ccf"), dtype=float)
    cores = [("face-centred central composite", full)]
    if k in {5, 6}:
        corners = np.asarray(fracfact(GENERATORS[(k, 2 ** (k - 1))]), dtype=float)
        faces = full[2**k :]
        cores.append(("face-centred central composite on a half fraction", np.vstack([corners, faces])))
    return cores


def _fits(n_centre: int) -> bool:
    """Tell whether the rest of the welds is a sensible number of centre runs."""
    return 0 <= n_centre <= MOST_CENTRE_RUNS


def _with_centre(name: str, core: FloatArray, n_centre: int) -> tuple[str, FloatArray]:
    """Add centre runs, counted out."""
    label = f"{name} with {n_centre} centre run{'s' if n_centre != 1 else ''}" if n_centre else name
    return label, np.vstack([core, np.zeros((n_centre, core.shape[1]))])


def _scaled(coded: FloatArray, study: Study) -> FloatArray:
    """Put -1, 0 and 1 on the lowest, the middlemost and the highest value of each factor."""
    return np.column_stack([_column(coded[:, j], factor, study) for j, factor in enumerate(study.factors)])


def _column(coded: FloatArray, factor: Factor, study: Study) -> FloatArray:
    """Scale one column."""
    values = values_of_kind(study, factor, None)
    middle = values[np.abs(values - (values[0] + values[-1]) / 2).argmin()]
    return np.choose(np.rint(coded).astype(int) + 1, [values[0], middle, values[-1]]).astype(float)


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
