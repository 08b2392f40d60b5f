"""Trips by the load, or by another cause: a mixture of both, weighed by the evidence.

The breaker's time law is sure that a weld far below the breaker's rating holds. Where trips come from something
else (an earth-fault device, another load on the circuit, a worn breaker) it would promise what it cannot know. So
there is a second model, in which the time to trip has nothing to do with the settings. Its chance beforehand is
``OTHER_CAUSE``; afterwards it follows from how probable each model made the trips that were seen (Bayesian model
averaging: Hoeting et al. 1999, Statistical Science 14, 382-417, from memory). Trips at the heaviest loads only
leave it next to nothing, trips all over the region give it nearly all. Ours; METHOD.md has no such check.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import special

from doe.coding import FloatArray
from doe.models.breaker import BreakerModel, BreakerPosterior
from doe.models.coded_trip import CodedTripModel, CodedTripPosterior
from doe.models.fit import Points
from doe.models.sampled import NormalPrior, Shift, chance_band
from doe.models.surface import BoolArray, Surface
from doe.models.weibull import TripTimes

OTHER_CAUSE: Final = 0.1
"""Chance beforehand that trips have nothing to do with the load. [1]"""
OTHER_PRIOR: Final = ((1.5, 1.5), (0.0, 0.5))
"""Prior mean and standard deviation of the log median time over the arc time to hold, and of the log shape; a shape
of 1 is a cause without memory."""


def other_cause_model(surface: Surface, times: TripTimes, log_hold: float) -> CodedTripModel:
    """Make the model in which trips have nothing to do with the settings; ``surface`` of any order."""
    mean, sd = np.array(OTHER_PRIOR).T
    prior = NormalPrior(mean + np.array([log_hold, 0.0]), sd)
    X = np.ones((len(times.log_time), 1))
    return CodedTripModel(surface.order("constant"), X, times, log_hold, prior, prior.mean)


def chance_of_other_cause(load_evidence: float, other_evidence: float) -> float:
    """Give the chance that trips have another cause, from the log evidences of both models."""
    log_odds = special.logit(OTHER_CAUSE) + other_evidence - load_evidence
    return float(special.expit(log_odds))


@dataclass(frozen=True, eq=False)
class CauseModel:
    """Trips by the load or by another cause.

    Attributes
    ----------
    breaker : BreakerModel
    other : CodedTripModel
    other_chance : float
        Chance of the other cause, after the welds.
    """

    breaker: BreakerModel
    other: CodedTripModel
    other_chance: float

    def log_prior(self, x: FloatArray) -> FloatArray:
        """Give the log prior density of each row of the breaker's parameters."""
        return self.breaker.log_prior(x)

    def draw(self, n_draws: int, rng: np.random.Generator) -> CausePosterior:
        """Draw afresh from the posterior."""
        n_other = int(rng.binomial(n_draws, self.other_chance))
        # each draws at least one, so that neither is ever empty; which draws are used is decided below
        by_load = self.breaker.draw(max(n_draws - n_other, 1), rng)
        by_other = self.other.draw(max(n_other, 1), rng)
        is_other = np.zeros(n_draws, dtype=bool)
        is_other[rng.permutation(n_draws)[:n_other]] = True
        return CausePosterior(by_load, by_other, is_other)

    def shifts(self) -> tuple[Shift, ...]:
        """Give the model with the breaker's assumptions moved, one at a time."""
        moved = self.breaker.moved()
        return tuple(Shift(words, replace(self, breaker=breaker), supposing) for words, supposing, breaker in moved)


@dataclass(frozen=True, eq=False)
class CausePosterior:
    """Draws of both models; ``is_other``, shape (n_draws,), says which draws are of the other cause."""

    by_load: BreakerPosterior
    by_other: CodedTripPosterior
    is_other: BoolArray

    @property
    def n_draws(self) -> int:
        """Number of draws."""
        return len(self.is_other)

    @property
    def settled(self) -> bool:
        """Whether those of the two samplers settled that any draw is taken from."""
        is_load_fine = self.by_load.settled or bool(self.is_other.all())
        return is_load_fine and (self.by_other.settled or not self.is_other.any())

    def mean(self, points: Points) -> FloatArray:
        """Give the chance that the supply holds, shape (n_draws, n_points)."""
        if not self.is_other.any():
            return self.by_load.mean(points)
        held = np.empty((self.n_draws, len(points.natural)))
        held[self.is_other] = self.by_other.mean(points)
        if not self.is_other.all():
            held[~self.is_other] = self.by_load.mean(points)
        return held

    def failure(self, points: Points) -> FloatArray:
        """Give the chance that the supply trips before the arc time is over, shape (n_draws, n_points)."""
        return np.asarray(1.0 - self.mean(points))

    def weld_band(self, points: Points, *, level: float) -> tuple[FloatArray, FloatArray]:
        """Give the band of the chance to hold, each shape (n_points,)."""
        return chance_band(self.mean(points), level=level)
