"""The handbook's one-sided limits: what a set of like welds shows about the next ones.

References
----------
.. [1] NIST/SEMATECH e-Handbook of Statistical Methods, section 7.2.6.3: one-sided normal tolerance factor by the
   noncentral t distribution.
.. [2] Garwood (1936), Biometrika 28, 437-442: exact limits of a Poisson mean (from memory).
.. [3] Clopper & Pearson (1934), Biometrika 26, 404-413: exact limits of a proportion (from memory).
.. [4] Wilson (1927), J. Amer. Statist. Assoc. 22, 209-212 (from memory); compared in Newcombe (1998), Statistics in
   Medicine 17, 857-872.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from scipy import optimize, special, stats

from doe.coding import FloatArray


def normal_tolerance_factor(n: int, *, reliability: float, confidence: float) -> float:
    """Give k so that mean - k s lies below the share ``reliability`` of a normal population, ``confidence`` sure [1].

    Parameters
    ----------
    n : int
        Welds measured, 2 or more.
    reliability, confidence : float
        Between 0 and 1.

    Examples
    --------
    >>> normal_tolerance_factor(10, reliability=0.90, confidence=0.90)
    2.066
    """
    reach = float(special.ndtri(reliability))
    start = max(reach, 0.1)

    def short(k: float) -> float:
        return _noncentral_t_chance(n, k, reach) - confidence

    low, high = reach - start, reach + start
    while short(low) > 0.0:
        low -= 2.0 * (high - low)
    while short(high) < 0.0:
        high += 2.0 * (high - low)
    return float(optimize.brentq(short, low, high, xtol=1e-12))


def _noncentral_t_chance(n: int, k: float, reach: float) -> float:
    """Give P(mean - k s < mu - reach sigma): noncentral t on n - 1 degrees of freedom at k sqrt(n).

    Integrated over the sample deviation by Gauss-Legendre quadrature; the library's own noncentral t gives nan for
    some negative arguments.
    """
    s, density = _sample_deviation(n)
    return float(density @ special.ndtr(math.sqrt(n) * (k * s - reach)))


@functools.lru_cache(maxsize=32)
def _sample_deviation(n: int) -> tuple[FloatArray, FloatArray]:
    """Give quadrature nodes of s over sigma, and their probabilities, each shape (200,)."""
    df = n - 1
    low, high = (math.sqrt(float(stats.chi2.ppf(p, df)) / df) for p in (1e-15, 1.0 - 1e-15))
    nodes, weights = np.polynomial.legendre.leggauss(200)
    s = low + (high - low) * (nodes + 1.0) / 2.0
    density = stats.chi.pdf(s * math.sqrt(df), df) * math.sqrt(df) * weights * (high - low) / 2.0
    return s, density


def normal_reliability_limit(n: int, k: float, *, confidence: float) -> float:
    """Give the share of a normal population that lies beyond a limit k sample deviations from the mean, at least.

    The inverse of ``normal_tolerance_factor``: the largest reliability whose factor is not above ``k``.

    Parameters
    ----------
    n : int
        Welds measured, 2 or more.
    k : float
        (mean - limit) / s for a lower limit; negative where the mean misses it; infinite for s = 0.
    confidence : float
    """
    if math.isinf(k):
        return float(k > 0)

    def excess(reach: float) -> float:
        return _noncentral_t_chance(n, k, reach) - confidence

    # the chance falls as the reach rises: widen until the confidence lies between
    low, high = k - 1.0, k + 1.0
    while excess(low) < 0.0:
        low -= 2.0 * (high - low)
    while excess(high) > 0.0:
        high += 2.0 * (high - low)
    return float(special.ndtr(optimize.brentq(excess, low, high, xtol=1e-12)))


def poisson_upper_limit(count: int, *, confidence: float, exposure: float = 1.0) -> float:
    """Give the exact one-sided upper limit of a Poisson rate [2].

    Examples
    --------
    >>> poisson_upper_limit(0, confidence=0.90, exposure=2.0)
    1.151
    """
    return float(stats.chi2.ppf(confidence, 2 * (count + 1))) / 2.0 / exposure


def poisson_lower_limit(count: int, *, confidence: float, exposure: float = 1.0) -> float:
    """Give the exact one-sided lower limit of a Poisson rate [2]; 0 where nothing was counted."""
    return float(stats.chi2.ppf(1.0 - confidence, 2 * count)) / 2.0 / exposure if count else 0.0


def proportion_lower_limit(successes: int, n: int, *, confidence: float) -> float:
    """Give the exact one-sided lower limit of a proportion [3]; 0 where nothing succeeded."""
    return float(special.betaincinv(successes, n - successes + 1, 1.0 - confidence)) if successes else 0.0


def proportion_upper_limit(successes: int, n: int, *, confidence: float) -> float:
    """Give the exact one-sided upper limit of a proportion [3]; 1 where everything succeeded."""
    return 1.0 - proportion_lower_limit(n - successes, n, confidence=confidence)


def uniform_prior_lower_limit(successes: int, n: int, *, confidence: float) -> float:
    """Give the lower limit of a proportion under a uniform prior: (1 - C)^(1/(n + 1)) where all succeeded."""
    return float(special.betaincinv(successes + 1, n - successes + 1, 1.0 - confidence))


def wilson_limits(successes: int, n: int, *, level: float) -> tuple[float, float]:
    """Give the two-sided score limits of a proportion [4]."""
    z = float(special.ndtri(0.5 + level / 2.0))
    share = successes / n
    centre = (share + z**2 / (2 * n)) / (1.0 + z**2 / n)
    half = z / (1.0 + z**2 / n) * math.sqrt(share * (1.0 - share) / n + z**2 / (4.0 * n**2))
    return max(0.0, centre - half), min(1.0, centre + half)


def success_run(*, reliability: float, confidence: float, failures: int = 0) -> int:
    """Give the fewest welds that show ``reliability`` with ``confidence`` when at most ``failures`` of them fail.

    Examples
    --------
    >>> success_run(reliability=0.90, confidence=0.90)
    22
    """
    n = failures + 1
    if failures == 0:  # (1 - C) >= R^n; a step back against rounding in the logarithms
        n = max(1, math.floor(math.log1p(-confidence) / math.log(reliability)) - 1)
    while special.bdtr(failures, n, 1.0 - reliability) > (1.0 - confidence) * (1.0 + 1e-12):
        n += 1
    return n
