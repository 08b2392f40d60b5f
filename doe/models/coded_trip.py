"""Time to trip where the load on the supply is not known: Weibull, first order in the coded factors.

METHOD.md section 4: log median time ~ B(x) beta with a prior that expects hotter settings to trip sooner. This is
also the model of trips that are not the breaker's, a thermal cut-out for one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.models import weibull
from doe.models.fit import Points
from doe.models.sampled import NormalPrior, Shift, chance_band, predict_in_blocks
from doe.models.sampling import Sample, sample_posterior
from doe.models.surface import Column, Surface
from doe.models.weibull import TripTimes
from doe.study.model import Study

CONSTANT_PRIOR: Final = (0.5, 1.0)
"""Prior mean, over the log of the arc time to hold, and standard deviation of the log median time. [log s]"""
HOTTER_PRIOR: Final = (-0.3, 0.5)
"""Prior mean and standard deviation of the slopes of voltage and feed. [log s]"""
SLOPE_SD: Final = {"preheat": 0.4, "position": 0.4, "other": 0.5}
"""Prior standard deviation of the other slopes. [log s]"""
LOG_SHAPE_PRIOR: Final = (float(np.log(2.0)), 0.5)
"""Prior mean and standard deviation of the log of the Weibull shape. [1]"""


@dataclass(frozen=True, eq=False)
class CodedTripModel:
    """The fitted model where the load is unknown; parameters are the surface's coefficients and the log shape.

    Attributes
    ----------
    surface : Surface
        First order.
    X : ndarray, shape (n, n_columns)
    times : TripTimes
    log_hold : float
        Log of the arc time the supply must hold. [log s]
    prior : NormalPrior
    start : ndarray, shape (n_columns + 1,)
        Where the search for the mode begins.
    """

    surface: Surface
    X: FloatArray
    times: TripTimes
    log_hold: float
    prior: NormalPrior
    start: FloatArray

    def log_prior(self, x: FloatArray) -> FloatArray:
        """Give the log prior density of each row of parameters."""
        return self.prior.log_density(x)

    def log_density(self, x: FloatArray) -> FloatArray:
        """Give the log posterior density of each row of parameters."""
        eta = x[:, :-1] @ self.X.T
        return weibull.log_likelihood(self.times, eta, x[:, -1]) + self.prior.log_density(x)

    def sample(self, n_draws: int, rng: np.random.Generator) -> Sample:
        """Draw parameters, with what the sampler says of itself."""
        return sample_posterior(self.log_density, self.start, n_draws=n_draws, rng=rng)

    def log_evidence(self, sample: Sample) -> float:
        """Give the log evidence of the model: how probable it made the trips that were seen."""
        return sample.log_mass + self.prior.log_constant

    def draw(self, n_draws: int, rng: np.random.Generator) -> CodedTripPosterior:
        """Draw afresh from the posterior."""
        sample = self.sample(n_draws, rng)
        return CodedTripPosterior(self.surface, sample.draws, self.log_hold, sample.settled)

    def shifts(self) -> tuple[Shift, ...]:
        """Give the model with the prior mean of the log time moved, and of the slopes by one standard deviation.

        The log time to hold + 1 and + 1.5 (METHOD.md section 6), and one standard deviation the other way, which is
        the way that does harm; ours.
        """
        hotter = [j for j, column in enumerate(self.surface.columns) if _is_hotter(self.surface.study, column)]
        flat = steep = self.prior
        for j in hotter:
            flat, steep = flat.moved(j, flat.sd[j]), steep.moved(j, -steep.sd[j])
        typical = "the typical time to trip expected at 0.6 to 4.5 times the arc time to hold instead of 1.6 times"
        slope = "hotter settings expected to trip hardly sooner or much sooner"
        time = "the typical time to trip expected at {} times the arc time to hold"
        moves = (
            (time.format("2.7"), typical, self.prior.moved(0, 0.5)),
            (time.format("4.5"), typical, self.prior.moved(0, 1.0)),
            (time.format("0.6"), typical, self.prior.moved(0, -1.0)),
            *(
                (
                    ("hotter settings expected to trip hardly sooner, by one standard deviation", slope, flat),
                    ("hotter settings expected to trip much sooner, by one standard deviation", slope, steep),
                )
                if hotter
                else ()
            ),
        )
        return tuple(Shift(words, replace(self, prior=prior), supposing) for words, supposing, prior in moves)


@dataclass(frozen=True, eq=False)
class CodedTripPosterior:
    """Draws of the model in the coded factors; ``parameters`` (n_draws, n_columns + 1), the last the log shape."""

    surface: Surface
    parameters: FloatArray
    log_hold: float
    settled: bool = True

    @property
    def n_draws(self) -> int:
        """Number of draws."""
        return len(self.parameters)

    def mean(self, points: Points) -> FloatArray:
        """Give the chance that the supply holds, shape (n_draws, n_points)."""
        shape = weibull.shape_of(self.parameters[:, -1:])
        spread = np.zeros_like(shape)

        def hold(eta: FloatArray, rows: slice) -> FloatArray:
            return weibull.chance_to_hold(self.log_hold, eta, shape[rows], spread[rows])

        X = self.surface.matrix(points.natural, later=points.later)
        return predict_in_blocks(hold, self.parameters[:, :-1], X)

    def failure(self, points: Points) -> FloatArray:
        """Give the chance that the supply trips before the arc time is over, shape (n_draws, n_points)."""
        return np.asarray(1.0 - self.mean(points))

    def weld_band(self, points: Points, *, level: float) -> tuple[FloatArray, FloatArray]:
        """Give the band of the chance to hold, each shape (n_points,)."""
        return chance_band(self.mean(points), level=level)


def coded_prior(surface: Surface, log_hold: float) -> NormalPrior:
    """Give the prior of the model in the coded factors (METHOD.md section 4, supply unknown)."""
    rows = [_coded_prior(surface.study, column) for column in surface.columns]
    rows[0] = (log_hold + CONSTANT_PRIOR[0], CONSTANT_PRIOR[1])
    mean, sd = np.array([*rows, LOG_SHAPE_PRIOR]).T
    return NormalPrior(mean, sd)


def _coded_prior(study: Study, column: Column) -> tuple[float, float]:
    if _is_hotter(study, column):
        return HOTTER_PRIOR
    if column.covariate:
        return (0.0, SLOPE_SD["position"])
    is_preheat = bool(column.term.powers) and study.factor(column.factors[0]).role == "preheat"
    return (0.0, SLOPE_SD["preheat" if is_preheat else "other"])


def _is_hotter(study: Study, column: Column) -> bool:
    """Whether the column is that of voltage or feed."""
    return bool(column.term.powers) and study.factor(column.factors[0]).role in {"voltage", "feed"}
