"""The Weibull distribution of times to trip: log-likelihood with censoring, and the chance to hold.

    z = shape (log t - eta) + log(log 2),   P(T > t) = exp(-e^z),   median = exp(eta)

log T then has standard deviation pi / sqrt(6) / shape (1.28 / shape; METHOD.md section 4; Meeker and Escobar
1998, Statistical Methods for Reliability Data, section 4.8, from memory; the tests compare with
scipy.stats.weibull_min).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.models.surface import BoolArray

LOG_LOG_2: Final = float(np.log(np.log(2.0)))
"""Makes eta the log of the median. -0.37 [1]"""
GUMBEL_SD: Final = float(np.pi / np.sqrt(6.0))
"""Standard deviation of log T where the shape is 1. 1.28 [1]"""
LOG_SHAPE_CLIP: Final = 4.0
"""The log of the shape is held to plus or minus this, in the fit and in predictions alike. [1]"""
LARGEST_Z: Final = 300.0
"""z is held to at most this, in the fit and in predictions alike. [1]"""


@dataclass(frozen=True, eq=False)
class TripTimes:
    """What each weld says of the time to trip.

    Attributes
    ----------
    log_time : ndarray, shape (n,)
        Log of the arc time. [log s]
    tripped : ndarray of bool, shape (n,)
        Whether it tripped at or before that time; else it held that long.
    timed : ndarray of bool, shape (n,)
        Whether a trip came at that time, and not at some time before it.
    """

    log_time: FloatArray
    tripped: BoolArray
    timed: BoolArray


def shape_of(log_shape: FloatArray) -> FloatArray:
    """Give the shape that a parameter stands for."""
    return np.asarray(np.exp(np.clip(log_shape, -LOG_SHAPE_CLIP, LOG_SHAPE_CLIP)))


def standardise(log_time: FloatArray, eta: FloatArray, shape: FloatArray) -> FloatArray:
    """Give z, at most ``LARGEST_Z``; the arguments broadcast."""
    return np.minimum(shape * (log_time - eta) + LOG_LOG_2, LARGEST_Z)


def log_likelihood(times: TripTimes, eta: FloatArray, log_shape: FloatArray) -> FloatArray:
    """Give the log-likelihood of each draw.

    A timed trip adds the log-density of log T, a weld that held log S(t), a trip without a time log(1 - S(t)).

    Parameters
    ----------
    times : TripTimes
    eta : ndarray, shape (n_draws, n)
        Log of the median time to trip.
    log_shape : ndarray, shape (n_draws,)

    Returns
    -------
    ndarray, shape (n_draws,)
    """
    shape = shape_of(log_shape)[:, None]
    z = standardise(times.log_time, eta, shape)
    hazard = np.exp(z)
    event, before = times.tripped & times.timed, times.tripped & ~times.timed
    total = -hazard[:, ~before].sum(axis=1)
    if event.any():
        total += z[:, event].sum(axis=1) + event.sum() * np.log(shape[:, 0])
    if before.any():
        total += _log_chance_before(z[:, before], hazard[:, before]).sum(axis=1)
    return np.asarray(total)


def _log_chance_before(z: FloatArray, hazard: FloatArray) -> FloatArray:
    """Give log(1 - exp(-e^z)); for small e^z that is z."""
    small = z < -30.0
    return np.where(small, z, np.log(-np.expm1(-np.where(small, 1.0, hazard))))


def chance_to_hold(log_time: float, eta: FloatArray, shape: FloatArray, log_spread: FloatArray) -> FloatArray:
    r"""Give P(T > t), averaged over a normal scatter of z by three-point quadrature.

    .. math:: \sum_q w_q \exp(-e^{z + s z_q}), \quad z_q = -\sqrt 3, 0, \sqrt 3, \quad w_q = 1/6, 4/6, 1/6

    Parameters
    ----------
    log_time : float
    eta : ndarray, shape (n_draws, n_points)
    shape : ndarray, shape (n_draws, 1)
    log_spread : ndarray, shape (n_draws, 1)
        Standard deviation s of z from weld to weld; all 0 where there is none.

    Returns
    -------
    ndarray, shape (n_draws, n_points)
    """
    hazard = np.exp(standardise(np.asarray(log_time), eta, shape))
    if not log_spread.any():
        return np.asarray(np.exp(-hazard))
    factor = np.exp(np.minimum(np.sqrt(3.0) * log_spread, LARGEST_Z))
    held = np.exp(-hazard) * 4.0
    held += np.exp(-hazard * factor)
    held += np.exp(-hazard / factor)
    held /= 6.0
    return np.asarray(held)
