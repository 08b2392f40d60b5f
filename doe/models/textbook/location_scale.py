r"""Maximum likelihood for right-censored values with a linear predictor and a scale: normal and extreme-value errors.

.. math:: y_i = x_i b + s w_i

The search runs in a = b / s and t = 1 / s, where the log-likelihood is concave and has one summit; so has its
profile in any coefficient, since holding b_j only moves the values.

References
----------
.. [1] Olsen (1978), Econometrica 46, 1211-1215: concavity in b / s and 1 / s for the normal law (from memory).
.. [2] Burridge (1981), J. R. Statist. Soc. B 43, 41-45: for other log-concave laws (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import special

from doe.coding import FloatArray
from doe.models.textbook.likelihood import (
    Local,
    LogLikelihood,
    Maximum,
    maximise,
    meets_exactly,
    profile_crossings,
    recession,
)

BoolArray = npt.NDArray[np.bool_]
LOG_ROOT_2PI = 0.5 * math.log(2.0 * math.pi)


@dataclass(frozen=True)
class Law:
    """The law of the standard error w.

    Attributes
    ----------
    seen, beyond : callable
        From w: log density, or log of the chance to lie beyond; minus its first and minus its second derivative.
    """

    seen: Callable[[FloatArray], tuple[FloatArray, FloatArray, FloatArray]]
    beyond: Callable[[FloatArray], tuple[FloatArray, FloatArray, FloatArray]]


def mills(w: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give the normal density over the upper tail, and its derivative, which lies between 0 and 1."""
    ratio = math.sqrt(2.0 / math.pi) / special.erfcx(np.maximum(w, -37.0) / math.sqrt(2.0))
    return ratio, np.clip(ratio * (ratio - w), 0.0, 1.0)


def _hazard(w: FloatArray) -> FloatArray:
    return np.exp(np.minimum(w, 300.0))


NORMAL = Law(
    seen=lambda w: (-0.5 * w**2 - LOG_ROOT_2PI, w, np.ones(len(w))),
    beyond=lambda w: (special.log_ndtr(-w), *mills(w)),
)
EXTREME_VALUE = Law(
    seen=lambda w: (w - _hazard(w), _hazard(w) - 1.0, _hazard(w)),
    beyond=lambda w: (-_hazard(w), _hazard(w), _hazard(w)),
)
"""Of the smallest of many: the logarithm of a Weibull time."""


@dataclass(frozen=True, eq=False)
class LocationScaleFit:
    """A fit by ``fit_location_scale``.

    Attributes
    ----------
    coefficients, se : ndarray, shape (n_terms,)
        Infinite, or nan where not determined. Standard errors from the observed information.
    scale : float
    log_likelihood : float
        Of the values.
    runs_away : ndarray, shape (n_terms,)
        See ``likelihood.Recession``.
    profile : callable
        Coefficient index and level to profile-likelihood limits.
    """

    coefficients: FloatArray
    se: FloatArray
    scale: float
    log_likelihood: float
    runs_away: FloatArray
    profile: Callable[[int, float], tuple[float, float]]


def fit_location_scale(X: FloatArray, y: FloatArray, seen: BoolArray, *, law: Law) -> LocationScaleFit | None:
    """Fit values, some of which only say "at least".

    Parameters
    ----------
    X : ndarray, shape (n, n_terms)
        Independent columns.
    y : ndarray, shape (n,)
        The value, or what it is at least.
    seen : ndarray of bool, shape (n,)
        False: only "at least".
    law : Law

    Returns
    -------
    LocationScaleFit or None
        None where the likelihood has no maximum in the scale: nothing seen, or the terms meet everything seen exactly.
    """
    if not seen.any() or meets_exactly(X[seen], y[seen], X[~seen], y[~seen]):
        return None
    away = recession(X[seen], X[~seen]).limits
    top = _summit(X, y, seen, law=law)
    scale = 1.0 / float(top.at[-1])
    finite = away == 0.0
    se = _standard_errors(top, scale)

    def profile(index: int, level: float) -> tuple[float, float]:
        if math.isnan(away[index]):
            return -math.inf, math.inf
        rest = np.delete(X, index, axis=1)

        def held_at(value: float) -> float:
            return _summit(rest, y - value * X[:, index], seen, law=law).local.value

        start = 0.0 if math.isinf(away[index]) else float(top.at[index]) * scale
        step = se[index] if finite[index] else scale
        return profile_crossings(
            held_at, top.local.value, start, step=float(step), level=level, toward=float(away[index])
        )

    return LocationScaleFit(
        coefficients=np.where(finite, top.at[:-1] * scale, away),
        se=np.where(finite, se, np.inf),
        scale=scale,
        log_likelihood=top.local.value,
        runs_away=away,
        profile=profile,
    )


def _summit(X: FloatArray, y: FloatArray, seen: BoolArray, *, law: Law) -> Maximum:
    """Climb from the least-squares fit, whose standardised residuals are never large."""
    start, *_ = np.linalg.lstsq(X, y, rcond=None)
    spread = max(float(np.std(y - X @ start)), 0.1 * float(np.std(y))) or 1.0
    return maximise(concave_log_likelihood(X, y, seen, law=law), np.append(start, 1.0) / spread)


def concave_log_likelihood(X: FloatArray, y: FloatArray, seen: BoolArray, *, law: Law) -> LogLikelihood:
    """Make the log-likelihood in b / s and, last, 1 / s [1, 2]."""
    n_seen = int(seen.sum())

    def at(parameters: FloatArray) -> Local:
        a, t = parameters[:-1], float(parameters[-1])
        if t <= 0.0:
            return Local(-math.inf, np.zeros(len(parameters)), np.eye(len(parameters)))
        w = np.clip(t * y - X @ a, -1e8, 1e8)
        value, pull, bend = np.empty(len(y)), np.empty(len(y)), np.empty(len(y))
        value[seen], pull[seen], bend[seen] = law.seen(w[seen])
        value[~seen], pull[~seen], bend[~seen] = law.beyond(w[~seen])
        columns = np.column_stack([-X, y])  # the derivative of w by the parameters
        gradient, information = -columns.T @ pull, (columns.T * bend) @ columns
        gradient[-1] += n_seen / t
        information[-1, -1] += n_seen / t**2
        return Local(float(value.sum()) + n_seen * math.log(t), gradient, information)

    return at


def _standard_errors(top: Maximum, scale: float) -> FloatArray:
    """Carry the information over to b and log s, where the gradient is 0, and invert it."""
    p = len(top.at) - 1
    turn = np.eye(p + 1) / scale
    turn[:, p] = -top.at
    covariance = np.linalg.pinv(turn.T @ top.local.information @ turn, hermitian=True)
    return np.sqrt(np.maximum(np.diag(covariance)[:p], 0.0))
