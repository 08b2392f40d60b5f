"""What the other welds say of welds that are left out, for the sampled models: counts, trips, passes.

The posterior is sampled once. Proposals from a multivariate t, wider than it, then stand for the posterior without any
welds: only their weights change, prior times likelihood of the welds left in over proposal density (importance
sampling). Where too few proposals carry the weight the model is fitted anew without those welds.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from doe.bench.results import IntArray
from doe.coding import FloatArray
from doe.models.breaker import BreakerModel
from doe.models.coded_trip import CodedTripModel
from doe.models.count import CountModel
from doe.models.negative_binomial import LOG_MEAN_CLIP, LOG_SHAPE_CLIP, CountData, log_likelihood
from doe.models.passing import PassModel
from doe.models.sampling import resample
from doe.models.weibull import TripTimes

DrawnModel = CountModel | PassModel | CodedTripModel | BreakerModel

PROPOSALS: Final = 4000
"""Proposals that stand for every posterior."""
PILOT: Final = 1500
"""Draws from which the proposal is made."""
DEGREES: Final = 6.0
"""Degrees of freedom of the t proposal: heavier tails than any posterior here."""
WIDENING: Final = 1.5
"""By which the posterior's covariance is widened: a posterior without a plate is wider."""
LEAST_ESS: Final = 400.0
"""Below this effective sample size the model is fitted anew. Our rule."""


@dataclass(frozen=True, eq=False)
class Cloud:
    """Proposals, and what prior and welds say of each.

    Attributes
    ----------
    model : DrawnModel
    x : ndarray, shape (n_proposals, dim)
    base : ndarray, shape (n_proposals,)
        Log prior less log proposal density.
    seen : ndarray, shape (n_proposals, n_welds)
        Log-likelihood of each weld.
    """

    model: DrawnModel
    x: FloatArray
    base: FloatArray
    seen: FloatArray

    @property
    def n_welds(self) -> int:
        """Number of welds."""
        return int(self.seen.shape[1])

    def weights(self, left_out: IntArray) -> FloatArray:
        """Give the weight of each proposal in the posterior without some welds; they add up to 1."""
        log_weights = self.base + self.seen.sum(axis=1) - self.seen[:, left_out].sum(axis=1)
        weights = np.exp(log_weights - log_weights.max())
        return np.asarray(weights / weights.sum())

    def draws(self, left_out: IntArray, n_draws: int, rng: np.random.Generator) -> FloatArray:
        """Draw parameters from the posterior without some welds, shape (n_draws, dim)."""
        weights = self.weights(left_out)
        if 1.0 / np.sum(weights**2) >= LEAST_ESS:
            return np.asarray(self.x[resample(weights, n_draws, rng)])
        kept = np.setdiff1d(np.arange(self.n_welds), left_out)
        return only_welds(self.model, kept).sample(n_draws, rng).draws


def make_cloud(model: DrawnModel, rng: np.random.Generator, *, n: int = PROPOSALS) -> Cloud:
    """Sample a model's posterior once and lay proposals around it."""
    pilot = model.sample(PILOT, rng).draws
    mean, dim = pilot.mean(axis=0), pilot.shape[1]
    root = np.linalg.cholesky(WIDENING * np.cov(pilot.T).reshape(dim, dim))
    z = rng.standard_normal((n, dim)) * np.sqrt(DEGREES / rng.chisquare(DEGREES, (n, 1)))
    x = mean + z @ root.T
    log_proposal = -0.5 * (DEGREES + dim) * np.log1p(np.einsum("ij,ij->i", z, z) / DEGREES)
    base = model.log_prior(x) - log_proposal
    if isinstance(model, BreakerModel):
        base = np.where(model.allowed(x), base, -np.inf)
    return Cloud(model, x, base, likelihoods(model, x))


def count_welds(model: DrawnModel) -> int:
    """Count the welds a model was fitted to."""
    if isinstance(model, CountModel):
        return len(model.data.counts)
    return len(model.passed) if isinstance(model, PassModel) else len(model.times.log_time)


def only_welds(model: DrawnModel, rows: IntArray) -> DrawnModel:
    """Give the same model as if only some of its welds had been made."""
    if isinstance(model, CountModel):
        data = model.data
        return replace(model, data=CountData(data.X[rows], data.counts[rows], data.exposure[rows]))
    if isinstance(model, PassModel):
        return replace(model, X=model.X[rows], passed=model.passed[rows])
    times = TripTimes(model.times.log_time[rows], model.times.tripped[rows], model.times.timed[rows])
    if isinstance(model, CodedTripModel):
        return replace(model, X=model.X[rows], times=times)
    position = None if model.position is None else model.position[rows]
    return replace(model, times=times, columns=model.columns[rows], log_ratio=model.log_ratio[rows], position=position)


def likelihoods(model: DrawnModel, x: FloatArray) -> FloatArray:
    """Give the log-likelihood of each weld at each row of parameters, shape (n, n_welds), up to a constant a weld."""
    single = (only_welds(model, np.array([i])) for i in range(count_welds(model)))
    return np.column_stack([_likelihood(one, x) for one in single])


def _likelihood(model: DrawnModel, x: FloatArray) -> FloatArray:
    if isinstance(model, CountModel):
        return log_likelihood(model.data)(x)
    return np.asarray(model.log_density(x) - model.log_prior(x))


def predicted_count(model: CountModel, x: FloatArray, i: int) -> tuple[FloatArray, FloatArray]:
    """Give log mean and phi of one weld's count, each shape (n_draws, 1)."""
    log_mean = x[:, :-1] @ model.data.X[i] + np.log(model.data.exposure[i])
    phi = np.exp(np.clip(x[:, -1:], -LOG_SHAPE_CLIP, LOG_SHAPE_CLIP))
    return np.clip(log_mean, -LOG_MEAN_CLIP, LOG_MEAN_CLIP)[:, None], phi
