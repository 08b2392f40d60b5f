"""Power: how surely a difference that matters would be seen."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Final

import numpy as np
from scipy import optimize, special, stats

from doe.coding import FactorCoding, FloatArray
from doe.planning.problem import DesignProblem
from doe.terms import model_matrix

DIFFERENCE: Final = 2.0
"""The difference that matters, in weld standard deviations, between the two ends of a factor's range or between two
kinds. Our planning value: less than that drowns in the scatter of single welds."""
TEST_LEVEL: Final = 0.10
"""Level of the two-sided test, the counterpart of the 90 % band. Our planning value."""
SEEN: Final = 0.80
"""The smallest difference told is the one seen in this share of studies. The textbooks' usual value."""
NODES: Final = 4_000
"""Midpoints, in probability, over which the estimated scatter is averaged: right to 1e-5."""


@dataclass(frozen=True)
class FactorPower:
    """The power for one factor, or for one pair of kinds.

    Attributes
    ----------
    contrast : str
        ``feed``, or ``wire=B`` for the difference of kind B from the first kind.
    se : float
        Standard error of the difference, in weld standard deviations.
    difference : float
        The difference that matters, in weld standard deviations.
    power : float or None
        Chance that it is seen; None without residual degrees of freedom.
    smallest : float or None
        The difference seen in 8 of 10 studies, in weld standard deviations.
    """

    contrast: str
    se: float
    difference: float
    power: float | None
    smallest: float | None

    def to_dict(self) -> dict[str, float | str | None]:
        """Give one entry of ``power`` in ``plan --json``."""
        numbers = {"difference": self.difference, "power": self.power, "smallest_difference": self.smallest}
        rounded = {name: None if v is None else float(f"{v:.6g}") for name, v in numbers.items()}
        return {"contrast": self.contrast, **rounded}


def power_of_t(ncp: float, df: int, *, level: float = TEST_LEVEL) -> float:
    """Give the power of a two-sided t test.

    Parameters
    ----------
    ncp : float
        Non-centrality: true difference over its standard error.
    df : int
        Residual degrees of freedom, at least 1.
    level : float
        Level of the test.
    """
    # T' = (Z + ncp) / W with W^2 ~ chi2/df: averaged over W, since scipy's noncentral t gives nan in its far tail.
    critical = float(stats.t.ppf(1 - level / 2, df))
    W = _scatters(df)
    return float(np.mean(special.ndtr(ncp - critical * W) + special.ndtr(-ncp - critical * W)))


@lru_cache(maxsize=64)
def _scatters(df: int) -> FloatArray:
    """Give the estimated scatter over the true one at the nodes, shape (NODES,); read only."""
    W = np.sqrt(stats.chi2.ppf((np.arange(NODES) + 0.5) / NODES, df) / df)
    W.setflags(write=False)
    return np.asarray(W)


@lru_cache(maxsize=256)
def smallest_ncp(df: int, *, power: float = SEEN, level: float = TEST_LEVEL) -> float:
    """Give the non-centrality that is seen with a given power."""
    return float(optimize.brentq(lambda ncp: power_of_t(ncp, df, level=level) - power, 0.0, 1000.0, xtol=1e-6))


def factor_power(problem: DesignProblem, inverse: FloatArray, *, df: int) -> tuple[FactorPower, ...]:
    """Give the power for every factor of the model.

    Parameters
    ----------
    problem : DesignProblem
    inverse : ndarray, shape (n_columns, n_columns)
        M^-1 of the plan.
    df : int
        Residual degrees of freedom. With the plate ratio taken as planned one variance is estimated with all of them.
    """
    p = len(problem.terms)
    found = []
    for label, contrast in _contrasts(problem):
        variance = float(contrast @ inverse[:p, :p] @ contrast)
        if not np.any(contrast):
            continue
        se = float(np.sqrt(variance))
        power = power_of_t(DIFFERENCE / se, df) if df > 0 else None
        smallest = smallest_ncp(df) * se if df > 0 else None
        found.append(FactorPower(label, se, DIFFERENCE, power, smallest))
    return tuple(found)


def _contrasts(problem: DesignProblem) -> list[tuple[str, FloatArray]]:
    """Give the difference between the ends of each range, and of each kind from the first, elsewhere at the middle."""
    contrasts = []
    for j, factor in enumerate(problem.coding.factors):
        for label, high, low in _ends(factor, problem.levels[j]):
            contrasts.append((label, _row(problem, j, high) - _row(problem, j, low)))
    return contrasts


def _ends(factor: FactorCoding, levels: FloatArray) -> list[tuple[str, float, float]]:
    """Give what is compared."""
    if factor.is_kind:
        return [(f"{factor.name}={kind}", float(k), 0.0) for k, kind in enumerate(factor.kinds) if k]
    return [(factor.name, float(np.max(levels)), float(np.min(levels)))]


def _row(problem: DesignProblem, column: int, value: float) -> FloatArray:
    """Give the model's row with one factor set, numeric others in the middle, averaged over other kinds."""
    others = [range(len(f.kinds)) if f.is_kind and j != column else [0.0] for j, f in enumerate(problem.coding.factors)]
    settings = np.array(np.meshgrid(*others, indexing="ij"), dtype=float).reshape(len(others), -1).T
    settings[:, column] = value
    return np.asarray(model_matrix(problem.terms, settings, problem.coding).mean(axis=0))
