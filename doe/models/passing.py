"""Pass or fail: Bayesian logistic regression (METHOD.md section 4b).

    logit P(pass) = B(x) beta

First order below 20 welds, second order from 20 on. The prior expects four welds in five to pass in the middle of
the region. A yes or a no says little: a measured depth says far more per weld.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import special

from doe.bench.results import Passes, Results
from doe.coding import FloatArray
from doe.models.fit import Points, ResponseFit
from doe.models.sampled import (
    EFFECTS,
    FIT_DRAWS,
    NormalPrior,
    Shift,
    chance_band,
    class_sd,
    find_sensitivity,
    predict_in_blocks,
)
from doe.models.sampling import NOT_SETTLED, Sample, sample_posterior
from doe.models.separation import find_separation
from doe.models.summary import summarise_terms
from doe.models.surface import Surface, TermClass, build_surface
from doe.study.model import Response

CONSTANT_PRIOR: Final = (float(special.logit(0.8)), 1.5)
"""Prior mean and standard deviation of the logit in the middle of the region. [logit]"""
SECOND_ORDER_FROM: Final = 20
"""Welds from which the surface may bend."""
EXPECTED_BEFORE: Final = (
    "before the welds spoke, four welds in five were expected to pass in the middle of the region, with much room "
    "either way."
)
LESS_TOLD: Final = "A measured depth says far more per weld than pass or fail: measure where it can be measured."


@dataclass(frozen=True, eq=False)
class PassModel:
    """The fitted logistic model; parameters are the surface's coefficients.

    Attributes
    ----------
    surface : Surface
    X : ndarray, shape (n, n_columns)
    passed : ndarray, shape (n,)
        1 or 0.
    prior : NormalPrior
    start : ndarray, shape (n_columns,)
        Where the search for the mode begins.
    """

    surface: Surface
    X: FloatArray
    passed: FloatArray
    prior: NormalPrior
    start: FloatArray

    def log_prior(self, x: FloatArray) -> FloatArray:
        """Give the log prior density of each row of parameters."""
        return self.prior.log_density(x)

    def log_density(self, x: FloatArray) -> FloatArray:
        """Give the log posterior density of each row of parameters: a pass adds log p, a fail log(1 - p)."""
        signed = np.where(self.passed == 1.0, 1.0, -1.0) * (x @ self.X.T)
        return np.asarray(special.log_expit(signed).sum(axis=1) + self.prior.log_density(x))

    def sample(self, n_draws: int, rng: np.random.Generator) -> Sample:
        """Draw parameters, with what the sampler says of itself."""
        return sample_posterior(self.log_density, self.start, n_draws=n_draws, rng=rng)

    def draw(self, n_draws: int, rng: np.random.Generator) -> PassPosterior:
        """Draw afresh from the posterior."""
        sample = self.sample(n_draws, rng)
        return PassPosterior(self.surface, sample.draws, sample.settled)

    def shifts(self) -> tuple[Shift, ...]:
        """Give the model with the prior of the middle moved by one standard deviation, and its slopes rescaled."""
        slopes = np.full(len(self.prior.sd), 1.5)
        slopes[0] = 1.0
        middle, by_one = self.prior.sd[0], "by one standard deviation"
        odds = f"odds of passing expected {np.exp(middle):.1f} times higher or lower in the middle of the region"
        moves = (
            (f"more passes expected in the middle of the region, {by_one}", odds, self.prior.moved(0, middle)),
            (f"fewer passes expected in the middle of the region, {by_one}", odds, self.prior.moved(0, -middle)),
            ("effects of the settings allowed to be half as large again", EFFECTS, self.prior.scaled(slopes)),
            ("effects of the settings held to two thirds", EFFECTS, self.prior.scaled(1.0 / slopes)),
        )
        return tuple(Shift(words, replace(self, prior=prior), supposing) for words, supposing, prior in moves)


@dataclass(frozen=True, eq=False)
class PassPosterior:
    """Draws of the logistic model; ``parameters`` of shape (n_draws, n_columns)."""

    surface: Surface
    parameters: FloatArray
    settled: bool = True

    @property
    def n_draws(self) -> int:
        """Number of draws."""
        return len(self.parameters)

    def mean(self, points: Points) -> FloatArray:
        """Give the chance of passing, shape (n_draws, n_points)."""
        return self._chance(points, sign=1.0)

    def failure(self, points: Points) -> FloatArray:
        """Give the chance of failing, shape (n_draws, n_points)."""
        return self._chance(points, sign=-1.0)

    def weld_band(self, points: Points, *, level: float) -> tuple[FloatArray, FloatArray]:
        """Give the band of the chance of passing, each shape (n_points,)."""
        return chance_band(self.mean(points), level=level)

    def _chance(self, points: Points, *, sign: float) -> FloatArray:
        X = self.surface.matrix(points.natural, later=points.later)
        return predict_in_blocks(lambda logit, _: np.asarray(special.expit(logit)), sign * self.parameters, X)


def fit_passing(results: Results, response: Response, *, seed: int) -> ResponseFit:
    """Fit a pass-or-fail response.

    Parameters
    ----------
    results : Results
        With at least one weld judged.
    response : Response
        Of kind ``pass``.
    seed : int

    Returns
    -------
    ResponseFit
        ``numbers`` holds ``separated``, ``passed`` (how many) and ``sensitivity`` (``find_sensitivity``).
    """
    readings = results.readings[response.name]
    if not isinstance(readings, Passes):
        message = f"{response.name} has no passes"
        raise TypeError(message)
    used = np.isfinite(readings.passed)
    n = int(used.sum())
    order: TermClass = "second" if n >= SECOND_ORDER_FROM else "first"
    surface = build_surface(results, highest=order, used=used)
    X, passed = surface.welds(results)[used], readings.passed[used]
    prior = NormalPrior(np.zeros(X.shape[1]), class_sd(surface, CONSTANT_PRIOR[1])).moved(0, CONSTANT_PRIOR[0])
    model = PassModel(surface, X, passed, prior, prior.mean)
    sample = model.sample(FIT_DRAWS, np.random.default_rng(seed))
    model = replace(model, start=sample.mode)
    separated = find_separation(surface.order("first").welds(results)[used], passed == 1.0) != "none"
    confidence = results.study.claim.confidence
    posterior = PassPosterior(surface, sample.draws)
    sensitivity = find_sensitivity(model, posterior, results.study, results.settings[used])
    return ResponseFit(
        response=response,
        method=f"Bayesian logistic, {order} order",
        n=n,
        terms=summarise_terms(surface, sample.draws, level=confidence),
        numbers={
            "passed": int(passed.sum()),
            "separated": separated,
            "effective_draws": sample.ess,
            "sensitivity": sensitivity.to_dict(results.study),
        },
        findings=(
            *_outcome_findings(response, passed, separated=separated, confidence=confidence),
            LESS_TOLD,
            *(() if sample.settled else (NOT_SETTLED,)),
        ),
        assumptions=(f"{response.name}: {EXPECTED_BEFORE}",),
        model=model,
        settled=sample.settled,
        can_claim=sample.settled,
    )


def _outcome_findings(response: Response, passed: FloatArray, *, separated: bool, confidence: float) -> tuple[str, ...]:
    """Say so where every weld passed, none did, or the two lie apart."""
    n = len(passed)
    if passed.all():
        shown = (1.0 - confidence) ** (1.0 / n)
        return (
            f"All {n} welds passed “{response.name}”. By themselves they cannot show more than about {shown:.3f} "
            "reliability; the rest is the assumed prior.",
        )
    if not passed.any():
        return (f"None of the {n} welds passed “{response.name}”.",)
    if separated:
        return (
            f"“{response.name}”: a plane through the settings divides the passes from the fails; where the limit lies "
            "between tested settings is not known more closely.",
        )
    return ()
