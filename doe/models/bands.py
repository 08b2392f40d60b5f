"""Bands: where the mean may lie, and where the next weld may lie."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import ndtr, ndtri

from doe.coding import FloatArray
from doe.models.fit import Points, Posterior

CELLS: Final = 2_000_000
"""Draws times points worked on at once, so that a large map does not fill the memory."""
PRECISION: Final = 1e-6
"""A quantile is sought until it moves by less than this share of the spread."""


@dataclass(frozen=True, eq=False)
class ConfidenceBand:
    """Where the mean may lie, two-sided; each array of shape (n_points,).

    Attributes
    ----------
    mean : ndarray
        Posterior mean.
    low, high : ndarray
        Pointwise: each point by itself is inside with probability ``level``.
    all_low, all_high : ndarray
        Simultaneous: the whole curve is inside at once with probability ``level``.
    level : float
    """

    mean: FloatArray
    low: FloatArray
    high: FloatArray
    all_low: FloatArray
    all_high: FloatArray
    level: float


def confidence_band(
    posterior: Posterior, points: Points, level: float = 0.90, *, region: Points | None = None
) -> ConfidenceBand:
    """Give the pointwise and the simultaneous band of the mean (METHOD.md section 2).

    Pointwise: quantiles of the draws. Simultaneous: mean +- c sd, c the ``level`` quantile over draws of
    max |draw - mean| / sd over the region.

    Parameters
    ----------
    posterior : Posterior
    points : Points
        Where the band is wanted.
    level : float
    region : Points, optional
        The settings over which the simultaneous band holds: the whole region, so that turning from one plot to
        the next does not spoil it. Default: the points themselves.
    """
    draws = posterior.mean(points)
    mean, sd = draws.mean(axis=0), draws.std(axis=0)
    low, high = np.quantile(draws, [(1.0 - level) / 2.0, (1.0 + level) / 2.0], axis=0)
    c = simultaneous_factor(draws if region is None else posterior.mean(region), level)
    return ConfidenceBand(mean, low, high, mean - c * sd, mean + c * sd, level)


def simultaneous_factor(draws: FloatArray, level: float) -> float:
    """Give c for which mean +- c sd holds whole draws, shape (n_draws, n_points), with probability ``level``."""
    deviation = np.abs(draws - draws.mean(axis=0))
    sd = draws.std(axis=0)
    return float(np.quantile((deviation[:, sd > 0.0] / sd[sd > 0.0]).max(axis=1, initial=0.0), level))


def mixture_quantile(mean: FloatArray, sd: FloatArray, probability: float) -> FloatArray:
    """Give the quantile of an equal mixture of normal distributions, point by point.

    Parameters
    ----------
    mean : ndarray, shape (n_draws, n_points)
    sd : ndarray, shape (n_draws,)
        Above 0.
    probability : float

    Returns
    -------
    ndarray, shape (n_points,)
    """
    block = max(1, CELLS // len(sd))
    parts = [
        _solve_quantile(mean[:, start : start + block], sd[:, None], probability)
        for start in range(0, mean.shape[1], block)
    ]
    return np.concatenate(parts) if parts else np.empty(0)


def _solve_quantile(mean: FloatArray, sd: FloatArray, probability: float) -> FloatArray:
    """Newton's method on the normal score of the mixture's distribution, kept inside a bracket."""
    score = ndtri(probability)
    low, high = (mean + score * sd).min(axis=0), (mean + score * sd).max(axis=0)
    spread = np.sqrt(mean.var(axis=0) + np.mean(sd**2))
    x = np.clip(mean.mean(axis=0) + score * spread, low, high)
    for _ in range(60):
        z = (x - mean) / sd
        share = ndtr(z).mean(axis=0)
        density = (np.exp(-0.5 * z * z) / sd).mean(axis=0) / np.sqrt(2.0 * np.pi)
        low, high = np.where(share <= probability, x, low), np.where(share >= probability, x, high)
        with np.errstate(divide="ignore", invalid="ignore"):
            reached = ndtri(share)
            step = (score - reached) * np.exp(-0.5 * reached**2) / np.sqrt(2.0 * np.pi) / density
        middle = 0.5 * (low + high)
        following = np.where((x + step > low) & (x + step < high), x + step, middle)
        following = np.where(low == high, low, following)
        if np.all(np.abs(following - x) <= PRECISION * spread):
            return np.asarray(following)
        x = following
    return np.asarray(x)
