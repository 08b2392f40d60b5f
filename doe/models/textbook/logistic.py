r"""Logistic regression, bias-reduced (Firth) and by plain maximum likelihood.

Firth's estimate maximises the log-likelihood plus half the log determinant of the information; it is finite even where
the settings separate yes from no.

References
----------
.. [1] Firth (1993), Biometrika 80, 27-38: the penalty (from memory).
.. [2] Heinze & Schemper (2002), Statistics in Medicine 21, 2409-2419: profile penalised-likelihood limits, and the
   modified score X'(y - m pi + h(1/2 - pi)) (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from doe.coding import FloatArray
from doe.models.textbook.likelihood import Local, LogLikelihood, maximise, profile_limits, recession


@dataclass(frozen=True, eq=False)
class LogisticFit:
    """A fitted logistic model.

    Attributes
    ----------
    coefficients, se : ndarray, shape (n_terms,)
        On the log odds of "yes"; infinite, or nan where not determined, in a separated plain fit.
    log_likelihood : float
        Without the penalty.
    penalised_log_likelihood : float or None
        What Firth's fit maximised; None for a plain fit.
    deviance : float
        Against a chance of its own for every row.
    fitted : ndarray, shape (n,)
        Chances.
    runs_away : ndarray, shape (n_terms,)
        0, inf, -inf or nan: what plain maximum likelihood would do; see ``likelihood.Recession``.
    profile : callable
        Parameter index and level to profile limits.
    """

    coefficients: FloatArray
    se: FloatArray
    log_likelihood: float
    penalised_log_likelihood: float | None
    deviance: float
    fitted: FloatArray
    runs_away: FloatArray
    profile: Callable[[int, float], tuple[float, float]]

    @property
    def is_separated(self) -> bool:
        """Whether plain maximum likelihood has an estimate at infinity."""
        return bool(np.any(self.runs_away != 0.0))

    @property
    def aic(self) -> float:
        """Akaike's criterion, without the penalty."""
        return -2.0 * self.log_likelihood + 2.0 * len(self.coefficients)


def fit_logistic(
    X: FloatArray, yes: FloatArray, *, trials: FloatArray | None = None, penalty: bool = True
) -> LogisticFit:
    """Fit the log odds of "yes".

    Parameters
    ----------
    X : ndarray, shape (n, n_terms)
        Independent columns.
    yes : ndarray, shape (n,)
        How many of the trials were "yes".
    trials : ndarray, shape (n,), optional
        Default 1.
    penalty : bool
        Firth's bias reduction; False gives plain maximum likelihood.
    """
    m = np.ones(len(yes)) if trials is None else trials
    away = recession(X[(yes > 0) & (yes < m)], np.vstack([X[(yes == m)], -X[(yes == 0)]]))
    plain = binomial_log_likelihood(X, yes, m)
    likelihood = firth_log_likelihood(X, yes, m) if penalty else plain
    top = maximise(likelihood, np.zeros(X.shape[1]))
    limits = np.zeros(X.shape[1]) if penalty else away.limits
    local, fitted = plain(top.at), special.expit(X @ top.at)

    def profile(index: int, level: float) -> tuple[float, float]:
        if math.isnan(limits[index]):
            return -math.inf, math.inf
        several = (0.5, 2.0) if penalty else ()  # the penalised likelihood is not concave
        return profile_limits(likelihood, top, index=index, level=level, toward=float(limits[index]), also_from=several)

    return LogisticFit(
        coefficients=np.where(limits == 0.0, top.at, limits),
        se=_standard_errors(local.information, limits),
        log_likelihood=local.value,
        penalised_log_likelihood=top.local.value if penalty else None,
        deviance=_deviance(yes, m, fitted),
        fitted=fitted,
        runs_away=away.limits,
        profile=profile,
    )


def binomial_log_likelihood(X: FloatArray, yes: FloatArray, trials: FloatArray) -> LogLikelihood:
    """Make the log-likelihood of independent yes-or-no trials (without the binomial coefficient)."""

    def at(b: FloatArray) -> Local:
        predictor, no = X @ b, trials - yes
        chance, other = special.expit(predictor), special.expit(-predictor)
        value = float(yes @ special.log_expit(predictor) + no @ special.log_expit(-predictor))
        return Local(value, X.T @ (yes * other - no * chance), (X.T * (trials * chance * other)) @ X)

    return at


def firth_log_likelihood(X: FloatArray, yes: FloatArray, trials: FloatArray) -> LogLikelihood:
    """Make the penalised log-likelihood [1], its score [2], and minus its second derivatives."""
    plain = binomial_log_likelihood(X, yes, trials)

    def at(b: FloatArray) -> Local:
        value, score, information = plain(b)
        chance, other = special.expit(X @ b), special.expit(-(X @ b))
        root = np.sqrt(trials * chance * other)
        Q, R = np.linalg.qr(root[:, None] * X)
        diagonal = np.abs(np.diag(R))
        if diagonal.min() <= 0.0:
            return Local(-math.inf, score, information)
        penalty = float(np.sum(np.log(diagonal)))
        projection = Q @ Q.T
        leverage, tilt = np.diag(projection), other - chance
        # d h_i / d b = h_i tilt_i x_i - sum_j P_ij^2 tilt_j x_j, P the projection of the weighted columns
        bend = np.diag(leverage * (tilt**2 - 2.0 * chance * other)) - tilt[:, None] * projection**2 * tilt
        return Local(value + penalty, score + X.T @ (leverage * tilt) / 2.0, information - X.T @ bend @ X / 2.0)

    return at


def _standard_errors(information: FloatArray, limits: FloatArray) -> FloatArray:
    """Give standard errors from the information; inf where an estimate is not finite."""
    covariance = np.linalg.pinv(information, hermitian=True)
    return np.where(limits == 0.0, np.sqrt(np.maximum(np.diag(covariance), 0.0)), np.inf)


def _deviance(yes: FloatArray, trials: FloatArray, chance: FloatArray) -> float:
    """Give twice the log-likelihood lost against a chance of its own for every row."""
    no = trials - yes
    gained = special.xlogy(yes, yes / trials) + special.xlogy(no, no / trials)
    kept = special.xlogy(yes, chance) + special.xlogy(no, 1.0 - chance)
    return float(2.0 * np.sum(gained - kept))
