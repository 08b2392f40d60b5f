"""Mixtures of Student's t distributions: what a grid posterior says of one number.

At a node of the grid a coefficient, or a weld that was left out, is Student's t; over the nodes it is a mixture.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import gammaln, stdtr, stdtrit

from doe.coding import FloatArray

LEAST_WEIGHT: Final = 1e-7
"""Nodes that weigh less than this on every number are left out of quantiles. [1]"""
PRECISION: Final = 1e-5
"""A quantile is sought until its probability is met this closely. [1]"""
STEPS: Final = 60
"""Most steps towards a quantile: the bracket is halved where Newton's step leaves it."""


@dataclass(frozen=True, eq=False)
class StudentMixture:
    """A mixture for each of several numbers.

    Attributes
    ----------
    weight : ndarray, shape (n_nodes, n_numbers)
        Each column adds up to 1.
    location, scale : ndarray, shape (n_nodes, n_numbers)
    df : ndarray, shape (n_numbers,)
        Degrees of freedom of every part.
    """

    weight: FloatArray
    location: FloatArray
    scale: FloatArray
    df: FloatArray

    @property
    def mean(self) -> FloatArray:
        """The centre of each mixture, shape (n_numbers,): its mean where ``df`` is above 1."""
        return np.asarray((self.weight * self.location).sum(axis=0))

    @property
    def sd(self) -> FloatArray:
        """Standard deviation of each mixture, shape (n_numbers,).

        Up to two degrees of freedom a t distribution has none; the scale then stands for it.
        """
        widening = np.where(self.df > 2.0, self.df / np.maximum(self.df - 2.0, 1e-9), 1.0)
        variance = self.scale**2 * widening + (self.location - self.mean) ** 2
        return np.asarray(np.sqrt((self.weight * variance).sum(axis=0)))

    def chance_below(self, value: FloatArray) -> FloatArray:
        """Give the probability below one value a number, shape (n_numbers,)."""
        return np.asarray((self.weight * stdtr(self.df, (value - self.location) / self.scale)).sum(axis=0))

    def quantile(self, probability: float) -> FloatArray:
        """Give the quantile of each mixture, shape (n_numbers,): Newton's method, kept inside a bracket."""
        kept = self._heaviest()
        ends = kept.location + stdtrit(self.df, probability) * kept.scale
        low, high = ends.min(axis=0), ends.max(axis=0)
        x = np.clip((kept.weight * ends).sum(axis=0), low, high)
        for _ in range(STEPS):
            gap = kept.chance_below(x) - probability
            low, high = np.where(gap <= 0.0, x, low), np.where(gap >= 0.0, x, high)
            if np.all(np.abs(gap) < PRECISION):
                break
            following = x - gap / kept._density(x)
            x = np.where((following > low) & (following < high), following, 0.5 * (low + high))
        return np.asarray(x)

    def _heaviest(self) -> StudentMixture:
        rows = self.weight.max(axis=1) > LEAST_WEIGHT
        weight = self.weight[rows] / self.weight[rows].sum(axis=0)
        return StudentMixture(weight, self.location[rows], self.scale[rows], self.df)

    def _density(self, value: FloatArray) -> FloatArray:
        z = (value - self.location) / self.scale
        constant = gammaln((self.df + 1.0) / 2.0) - gammaln(self.df / 2.0) - 0.5 * np.log(self.df * np.pi)
        parts = np.exp(constant - 0.5 * (self.df + 1.0) * np.log1p(z * z / self.df)) / self.scale
        return np.asarray((self.weight * parts).sum(axis=0))


def join_mixtures(parts: Sequence[StudentMixture]) -> StudentMixture:
    """Put mixtures over the same nodes side by side, number after number."""
    return StudentMixture(
        np.hstack([part.weight for part in parts]),
        np.hstack([part.location for part in parts]),
        np.hstack([part.scale for part in parts]),
        np.concatenate([part.df for part in parts]),
    )
