r"""Restricted maximum likelihood for welds that share plates, blocks, or are read several times.

.. math:: y = X b + \sum_k Z_k u_k + e, \quad u_k \sim N(0, \theta_k I), \quad e \sim N(0, \theta_0 I)

References
----------
.. [1] Patterson & Thompson (1971), Biometrika 58, 545-554: the restricted likelihood (from memory).
.. [2] Searle, Casella & McCulloch (1992), Variance Components, ch. 6: its derivatives (from memory).
.. [3] Fai & Cornelius (1996), J. Statist. Comput. Simul. 54, 363-378: Satterthwaite's degrees of freedom for
   several contrasts at once (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy import linalg, optimize

from doe.bench.results import IntArray
from doe.coding import FloatArray
from doe.models.textbook.least_squares import upper_f

_LARGEST_RATIO = 1e8


@dataclass(frozen=True, eq=False)
class MixedFit:
    """A fit with random groups.

    Attributes
    ----------
    coefficients : ndarray, shape (n_terms,)
        Generalised least squares at the estimated variances.
    covariance : ndarray, shape (n_terms, n_terms)
    variances : ndarray, shape (n_groupings,)
        One a grouping, not below 0.
    residual_variance : float
    log_likelihood : float
        Restricted.
    aic : float
        Terms and variances count as parameters.
    weights : ndarray, shape (n, n)
        Inverse of the covariance of y.
    sensitivity : ndarray, shape (n_active, n_terms, n_terms)
        Derivative of ``covariance`` by each variance above 0, the residual one last.
    variance_covariance : ndarray, shape (n_active, n_active)
        Asymptotic covariance of those variances (expected information).
    """

    coefficients: FloatArray
    covariance: FloatArray
    variances: FloatArray
    residual_variance: float
    log_likelihood: float
    aic: float
    weights: FloatArray
    sensitivity: FloatArray
    variance_covariance: FloatArray

    @property
    def se(self) -> FloatArray:
        """Standard errors, shape (n_terms,)."""
        return np.sqrt(np.diag(self.covariance))


def fit_reml(X: FloatArray, y: FloatArray, groupings: Sequence[IntArray]) -> MixedFit:
    """Fit by restricted maximum likelihood.

    Parameters
    ----------
    X : ndarray, shape (n, n_terms)
        Independent columns, fewer than n.
    y : ndarray, shape (n,)
        Not fitted perfectly by X.
    groupings : sequence of ndarray of int, shape (n,)
        Equal where readings share a group.

    Returns
    -------
    MixedFit
    """
    shared = [_shared(group) for group in groupings]
    ratios = _best_ratios(X, y, shared)
    return _fit_at(X, y, shared, ratios)


def fixed_information(X: FloatArray, groupings: Sequence[IntArray], ratios: Sequence[float]) -> FloatArray:
    """Give X'V^-1 X for unit residual variance and known variance ratios, shape (n_terms, n_terms)."""
    V = _covariance(len(X), [_shared(group) for group in groupings], np.asarray(ratios, dtype=float))
    return np.asarray(X.T @ linalg.solve(V, X, assume_a="pos"))


def restricted_log_likelihood(
    X: FloatArray, y: FloatArray, groupings: Sequence[IntArray], *, ratios: Sequence[float]
) -> float:
    """Give the restricted log-likelihood at given variance ratios, maximised over the residual variance."""
    shared = [_shared(group) for group in groupings]
    return -_deviance(np.asarray(ratios, dtype=float), X, y, shared)[0] / 2.0


def satterthwaite_df(fit: MixedFit, contrast: FloatArray) -> float:
    """Give Satterthwaite's degrees of freedom of one contrast of the coefficients.

    Parameters
    ----------
    fit : MixedFit
    contrast : ndarray, shape (n_terms,)
    """
    variance = contrast @ fit.covariance @ contrast
    slope = np.einsum("i,kij,j->k", contrast, fit.sensitivity, contrast)
    spread = slope @ fit.variance_covariance @ slope
    return float(2.0 * variance**2 / spread) if spread > 0.0 else math.inf


def wald_f(fit: MixedFit, contrasts: FloatArray) -> tuple[float, float, float]:
    """Test that every contrast is 0: F, the denominator's degrees of freedom (Satterthwaite), p.

    Parameters
    ----------
    fit : MixedFit
    contrasts : ndarray, shape (n_contrasts, n_terms)
        Independent rows.
    """
    n = len(contrasts)
    values, vectors = np.linalg.eigh(contrasts @ fit.covariance @ contrasts.T)
    turned = vectors.T @ contrasts
    f = float(np.mean((turned @ fit.coefficients) ** 2 / values))
    single = np.array([satterthwaite_df(fit, row) for row in turned])
    if n == 1 or np.ptp(single) < 1e-6 * single.min():
        denominator = float(single.mean())
    else:
        share = float(np.sum(single[single > 2.0] / (single[single > 2.0] - 2.0)))  # equation 2.6 of [3]
        denominator = 2.0 * share / (share - n) if share > n else 0.0
    return f, denominator, upper_f(f, n, denominator)


def _shared(group: IntArray) -> FloatArray:
    """Give ZZ', 1 where two readings share a group, shape (n, n)."""
    return np.asarray(group[:, None] == group[None, :], dtype=float)


def _covariance(n: int, shared: Sequence[FloatArray], ratios: FloatArray) -> FloatArray:
    """Give the covariance of y over the residual variance, shape (n, n)."""
    V = np.eye(n)
    for ratio, S in zip(ratios, shared, strict=True):
        V = V + ratio * S
    return V


@dataclass(frozen=True, eq=False)
class _Pieces:
    """What the restricted likelihood is made of at given ratios; see ``_pieces``."""

    inverse: FloatArray
    scaled: FloatArray
    scales: FloatArray
    precision: FloatArray
    projection: FloatArray
    log_determinants: float


def _pieces(X: FloatArray, shared: Sequence[FloatArray], ratios: FloatArray) -> _Pieces:
    """Give V^-1, X with columns scaled to unit length, their information, and P = V^-1 - V^-1 X (X'V^-1X)^-1 X'V^-1."""
    scales = np.linalg.norm(X, axis=0)
    scaled = X / scales
    lower = linalg.cholesky(_covariance(len(X), shared, ratios), lower=True)
    white = linalg.solve_triangular(lower, np.column_stack([scaled, np.eye(len(X))]), lower=True)
    white_X, root = white[:, : X.shape[1]], white[:, X.shape[1] :]
    Q, R = np.linalg.qr(white_X)
    residual_root = root - Q @ (Q.T @ root)
    log_det_x = 2.0 * float(np.sum(np.log(np.abs(np.diag(R)))) + np.sum(np.log(scales)))
    return _Pieces(
        inverse=root.T @ root,
        scaled=scaled,
        scales=scales,
        precision=R.T @ R,
        projection=residual_root.T @ residual_root,
        log_determinants=2.0 * float(np.sum(np.log(np.diag(lower)))) + log_det_x,
    )


def _deviance(
    ratios: FloatArray, X: FloatArray, y: FloatArray, shared: Sequence[FloatArray]
) -> tuple[float, FloatArray]:
    """Give -2 times the restricted log-likelihood, residual variance profiled out, and its gradient by the ratios."""
    pieces, df = _pieces(X, shared, ratios), len(X) - X.shape[1]
    Py = pieces.projection @ y
    quadratic = float(y @ Py)
    value = df * (math.log(2.0 * math.pi * quadratic / df) + 1.0) + pieces.log_determinants
    slope = [float(np.sum(pieces.projection * S)) - df * float(Py @ S @ Py) / quadratic for S in shared]
    return value, np.array(slope)


def _best_ratios(X: FloatArray, y: FloatArray, shared: Sequence[FloatArray]) -> FloatArray:
    """Minimise the restricted deviance over ratios not below 0, from several starts, and polish."""
    if not shared:
        return np.empty(0)
    size = float(np.std(y)) or 1.0
    found = [
        optimize.minimize(
            _deviance,
            np.full(len(shared), start),
            args=(X, y / size, shared),
            jac=True,
            method="L-BFGS-B",
            bounds=[(0.0, _LARGEST_RATIO)] * len(shared),
            options={"ftol": 1e-14, "gtol": 1e-9, "maxiter": 500},
        )
        for start in (0.05, 1.0, 10.0)
    ]
    best = min(found, key=lambda result: float(result.fun))
    return _polish(np.asarray(best.x), X, y / size, shared)


def _polish(ratios: FloatArray, X: FloatArray, y: FloatArray, shared: Sequence[FloatArray]) -> FloatArray:
    """Take Newton steps (differences of the exact gradient) over the ratios above 0 while the gradient falls."""
    active = np.flatnonzero((ratios > 1e-9) & (ratios < 0.99 * _LARGEST_RATIO))
    ratios = np.where(ratios > 1e-9, ratios, 0.0)
    for _ in range(20 if active.size else 0):
        slope = _deviance(ratios, X, y, shared)[1][active]
        curvature = np.empty((active.size, active.size))
        for column, k in enumerate(active):
            step = np.zeros(len(ratios))
            step[k] = 1e-5 * ratios[k]
            ahead, behind = (_deviance(ratios + s * step, X, y, shared)[1][active] for s in (1.0, -1.0))
            curvature[:, column] = (ahead - behind) / (2.0 * step[k])
        trial = ratios.copy()
        trial[active] -= np.linalg.lstsq((curvature + curvature.T) / 2.0, slope, rcond=None)[0]
        if np.any(trial < 0.0) or np.abs(_deviance(trial, X, y, shared)[1][active]).max() >= np.abs(slope).max():
            break
        ratios = trial
    return ratios


def _fit_at(X: FloatArray, y: FloatArray, shared: Sequence[FloatArray], ratios: FloatArray) -> MixedFit:
    """Give the generalised least-squares fit at given ratios, with the information about the variances."""
    pieces, df = _pieces(X, shared, ratios), len(X) - X.shape[1]
    residual_variance = float(y @ pieces.projection @ y) / df
    unscaled = np.linalg.inv(pieces.precision) / np.outer(pieces.scales, pieces.scales)
    bearing = X.T @ pieces.inverse
    coefficients = unscaled @ (bearing @ y)
    coefficients = coefficients + unscaled @ (bearing @ (y - X @ coefficients))  # one refinement
    deviance, _ = _deviance(ratios, X, y, shared)
    active = [S for ratio, S in zip(ratios, shared, strict=True) if ratio > 0.0]
    derivatives = [*active, np.eye(len(X))]
    half = [pieces.projection @ S / residual_variance for S in derivatives]
    information = np.array([[0.5 * np.sum(A * B.T) for B in half] for A in half])  # [2], expected
    spread = unscaled @ bearing
    return MixedFit(
        coefficients=np.asarray(coefficients),
        covariance=np.asarray(residual_variance * unscaled),
        variances=np.asarray(residual_variance * ratios),
        residual_variance=residual_variance,
        log_likelihood=-deviance / 2.0,
        aic=deviance + 2.0 * (X.shape[1] + len(shared) + 1),
        weights=np.asarray(pieces.inverse / residual_variance),
        sensitivity=np.array([spread @ S @ spread.T for S in derivatives]),
        variance_covariance=np.linalg.inv(information),
    )
