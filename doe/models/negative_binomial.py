"""The negative binomial distribution of counts: log-likelihood, chances and quantiles.

Mean mu, size k, phi = 1/k: variance = mu + phi mu^2 (Hilbe 2011, Negative Binomial Regression, 2nd ed., the
"NB2" form, from memory; the tests compare every function with scipy.stats.nbinom).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from doe.coding import FloatArray
from doe.models.sampling import LogDensity

LOG_SHAPE_CLIP: Final = 4.0
"""The log of phi is held to plus or minus this, in the fit and in predictions alike. [1]"""
LOG_MEAN_CLIP: Final = 50.0
"""The log of the mean count is held to plus or minus this, in the fit and in predictions alike. [1]"""
LONGEST_SUM: Final = 60
"""Counts up to this are summed one by one; beyond, the incomplete beta function is quicker."""


@dataclass(frozen=True, eq=False)
class CountData:
    """The welds that were counted.

    Attributes
    ----------
    X : ndarray, shape (n, n_columns)
    counts : ndarray, shape (n,)
    exposure : ndarray, shape (n,)
        Inspected length over criterion length. [1]
    """

    X: FloatArray
    counts: FloatArray
    exposure: FloatArray


def log_likelihood(data: CountData) -> LogDensity:
    """Give the log-likelihood as a function of (beta, log phi), up to a constant.

    log p(N) = lgamma(N + k) - lgamma(k) - lgamma(N + 1) + N log(phi mu) - (N + k) log(1 + phi mu)
    """
    distinct, times = np.unique(data.counts, return_counts=True)
    offset = np.log(data.exposure)
    columns = np.ascontiguousarray(data.X.T)

    def log_density(x: FloatArray) -> FloatArray:
        log_mean = np.clip(x[:, :-1] @ columns + offset, -LOG_MEAN_CLIP, LOG_MEAN_CLIP)
        log_phi = np.clip(x[:, -1:], -LOG_SHAPE_CLIP, LOG_SHAPE_CLIP)
        k = np.exp(-log_phi)
        rising = (special.gammaln(distinct + k) - special.gammaln(k)) @ times
        log_odds = log_mean + log_phi
        terms = data.counts * log_odds - (data.counts + k) * np.log1p(np.exp(log_odds))
        return np.asarray(rising + terms.sum(axis=1))

    return log_density


def chance_at_most(log_mean: FloatArray, phi: FloatArray, limit: int) -> FloatArray:
    """Give P(N <= limit) of a negative binomial count.

    P(N = 0) = (1 + phi mu)^-k, and P(N = j) = P(N = j-1) q (k + j - 1)/j with q = phi mu/(1 + phi mu).

    Parameters
    ----------
    log_mean : ndarray
        Log of the mean mu.
    phi : ndarray, broadcast against ``log_mean``
        Variance = mu + phi mu^2.
    limit : int
        0 or more.
    """
    odds = phi * np.exp(log_mean)
    k = 1.0 / phi
    above = odds + 1.0
    if limit > LONGEST_SUM:
        return np.asarray(special.betainc(np.broadcast_to(k, above.shape), limit + 1.0, 1.0 / above))
    odds /= above  # now q
    np.log(above, out=above)
    above *= -k
    none = np.exp(above, out=above)
    if limit == 0:
        return none
    total = odds * ((k + (limit - 1)) / limit)
    total += 1.0
    for j in range(limit - 1, 0, -1):  # Horner's rule
        total *= odds
        total *= (k + (j - 1)) / j
        total += 1.0
    total *= none
    return total


def count_quantiles(log_mean: FloatArray, phi: FloatArray, shares: tuple[float, ...]) -> FloatArray:
    """Give the smallest count n with P(N <= n) >= share, draws averaged over.

    Parameters
    ----------
    log_mean : ndarray, shape (n_draws, n_points)
    phi : ndarray, shape (n_draws, 1)
    shares : tuple of float
        Between 0 and 1.

    Returns
    -------
    ndarray, shape (n_shares, n_points)
    """
    k = 1.0 / phi
    scaled = phi * np.exp(log_mean)
    chance = np.exp(-k * np.log1p(scaled))
    q = scaled / (1.0 + scaled)
    reached = chance.mean(axis=0)
    quantiles = np.full((len(shares), log_mean.shape[1]), -1.0)
    wanted = np.array(shares)[:, None]
    for n in range(LONGEST_SUM + 1):
        if n:
            chance *= q * ((k + (n - 1)) / n)
            reached += chance.mean(axis=0)
        quantiles[(reached >= wanted) & (quantiles < 0)] = n
        if (quantiles >= 0).all():
            return quantiles
    for i, j in np.argwhere(quantiles < 0):
        quantiles[i, j] = _far_quantile(log_mean[:, j : j + 1], phi, shares[i])
    return quantiles


def _far_quantile(log_mean: FloatArray, phi: FloatArray, share: float) -> float:
    """Find the quantile of one point where it lies over ``LONGEST_SUM``, by doubling and halving."""

    def falls_short(n: int) -> bool:
        return float(chance_at_most(log_mean, phi, n).mean()) < share

    low, high = LONGEST_SUM, 2 * LONGEST_SUM
    while falls_short(high):
        low, high = high, 2 * high
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (middle, high) if falls_short(middle) else (low, middle)
    return float(high)
