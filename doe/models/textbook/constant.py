"""Like welds, no factor: what the handbook's one-sided limits say about each requirement."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import special

from doe.bench.results import Counts, Measurement, Passes, Results, Trips
from doe.errors import CannotAnswerError
from doe.models.textbook.readings import readings_of
from doe.models.textbook.tolerance import (
    normal_reliability_limit,
    normal_tolerance_factor,
    poisson_upper_limit,
    proportion_lower_limit,
    success_run,
)
from doe.study.model import Response


@dataclass(frozen=True)
class ConstantBound:
    """What like welds show about one requirement.

    Attributes
    ----------
    response : str
    method : str
    n : int
        Welds that entered.
    estimate : float
        Measure: mean. Count: mean count over the criterion length. Trip and pass: share that held or passed.
    bound : float
        Measure: tolerance limit on the requirement's side (of two, the one nearer to being missed). Count: upper
        limit of the mean count over the criterion length. Trip and pass: ``reliability``.
    factor : float
        Measure: the tolerance factor k; otherwise nan.
    reliability : float
        At least this share of welds meets the requirement, at the claim's confidence.
    needed : float
        The claim's reliability.
    welds_needed : int or None
        Trip and pass: how many welds without a failure show the claim by themselves.
    """

    response: str
    method: str
    n: int
    estimate: float
    bound: float
    factor: float
    reliability: float
    needed: float
    welds_needed: int | None = None

    @property
    def holds(self) -> bool:
        """Whether the requirement is shown at the claim's reliability and confidence."""
        return self.reliability >= self.needed * (1.0 - 1e-9)


def constant_window(results: Results, *, reliability: float, confidence: float) -> tuple[ConstantBound, ...]:
    """Judge every requirement of the study on its welds, taken as made alike.

    Parameters
    ----------
    results : Results
    reliability, confidence : float
        The claim.

    Returns
    -------
    tuple of ConstantBound
        In the study's order; a response without a requirement has none.

    Raises
    ------
    CannotAnswerError
        If a requirement has too few readings.
    """
    return tuple(
        constant_bound(results, response, reliability=reliability, confidence=confidence)
        for response in results.study.responses
        if response.has_requirement
    )


def constant_bound(results: Results, response: Response, *, reliability: float, confidence: float) -> ConstantBound:
    """Judge one requirement; see ``constant_window``."""
    readings = results.readings[response.name]
    if isinstance(readings, Measurement):
        return _measure(response, readings, reliability=reliability, confidence=confidence)
    if isinstance(readings, Counts):
        return _count(response, readings, reliability=reliability, confidence=confidence)
    if isinstance(readings, Trips):
        return _trip(response, readings, reliability=reliability, confidence=confidence)
    return _pass(response, readings, reliability=reliability, confidence=confidence)


def _measure(response: Response, measurement: Measurement, *, reliability: float, confidence: float) -> ConstantBound:
    """Judge by the one-sided normal tolerance factor; two requirements share the doubt evenly."""
    readings = readings_of(measurement)
    if readings.censored.any():
        message = (
            f"“{response.name}”: {int(readings.censored.sum())} readings are at or over “full”; the normal tolerance "
            "factor needs every reading. Ask for the window with factors, or state no “full”."
        )
        raise CannotAnswerError(message)
    values = np.array([float(v) for v in readings.mean])
    n = len(values)
    if n < 2:
        message = f"“{response.name}”: the tolerance factor needs 2 readings or more; there are {n}."
        raise CannotAnswerError(message)
    mean, sd = float(values.mean()), float(values.std(ddof=1))
    sides = [(1.0, response.at_least), (-1.0, response.at_most)]
    asked = [(sign, limit) for sign, limit in sides if limit is not None]
    each = 1.0 - (1.0 - confidence) / len(asked)
    missed, judged = 0.0, []
    for sign, limit in asked:
        reach = _reach(sign * (mean - limit), sd)
        share = normal_reliability_limit(n, reach, confidence=each)
        missed += 1.0 - share
        judged.append((share, sign))
    factor = normal_tolerance_factor(n, reliability=reliability, confidence=each)
    return ConstantBound(
        response=response.name,
        method="one-sided normal tolerance factor" + (", both sides (Bonferroni)" if len(asked) == 2 else ""),
        n=n,
        estimate=mean,
        bound=mean - min(judged)[1] * factor * sd,
        factor=factor,
        reliability=max(0.0, 1.0 - missed),
        needed=reliability,
    )


def _reach(distance: float, sd: float) -> float:
    """Give a distance in sample deviations; infinite for none, and -inf where the mean itself misses."""
    if sd > 0.0:
        return distance / sd
    return math.inf if distance >= 0.0 else -math.inf


def _count(response: Response, counts: Counts, *, reliability: float, confidence: float) -> ConstantBound:
    """Judge by the exact upper limit of the Poisson rate (Garwood)."""
    counted = np.isfinite(counts.counts)
    per = response.per_mm if response.per_mm is not None else 1.0
    lengths = (
        counts.length_mm if response.per_mm is None else np.where(np.isfinite(counts.length_mm), counts.length_mm, per)
    )
    exposure = float(np.sum(np.nan_to_num(lengths[counted], nan=1.0))) / per
    if not exposure > 0.0:
        message = f"“{response.name}”: no weld was inspected."
        raise CannotAnswerError(message)
    total = int(counts.counts[counted].sum())
    upper = poisson_upper_limit(total, confidence=confidence, exposure=exposure)
    allowed = math.floor(response.at_most) if response.at_most is not None else 0
    return ConstantBound(
        response=response.name,
        method="exact upper limit of the Poisson rate (Garwood)",
        n=int(counted.sum()),
        estimate=total / exposure,
        bound=upper,
        factor=math.nan,
        reliability=float(special.pdtr(allowed, upper)),
        needed=reliability,
    )


def _trip(response: Response, trips: Trips, *, reliability: float, confidence: float) -> ConstantBound:
    """Judge by the success run, whether the supply held for the asked arc time.

    A weld that was stopped without a trip before that time shows nothing and is left out.
    """
    hold = response.hold_s if response.hold_s is not None else 0.0
    time = np.where(np.isfinite(trips.time_s), trips.time_s, math.inf if response.hold_s is None else math.nan)
    held = (trips.tripped == 0.0) & (time >= hold) | (trips.tripped == 1.0) & (time > hold)
    failed = (trips.tripped == 1.0) & ~held
    return _success(response, int(held.sum()), int(failed.sum()), reliability=reliability, confidence=confidence)


def _pass(response: Response, passes: Passes, *, reliability: float, confidence: float) -> ConstantBound:
    """Judge by the success run."""
    passed, failed = int(np.sum(passes.passed == 1.0)), int(np.sum(passes.passed == 0.0))
    return _success(response, passed, failed, reliability=reliability, confidence=confidence)


def _success(response: Response, good: int, bad: int, *, reliability: float, confidence: float) -> ConstantBound:
    """Give the exact lower limit of the share of good welds (Clopper-Pearson; without a failure the success run)."""
    n = good + bad
    if n == 0:
        message = f"“{response.name}”: no weld shows whether the requirement is met."
        raise CannotAnswerError(message)
    lower = proportion_lower_limit(good, n, confidence=confidence)
    return ConstantBound(
        response=response.name,
        method="success run" if bad == 0 else "exact lower limit of a proportion (Clopper-Pearson)",
        n=n,
        estimate=good / n,
        bound=lower,
        factor=math.nan,
        reliability=lower,
        needed=reliability,
        welds_needed=success_run(reliability=reliability, confidence=confidence),
    )
