r"""Maximum likelihood for counts over inspected lengths: Poisson and negative binomial, log link.

.. math:: N_i \sim \mathrm{mean}\ \mu_i = L_i e^{x_i b}, \quad \mathrm{var} = \mu_i + \varphi \mu_i^2

References
----------
.. [1] McCullagh & Nelder (1989), Generalized Linear Models, 2nd ed., ch. 6 (from memory).
.. [2] Lawless (1987), Canadian J. Statist. 15, 209-225: the negative binomial likelihood in phi, which goes over
   into the Poisson one at phi = 0 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from doe.coding import FloatArray
from doe.models.textbook.likelihood import Local, LogLikelihood, Maximum, maximise, profile_limits, recession

_POISSON_LIKE = -9.0
"""Logarithm of a dispersion that counts cannot tell from 0."""
_HIGHEST = 80.0
"""Logarithm of a mean beyond any count: keeps a trial step from overflowing."""


@dataclass(frozen=True, eq=False)
class CountFit:
    """A fitted count model.

    Attributes
    ----------
    coefficients, se : ndarray, shape (n_terms,)
        On the log of the mean. Infinite, or nan where not determined, as ``runs_away`` tells. Standard errors
        from the expected information.
    dispersion : float
        phi; 0 for Poisson.
    fitted : ndarray, shape (n,)
        Means.
    log_likelihood, deviance, pearson : float
        ``pearson`` is the sum of squared Pearson residuals.
    residual_df : int
    runs_away : ndarray, shape (n_terms,)
        0, inf, -inf or nan; see ``likelihood.Recession``.
    profile : callable
        Parameter index and level to profile-likelihood limits.
    """

    coefficients: FloatArray
    se: FloatArray
    dispersion: float
    fitted: FloatArray
    log_likelihood: float
    deviance: float
    pearson: float
    residual_df: int
    runs_away: FloatArray
    profile: Callable[[int, float], tuple[float, float]]

    @property
    def pearson_dispersion(self) -> float:
        """Pearson's statistic over the residual degrees of freedom; nan without any."""
        return self.pearson / self.residual_df if self.residual_df else math.nan

    def aic(self, *, n_parameters: int) -> float:
        """Akaike's criterion."""
        return -2.0 * self.log_likelihood + 2.0 * n_parameters


def fit_poisson(X: FloatArray, counts: FloatArray, offset: FloatArray) -> CountFit:
    """Fit a Poisson model by maximum likelihood.

    Parameters
    ----------
    X : ndarray, shape (n, n_terms)
        Independent columns.
    counts : ndarray, shape (n,)
    offset : ndarray, shape (n,)
        Log of the inspected length over the criterion length.
    """
    return _fit(X, counts, offset, dispersed=False)


def fit_negative_binomial(X: FloatArray, counts: FloatArray, offset: FloatArray) -> CountFit:
    """Fit a negative binomial model by joint maximum likelihood of the coefficients and phi.

    Arguments as for ``fit_poisson``. Where the data show no more spread than Poisson, phi is 0.
    """
    return _fit(X, counts, offset, dispersed=True)


def _fit(X: FloatArray, counts: FloatArray, offset: FloatArray, *, dispersed: bool) -> CountFit:
    """Fit, leaving out of the estimates (not of the likelihood) what runs away."""
    away = recession(X[counts > 0], -X[counts == 0])
    poisson = _poisson(X, counts, offset)
    top = maximise(poisson, np.zeros(X.shape[1]) + _level_start(X, counts, offset))
    likelihood: LogLikelihood = poisson
    phi = 0.0
    if dispersed and counts.any():
        joint = negative_binomial(X, counts, offset)
        wider = maximise(joint, np.append(top.at, _dispersion_start(X, counts, offset, top)))
        if wider.at[-1] > _POISSON_LIKE and wider.local.value > top.local.value:
            likelihood, top, phi = joint, wider, float(np.exp(wider.at[-1]))
    coefficients = np.where(np.isfinite(away.limits) & (away.limits == 0.0), top.at[: X.shape[1]], away.limits)
    fitted = np.exp(offset + X @ top.at[: X.shape[1]])
    lost = np.zeros(len(counts), dtype=bool)
    lost[counts == 0] = away.lost
    fitted[lost] = 0.0
    final = top

    def profile(index: int, level: float) -> tuple[float, float]:
        if math.isnan(away.limits[index]):
            return -math.inf, math.inf
        return profile_limits(likelihood, final, index=index, level=level, toward=float(away.limits[index]))

    return CountFit(
        coefficients=coefficients,
        se=_standard_errors(X, fitted, phi, away.limits),
        dispersion=phi,
        fitted=fitted,
        log_likelihood=top.local.value,
        deviance=_deviance(counts, fitted, phi),
        pearson=_pearson(counts, fitted, phi),
        residual_df=len(counts) - X.shape[1],
        runs_away=away.limits,
        profile=profile,
    )


def _level_start(X: FloatArray, counts: FloatArray, offset: FloatArray) -> FloatArray:
    """Start at the least-squares fit to the log rates."""
    rates = np.log(counts + 0.5) - offset
    return np.asarray(np.linalg.lstsq(X, rates, rcond=None)[0])


def _dispersion_start(X: FloatArray, counts: FloatArray, offset: FloatArray, top: Maximum) -> float:
    """Start at the moment estimate of log phi."""
    mean = np.exp(offset + X @ top.at)
    excess = float(np.sum((counts - mean) ** 2 - mean) / np.sum(mean**2))
    return math.log(max(excess, 0.05))


def _poisson(X: FloatArray, counts: FloatArray, offset: FloatArray) -> LogLikelihood:
    """Make the Poisson log-likelihood in the coefficients."""
    constant = -float(np.sum(special.gammaln(counts + 1.0)))

    def at(b: FloatArray) -> Local:
        predictor = offset + X @ b
        mean = np.exp(np.minimum(predictor, _HIGHEST))
        value = float(counts @ predictor - mean.sum()) + constant
        return Local(value, X.T @ (counts - mean), (X.T * mean) @ X)

    return at


def negative_binomial(X: FloatArray, counts: FloatArray, offset: FloatArray) -> LogLikelihood:
    """Make the negative binomial log-likelihood in the coefficients and, last, log phi [2].

    Written without gamma functions of 1/phi, so that it stays exact where phi is small.
    """
    j = np.arange(int(counts.max(initial=0.0)), dtype=float)
    above = (counts[:, None] > j).sum(axis=0)  # how many counts have the factor 1 + phi j
    constant = -float(np.sum(special.gammaln(counts + 1.0)))

    def rising(phi: float, power: int) -> float:
        return float(above @ (j / (1.0 + phi * j)) ** power)

    def at(parameters: FloatArray) -> Local:
        b, phi = parameters[:-1], math.exp(min(max(float(parameters[-1]), -40.0), 40.0))
        predictor = offset + X @ b
        mean = np.exp(np.minimum(predictor, _HIGHEST))
        spread = 1.0 + phi * mean
        first, second = _log_ratio(phi * mean)
        value = (
            float(above @ np.log1p(phi * j))
            + float(np.sum(counts * (predictor - np.log(spread)) - mean * first))
            + constant
        )
        # derivatives by phi: d/dphi [-(1/phi + y) log(1 + phi mu)] = mu^2 second(z) - y mu/(1 + z)
        slope = rising(phi, 1) + float(np.sum(mean**2 * second - counts * mean / spread))
        cross = X.T @ (-(counts - mean) * mean / spread**2)
        bend = -rising(phi, 2) + float(np.sum(_second_bend(phi * mean) * mean**3 + counts * mean**2 / spread**2))
        p = len(b)
        information = np.empty((p + 1, p + 1))
        information[:p, :p] = (X.T * (mean * (1.0 + phi * counts) / spread**2)) @ X
        information[:p, p] = information[p, :p] = -phi * cross
        information[p, p] = -(phi**2) * bend - phi * slope
        return Local(value, np.append(X.T @ ((counts - mean) / spread), phi * slope), information)

    return at


def _log_ratio(z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give log(1 + z)/z, and minus its derivative, both by series where z is small."""
    small = z < 1e-3
    near, far = np.where(small, z, 0.0), np.where(small, 1.0, z)
    ratio = np.where(small, 1.0 - near / 2.0 + near**2 / 3.0 - near**3 / 4.0 + near**4 / 5.0, np.log1p(far) / far)
    slope = np.log1p(far) / far**2 - 1.0 / (far * (1.0 + far))
    return ratio, np.where(small, 0.5 - 2.0 * near / 3.0 + 3.0 * near**2 / 4.0 - 4.0 * near**3 / 5.0, slope)


def _second_bend(z: FloatArray) -> FloatArray:
    """Give minus the second derivative of log(1 + z)/z, by series where z is small."""
    small = z < 1e-2
    near, far = np.where(small, z, 0.0), np.where(small, 1.0, z)
    exact = -2.0 * np.log1p(far) / far**3 + 2.0 / (far**2 * (1.0 + far)) + 1.0 / (far * (1.0 + far) ** 2)
    series = -2.0 / 3.0 + 3.0 * near / 2.0 - 12.0 * near**2 / 5.0 + 10.0 * near**3 / 3.0 - 30.0 * near**4 / 7.0
    return np.where(small, series, exact)


def _standard_errors(X: FloatArray, mean: FloatArray, phi: float, limits: FloatArray) -> FloatArray:
    """Give standard errors from the expected information; inf where an estimate is not finite."""
    information = (X.T * (mean / (1.0 + phi * mean))) @ X
    finite = limits == 0.0
    covariance = np.linalg.pinv(information, hermitian=True)
    return np.where(finite, np.sqrt(np.maximum(np.diag(covariance), 0.0)), np.inf)


def _deviance(counts: FloatArray, mean: FloatArray, phi: float) -> float:
    """Give twice the log-likelihood lost against a mean of its own for every count, phi held."""
    gain = special.xlogy(counts, counts) - special.xlogy(counts, np.where(counts > 0, mean, 1.0))
    if phi == 0.0:
        return float(2.0 * np.sum(gain - (counts - mean)))
    return float(2.0 * np.sum(gain - (counts + 1.0 / phi) * np.log((1.0 + phi * counts) / (1.0 + phi * mean))))


def _pearson(counts: FloatArray, mean: FloatArray, phi: float) -> float:
    """Give the sum of squared Pearson residuals; a count of 0 where the mean is 0 adds nothing."""
    there = mean > 0.0
    return float(np.sum((counts[there] - mean[there]) ** 2 / (mean[there] * (1.0 + phi * mean[there]))))
