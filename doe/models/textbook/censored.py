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
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize, special

from doe.bench.results import IntArray
from doe.coding import FloatArray
from doe.models.textbook.location_scale import (
    LOG_ROOT_2PI,
    NORMAL,
    BoolArray,
    fit_location_scale,
    mills,
)

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
        Parameter index and level to profile-likelihood limits (without plates), for a coefficient that runs away.
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
    X: FloatArray, y: FloatArray, censored: BoolArray, *, plate: IntArray | None = None
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
    alone = fit_location_scale(X, y, ~censored, law=NORMAL)
    if alone is None:
        return None
    fit = CensoredFit(
        coefficients=alone.coefficients,
        se=alone.se,
        sd=alone.scale,
        plate_sd=0.0,
        log_likelihood=alone.log_likelihood,
        n_parameters=X.shape[1] + 1,
        runs_away=alone.runs_away,
        near_limits=alone.profile,
    )
    return fit if plate is None else _with_plates(fit, X, y, censored, plate)


def _with_plates(fit: CensoredFit, X: FloatArray, y: FloatArray, censored: BoolArray, plate: IntArray) -> CensoredFit:
    """Add plates to a fit, unless they come out as nothing."""

    def value(parameters: FloatArray) -> float:
        return _integrated(parameters, X, y, censored, plate)

    start, *_ = np.linalg.lstsq(X, y, rcond=None)
    begin = np.where(fit.runs_away == 0.0, fit.coefficients, start)
    begin = np.append(begin, np.log(fit.sd) + np.array([-0.35, -0.7]))
    found = optimize.minimize(lambda b: -value(b), begin, method="BFGS", options={"gtol": 1e-6})
    sd, plate_sd = np.exp(found.x[-2:])
    if plate_sd <= _NO_PLATE * sd or -found.fun <= fit.log_likelihood:
        return replace(fit, n_parameters=fit.n_parameters + 1)
    p, finite = X.shape[1], fit.runs_away == 0.0
    covariance = np.linalg.pinv(_curvature(value, found.x), hermitian=True)
    return replace(
        fit,
        coefficients=np.where(finite, found.x[:p], fit.runs_away),
        se=np.where(finite, np.sqrt(np.maximum(np.diag(covariance)[:p], 0.0)), np.inf),
        sd=float(sd),
        plate_sd=float(plate_sd),
        log_likelihood=-float(found.fun),
        n_parameters=fit.n_parameters + 1,
    )


def _integrated(parameters: FloatArray, X: FloatArray, y: FloatArray, censored: BoolArray, plate: IntArray) -> float:
    """Give the log-likelihood with plates integrated out, adaptively at each plate's own mode [2].

    The parameters are the coefficients, log weld sd and log plate sd.
    """
    b, (sd, plate_sd) = parameters[:-2], np.exp(np.clip(parameters[-2:], -30.0, 30.0))
    nodes, weights = np.polynomial.hermite_e.hermegauss(_NODES)
    residual = y - X @ b
    mode, width = _plate_modes(residual, censored, plate, sd=sd, plate_sd=plate_sd)
    u = mode[:, None] + width[:, None] * nodes
    z = (residual[:, None] - u[plate]) / sd
    welds = np.where(censored[:, None], special.log_ndtr(-z), -0.5 * z**2 - LOG_ROOT_2PI - math.log(sd))
    joint = -0.5 * (u / plate_sd) ** 2 - math.log(plate_sd) + 0.5 * nodes**2 + np.log(weights)
    np.add.at(joint, plate, welds)
    return float(np.sum(special.logsumexp(joint, axis=1) + np.log(width) - LOG_ROOT_2PI))


def _plate_modes(
    residual: FloatArray, censored: BoolArray, plate: IntArray, *, sd: float, plate_sd: float
) -> tuple[FloatArray, FloatArray]:
    """Find each plate effect's conditional mode, and the width that its curvature gives, by Newton steps."""
    n_plates = int(plate.max()) + 1
    u, curvature = np.zeros(n_plates), np.ones(n_plates)
    for _ in range(50):
        z = (residual - u[plate]) / sd
        ratio, falling = mills(z)
        pull = np.bincount(plate, np.where(censored, ratio, z), minlength=n_plates)
        bend = np.bincount(plate, np.where(censored, falling, 1.0), minlength=n_plates)
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
