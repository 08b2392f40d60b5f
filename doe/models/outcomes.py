"""Good or failed: the welds of a trip or a pass model, and how likely each was to turn out good."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from doe.bench.results import IntArray
from doe.coding import FloatArray
from doe.models.breaker import BreakerModel
from doe.models.coded_trip import CodedTripModel
from doe.models.passing import PassModel
from doe.models.reweighting import likelihoods, only_welds
from doe.models.weibull import TripTimes

OutcomeModel = PassModel | CodedTripModel | BreakerModel


def good_outcomes(model: OutcomeModel) -> FloatArray:
    """Say of each weld whether it passed, or held for the required time: 1, 0, or nan where it is not known."""
    if isinstance(model, PassModel):
        return model.passed
    times, hold = model.times, model.log_hold
    good = np.full(len(times.log_time), np.nan)
    good[times.tripped & (times.log_time < hold)] = 0.0
    good[(times.log_time >= hold) & (~times.tripped | times.timed)] = 1.0
    return good


def chances_of_good(model: OutcomeModel, x: FloatArray) -> FloatArray:
    """Give each weld's chance to pass, or to hold for the required time, shape (n_draws, n_welds).

    That is the likelihood each weld would have, had it passed, or held for just that time.
    """
    return np.asarray(np.exp(likelihoods(_all_good(model), x)))


def only_outcomes(model: OutcomeModel, rows: IntArray) -> OutcomeModel:
    """Give the same model as if only some of its welds had been made."""
    kept = only_welds(model, rows)
    if not isinstance(kept, OutcomeModel):
        message = "a count has no good outcome"
        raise TypeError(message)
    return kept


def _all_good(model: OutcomeModel) -> OutcomeModel:
    if isinstance(model, PassModel):
        return replace(model, passed=np.ones(len(model.passed)))
    n = len(model.times.log_time)
    times = TripTimes(np.full(n, model.log_hold), np.zeros(n, dtype=bool), np.ones(n, dtype=bool))
    return replace(model, times=times)
