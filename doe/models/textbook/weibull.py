r"""Maximum likelihood for Weibull times with right censoring: terms on log time.

.. math:: \log T_i = x_i b + s W_i, \quad P(W > w) = \exp(-e^w)

s, the scale, is the reciprocal of the Weibull shape; a positive coefficient lengthens the time.

References
----------
.. [1] Lawless (2003), Statistical Models and Methods for Lifetime Data, 2nd ed., ch. 6 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.coding import FloatArray
from doe.models.textbook.likelihood import Local, LogLikelihood, maximise, meets_exactly, profile_limits, recession


@dataclass(frozen=True, eq=False)
class WeibullFit:
    """A fitted Weibull model.

    Attributes
    ----------
    coefficients, se : ndarray, shape (n_terms,)
        On log time; infinite, or nan where not determined. Standard errors from the observed information.
    scale, se_log_scale : float
    log_likelihood : float
        Of the times (not of their logarithms).
    aic : float
    runs_away : ndarray, shape (n_terms,)
        See ``likelihood.Recession``.
    profile : callable
        Parameter index (the last is log scale) and level to profile-likelihood limits.
    """

    coefficients: FloatArray
    se: FloatArray
    scale: float
    se_log_scale: float
    log_likelihood: float
    aic: float
    runs_away: FloatArray
    profile: Callable[[int, float], tuple[float, float]]


def fit_weibull(X: FloatArray, time: FloatArray, event: npt.NDArray[np.bool_]) -> WeibullFit | None:
    """Fit times to an event, some of them only known to be longer.

    Parameters
    ----------
    X : ndarray, shape (n, n_terms)
        Independent columns.
    time : ndarray, shape (n,)
        Above 0.
    event : ndarray of bool, shape (n,)
        True: the event came at ``time``; False: it had not come by then.

    Returns
    -------
    WeibullFit or None
        None where the likelihood has no maximum in the scale: no event, or the terms fit every event exactly.
    """
    log_time = np.log(time)
    if not event.any() or meets_exactly(X[event], log_time[event], X[~event], log_time[~event]):
        return None
    away = recession(X[event], X[~event])
    likelihood = weibull_log_likelihood(X, log_time, event)
    start, *_ = np.linalg.lstsq(X, log_time, rcond=None)
    spread = float(np.std(log_time - X @ start))
    top = maximise(likelihood, np.append(start, math.log(max(spread, 0.1))))
    covariance = np.linalg.pinv(top.local.information, hermitian=True)
    se = np.sqrt(np.maximum(np.diag(covariance), 0.0))

    def profile(index: int, level: float) -> tuple[float, float]:
        toward = float(away.limits[index]) if index < len(away.limits) else 0.0
        if math.isnan(toward):
            return -math.inf, math.inf
        return profile_limits(likelihood, top, index=index, level=level, toward=toward)

    return WeibullFit(
        coefficients=np.where(away.limits == 0.0, top.at[:-1], away.limits),
        se=np.where(away.limits == 0.0, se[:-1], np.inf),
        scale=math.exp(top.at[-1]),
        se_log_scale=float(se[-1]),
        log_likelihood=top.local.value,
        aic=-2.0 * top.local.value + 2.0 * (X.shape[1] + 1),
        runs_away=away.limits,
        profile=profile,
    )


def weibull_log_likelihood(X: FloatArray, log_time: FloatArray, event: npt.NDArray[np.bool_]) -> LogLikelihood:
    """Make the log-likelihood in the coefficients and, last, the log scale [1]."""
    happened = event.astype(float)
    constant = -float(happened @ log_time)

    def at(parameters: FloatArray) -> Local:
        b, log_scale = parameters[:-1], float(np.clip(parameters[-1], -40.0, 40.0))
        scale = math.exp(log_scale)
        w = (log_time - X @ b) / scale
        hazard = np.exp(np.minimum(w, 300.0))
        value = float(happened @ (w - log_scale) - hazard.sum()) + constant
        pull = hazard - happened  # minus the derivative by w
        gradient = np.append(X.T @ pull / scale, float(w @ pull) - happened.sum())
        cross = X.T @ (pull + w * hazard) / scale
        information = np.empty((len(parameters), len(parameters)))
        information[:-1, :-1] = (X.T * hazard) @ X / scale**2
        information[:-1, -1] = information[-1, :-1] = cross
        information[-1, -1] = float(w @ pull + w**2 @ hazard)
        return Local(value, gradient, information)

    return at
