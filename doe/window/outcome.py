"""Whether a weld met every requirement, by its readings alone: no model, no band."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.bench.results import Counts, Measurement, Passes, Results, Trips
from doe.coding import FloatArray
from doe.models.trip import usable_trips
from doe.study.model import Response

SHORT_INSPECTION: Final = 0.95
"""A count over less than this share of the criterion length shows no pass. Our choice."""


@dataclass(frozen=True)
class WeldOutcome:
    """One weld against the requirements.

    Attributes
    ----------
    weld : str
    failed : tuple of str
        Responses whose requirement it did not meet.
    unknown : tuple of str
        Responses that were not read, or too little of them to tell.
    """

    weld: str
    failed: tuple[str, ...] = ()
    unknown: tuple[str, ...] = ()

    @property
    def passed(self) -> bool | None:
        """Whether it met every requirement; None where that cannot be told yet. One failure is enough to fail."""
        if self.failed:
            return False
        return None if self.unknown else True

    def to_dict(self) -> dict[str, object]:
        """Give it as ``confirm --json`` prints it."""
        return {"weld": self.weld, "passed": self.passed, "failed": list(self.failed), "unknown": list(self.unknown)}


def judge_welds(results: Results, rows: list[int], names: tuple[str, ...]) -> tuple[WeldOutcome, ...]:
    """Judge some welds by some responses, which have a requirement.

    Parameters
    ----------
    results : Results
    rows : list of int
    names : tuple of str
    """
    met = {name: requirement_met(results, results.study.response(name)) for name in names}
    return tuple(
        WeldOutcome(
            results.weld[i],
            tuple(name for name in names if met[name][i] == 0.0),
            tuple(name for name in names if np.isnan(met[name][i])),
        )
        for i in rows
    )


def requirement_met(results: Results, response: Response) -> FloatArray:
    """Tell which welds met a requirement: 1, 0, or nan where it cannot be told, shape (n_welds,)."""
    readings = results.readings.get(response.name)
    if isinstance(readings, Measurement):
        return _measure_met(readings, response)
    if isinstance(readings, Counts):
        return _count_met(readings, response)
    if isinstance(readings, Trips):
        return _trip_met(results, readings, response)
    if isinstance(readings, Passes):
        return readings.passed
    return np.full(results.n_welds, np.nan)


def _measure_met(readings: Measurement, response: Response) -> FloatArray:
    """Judge the mean of a weld's cuts, which is what the models and the claim are about."""
    finite = np.isfinite(readings.values)
    cuts = finite.sum(axis=1)
    values = np.minimum(np.where(finite, readings.values, 0.0), readings.full[:, None])
    mean = np.where(cuts > 0, values.sum(axis=1) / np.maximum(cuts, 1), np.nan)
    low = -np.inf if response.at_least is None else response.at_least
    high = np.inf if response.at_most is None else response.at_most
    met = np.where((mean >= low) & (mean <= high), 1.0, 0.0)
    # a burn-through lies above every limit up to ``full``: it meets no upper limit
    burnt = (finite & (readings.values >= readings.full[:, None])).any(axis=1)
    if response.at_most is not None:
        met[burnt] = 0.0
    return np.where(np.isnan(mean), np.nan, met)


def _count_met(readings: Counts, response: Response) -> FloatArray:
    """Judge a count: over a longer length than the criterion's by its density, over a shorter one only a failure."""
    limit = np.inf if response.at_most is None else response.at_most
    share = readings.length_mm / response.per_mm if response.per_mm else np.ones(len(readings.counts))
    share = np.where(np.isnan(share), 1.0, share)
    met = np.where(readings.counts <= limit * np.maximum(share, 1.0), 1.0, 0.0)
    met[(met == 1.0) & (share < SHORT_INSPECTION)] = np.nan
    return np.where(np.isnan(readings.counts), np.nan, met)


def _trip_met(results: Results, readings: Trips, response: Response) -> FloatArray:
    """Judge a trip by whether the supply held for ``hold``.

    A trip before that time fails; a trip at no known time fails, as does one before a time that was not long enough;
    a weld without a trip shows nothing unless it ran for that time.
    """
    met = np.full(results.n_welds, np.nan)
    trips, hold = usable_trips(results, readings), np.log(response.hold_s or 0.0) if response.hold_s else -np.inf
    held = trips.times.log_time >= hold - 1e-9
    timed_trip = trips.times.tripped & trips.times.timed
    judged = np.where(trips.times.tripped & ~timed_trip, 0.0, np.where(held, 1.0, np.where(timed_trip, 0.0, np.nan)))
    met[trips.used] = judged
    met[trips.lost_trips] = 0.0
    return met
