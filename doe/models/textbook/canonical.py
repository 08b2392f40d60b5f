"""Canonical analysis of a second-order surface: its stationary point, its nature, and where it may lie.

References
----------
.. [1] Box & Hunter (1954), Biometrika 41, 190-199: the confidence region of the stationary point; described in
   the NIST/SEMATECH e-Handbook, section 5.5.3.1.5.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from scipy import optimize, stats

from doe.coding import FloatArray
from doe.terms import Term

Nature = Literal["maximum", "minimum", "saddle"]
_FARTHEST = 10.0
"""Half-ranges from the stationary point beyond which a region counts as open."""


@dataclass(frozen=True, eq=False)
class Surface:
    """A fitted second-order surface in coded numeric factors; kinds at their first, position and blocks at average.

    Attributes
    ----------
    names : tuple of str, length k
        The numeric factors that enter.
    constant : float
    linear : ndarray, shape (k,)
    quadratic : ndarray, shape (k, k)
        Symmetric: squares on the diagonal, half of each product beside it.
    gradient_terms : ndarray, shape (k + 1, k, n_terms)
        The gradient at x is ``(gradient_terms[0] + sum_j x_j gradient_terms[j + 1]) @ coefficients``.
    coefficients : ndarray, shape (n_terms,)
    covariance : ndarray, shape (n_terms, n_terms)
        Of the coefficients, residual variance included.
    """

    names: tuple[str, ...]
    constant: float
    linear: FloatArray
    quadratic: FloatArray
    gradient_terms: FloatArray
    coefficients: FloatArray
    covariance: FloatArray

    @property
    def stationary(self) -> FloatArray | None:
        """The coded stationary point, shape (k,); None where some direction has no curvature."""
        values = np.linalg.eigvalsh(self.quadratic)
        if np.abs(values).min() <= 1e-10 * max(np.abs(values).max(), np.abs(self.linear).max()):
            return None
        return np.asarray(-0.5 * np.linalg.solve(self.quadratic, self.linear))

    @property
    def eigenvalues(self) -> FloatArray:
        """Curvatures along the canonical axes, largest first, shape (k,)."""
        return np.asarray(np.linalg.eigvalsh(self.quadratic)[::-1], dtype=float)

    @property
    def nature(self) -> Nature:
        """What the stationary point is."""
        if np.all(self.eigenvalues < 0.0):
            return "maximum"
        return "minimum" if np.all(self.eigenvalues > 0.0) else "saddle"

    def value(self, x: FloatArray) -> float:
        """Give the fitted value at a coded point of shape (k,)."""
        return float(self.constant + self.linear @ x + x @ self.quadratic @ x)

    def statistic(self, x: FloatArray) -> float:
        """Give F on k and residual degrees of freedom: the surface is stationary at the coded point x [1]."""
        return self.statistic_and_slope(x)[0]

    def statistic_and_slope(self, x: FloatArray) -> tuple[float, FloatArray]:
        """Give the statistic and its gradient by x; infinite where the gradient has no variance in some direction."""
        k, weights = len(x), self.gradient_terms[0] + np.tensordot(x, self.gradient_terms[1:], axes=1)
        gradient, spread = weights @ self.coefficients, self.covariance @ weights.T
        variance = weights @ spread
        size = np.sqrt(np.maximum(np.diag(variance), 1e-300))
        if np.linalg.cond(variance / np.outer(size, size)) > 1e12:
            return math.inf, np.zeros(k)
        pull = np.linalg.solve(variance, gradient)
        by_x = np.einsum("i,mip,p->m", pull, self.gradient_terms[1:], self.coefficients - spread @ pull)
        return float(gradient @ pull) / k, 2.0 * by_x / k


def second_order_surface(terms: Sequence[Term], coefficients: FloatArray, covariance: FloatArray) -> Surface | None:
    """Read a surface off fitted terms; None where there is no quadratic term, or one of a higher order.

    Parameters
    ----------
    terms : sequence of Term, length at most n_terms
        The terms of the first coefficients; any coefficients beyond them do not bear on the surface.
    coefficients : ndarray, shape (n_terms,)
    covariance : ndarray, shape (n_terms, n_terms)
    """
    plain = [(t, term) for t, term in enumerate(terms) if not term.kinds]
    names = tuple(dict.fromkeys(name for _, term in plain for name, _ in term.powers))
    orders = [term.order for _, term in plain]
    if not names or max(orders) != 2:
        return None
    index, k = {name: j for j, name in enumerate(names)}, len(names)
    slopes = np.zeros((k + 1, k, len(coefficients)))
    for t, term in plain:
        entering = [index[name] for name, power in term.powers for _ in range(power)]
        if len(entering) == 1:
            slopes[0, entering[0], t] = 1.0
        elif len(entering) == 2:
            first, second = entering
            slopes[second + 1, first, t] += 1.0
            slopes[first + 1, second, t] += 1.0
    constant = sum(float(coefficients[t]) for t, term in plain if not term.powers)
    return Surface(
        names=names,
        constant=constant,
        linear=slopes[0] @ coefficients,
        quadratic=np.stack([slopes[j + 1] @ coefficients for j in range(k)]) / 2.0,
        gradient_terms=slopes,
        coefficients=coefficients,
        covariance=covariance,
    )


def region_limits(surface: Surface, *, residual_df: float, level: float) -> tuple[FloatArray, FloatArray]:
    """Give the extent of the stationary point's confidence region along each coded factor.

    Parameters
    ----------
    surface : Surface
        With a stationary point.
    residual_df : float
    level : float

    Returns
    -------
    low, high : ndarray, shape (k,)
        Infinite where the region is open, or its shape cannot be told.
    """
    k = len(surface.names)
    threshold = float(stats.f.ppf(level, k, residual_df))
    reach = np.array([[_reach(surface, j, side, threshold=threshold) for j in range(k)] for side in (-1.0, 1.0)])
    return reach[0], reach[1]


def _reach(surface: Surface, j: int, side: float, *, threshold: float) -> float:
    """Go from the stationary point along one factor until no point at that value lies in the region."""
    centre = surface.stationary
    if centre is None or not math.isfinite(surface.statistic(centre)):
        return side * math.inf
    least = _least_statistic(surface, centre, j, enough=threshold)
    inside, step = 0.0, 0.05
    if least(side * _FARTHEST) <= threshold:
        return side * math.inf
    while least(side * step) <= threshold:
        inside, step = step, 2.0 * step
        if step > _FARTHEST:
            return side * math.inf
    edge = optimize.brentq(lambda distance: least(side * distance) - threshold, inside, step, xtol=1e-5)
    return float(centre[j] + side * edge)


def _least_statistic(surface: Surface, centre: FloatArray, j: int, *, enough: float) -> Callable[[float], float]:
    """Give the least statistic over the other factors as a function of the distance along factor j.

    The search stops where it has come well below ``enough``: only the side of that number matters.
    """
    others = [i for i in range(len(centre)) if i != j]
    starts = {0.0: centre[others]}

    def stop(intermediate_result: optimize.OptimizeResult) -> None:
        if intermediate_result.fun < 0.9 * enough:
            raise StopIteration

    def least(distance: float) -> float:
        def at(rest: FloatArray) -> tuple[float, FloatArray]:
            x = np.empty(len(centre))
            x[j], x[others] = centre[j] + distance, rest
            value, slope = surface.statistic_and_slope(x)
            return value, slope[others]

        if not others:
            return at(np.empty(0))[0]
        nearest = min(starts, key=lambda known: abs(known - distance))
        start = starts[nearest]
        found = optimize.minimize(at, start, jac=True, method="BFGS", callback=stop, options={"gtol": 1e-6})
        starts[distance] = np.asarray(found.x)
        return float(found.fun)

    return least
