"""Influential welds: how far the answer and the coefficients move when one weld is left out.

A weld that moves them much, or that lies far from what the others say, is asked about; it is never dropped.

Seen by simulation (virtual welders with quadratic truths drawn at random, 18 welds, 260 studies; the figures at 24
welds, 60 studies, are alike). Without any fault a weld of penetration is asked about for moving the fitted mean in 8
of 100 studies, and for lying far off in 5; of porosity or trips in 1 or 2. One reading wrong by four scatters between
welds is asked about in 23 of 100 studies, by eight in 58: with so few welds the others say little about any one. On a
sharp ridge a weld is asked about in half the studies; then it is the shape that is wrong, not the weld.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.models.breaker import BreakerModel, exponent
from doe.models.count import CountModel
from doe.models.left_out import completed_readings, leave_each_out
from doe.models.measure import MeasureModel
from doe.models.measure_findings import SUSPECT_WEIGHT
from doe.models.naming import chance_words, listed, with_unit
from doe.models.negative_binomial import chance_at_most
from doe.models.outcomes import OutcomeModel, chances_of_good, good_outcomes
from doe.models.reweighting import Cloud, predicted_count
from doe.models.surface import BoolArray
from doe.study.model import Response

MUCH: Final = 1.5
"""A weld that moves the fitted mean by more standard errors than this is asked about."""
FAR: Final = 0.05
"""A reading is asked about where the others give one as far off, among all welds, with at most this probability."""
DOUBTFUL: Final = (
    ' A reading that is doubtful but not known to be wrong stays: `errors = "student t"` for {name} in study.toml lets '
    "it pull less. Chosen after the readings were seen, that has to be reported."
)
"""What to do about a reading that is asked about."""
SUMMARY_DRAWS: Final = 1000
"""Draws from which standard errors are taken."""


@dataclass(frozen=True, eq=False)
class Influence:
    """How far each weld moves the fit.

    Attributes
    ----------
    sentences : tuple of str
        The verdict, with its size, and questions about single welds.
    asked : tuple of str
        Welds that are asked about.
    has_mover : bool
        Whether one of them is asked about because it moves the fitted mean; the last sentence is about that.
    weld : tuple of str, length n
    shift : ndarray, shape (n,)
        Fitted mean at the setting of interest without the weld, less that with it, in standard errors.
    term : tuple of str, length n
        The coefficient each weld moves furthest.
    term_shift : ndarray, shape (n,)
        By how many standard errors of its own.
    surprise : ndarray, shape (n,)
        Probability that the others give any reading as far off as this weld's, or such an outcome; nan where it was not
        judged.
    """

    sentences: tuple[str, ...]
    asked: tuple[str, ...]
    has_mover: bool
    weld: tuple[str, ...]
    shift: FloatArray
    term: tuple[str, ...]
    term_shift: FloatArray
    surprise: FloatArray

    @property
    def is_doubtful(self) -> bool:
        """Whether a weld is asked about."""
        return bool(self.asked)

    def to_dict(self) -> dict[str, object]:
        """Give the welds in the order of how far they move the fitted mean."""
        rows = [
            {
                "weld": self.weld[i],
                "shift_se": float(self.shift[i]),
                "term": self.term[i],
                "term_shift_se": float(self.term_shift[i]),
                "surprise": None if np.isnan(self.surprise[i]) else float(self.surprise[i]),
            }
            for i in np.argsort(-np.abs(self.shift), kind="stable").tolist()
        ]
        return {"asked": list(self.asked), "welds": rows}


def influence_on_measure(
    model: MeasureModel, names: Sequence[str], at: FloatArray, *, place: str, rng: np.random.Generator
) -> Influence:
    """Leave each weld out of a measure's fit.

    Parameters
    ----------
    model : MeasureModel
    names : sequence of str, length n
        The welds with a reading.
    at : ndarray, shape (n_factors,)
        The setting of interest, natural; for the first weld of a plate.
    place : str
        That setting in words.
    rng : numpy.random.Generator
    """
    y, surface = completed_readings(model), model.surface
    x, (terms, T) = surface.matrix(at[None, :])[0], surface.to_monomials()
    draws = model.draw(SUMMARY_DRAWS, rng).coefficients
    left = leave_each_out(model.nodes, y, len(surface.columns))
    moved = left.without - left.coefficients
    shift = moved @ x / (draws @ x).std()
    below = left.reading.chance_below(y)
    surprise = _among_all(2.0 * np.minimum(below, 1.0 - below))
    surprise[model.usable.censored] = np.nan
    mean, response = float(left.coefficients @ x), model.response
    values = [f"{with_unit(mean + m, response)} instead of {with_unit(mean, response)}" for m in moved @ x]
    far = [
        f"{names[i]} reads {with_unit(y[i], response)} where the other welds say about "
        f"{with_unit(left.reading.mean[i], response)}: was it misread, or welded in another way? It was kept."
        for i in np.flatnonzero((surprise < FAR) & ~_asked_by_fit(model)).tolist()
    ]
    found = _name_terms(names, terms, moved @ T.T / (draws @ T.T).std(axis=0))
    sentence, movers = _judge_shifts(names, shift, f"fitted {response.name} at {place}", values)
    asked = _in_order(names, surprise, movers)
    sentences = [*far, sentence]
    if asked and not model.robust:
        sentences[max(len(far) - 1, 0)] += DOUBTFUL.format(name=response.name)
    return Influence(tuple(sentences), asked, bool(movers), tuple(names), shift, *found, surprise)


def _asked_by_fit(model: MeasureModel) -> BoolArray:
    """Whether the fit itself asks about a reading, as one it hardly trusts, shape (n,)."""
    return np.asarray(1.0 / model.nodes.error < SUSPECT_WEIGHT)


def influence_on_drawn(
    response: Response, cloud: Cloud, names: Sequence[str], *, mean: FloatArray, place: str
) -> Influence:
    """Leave each weld out of a count's, a trip's or a pass's fit.

    Parameters
    ----------
    response : Response
    cloud : Cloud
    names : sequence of str, length n
        The welds that entered.
    mean : ndarray, shape (n_proposals,)
        What each proposal of the cloud gives at the setting of interest: the mean count, the chance of holding or of
        passing.
    place : str
        The setting of interest in words.
    """
    values, whole = _on_line(response, mean), cloud.weights(np.array([], dtype=int))
    weights = np.stack([cloud.weights(np.array([i])) for i in range(cloud.n_welds)])
    shift = (weights - whole) @ values / _weighted_sd(whole, values)
    terms, coefficients = _coefficients(cloud)
    spread = np.array([_weighted_sd(whole, column) for column in coefficients.T])
    found = _name_terms(names, terms, (weights - whole) @ coefficients / spread)
    put = _put_rate if response.kind == "count" else chance_words
    before = put(float(whole @ values))
    words = [f"{put(value)} instead of {before}" for value in (weights @ values).tolist()]
    what = {"count": "expected count", "trip": "chance to hold", "pass": "chance to pass"}[response.kind]
    sentence, movers = _judge_shifts(names, shift, f"{what} ({response.name}) at {place}", words)
    far, surprise = _surprises(response, cloud, names, weights)
    asked = _in_order(names, surprise, movers)
    return Influence((*far, sentence), asked, bool(movers), tuple(names), shift, *found, surprise)


def _surprises(
    response: Response, cloud: Cloud, names: Sequence[str], weights: FloatArray
) -> tuple[list[str], FloatArray]:
    """Ask about counts and outcomes that the other welds do not foretell; weights of shape (n, n_proposals)."""
    model = cloud.model
    if isinstance(model, CountModel):
        words, surprise = _surprising_counts(response, model, cloud.x, weights)
    else:
        words, surprise = _surprising_outcomes(response, model, cloud.x, weights)
    asked = np.flatnonzero(surprise < FAR).tolist()
    return [
        f"{names[i]} {words[i]}: was it noted wrongly, or welded in another way? It was kept." for i in asked
    ], surprise


def _surprising_counts(
    response: Response, model: CountModel, x: FloatArray, weights: FloatArray
) -> tuple[list[str], FloatArray]:
    """Say how far each count lies from what the others say, and how likely any lies as far."""
    counts = model.data.counts.tolist()
    at_most, below, expected = np.array([_count_chances(model, x, i) @ weights[i] for i in range(len(counts))]).T
    surprise = _among_all(np.minimum(2.0 * np.minimum(at_most, 1.0 - below), 1.0))
    words = [
        f"has {count:.0f} ({response.name}) where the other welds say about {mean:.2g}"
        for count, mean in zip(counts, expected.tolist(), strict=True)
    ]
    return words, surprise


def _surprising_outcomes(
    response: Response, model: OutcomeModel, x: FloatArray, weights: FloatArray
) -> tuple[list[str], FloatArray]:
    """Say how each weld came out and what chance the others gave it, and how likely any came out so unlikely."""
    good, chance = good_outcomes(model), np.einsum("di,id->i", chances_of_good(model, x), weights)
    likely = np.where(good == 1.0, chance, 1.0 - chance)
    surprise = np.where(np.isfinite(good), _among_all(np.clip(likely, 0.0, 1.0)), np.nan)
    held, fell = ("held", "did not hold") if response.kind == "trip" else ("passed", "failed")
    words = [
        f"{held if is_good == 1.0 else fell} ({response.name}) where the other welds give that a chance of "
        f"{chance_words(p)}"
        for is_good, p in zip(good.tolist(), likely.tolist(), strict=True)
    ]
    return words, surprise


def _count_chances(model: CountModel, x: FloatArray, i: int) -> FloatArray:
    """Give P(at most what weld i has), P(less) and the expected count of each proposal, shape (3, n_proposals)."""
    log_mean, phi = predicted_count(model, x, i)
    count = int(model.data.counts[i])
    at_most = chance_at_most(log_mean.copy(), phi, count)
    below = chance_at_most(log_mean.copy(), phi, count - 1) if count else np.zeros_like(at_most)
    return np.hstack([at_most, below, np.exp(log_mean)]).T


def _on_line(response: Response, mean: FloatArray) -> FloatArray:
    """Give means on the scale on which they are added up: the log of a count; a chance stays as it is."""
    return np.asarray(np.log(np.maximum(mean, 1e-12)) if response.kind == "count" else mean)


def _put_rate(log_rate: float) -> str:
    return f"{np.exp(log_rate):.2g}"


def _weighted_sd(weights: FloatArray, values: FloatArray) -> float:
    return float(np.sqrt(weights @ (values - weights @ values) ** 2))


def _coefficients(cloud: Cloud) -> tuple[tuple[str, ...], FloatArray]:
    """Give the terms that are reported and their coefficients, shape (n_proposals, n_terms)."""
    model = cloud.model
    if isinstance(model, BreakerModel):
        return ("constant", "load"), np.column_stack([cloud.x[:, 0], -exponent(cloud.x)])
    terms, T = model.surface.to_monomials()
    return terms, np.asarray(cloud.x[:, : len(terms)] @ T.T)


def _among_all(chance: FloatArray) -> FloatArray:
    """Give the probability that any of so many welds lies as far off (Sidak 1967, JASA 62, 626-633, from memory)."""
    return np.asarray(-np.expm1(len(chance) * np.log1p(-np.minimum(chance, 1.0 - 1e-15))))


def _name_terms(names: Sequence[str], terms: Sequence[str], moved: FloatArray) -> tuple[tuple[str, ...], FloatArray]:
    """Name the coefficient each weld moves furthest, and say by how many standard errors; shape (n, n_terms)."""
    furthest = np.argmax(np.abs(moved), axis=1)
    return tuple(terms[j] for j in furthest), moved[np.arange(len(names)), furthest]


def _judge_shifts(
    names: Sequence[str], shift: FloatArray, what: str, values: Sequence[str]
) -> tuple[str, tuple[str, ...]]:
    """Say which weld moves the fitted mean most, and which are asked about."""
    order = np.argsort(-np.abs(shift), kind="stable").tolist()
    movers = tuple(names[i] for i in order if abs(shift[i]) > MUCH)
    most, by = order[0], f"({abs(shift[order[0]]):.1f} standard errors)"
    if not movers:
        return f"No weld moves the {what} much: without {names[most]} it would be {values[most]} {by}.", ()
    others = f" So does leaving out {listed(movers[1:])}." if movers[1:] else ""
    return (
        f"Without {names[most]} the {what} would be {values[most]} {by}: check its setting and its reading; it was "
        f"kept.{others}",
        movers,
    )


def _in_order(names: Sequence[str], surprise: FloatArray, movers: tuple[str, ...]) -> tuple[str, ...]:
    """Give the welds that are asked about for either reason, in the order of the table."""
    return tuple(name for name, chance in zip(names, surprise.tolist(), strict=True) if chance < FAR or name in movers)
