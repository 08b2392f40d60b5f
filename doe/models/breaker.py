"""The time law of the supply's breaker, where the load on it is known (METHOD.md section 4).

    log T = a - b (log r - log 1.9) + c position + scatter,   r = line current / breaker rating

a is the log of the median time to trip at 1.9 times the rating; T is Weibull about its median. The prior is the
standards' bands, and times to trip longer than the standards allow are cut out of it (``standard_bounds``).

Values of the standards are from memory: check the standard before a claim rests on them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import special

from doe.coding import FloatArray
from doe.models import weibull
from doe.models.fit import Points
from doe.models.load import LoadTrend
from doe.models.sampled import NormalPrior, Shift, chance_band, predict_in_blocks
from doe.models.sampling import Sample, sample_posterior
from doe.models.surface import BoolArray
from doe.models.weibull import TripTimes

REFERENCE: Final = 1.9
"""Load ratio at which the prior is stated. [1]"""
MEDIAN_S: Final = 90.0
"""Prior median time to trip at ``REFERENCE``. [s] Between the bands of IEC 60898-1 and UL 489."""
EXPONENT: Final = 4.5
"""Prior median of the exponent b; 90 % between 2.1 and 9.4, and 2 is the adiabatic I^2 t = const. [1]"""
PRIOR: Final = ((float(np.log(MEDIAN_S)), 1.0), (float(np.log(EXPONENT)), 0.45), (float(np.log(0.4)), 0.5))
"""Prior mean and standard deviation of a, of log b, and of log s, s the standard deviation of log T."""
POSITION_SD: Final = 0.4
"""Prior standard deviation of the difference between later and first welds. [log s]"""
LOG_CLIP: Final = 4.0
"""Log b and log s are held to plus or minus this, in the fit and in predictions alike. [1]"""


@dataclass(frozen=True)
class Bound:
    """The standard has the breaker trip within ``seconds`` at a load of ``ratio`` times its rating."""

    ratio: float
    seconds: float


def standard_bounds(curve: str, rating_a: float) -> tuple[Bound, ...]:
    """Give the longest times to trip that a standard allows, from a cold start.

    Parameters
    ----------
    curve : str
        "B", "C", "D" (IEC 60898-1), "UL" (UL 489), or empty: the longer of both.
    rating_a : float
        Breaker rating. [A]

    Notes
    -----
    From memory. IEC 60898-1: within an hour at 1.45 times the rating, within 60 s (over 32 A: 120 s) at 2.55 times.
    UL 489: within an hour (over 50 A: two) at 1.35 times, within 120 s (31 to 50 A: 240 s, over 50 A: 360 s) at
    twice the rating.

    That a breaker must *hold* at 1.13 times its rating for an hour (UL 489: at its rating) is left out on purpose.
    A thermal breaker's time grows without limit towards that load, which a power law can only follow by being too
    steep everywhere else. With that bound the 90 % lower limit of the chance to hold covered 36 to 69 % on four of
    seven simulated breakers; without it 72 % on one, a quick breaker welded on for no longer than the time to hold
    (96 % where welded on for twice that), and 95 % or more on the others (60 to 100 data sets each, 16 welds).
    """
    hour = 3600.0
    iec = Bound(1.45, hour), Bound(2.55, 60.0 if rating_a <= 32.0 else 120.0)
    top = 120.0 if rating_a <= 30.0 else 240.0 if rating_a <= 50.0 else 360.0
    ul = Bound(1.35, hour if rating_a <= 50.0 else 2.0 * hour), Bound(2.0, top)
    if curve:
        return ul if curve == "UL" else iec
    return tuple(Bound(max(a.ratio, b.ratio), max(a.seconds, b.seconds)) for a, b in zip(iec, ul, strict=True))


@dataclass(frozen=True, eq=False)
class BreakerModel:
    """The fitted time law; parameters are a, log b, log s, then c if ``later``, then the load's if computed.

    Attributes
    ----------
    times : TripTimes
    load : LoadTrend
    columns : ndarray, shape (n, n_columns)
        The load trend's columns of the welds that were timed.
    log_ratio : ndarray, shape (n,)
        Their log load ratios, as read; used where the load was measured.
    position : ndarray, shape (n,) or None
        -1/2 for first, 1/2 for later welds; None where all start alike.
    bounds : tuple of Bound
    log_hold : float
        Log of the arc time the supply must hold. [log s]
    prior : NormalPrior
    start : ndarray
        Where the search for the mode begins.
    """

    times: TripTimes
    load: LoadTrend
    columns: FloatArray
    log_ratio: FloatArray
    position: FloatArray | None
    bounds: tuple[Bound, ...]
    log_hold: float
    prior: NormalPrior
    start: FloatArray

    def log_prior(self, x: FloatArray) -> FloatArray:
        """Give the log prior density of each row of parameters, without the bounds, which no shift moves."""
        return self.prior.log_density(x)

    def allowed(self, x: FloatArray) -> BoolArray:
        """Say which rows of parameters the standards allow."""
        fine = np.ones(len(x), dtype=bool)
        for bound in self.bounds:
            log_time = x[:, 0] - exponent(x) * np.log(bound.ratio / REFERENCE)
            fine &= log_time <= np.log(bound.seconds)
        return fine

    def share_allowed(self) -> float:
        """Give the share of the prior that the standards allow: an integral over b of a normal chance for a."""
        if not self.bounds:
            return 1.0
        nodes, weights = special.roots_hermitenorm(40)
        b = np.exp(np.clip(self.prior.mean[1] + self.prior.sd[1] * nodes, -LOG_CLIP, LOG_CLIP))
        top = [np.log(bound.seconds) + b * np.log(bound.ratio / REFERENCE) for bound in self.bounds]
        below = special.ndtr((np.min(top, axis=0) - self.prior.mean[0]) / self.prior.sd[0])
        return float(weights @ below / weights.sum())

    def log_evidence(self, sample: Sample) -> float:
        """Give the log evidence of the model: how probable it made the trips that were seen."""
        return sample.log_mass + self.prior.log_constant - float(np.log(self.share_allowed()))

    def log_density(self, x: FloatArray) -> FloatArray:
        """Give the log posterior density of each row of parameters, without the bounds."""
        log_ratio = self.log_ratio
        if self.load.kind == "computed":
            log_ratio = self._load_coefficients(x) @ self.columns.T
        eta = x[:, :1] - exponent(x)[:, None] * (log_ratio - np.log(REFERENCE))
        if self.position is not None:
            eta = eta + x[:, 3:4] * self.position
        return weibull.log_likelihood(self.times, eta, log_shape(x)) + self.prior.log_density(x)

    def _load_coefficients(self, x: FloatArray) -> FloatArray:
        """Turn the last, standard normal, parameters into the trend's coefficients."""
        return np.asarray(self.load.means[0] + x[:, -self.columns.shape[1] :] @ self.load.roots[0].T)

    def sample(self, n_draws: int, rng: np.random.Generator) -> Sample:
        """Draw parameters, with what the sampler says of itself."""
        return sample_posterior(self.log_density, self.start, n_draws=n_draws, rng=rng, allowed=self.allowed)

    def posterior(self, x: FloatArray, rng: np.random.Generator) -> BreakerPosterior:
        """Make the posterior of drawn parameters; a measured load's trend is drawn beside them."""
        if self.load.kind == "computed":
            trend, scatter = self._load_coefficients(x), np.full(len(x), self.load.scatter[0])
        else:
            trend, scatter = self.load.draw(len(x), rng)
        later = x[:, 3] if self.position is not None else np.zeros(len(x))
        return BreakerPosterior(self.load, x, trend, scatter, later, self.log_hold)

    def draw(self, n_draws: int, rng: np.random.Generator) -> BreakerPosterior:
        """Draw afresh from the posterior."""
        sample = self.sample(n_draws, rng)
        return replace(self.posterior(sample.draws, rng), settled=sample.settled)

    def shifts(self) -> tuple[Shift, ...]:
        """Give the model with the prior mean of a, and of log b, moved by one standard deviation."""
        return tuple(Shift(words, model, supposing) for words, supposing, model in self.moved())

    def moved(self) -> tuple[tuple[str, str, BreakerModel], ...]:
        """Give the same models behind what was moved, in the words of ``Shift``."""
        mean, sd = self.prior.mean, self.prior.sd
        gentle, usual, steep = np.exp(mean[1] + sd[1] * np.array([-1.0, 0.0, 1.0]))
        quickness = f"a breaker expected {np.exp(sd[0]):.1f} times slower or quicker to trip"
        fall = (
            f"the time to trip expected to fall with the load to the power {steep:.1f} or {gentle:.1f} instead of "
            f"{usual:.1f}"
        )
        moves = (
            ("the breaker expected slower, by one standard deviation", quickness, 0, 1.0),
            ("the breaker expected quicker, by one standard deviation", quickness, 0, -1.0),
            ("the time to trip expected to fall more steeply with load, by one standard deviation", fall, 1, 1.0),
            ("the time to trip expected to fall less steeply with load, by one standard deviation", fall, 1, -1.0),
        )
        return tuple(
            (words, supposing, replace(self, prior=self.prior.moved(index, by * sd[index])))
            for words, supposing, index, by in moves
        )


def make_prior(n_load: int, *, has_position: bool) -> NormalPrior:
    """Give the prior of the parameters; ``n_load`` standard normal ones stand for a computed load's trend."""
    rows = [*PRIOR, *[(0.0, POSITION_SD)] * has_position, *[(0.0, 1.0)] * n_load]
    mean, sd = np.array(rows).T
    return NormalPrior(mean, sd)


def exponent(x: FloatArray) -> FloatArray:
    """Give b of each row of parameters."""
    return np.asarray(np.exp(np.clip(x[:, 1], -LOG_CLIP, LOG_CLIP)))


def log_shape(x: FloatArray) -> FloatArray:
    """Give the log of the Weibull shape of each row of parameters."""
    return np.asarray(np.log(weibull.GUMBEL_SD) - np.clip(x[:, 2], -LOG_CLIP, LOG_CLIP))


@dataclass(frozen=True, eq=False)
class BreakerPosterior:
    """Draws of the time law.

    Attributes
    ----------
    load : LoadTrend
    parameters : ndarray, shape (n_draws, dim)
    trend : ndarray, shape (n_draws, n_columns)
        Coefficients of the log load ratio.
    scatter : ndarray, shape (n_draws,)
        Scatter of the log load ratio from weld to weld.
    later : ndarray, shape (n_draws,)
        Difference between later and first welds. [log s]
    log_hold : float
    settled : bool
    """

    load: LoadTrend
    parameters: FloatArray
    trend: FloatArray
    scatter: FloatArray
    later: FloatArray
    log_hold: float
    settled: bool = True

    @property
    def n_draws(self) -> int:
        """Number of draws."""
        return len(self.parameters)

    def mean(self, points: Points) -> FloatArray:
        """Give the chance that the supply holds, shape (n_draws, n_points)."""
        b = exponent(self.parameters)
        coefficients = -b[:, None] * self.trend
        coefficients[:, 0] += self.parameters[:, 0] + b * np.log(REFERENCE)
        coefficients[:, 0] += self.later * (0.5 if points.later else -0.5)
        shape = weibull.shape_of(log_shape(self.parameters))[:, None]
        spread = shape * (b * self.scatter)[:, None]

        def hold(eta: FloatArray, rows: slice) -> FloatArray:
            return weibull.chance_to_hold(self.log_hold, eta, shape[rows], spread[rows])

        return predict_in_blocks(hold, coefficients, self.load.columns(points.natural))

    def failure(self, points: Points) -> FloatArray:
        """Give the chance that the supply trips before the arc time is over, shape (n_draws, n_points)."""
        return np.asarray(1.0 - self.mean(points))

    def weld_band(self, points: Points, *, level: float) -> tuple[FloatArray, FloatArray]:
        """Give the band of the chance to hold, each shape (n_points,)."""
        return chance_band(self.mean(points), level=level)
