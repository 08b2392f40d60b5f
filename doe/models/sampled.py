"""What the sampled models (count, trip, pass) have in common: normal priors that can be shifted, and summaries.

A claim rests on its priors where the welds say little. So every model can be asked for itself with one prior
moved (``Shift``), and the fit prints what that does to the best tested setting.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final, Protocol

import numpy as np

from doe.coding import FloatArray
from doe.models.fit import Model, Points, Posterior
from doe.models.surface import Surface, TermClass
from doe.study.model import Study

FIT_DRAWS: Final = 2000
"""Draws from which a fit's own numbers are made."""
BLOCK: Final = 32_768
"""Numbers worked on at a time in predictions: few enough to stay in the processor's cache."""
BY_CLASS: Final[Mapping[TermClass, float]] = {"first": 1.2, "second": 0.8}
"""Prior standard deviation of a coefficient on a log or logit scale, by class (METHOD.md sections 3, 4b). [1]"""

EFFECTS: Final = "effects of the settings allowed to be half as large again or held to two thirds"
"""What is said of a prior whose slopes were rescaled, either way."""


@dataclass(frozen=True, eq=False)
class NormalPrior:
    """Independent normal priors of a model's parameters.

    Attributes
    ----------
    mean, sd : ndarray, shape (dim,)
    """

    mean: FloatArray
    sd: FloatArray

    def log_density(self, x: FloatArray) -> FloatArray:
        """Give the log-density of each row of x, shape (n, dim), up to a constant."""
        z = (x - self.mean) / self.sd
        return np.asarray(-0.5 * np.einsum("ij,ij->i", z, z))

    @property
    def log_constant(self) -> float:
        """Log of the constant that makes ``log_density`` integrate to 1."""
        return float(-np.log(self.sd).sum() - 0.5 * len(self.sd) * np.log(2.0 * np.pi))

    def moved(self, index: int, by: float) -> NormalPrior:
        """Give the prior with one mean moved."""
        mean = self.mean.copy()
        mean[index] += by
        return replace(self, mean=mean)

    def scaled(self, factors: FloatArray) -> NormalPrior:
        """Give the prior with its standard deviations multiplied, shape (dim,)."""
        return replace(self, sd=self.sd * factors)


class SampledPosterior(Posterior, Protocol):
    """A posterior that still knows the parameters it was made from."""

    @property
    def parameters(self) -> FloatArray:
        """Drawn parameters, shape (n_draws, dim)."""


class SampledModel(Model, Protocol):
    """A model that knows what its prior says, and itself with one assumption moved."""

    def log_prior(self, x: FloatArray) -> FloatArray:
        """Give the log prior density of each row of parameters, up to a constant that shifts do not change."""

    def shifts(self) -> tuple[Shift, ...]:
        """Give the model with each main assumption moved."""


@dataclass(frozen=True, eq=False)
class Shift:
    """The same model with one assumption moved.

    Attributes
    ----------
    assumption : str
        What was moved and by how much, in words.
    model : SampledModel
        Draws from it answer whether a claim would stand.
    supposing : str
        The assumption that was moved and how far either way, in words that follow “with”; alike for shifts of the
        same assumption.
    """

    assumption: str
    model: SampledModel
    supposing: str


@dataclass(frozen=True)
class Effect:
    """The chance of passing under one assumption: its posterior mean, and its lower bound."""

    assumption: str
    expected: float
    low: float


@dataclass(frozen=True, eq=False)
class Sensitivity:
    """How the chance of passing at one setting moves with each main assumption.

    Attributes
    ----------
    setting : ndarray, shape (n_factors,)
        Natural.
    effects : tuple of Effect
        The first is "as assumed".
    """

    setting: FloatArray
    effects: tuple[Effect, ...]

    def to_dict(self, study: Study) -> dict[str, object]:
        """Give the sensitivity as ``fit --json`` prints it."""
        place = {
            factor.name: factor.kinds[int(value)] if factor.is_kind else float(value)
            for factor, value in zip(study.factors, self.setting, strict=True)
        }
        return {"at": place, "effects": [vars(effect) for effect in self.effects]}


def find_sensitivity(
    model: SampledModel, posterior: SampledPosterior, study: Study, settings: FloatArray
) -> Sensitivity:
    """Say how the chance of passing moves with each main assumption, where it matters most.

    That is at the tested setting whose chance of passing lies nearest the claim's reliability. The draws are
    weighed again (importance weights, shifted prior over prior), not made again: exact enough for a shift of one
    standard deviation, and nearly free.

    Parameters
    ----------
    model : SampledModel
    posterior : SampledPosterior
        Draws from ``model``.
    study : Study
    settings : ndarray, shape (n_welds, n_factors)
        Natural settings of the welds made.

    Returns
    -------
    Sensitivity
        The lower bounds are at the claim's confidence.
    """
    tested = np.unique(settings, axis=0)
    passing = 1.0 - posterior.failure(Points(tested))
    at = int(np.argmin(np.abs(passing.mean(axis=0) - study.claim.reliability)))
    prior, confidence = model.log_prior(posterior.parameters), study.claim.confidence
    effects = [_effect("as assumed", passing[:, at], np.zeros(len(passing)), confidence)]
    for shift in model.shifts():
        log_weights = shift.model.log_prior(posterior.parameters) - prior
        effects.append(_effect(shift.assumption, passing[:, at], log_weights, confidence))
    return Sensitivity(tested[at], tuple(effects))


def _effect(assumption: str, passing: FloatArray, log_weights: FloatArray, confidence: float) -> Effect:
    weights = np.exp(log_weights - log_weights.max())
    weights /= weights.sum()
    order = np.argsort(passing)
    at = int(np.searchsorted(np.cumsum(weights[order]), 1.0 - confidence))
    low = float(passing[order][min(at, len(passing) - 1)])
    return Effect(assumption, float(weights @ passing), low)


def class_sd(surface: Surface, constant: float) -> FloatArray:
    """Give each column's prior standard deviation by its class, shape (n_columns,)."""
    return np.array([constant if c == "constant" else BY_CLASS[c] for c in surface.classes])


def predict_in_blocks(
    predict: Callable[[FloatArray, slice], FloatArray], coefficients: FloatArray, X: FloatArray
) -> FloatArray:
    """Apply a function of the linear predictor to every draw and point, a few draws at a time.

    Parameters
    ----------
    predict : callable
        Takes the linear predictor of some draws, shape (n_block, n_points), and the slice of draws; gives an
        array of the same shape.
    coefficients : ndarray, shape (n_draws, n_columns)
    X : ndarray, shape (n_points, n_columns)

    Returns
    -------
    ndarray, shape (n_draws, n_points)
    """
    out = coefficients @ X.T
    for rows in row_blocks(*out.shape):
        out[rows] = predict(out[rows], rows)
    return np.asarray(out)


def row_blocks(n_rows: int, n_columns: int) -> Iterator[slice]:
    """Cut rows into slices of about ``BLOCK`` numbers each."""
    size = max(1, BLOCK // max(1, n_columns))
    for start in range(0, n_rows, size):
        yield slice(start, start + size)


def chance_band(chance: FloatArray, *, level: float) -> tuple[FloatArray, FloatArray]:
    """Give the two-sided band of a chance, shape (n_draws, n_points): each shape (n_points,)."""
    low, high = np.quantile(chance, [0.5 - level / 2.0, 0.5 + level / 2.0], axis=0)
    return np.asarray(low), np.asarray(high)
