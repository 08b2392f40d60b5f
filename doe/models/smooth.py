"""The challenger: whether a smooth surface of another shape foretells the left-out plates better than ours.

Our surface is of second order, with third-order terms held back. The challenger is a Gaussian process (scikit-learn;
Rasmussen and Williams 2006, Gaussian Processes for Machine Learning, chapters 2, 4 and 5, from memory) on the same
readings: it may bend anywhere. Its kernel is fixed::

    constant x Matern(nu = 5/2, one length a factor) + white noise

on readings brought to mean 0 and standard deviation 1; lengths are in coded units, a tenth or so of the range up to
practically straight. It knows nothing of plates, and its bands are not used anywhere: in trials they covered too little
(METHOD.md, USERS.md). It only asks whether the shape is right.

Each plate is left out and predicted by both. The challenger wins where it misses by a fifth less and the gain, plate by
plate, is more than chance: signs of the gains are flipped in every way (Fisher's randomisation test; Good 2005,
Permutation, Parametric and Bootstrap Tests of Hypotheses, from memory). As the plates share the rest of the readings
that is a guide and no exact test. Its rates, seen by simulation (``tests/doe/models/test_smooth.py``), 40 to 260
studies a figure:

- false alarms on quadratic truths: 4 of 100 at 18 welds, none of 60 at 24;
- a sharp ridge is found in 37 to 47 of 100 studies of 18 planned welds, 22 of 100 where most welds lie in corners, and
  10 of 100 at 24 welds, where our third-order terms follow the ridge nearly as well.

Not winning is no proof that the shape is right.

A search takes time with the cube of the readings. From ``MANY`` readings on the lengths are sought once, on so many of
them, and kept; the left-out plates are then predicted from all other readings at once, by the inverse of the kernel's
matrix K (Rasmussen and Williams, section 5.4.2, for several readings at once as in ``left_out``)::

    y_B - prediction = (K^-1)_BB^-1 (K^-1 y)_B

All of scikit-learn that is used stands in this module.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import optimize
from sklearn.exceptions import ConvergenceWarning
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel
from sklearn.model_selection import LeaveOneGroupOut

from doe.bench.results import IntArray
from doe.coding import FloatArray

LENGTHS: Final = (0.3, 30.0)
"""Bounds of a length, in coded units: the whole range is 2."""
AMPLITUDES: Final = (1e-3, 1e3)
"""Bounds of the variance of the surface over that of the readings."""
NOISE: Final = (1e-2, 10.0)
"""Bounds of the variance of the noise over that of the readings."""
START: Final = (1.0, 2.0, 0.1)
"""Where the search begins: amplitude, length, noise."""
RESTARTS: Final = 1
"""Further starts, drawn with a fixed seed, for all readings together; left-out plates start from what that found."""
SEED: Final = 20_240_501
"""Of the further starts."""
STEPS: Final = 40
"""Most steps of a search."""
TOLERANCE: Final = 1e-5
"""A search ends where the log-likelihood moves by less than this share of itself. [1]"""
GAIN: Final = 0.2
"""The challenger must miss by so much less to win. [1]"""
CHANCE: Final = 0.10
"""Probability of a gain as large by chance, below which it counts."""
MANY: Final = 100
"""With more readings than this the lengths are sought on so many of them. Our choice."""
ALL_FLIPS: Final = 12
"""Up to so many groups every way of flipping signs is tried; beyond, ``FLIPS`` at random."""
FLIPS: Final = 4000
"""Ways of flipping signs that are tried where there are too many for all."""


def leave_groups_out(index: IntArray) -> Iterator[tuple[IntArray, IntArray]]:
    """Give the welds kept and the welds left out, group after group; ``index``, shape (n,), at least two groups."""
    yield from LeaveOneGroupOut().split(index[:, None], groups=index)


@dataclass(frozen=True, eq=False)
class Challenge:
    """How the challenger did.

    Attributes
    ----------
    predicted : ndarray, shape (n,)
        Its predictions of the welds, each from the other groups.
    miss, surface_miss : float
        Root mean square misses of the challenger and of our surface, in the readings' unit.
    chance : float
        Probability of a gain as large by chance.
    wins : bool
    best_at : int
        The weld at which it gains most.
    """

    predicted: FloatArray
    miss: float
    surface_miss: float
    chance: float
    wins: bool
    best_at: int

    def to_dict(self) -> dict[str, object]:
        """Give the numbers as ``fit --json`` prints them."""
        return {
            "miss": self.miss,
            "surface_miss": self.surface_miss,
            "chance": self.chance,
            "wins": self.wins,
        }


def challenge(settings: FloatArray, y: FloatArray, surface: FloatArray, *, index: IntArray) -> Challenge:
    """Let a Gaussian process predict the left-out groups.

    Parameters
    ----------
    settings : ndarray, shape (n, n_features)
        Coded settings; kinds as columns of their own.
    y : ndarray, shape (n,)
        Readings, not all equal.
    surface : ndarray, shape (n,)
        What our surface predicts of each weld from the other groups.
    index : ndarray of int, shape (n,)
        Group of each weld, 0, 1 ...
    """
    predicted = predict_smoothly(settings, y, index)
    misses, ours = (y - predicted) ** 2, (y - surface) ** 2
    chance = chance_of_gain(np.asarray(np.bincount(index, ours - misses), dtype=float))
    miss, surface_miss = float(np.sqrt(misses.mean())), float(np.sqrt(ours.mean()))
    wins = chance < CHANCE and miss <= (1.0 - GAIN) * surface_miss
    return Challenge(predicted, miss, surface_miss, chance, wins, int(np.argmax(ours - misses)))


def predict_smoothly(settings: FloatArray, y: FloatArray, index: IntArray) -> FloatArray:
    """Predict each group's readings by a Gaussian process fitted to the other groups, shape (n,)."""
    amplitude, length, noise = START
    kernel = ConstantKernel(amplitude, AMPLITUDES) * Matern(
        np.full(settings.shape[1], length), LENGTHS, nu=2.5
    ) + WhiteKernel(noise, NOISE)
    with warnings.catch_warnings():
        # a length at its bound means a straight line along that factor: expected, and nothing to warn of
        warnings.simplefilter("ignore", ConvergenceWarning)
        if len(y) > MANY:
            some = sample_groups(index, MANY)
            kernel = _process(kernel, restarts=RESTARTS).fit(settings[some], y[some]).kernel_
            return predict_at_once(kernel(settings), y, index)
        predicted = np.empty(len(y))
        kernel = _process(kernel, restarts=RESTARTS).fit(settings, y).kernel_
        for kept, left_out in leave_groups_out(index):
            process = _process(kernel, restarts=0).fit(settings[kept], y[kept])
            predicted[left_out] = process.predict(settings[left_out])
    return predicted


def sample_groups(index: IntArray, at_most: int) -> IntArray:
    """Give welds of whole groups, evenly over all of them, at most so many (those of one group at least)."""
    sizes = np.bincount(index)
    n_groups = max(1, int(at_most * len(sizes) / len(index)))
    while True:
        groups = np.unique(np.linspace(0, len(sizes) - 1, n_groups).round().astype(int))
        if sizes[groups].sum() <= at_most or n_groups == 1:
            return np.flatnonzero(np.isin(index, groups))
        n_groups -= 1


def predict_at_once(covariance: FloatArray, y: FloatArray, index: IntArray) -> FloatArray:
    """Predict each group's readings from the other groups by one kernel, shape (n,).

    Parameters
    ----------
    covariance : ndarray, shape (n, n)
        The kernel's matrix of all readings, brought to mean 0 and standard deviation 1, noise included.
    y : ndarray, shape (n,)
    index : ndarray of int, shape (n,)
        Group of each weld, 0, 1 ...
    """
    inverse, scale = np.linalg.inv(covariance), y.std()
    weighed, predicted = inverse @ ((y - y.mean()) / scale), np.empty(len(y))
    for _, rows in leave_groups_out(index):
        predicted[rows] = y[rows] - scale * np.linalg.solve(inverse[np.ix_(rows, rows)], weighed[rows])
    return predicted


def _process(kernel: object, *, restarts: int) -> GaussianProcessRegressor:
    return GaussianProcessRegressor(
        kernel, optimizer=_search, normalize_y=True, n_restarts_optimizer=restarts, random_state=SEED
    )


def _search(objective: Callable[..., object], start: FloatArray, bounds: FloatArray) -> tuple[FloatArray, float]:
    """Find the most likely lengths in a limited number of steps."""
    found = optimize.minimize(
        objective, start, method="L-BFGS-B", jac=True, bounds=bounds, options={"maxiter": STEPS, "ftol": TOLERANCE}
    )
    return np.asarray(found.x), float(found.fun)


def chance_of_gain(gains: FloatArray) -> float:
    """Give the share of sign flips whose sum is at least that of the gains themselves; shape (n_groups,)."""
    n = len(gains)
    if n <= ALL_FLIPS:
        signs = np.asarray(1.0 - 2.0 * (np.arange(2**n)[:, None] >> np.arange(n) & 1))
    else:
        signs = np.random.default_rng(SEED).choice([1.0, -1.0], (FLIPS, n))
        signs[0] = 1.0  # the gains as they are belong to the flips
    return float(np.mean(signs @ gains >= gains.sum() - 1e-12 * np.abs(gains).sum()))
