"""Counts over an inspected length: a Bayesian negative binomial model (METHOD.md section 3).

    N_i ~ NegBin(mean L_i exp(B(x_i) beta), size k),   L_i = inspected length / criterion length,   phi = 1/k

B is the second-order surface. The cautious prior assumes little; the informed prior rests on two answers from
experience, and is given up where the counts speak against it. Variance = mean + phi mean^2. A count of nought
over a long bead says much, over a short one little: the exposure L_i carries that (METHOD.md section 6).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from doe.bench.results import Counts, Results
from doe.coding import FloatArray
from doe.models.fit import Points, ResponseFit
from doe.models.negative_binomial import (
    LOG_MEAN_CLIP,
    LOG_SHAPE_CLIP,
    CountData,
    chance_at_most,
    count_quantiles,
    log_likelihood,
)
from doe.models.sampled import (
    EFFECTS,
    FIT_DRAWS,
    NormalPrior,
    Shift,
    class_sd,
    find_sensitivity,
    predict_in_blocks,
    row_blocks,
)
from doe.models.sampling import NOT_SETTLED, Sample, sample_posterior
from doe.models.summary import summarise_terms
from doe.models.surface import BoolArray, Column, Surface, build_surface
from doe.study.model import Response, Study

CONSTANT_SD: Final = 2.0
"""Prior standard deviation of the log rate in the middle: a factor of fifty either way. [log]"""
LARGEST_RATIO: Final = 10.0
"""The informed prior allows for at most about this ratio between the best and the worst corner. [1]"""
STEEP: Final = 1.2
"""A first-order coefficient over this contradicts the second answer. [log]"""
ODDS_AGAINST: Final = 30.0
"""Counts so many times as likely without the answers as with them contradict them too: a bend that is plain to the eye
can hide behind a dispersion that swells. [1] Ours; very strong evidence on Jeffreys's scale (1961, Theory of
Probability, 3rd ed., app. B, from memory). Were the answers right, at most 1 of 30 studies would come to it."""


# --- priors


def cautious_prior(surface: Surface, centre: float) -> NormalPrior:
    """Give the prior that rests on no answer; the last parameter is log phi.

    Parameters
    ----------
    surface : Surface
        Second order.
    centre : float
        Prior mean of the log rate in the middle of the region.
    """
    sd = np.append(class_sd(surface, CONSTANT_SD), 1.0)
    mean = np.zeros_like(sd)
    mean[0] = centre
    return NormalPrior(mean, sd)


def informed_prior(surface: Surface, centre: float, good_zone: tuple[str, ...]) -> NormalPrior:
    """Give the prior that rests on the two answers from experience.

    Parameters
    ----------
    surface : Surface
        Second order.
    centre : float
        Prior mean of the log rate in the middle of the region.
    good_zone : tuple of str
        Factors towards both ends of which porosity is expected to be worse.
    """
    rows = [_informed(surface.study, column, good_zone) for column in surface.columns]
    rows[0] = (centre, CONSTANT_SD)
    mean, sd = np.array([*rows, (np.log(0.5), 0.8)]).T
    return NormalPrior(mean, sd)


def _informed(study: Study, column: Column, good_zone: tuple[str, ...]) -> tuple[float, float]:
    """Give mean and standard deviation of one coefficient (METHOD.md section 3)."""
    listed = [name in good_zone for name in column.factors]
    if column.is_square:
        return (0.4, 0.5) if listed[0] else (0.0, 0.25)
    if column.term_class == "second":
        return (0.0, 0.3) if all(listed) else (0.0, 0.2)
    if listed and listed[0]:
        return (0.0, 0.6)
    is_preheat = bool(column.term.powers) and study.factor(column.factors[0]).role == "preheat"
    return (-0.15, 0.4) if is_preheat else (0.0, 0.4)


# --- the model


@dataclass(frozen=True, eq=False)
class CountModel:
    """The fitted count model; parameters are the surface's coefficients and log phi.

    Attributes
    ----------
    surface : Surface
    data : CountData
    prior : NormalPrior
    limit : int or None
        The largest count that passes; None without a requirement.
    start : ndarray, shape (n_columns + 1,)
        Where the search for the mode begins.
    """

    surface: Surface
    data: CountData
    prior: NormalPrior
    limit: int | None
    start: FloatArray

    def log_prior(self, x: FloatArray) -> FloatArray:
        """Give the log prior density of each row of parameters."""
        return self.prior.log_density(x)

    def sample(self, n_draws: int, rng: np.random.Generator) -> Sample:
        """Draw parameters, shape (n_draws, n_columns + 1), with what the sampler says of itself."""
        likelihood = log_likelihood(self.data)
        return sample_posterior(
            lambda x: likelihood(x) + self.prior.log_density(x), self.start, n_draws=n_draws, rng=rng
        )

    def log_evidence(self, sample: Sample) -> float:
        """Give the log marginal likelihood of the counts, from a sample of this model."""
        return sample.log_mass + self.prior.log_constant

    def draw(self, n_draws: int, rng: np.random.Generator) -> CountPosterior:
        """Draw afresh from the posterior."""
        sample = self.sample(n_draws, rng)
        return CountPosterior(self.surface, sample.draws, self.limit, sample.settled)

    def shifts(self) -> tuple[Shift, ...]:
        """Give the model with each main assumption moved by one standard deviation, and its scales changed."""
        middle, scatter = self.prior.sd[0], self.prior.sd[-1]
        slopes = np.ones(len(self.prior.sd))
        slopes[1:-1] = 1.5
        many = f"{np.exp(middle):.1f} times more or fewer expected in the middle of the region"
        wide = "more or less scatter between counts expected, by one standard deviation"
        by_one = "by one standard deviation"
        moves = (
            (f"more pores expected in the middle of the region, {by_one}", many, self.prior.moved(0, middle)),
            (f"fewer pores expected in the middle of the region, {by_one}", many, self.prior.moved(0, -middle)),
            (f"more scatter between counts expected, {by_one}", wide, self.prior.moved(-1, scatter)),
            (f"less scatter between counts expected, {by_one}", wide, self.prior.moved(-1, -scatter)),
            ("effects of the settings allowed to be half as large again", EFFECTS, self.prior.scaled(slopes)),
            ("effects of the settings held to two thirds", EFFECTS, self.prior.scaled(1.0 / slopes)),
        )
        return tuple(Shift(words, replace(self, prior=prior), supposing) for words, supposing, prior in moves)


@dataclass(frozen=True, eq=False)
class CountPosterior:
    """Draws of a count model; ``parameters`` of shape (n_draws, n_columns + 1), the last log phi."""

    surface: Surface
    parameters: FloatArray
    limit: int | None
    settled: bool = True

    @property
    def n_draws(self) -> int:
        """Number of draws."""
        return len(self.parameters)

    @property
    def phi(self) -> FloatArray:
        """Dispersion, shape (n_draws,)."""
        return np.asarray(np.exp(np.clip(self.parameters[:, -1], -LOG_SHAPE_CLIP, LOG_SHAPE_CLIP)))

    def failure(self, points: Points) -> FloatArray:
        """Give the chance of more than the limit over the criterion length, shape (n_draws, n_points)."""
        if self.limit is None:
            message = "a count without a requirement cannot fail"
            raise ValueError(message)
        limit, phi = self.limit, self.phi[:, None]

        def fail(log_mean: FloatArray, rows: slice) -> FloatArray:
            np.clip(log_mean, -LOG_MEAN_CLIP, LOG_MEAN_CLIP, out=log_mean)
            chance = chance_at_most(log_mean, phi[rows], limit)
            np.subtract(1.0, chance, out=chance)
            return np.maximum(chance, 0.0, out=chance)

        return self._predict(fail, points)

    def mean(self, points: Points) -> FloatArray:
        """Give the mean count over the criterion length, shape (n_draws, n_points)."""

        def mean(log_mean: FloatArray, _: slice) -> FloatArray:
            return np.asarray(np.exp(np.clip(log_mean, -LOG_MEAN_CLIP, LOG_MEAN_CLIP)))

        return self._predict(mean, points)

    def weld_band(self, points: Points, *, level: float) -> tuple[FloatArray, FloatArray]:
        """Give the band of the next weld's count over the criterion length, each shape (n_points,)."""
        log_mean = np.log(self.mean(points))
        shares = (0.5 - level / 2.0, 0.5 + level / 2.0)
        band = np.empty((2, log_mean.shape[1]))
        for columns in row_blocks(log_mean.shape[1], log_mean.shape[0]):
            band[:, columns] = count_quantiles(log_mean[:, columns], self.phi[:, None], shares)
        return band[0], band[1]

    def _predict(self, predict: Callable[[FloatArray, slice], FloatArray], points: Points) -> FloatArray:
        X = self.surface.matrix(points.natural, later=points.later)
        return predict_in_blocks(predict, self.parameters[:, :-1], X)


# --- the fit


def fit_count(results: Results, response: Response, *, seed: int) -> ResponseFit:
    """Fit a count response.

    Parameters
    ----------
    results : Results
        With at least one weld counted.
    response : Response
        Of kind ``count``. Without a requirement the prior is centred on the average rate that was counted,
        as nothing else says which counts matter.
    seed : int

    Returns
    -------
    ResponseFit
        ``numbers`` holds ``dispersion`` (posterior mean of phi), ``prior``, ``inspected_mm`` and ``sensitivity``
        (see ``find_sensitivity``; only with a requirement).
    """
    readings = results.readings[response.name]
    if not isinstance(readings, Counts):
        message = f"{response.name} has no counts"
        raise TypeError(message)
    used = np.isfinite(readings.counts)
    exposure, length_mm = _exposure(readings, response, used)
    surface = build_surface(results, highest="second", used=used)
    data = CountData(surface.welds(results)[used], readings.counts[used], exposure)
    model, sample, conflict = _fit_model(surface, data, response, rng=np.random.default_rng(seed))
    informed = _is_informed(response) and not conflict
    prior = "informed" if informed else "cautious"
    confidence = results.study.claim.confidence
    posterior = CountPosterior(surface, sample.draws, model.limit)
    sensitivity: dict[str, object] = {}
    if model.limit is not None:
        found = find_sensitivity(model, posterior, results.study, results.settings[used])
        sensitivity["sensitivity"] = found.to_dict(results.study)
    return ResponseFit(
        response=response,
        method=f"Bayesian negative binomial, log link, second order, inspected length as exposure; {prior} prior",
        n=int(used.sum()),
        terms=summarise_terms(surface, sample.draws[:, :-1], level=confidence),
        numbers={
            "dispersion": float(posterior.phi.mean()),
            "prior": prior,
            "inspected_mm": length_mm,
            "effective_draws": sample.ess,
            **sensitivity,
        },
        findings=(
            *_zero_findings(response, data, length_mm, confidence=confidence),
            *_conflict_findings(response, conflict),
            *(() if sample.settled else (NOT_SETTLED,)),
        ),
        assumptions=_assumptions(response, informed=informed, blank=used & ~np.isfinite(readings.length_mm)),
        prior_findings=_conflict_findings(response, conflict),
        model=model,
        settled=sample.settled,
        can_claim=sample.settled,
    )


def _exposure(readings: Counts, response: Response, used: BoolArray) -> tuple[FloatArray, float]:
    """Give inspected over criterion length of each weld, and the length inspected in all, in mm.

    A blank length is the criterion length. Without a criterion length the typical inspected one stands for it;
    without any length every weld counts alike.
    """
    length = readings.length_mm[used]
    known = np.isfinite(length)
    per = response.per_mm or (float(np.median(length[known])) if known.any() else 0.0)
    if per == 0.0:
        return np.ones(len(length)), 0.0
    filled = np.where(known, length, per)
    return filled / per, float(filled.sum())


def _is_informed(response: Response) -> bool:
    """Whether both questions were answered so that the informed prior may be used."""
    ratio = response.expect_ratio_under
    return bool(response.expect_good_zone) and ratio is not None and ratio <= LARGEST_RATIO


def _fit_model(
    surface: Surface, data: CountData, response: Response, *, rng: np.random.Generator
) -> tuple[CountModel, Sample, str]:
    """Fit under the prior the answers call for; where the counts contradict it, under the cautious one.

    The third value says what contradicted it; empty where nothing did.
    """
    limit = None if response.at_most is None else int(np.floor(response.at_most))
    rate = data.counts.sum() / data.exposure.sum()
    centre = float(np.log(max(rate, 1.0 / 6.0) if limit is None else max(limit, 0.5) / 3.0))
    cautious = cautious_prior(surface, centre)
    informed = informed_prior(surface, centre, response.expect_good_zone)
    prior = informed if _is_informed(response) else cautious
    model = CountModel(surface, data, prior, limit, prior.mean)
    sample = model.sample(FIT_DRAWS, rng)
    conflict = _find_conflict(surface, sample.draws, response.expect_good_zone) if prior is informed else ""
    without = replace(model, prior=cautious)
    if prior is informed and not conflict:
        odds = without.log_evidence(without.sample(1, rng)) - model.log_evidence(sample)
        if odds > np.log(ODDS_AGAINST):
            conflict = f"more than {ODDS_AGAINST:g} times as likely without them"
    if conflict:
        model = without
        sample = model.sample(FIT_DRAWS, rng)
    return replace(model, start=sample.mode), sample, conflict


def _find_conflict(surface: Surface, draws: FloatArray, good_zone: tuple[str, ...]) -> str:
    """Say which answers the counts contradict (METHOD.md section 3); empty where they contradict none."""
    against = [
        f"fewer, not more, towards both ends of {column.factors[0]}"
        for j, column in enumerate(surface.columns)
        if column.is_square and column.factors[0] in good_zone and (draws[:, j] < 0.0).mean() > 0.8
    ]
    against += [
        f"changing by more than the answer allows with {column}"
        for j, column in enumerate(surface.columns)
        if column.term_class == "first" and (np.abs(draws[:, j]) > STEEP).mean() > 0.5
    ]
    return "; ".join(against)


# --- what is said


def _zero_findings(response: Response, data: CountData, length_mm: float, *, confidence: float) -> tuple[str, ...]:
    """Say what an all-zero table is worth: P(0 | rate) = exp(-rate total) bounds the average rate."""
    if data.counts.any():
        return ()
    bound = -np.log1p(-confidence) / data.exposure.sum()
    sure = f"{100 * confidence:.0f} % sure"
    if length_mm == 0.0:
        return (
            f"No {response.name} counted on {len(data.counts)} welds; that bounds the average at about "
            f"{bound:.2g} a weld ({sure}).",
        )
    what = "pores" if "por" in response.name.lower() else response.name
    per = response.per_text or f"{length_mm / data.exposure.sum():g} mm"
    return (
        f"No {what} in {length_mm:.0f} mm inspected; the claim about {response.name} rests on that length. "
        f"By itself it bounds the average at about {bound:.2g} in {per} ({sure}).",
    )


def _conflict_findings(response: Response, conflict: str) -> tuple[str, ...]:
    if not conflict:
        return ()
    return (
        f"The counts of {response.name} contradict the answers from experience ({conflict}). "
        "The answers were set aside, and the cautious prior was used.",
    )


def _assumptions(response: Response, *, informed: bool, blank: BoolArray) -> tuple[str, ...]:
    """List what was assumed about the counts and not measured."""
    name = response.name
    said = []
    if informed:
        zone = " and of ".join(response.expect_good_zone)
        said += [
            f"{name}: more towards both ends of {zone}, with a good zone between (answered from experience).",
            f"{name}: less than {response.expect_ratio_under:g} times between the best and the worst corner "
            "(answered from experience).",
        ]
    else:
        typical = "a third of what is allowed" if response.has_requirement else "the average that was counted"
        said.append(
            f"{name}: before the welds spoke, the count in the middle of the region was taken as {typical}, "
            "give or take a factor of fifty; which way a dial acts was not assumed."
        )
    said.append(f"{name}: welds are independent of one another at given settings, also on one plate.")
    if blank.any() and response.per_mm:
        said.append(
            f"{name}: {blank.sum()} welds without an inspected length were taken as inspected over "
            f"{response.per_text or f'{response.per_mm:g} mm'}."
        )
    return tuple(said)
