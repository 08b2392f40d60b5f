r"""Maximum likelihood for normal readings of which some only say "at least this much".

.. math:: y_i = x_i b + u_{p(i)} + e_i, \quad u \sim N(0, t^2), \quad e \sim N(0, s^2)

Plates are integrated out by adaptive Gauss-Hermite quadrature.

References
----------
.. [1] Tobin (1958), Econometrica 26, 24-36 (from memory).
.. [2] Pinheiro & Bates (1995), J. Comput. Graph. Statist. 4, 12-35: adaptive quadrature (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from doe.bench.results import IntArray
from doe.coding import FloatArray
from doe.models.textbook.likelihood import Local, LogLikelihood, maximise, meets_exactly, profile_limits, recession

_LOG_ROOT_2PI = 0.5 * math.log(2.0 * math.pi)
_NODES = 25
_NO_PLATE = 1e-3
"""Plate sd over weld sd below which the plates are left out."""


@dataclass(frozen=True, eq=False)
class CensoredFit:
    """A fitted censored normal model.

    Attributes
    ----------
    coefficients, se : ndarray, shape (n_terms,)
        Infinite, or nan where not determined. Standard errors from the observed information.
    sd, plate_sd : float
    log_likelihood : float
    n_parameters : int
    runs_away : ndarray, shape (n_terms,)
        See ``likelihood.Recession``.
    near_limits : callable
        Parameter index and level to profile-likelihood limits (without plates) of a coefficient that runs away.
    """

    coefficients: FloatArray
    se: FloatArray
    sd: float
    plate_sd: float
    log_likelihood: float
    n_parameters: int
    runs_away: FloatArray
    near_limits: Callable[[int, float], tuple[float, float]]

    @property
    def aic(self) -> float:
        """Akaike's criterion."""
        return -2.0 * self.log_likelihood + 2.0 * self.n_parameters


def fit_censored(
    X: FloatArray, y: FloatArray, censored: npt.NDArray[np.bool_], *, plate: IntArray | None = None
) -> CensoredFit | None:
    """Fit readings, some of them right-censored.

    Parameters
    ----------
    X : ndarray, shape (n, n_terms)
        Independent columns.
    y : ndarray, shape (n,)
        The reading, or where ``censored`` what it is at least.
    censored : ndarray of bool, shape (n,)
    plate : ndarray of int, shape (n,), optional
        Number of the weld's plate, from 0 and without gaps.

    Returns
    -------
    CensoredFit or None
        None where the likelihood has no maximum: no uncensored reading, or the terms fit every one of them exactly.
    """
    if censored.all() or meets_exactly(X[~censored], y[~censored], X[censored], y[censored]):
        return None
    away = recession(X[~censored], X[censored])
    start, *_ = np.linalg.lstsq(X, y, rcond=None)
    spread = float(np.std(y - X @ start)) or float(np.std(y)) or 1.0
    likelihood = censored_log_likelihood(X, y, censored)
    top = maximise(likelihood, np.append(start, math.log(spread)))
    at, value, covariance = top.at, top.local.value, np.linalg.pinv(top.local.information, hermitian=True)
    plate_sd = 0.0
    if plate is not None:
        wider = _with_plates(X, y, censored, plate, top.at)
        plate_sd = math.exp(wider.x[-1])
        if plate_sd > _NO_PLATE * math.exp(wider.x[-2]) and -wider.fun > value:
            at, value = wider.x[:-1], -float(wider.fun)
            covariance = np.linalg.pinv(_curvature(lambda b: _with_plates_value(b, X, y, censored, plate), wider.x))
        else:
            plate_sd = 0.0
    p = X.shape[1]
    finite = away.limits == 0.0

    def near_limits(index: int, level: float) -> tuple[float, float]:
        toward = float(away.limits[index])
        if math.isnan(toward):
            return -math.inf, math.inf
        return profile_limits(likelihood, top, index=index, level=level, toward=toward)

    return CensoredFit(
        coefficients=np.where(finite, at[:p], away.limits),
        se=np.where(finite, np.sqrt(np.maximum(np.diag(covariance)[:p], 0.0)), np.inf),
        sd=math.exp(at[p]),
        plate_sd=plate_sd,
        log_likelihood=value,
        n_parameters=p + 1 + int(plate is not None),
        runs_away=away.limits,
        near_limits=near_limits,
    )


def censored_log_likelihood(X: FloatArray, y: FloatArray, censored: npt.NDArray[np.bool_]) -> LogLikelihood:
    """Make the log-likelihood in the coefficients and, last, the log standard deviation [1]."""
    seen = ~censored

    def at(parameters: FloatArray) -> Local:
        b, log_sd = parameters[:-1], float(np.clip(parameters[-1], -40.0, 40.0))
        sd = math.exp(log_sd)
        z = np.clip((y - X @ b) / sd, -1e6, 1e6)
        log_beyond = special.log_ndtr(-z)
        value = float(np.sum(-0.5 * z[seen] ** 2 - _LOG_ROOT_2PI - log_sd) + log_beyond[censored].sum())
        mills = np.exp(-0.5 * z**2 - _LOG_ROOT_2PI - log_beyond)
        pull = np.where(censored, mills, z)  # minus the derivative by z
        bend = np.where(censored, mills * (mills - z), 1.0)  # minus the second derivative
        gradient = np.append(X.T @ pull / sd, float(z @ pull) - seen.sum())
        information = np.empty((len(parameters), len(parameters)))
        information[:-1, :-1] = (X.T * bend) @ X / sd**2
        information[:-1, -1] = information[-1, :-1] = X.T @ (pull + z * bend) / sd
        information[-1, -1] = float(z @ pull + z**2 @ bend)
        return Local(value, gradient, information)

    return at


def _with_plates(
    X: FloatArray, y: FloatArray, censored: npt.NDArray[np.bool_], plate: IntArray, start: FloatArray
) -> optimize.OptimizeResult:
    """Minimise minus the integrated log-likelihood over coefficients, log weld sd and log plate sd."""
    begin = np.append(start, start[-1] - 0.7)
    begin[-2] -= 0.35
    return optimize.minimize(
        lambda b: -_with_plates_value(b, X, y, censored, plate), begin, method="BFGS", options={"gtol": 1e-6}
    )


def _with_plates_value(
    parameters: FloatArray, X: FloatArray, y: FloatArray, censored: npt.NDArray[np.bool_], plate: IntArray
) -> float:
    """Give the log-likelihood with plates integrated out, adaptively at each plate's own mode [2]."""
    b, sd, plate_sd = parameters[:-2], math.exp(parameters[-2]), math.exp(parameters[-1])
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    residual = y - X @ b
    mode, width = _plate_modes(residual, censored, plate, sd=sd, plate_sd=plate_sd)
    u = mode[:, None] + width[:, None] * nodes
    z = (residual[:, None] - u[plate]) / sd
    welds = np.where(censored[:, None], special.log_ndtr(-z), -0.5 * z**2 - _LOG_ROOT_2PI - math.log(sd))
    joint = -0.5 * (u / plate_sd) ** 2 - math.log(plate_sd) + 0.5 * nodes**2 + np.log(weights)
    np.add.at(joint, plate, welds)
    return float(np.sum(special.logsumexp(joint, axis=1) + np.log(width) - _LOG_ROOT_2PI))


def _plate_modes(
    residual: FloatArray, censored: npt.NDArray[np.bool_], plate: IntArray, *, sd: float, plate_sd: float
) -> tuple[FloatArray, FloatArray]:
    """Find each plate effect's conditional mode, and the width that its curvature gives, by Newton steps."""
    n_plates = int(plate.max()) + 1
    u, curvature = np.zeros(n_plates), np.ones(n_plates)
    for _ in range(50):
        z = (residual - u[plate]) / sd
        mills = np.exp(-0.5 * z**2 - _LOG_ROOT_2PI - special.log_ndtr(-z))
        pull = np.bincount(plate, np.where(censored, mills, z), minlength=n_plates)
        bend = np.bincount(plate, np.where(censored, mills * (mills - z), 1.0), minlength=n_plates)
        curvature = bend / sd**2 + 1.0 / plate_sd**2
        step = (pull / sd - u / plate_sd**2) / curvature
        u = u + step
        if np.abs(step).max() < 1e-9 * plate_sd:
            break
    return u, 1.0 / np.sqrt(curvature)


def _curvature(value: Callable[[FloatArray], float], at: FloatArray) -> FloatArray:
    """Give minus the matrix of second derivatives by central differences, shape (p, p)."""
    steps = np.diag(1e-3 * np.maximum(np.abs(at), 0.1))
    p = len(at)
    bend = np.empty((p, p))
    for i in range(p):
        for j in range(i, p):
            corners = [s * t * value(at + s * steps[i] + t * steps[j]) for s in (1.0, -1.0) for t in (1.0, -1.0)]
            bend[i, j] = bend[j, i] = -sum(corners) / (4.0 * steps[i, i] * steps[j, j])
    return bend
