"""What size of drift a study's own welds would have shown, and how likely.

At a node of the grid (``doe.models.drift``) the drift is judged by Student's t with ``df`` degrees of freedom, and a
drift of ``d`` scatters between welds has the expectation ``d sqrt(o' P o)`` in standard errors: the chance that the
two-sided band leaves out nought is that of the noncentral t distribution beyond the band's own t (power of the t test:
Montgomery and Runger, Applied Statistics and Probability for Engineers, section on the t test's type II error; from
memory). Over the nodes it is averaged by their posterior weights.

Seen by simulation (``tests/doe/models/test_drift_power.py``; 400 studies of 18 welds on 9 plates, Monte Carlo error up
to 2.5 points): a drift of one scatter was foretold to be seen in 17 of 100 and was seen in 18; the one foretold four
times of five, 4.5 scatters, was seen in 88 of 100: the nodes are not known, which makes it err on the safe side.

**The most it can be.** Welds all alike, on plates of their own, mean and scatter known, evenly spaced in order from
-1/2 to +1/2: the slope's information is the sum of squares of 0, 1 ... n - 1 about their middle over (n - 1)^2, that is
``n (n + 1) / 12 (n - 1)``, and the power that of the two-sided z test,

    Phi(z - c) + Phi(-z - c),   z = d sqrt(information),   c = Phi^-1((1 + level) / 2)

(same book, type II error of the test on a mean with known variance, and variance of a slope in simple linear
regression; from memory). Whatever else is to be found out takes information away: V = I + effects, so that o' P o is
never more than o' o; and a t test has less power than a z test.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import optimize, special

from doe.coding import FloatArray

MOSTLY: Final = 0.8
"""A drift counts as one that would have been seen where four of five such studies see it."""
FURTHEST: Final = 1e3
"""Drifts beyond so many scatters, or beyond such a factor, are not asked about. Our choice."""
LEAST_WEIGHT: Final = 1e-4
"""Nodes with a smaller share of the posterior are left out of the power. Our choice."""


@dataclass(frozen=True)
class Sight:
    """What these welds would have shown of a drift.

    Attributes
    ----------
    of_one_scatter : float or None
        Chance that a drift of one scatter between welds would have been seen; None for counts.
    size : float or None
        Drift that would have been seen with the chance ``MOSTLY``, in scatters between welds; for counts a factor.
        None where even ``FURTHEST`` would not.
    """

    of_one_scatter: float | None
    size: float | None


def sight_of(weight: FloatArray, information: FloatArray, df: float, *, level: float) -> Sight:
    """Work out what would have been seen.

    Parameters
    ----------
    weight : ndarray, shape (n_nodes,)
        Posterior share of each node.
    information : ndarray, shape (n_nodes,)
        o' P o: of the drift, for a scatter between welds of 1.
    df : float
    level : float
        Of the two-sided band.
    """
    kept = weight >= min(LEAST_WEIGHT, float(weight.max()))
    share, root = weight[kept] / weight[kept].sum(), np.sqrt(information[kept])

    def chance(size: float) -> float:
        return float(share @ power_of_t(size * root, df, level=level))

    high = 1.0
    while chance(high) < MOSTLY and high < FURTHEST:
        high *= 2.0
    found = None
    if chance(high) >= MOSTLY:
        found = float(optimize.brentq(lambda size: chance(size) - MOSTLY, 0.0, high, xtol=1e-3))
    return Sight(chance(1.0), found)


def sight_of_factor(sd: float, prior_sd: float, *, level: float) -> Sight:
    """Work out which factor would have been seen four times of five, of a rate whose log is normal beforehand.

    The posterior of the log is taken for normal: the readings alone know it to ``s``, 1/s^2 = 1/sd^2 - 1/prior_sd^2,
    and the band of the posterior leaves out nought where they put it beyond c s^2 / sd. Seen by simulation (the test
    of this module): 78 of 100 counted studies with the factor said saw it, Monte Carlo error 4.5 points.

    Parameters
    ----------
    sd, prior_sd : float
        Standard deviation of the log factor afterwards, and before.
    level : float
    """
    if sd >= prior_sd * (1.0 - 1e-9):
        return Sight(None, None)
    s = (sd**-2 - prior_sd**-2) ** -0.5
    log_factor = float(special.ndtri(0.5 + level / 2.0) * s**2 / sd + special.ndtri(MOSTLY) * s)
    return Sight(None, float(np.exp(log_factor)) if log_factor < np.log(FURTHEST) else None)


def power_of_t(noncentrality: FloatArray, df: float, *, level: float) -> FloatArray:
    """Give the power of the two-sided t test, shape as ``noncentrality``.

    Examples
    --------
    >>> round(float(power_of_t(np.array([0.0]), 9.0, level=0.90)[0]), 6)
    0.1
    """
    limit = special.stdtrit(df, 0.5 + level / 2.0)
    above = 1.0 - special.nctdtr(df, noncentrality, limit)
    below = 1.0 - special.nctdtr(df, -noncentrality, limit)  # T with -d beyond +limit is T with d beyond -limit
    return np.asarray(above + below)


def most_power(n: int, size: float, *, level: float) -> float:
    """Give the power that no study of n welds can exceed: all alike, mean and scatter known.

    Parameters
    ----------
    n : int
        Two or more.
    size : float
        Drift from first to last, in scatters between welds.
    level : float

    Examples
    --------
    >>> round(most_power(18, 1.0, level=0.90), 3)
    0.365
    """
    z = size * np.sqrt(n * (n + 1) / (12.0 * (n - 1)))
    c = special.ndtri(0.5 + level / 2.0)
    return float(special.ndtr(z - c) + special.ndtr(-z - c))
