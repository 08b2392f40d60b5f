"""Maximum likelihood: the search, profile limits, and where a maximum lies at infinity.

A likelihood hands over its value, gradient and information at a parameter vector; everything here works on that alone.

References
----------
.. [1] Albert & Anderson (1984), Biometrika 71, 1-10: separation (from memory).
.. [2] Geyer (2009), Electronic Journal of Statistics 3, 259-289: the limit that remains when a maximum lies at
   infinity (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import optimize, stats

from doe.coding import FloatArray

_MOST_STEPS = 500
_STILL = 1e-25
"""A step that promises a smaller rise of the log-likelihood ends the climb."""
_CLOSE = 1e-11
"""So too in a profile, and wherever a step this small promises no less than the last one did."""
_ROUNDING = 1e-14


class Local(NamedTuple):
    """A log-likelihood at one parameter vector: value, gradient (p,), information (p, p)."""

    value: float
    gradient: FloatArray
    information: FloatArray


LogLikelihood = Callable[[FloatArray], Local]


@dataclass(frozen=True, eq=False)
class Maximum:
    """Where a log-likelihood is largest: ``at`` (p,), with its ``local`` value, gradient and information."""

    at: FloatArray
    local: Local


def maximise(
    log_likelihood: LogLikelihood, start: FloatArray, *, held: Sequence[int] = (), still: float = _STILL
) -> Maximum:
    """Climb by damped Newton steps.

    Where the likelihood rises for ever (separation) the climb ends once a step gains nothing more, at the
    supremum to about twelve digits.

    Parameters
    ----------
    log_likelihood : callable
    start : ndarray, shape (p,)
        With a finite value.
    held : sequence of int
        Parameters that stay at ``start``.
    still : float
        A step that promises a smaller rise ends the climb.
    """
    free = np.setdiff1d(np.arange(len(start)), np.asarray(held, dtype=int))
    at, here, damping, last = start.astype(float), log_likelihood(start), 0.0, math.inf
    for _ in range(_MOST_STEPS if free.size else 0):
        gradient = here.gradient[free]
        step = _damped_step(here.information[np.ix_(free, free)], gradient, damping)
        promised = float(gradient @ step)
        if damping < 1e-3 and (promised < still or last <= promised < _CLOSE):
            break
        trial = at.copy()
        trial[free] += step * min(1.0, (1.0 + abs(here.value)) / promised)  # flat ground promises too much
        there = log_likelihood(trial)
        if there.value >= here.value - _ROUNDING * max(1.0, abs(here.value)):
            at, here, last = trial, there, promised
            damping = damping / 10.0 if damping > 1e-6 else 0.0
        elif damping > 1e12:
            break
        else:
            damping = max(4.0 * damping, 1e-4)
    return Maximum(at, here)


def _damped_step(information: FloatArray, gradient: FloatArray, damping: float) -> FloatArray:
    """Solve (information + damping) step = gradient with the information's eigenvalues made positive."""
    size = np.sqrt(np.maximum(np.abs(np.diag(information)), 1e-100))
    values, vectors = np.linalg.eigh(information / np.outer(size, size))
    firm = np.maximum(np.abs(values), 1e-14) + damping
    step = vectors @ ((vectors.T @ (gradient / size)) / firm) / size
    return np.asarray(step)


def profile_limits(
    log_likelihood: LogLikelihood,
    top: Maximum,
    *,
    index: int,
    level: float,
    toward: float = 0.0,
    also_from: Sequence[float] = (),
) -> tuple[float, float]:
    """Give the two-sided profile-likelihood limits of one parameter.

    The limits are where twice the drop of the log-likelihood, maximised over the other parameters, reaches
    the chi-squared quantile on one degree of freedom.

    Parameters
    ----------
    log_likelihood : callable
    top : Maximum
        Or, where the maximum lies at infinity, the end of the climb towards it.
    index : int
        The parameter.
    level : float
    toward : float
        ``inf`` or ``-inf`` where the estimate lies there: that side's limit is infinite as well.
    also_from : sequence of float
        Multiples of ``top.at`` from which to climb as well, where the profile may have several summits.

    Returns
    -------
    low, high : float
        Infinite where the profile never falls far enough.
    """
    value = _profile(log_likelihood, top, index, also_from=also_from)
    start = 0.0 if math.isinf(toward) else float(top.at[index])
    step = _first_step(top, index)
    return profile_crossings(value, top.local.value, start, step=step, level=level, toward=toward)


def profile_crossings(
    profile: Callable[[float], float], highest: float, start: float, *, step: float, level: float, toward: float = 0.0
) -> tuple[float, float]:
    """Give where a profile has dropped by half the chi-squared quantile below its highest value.

    Parameters
    ----------
    profile : callable
        Value of the parameter to the log-likelihood maximised over the others.
    highest : float
    start : float
        The estimate, or any value where the estimate is infinite.
    step : float
        About a standard error.
    level : float
    toward : float
        As in ``profile_limits``.
    """
    reach = math.sqrt(float(stats.chi2.ppf(level, 1)))
    known: dict[float, float] = {}

    def above(value: float) -> float:
        """Give the reach less the root of twice the drop: nearly a straight line, so that few values are needed."""
        if value not in known:
            known[value] = reach - math.sqrt(max(0.0, 2.0 * (highest - profile(value))))
        return known[value]

    low = -math.inf if toward == -math.inf else _crossing(above, start, -step)
    high = math.inf if toward == math.inf else _crossing(above, start, step)
    return low, high


def _profile(
    log_likelihood: LogLikelihood, top: Maximum, index: int, *, also_from: Sequence[float]
) -> Callable[[float], float]:
    """Give the log-likelihood maximised over all parameters but one, each climb starting where the last one ended."""
    held = {"at": top.at}

    def held_at(start: FloatArray, value: float) -> FloatArray:
        return np.where(np.arange(len(start)) == index, value, start)

    def profile(value: float) -> float:
        starts = [held_at(start, value) for start in (held["at"], *(m * top.at for m in also_from), top.at)]
        finite = [start for start in starts if math.isfinite(log_likelihood(start).value)]
        climbs = finite[: 1 + len(also_from)]
        best = max(
            (maximise(log_likelihood, start, held=[index], still=_CLOSE) for start in climbs),
            key=lambda found: found.local.value,
        )
        held["at"] = best.at
        return best.local.value

    return profile


def _crossing(above: Callable[[float], float], start: float, first_step: float) -> float:
    """Find where the profile falls through the floor, going from the start in steps that double."""
    inside, step = start, first_step
    while above(inside) < 0.0:  # the start of an infinite estimate may lie outside: first go back inside
        inside -= step
        step *= 2.0
    step = first_step
    while above(inside + step) > 0.0:
        inside, step = inside + step, 2.0 * step
        if abs(step) > 1e7 * abs(first_step):
            return math.copysign(math.inf, step)
    near, far = sorted((inside, inside + step))
    return float(optimize.brentq(above, near, far, xtol=1e-8 * abs(first_step), rtol=1e-9))


def _first_step(top: Maximum, index: int) -> float:
    """Give a step of about one standard error, or 1 where that is not known."""
    curvature = float(top.local.information[index, index])
    return min(1.0 / math.sqrt(curvature), 10.0) if curvature > 1e-6 else 1.0


@dataclass(frozen=True, eq=False)
class Recession:
    """The directions in which a likelihood rises for ever.

    Attributes
    ----------
    lost : ndarray of bool, shape (n_bounded,)
        The bounded rows whose linear predictor runs away.
    limits : ndarray, shape (n_terms,)
        0 where the coefficient is finite, inf or -inf where it runs away, nan where it may go either way.
    """

    lost: npt.NDArray[np.bool_]
    limits: FloatArray

    @property
    def exists(self) -> bool:
        """Whether there is such a direction."""
        return bool(self.lost.any())


def recession(fixed: FloatArray, bounded: FloatArray) -> Recession:
    """Find directions d with ``fixed @ d = 0`` and ``bounded @ d >= 0``, above 0 somewhere, by linear programming.

    Parameters
    ----------
    fixed : ndarray, shape (n_fixed, n_terms)
        Rows whose likelihood falls in both directions.
    bounded : ndarray, shape (n_bounded, n_terms)
        Rows whose likelihood never falls as their predictor rises.
    """
    n_terms, n_bounded = bounded.shape[1], len(bounded)
    none = Recession(np.zeros(n_bounded, dtype=bool), np.zeros(n_terms))
    if n_bounded == 0:
        return none
    scale = np.maximum(np.abs(np.vstack([fixed, bounded])).max(axis=0), 1e-300)
    fixed, bounded = fixed / scale, bounded / scale
    # maximise sum z with 0 <= z <= 1, z <= bounded @ d: rows that can be positive reach 1
    gains = np.concatenate([np.zeros(n_terms), -np.ones(n_bounded)])
    found = optimize.linprog(
        gains,
        A_ub=np.hstack([-bounded, np.eye(n_bounded)]),
        b_ub=np.zeros(n_bounded),
        A_eq=np.hstack([fixed, np.zeros((len(fixed), n_bounded))]) if len(fixed) else None,
        b_eq=np.zeros(len(fixed)) if len(fixed) else None,
        bounds=[(None, None)] * n_terms + [(0.0, 1.0)] * n_bounded,
        method="highs",
    )
    lost = np.asarray(found.x[n_terms:] > 0.5)
    if not lost.any():
        return none
    return Recession(lost, np.array([_limit(fixed, bounded, j) for j in range(n_terms)]))


def _limit(fixed: FloatArray, bounded: FloatArray, j: int) -> float:
    """Tell where one coefficient goes along the directions of recession."""
    n_terms = bounded.shape[1]
    ends = []
    for sign in (-1.0, 1.0):
        found = optimize.linprog(
            -sign * np.eye(n_terms)[j],
            A_ub=-bounded,
            b_ub=np.zeros(len(bounded)),
            A_eq=fixed if len(fixed) else None,
            b_eq=np.zeros(len(fixed)) if len(fixed) else None,
            bounds=[(-1.0, 1.0)] * n_terms,
            method="highs",
        )
        ends.append(abs(float(found.fun)) > 1e-6)
    falls, rises = ends
    if falls and rises:
        return math.nan
    return math.inf if rises else -math.inf if falls else 0.0


def meets_exactly(fixed: FloatArray, targets: FloatArray, bounded: FloatArray, floors: FloatArray) -> bool:
    """Tell whether some b has ``fixed @ b = targets`` and ``bounded @ b >= floors``.

    There the spread of a censored model can shrink to nothing and its likelihood grow without end.
    """
    centre, size = float(np.mean(np.append(targets, floors))), float(np.std(np.append(targets, floors))) or 1.0
    both = np.vstack([fixed, bounded])
    scale = np.maximum(np.abs(both).max(axis=0), 1e-300)
    fit, *_ = np.linalg.lstsq(both / scale, np.full(len(both), centre), rcond=None)
    shift = both @ (fit / scale)  # brings large readings near 0, where the solver's tolerance is meant
    found = optimize.linprog(
        np.zeros(fixed.shape[1]),
        A_ub=-bounded / scale if len(bounded) else None,
        b_ub=(shift[len(fixed) :] - floors) / size if len(bounded) else None,
        A_eq=fixed / scale if len(fixed) else None,
        b_eq=(targets - shift[: len(fixed)]) / size if len(fixed) else None,
        bounds=[(None, None)] * fixed.shape[1],
        method="highs",
    )
    return bool(found.success)
