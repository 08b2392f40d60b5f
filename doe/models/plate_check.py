"""Leave-one-plate-out prediction: whether a model fitted to the other plates foretells what this one gave.

A doubt is raised where so many welds outside their band, or so many failures, would come about with probability under
``DOUBT`` if the model were right. Seen by simulation (virtual welders with quadratic truths drawn at random, 18 and 24
welds on plates of two, penetration, porosity and trips; ``tests/doe/models/test_diagnostics.py``): in 320 studies not
one false alarm; 92 of 100 readings lay inside their band, and they missed by a fifth less than expected. The bands are
that wide because they allow for a scatter that few welds tell badly. So the doubt is one-sided: raised, it means much;
not raised, it does not say that the shape is right (of 160 studies of a sharp ridge it found none; ``smooth`` asks
that). The sizes are given for the reader to judge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from scipy import special

from doe.coding import FloatArray
from doe.models.count import CountModel
from doe.models.left_out import Groups, completed_readings, predict_each_left_out
from doe.models.measure import MeasureModel
from doe.models.naming import listed, with_unit
from doe.models.negative_binomial import chance_at_most, count_quantiles
from doe.models.outcomes import chances_of_good, good_outcomes, only_outcomes
from doe.models.reweighting import Cloud, predicted_count
from doe.models.smooth import leave_groups_out
from doe.models.student_mixture import StudentMixture, join_mixtures
from doe.models.surface import BoolArray
from doe.study.model import Response

LEVEL: Final = 0.90
"""Level of the prediction bands."""
DOUBT: Final = 0.05
"""Probability, were the model right, below which what was seen is doubted."""
DRAWS: Final = 1000
"""Draws a prediction of a count is made from."""


@dataclass(frozen=True, eq=False)
class LeftOut:
    """Welds predicted from the other plates, and how they came out.

    Attributes
    ----------
    sentence : str
        The verdict, with its size.
    is_doubtful : bool
    by : {"plate", "weld"}
        What was left out together.
    n : int
        Welds judged.
    seen, expected : float
        Welds inside their prediction band; for trips and passes, welds that did not hold or pass.
    chance : float
        Probability of coming out as badly, were the model right.
    miss, expected_miss : float or None
        Root mean square of reading less prediction, in the response's unit, and what the model expects it to be; None
        where there are no readings on a scale.
    furthest : tuple of str
        The welds outside their band, furthest first.
    """

    sentence: str
    is_doubtful: bool
    by: str
    n: int
    seen: float
    expected: float
    chance: float
    miss: float | None = None
    expected_miss: float | None = None
    furthest: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, object]:
        """Give the check as ``fit --json`` prints it."""
        return {**vars(self), "furthest": list(self.furthest)}


@dataclass(frozen=True, eq=False)
class _Bands:
    """Where left-out welds were expected and where they came out, each of shape (n,).

    ``cover`` is the probability that a band holds its weld (over the level for counts, which come in steps), ``off``
    how far out the weld lies: 0 in the middle of what was expected, 1 at its very end.
    """

    inside: BoolArray
    cover: FloatArray
    off: FloatArray


def check_measure(
    model: MeasureModel, names: Sequence[str], groups: Groups, *, predicted: StudentMixture | None = None
) -> LeftOut:
    """Predict each plate's readings from the others'.

    Parameters
    ----------
    model : MeasureModel
    names : sequence of str, length n
        The welds with a reading.
    groups : Groups
        Of the same welds.
    predicted : StudentMixture, optional
        What ``predict_groups`` gives, where it is at hand.
    """
    y, scored = completed_readings(model), ~model.usable.censored
    predicted = predict_groups(model, y, groups) if predicted is None else predicted
    below = predicted.chance_below(y)
    off = np.abs(2.0 * below - 1.0)
    bands = _Bands((off <= LEVEL)[scored], np.full(int(scored.sum()), LEVEL), off[scored])
    miss = float(np.sqrt(np.mean((y - predicted.mean)[scored] ** 2)))
    expected_miss = float(np.sqrt(np.mean(predicted.sd[scored] ** 2)))
    found = _judge_bands(
        model.response, bands, [n for n, s in zip(names, scored, strict=True) if s], groups, "readings"
    )
    size = (
        f" They miss by {with_unit(miss, model.response)} (root mean square) where "
        f"{with_unit(expected_miss, model.response)} is expected."
    )
    stated = model.response.expect_scatter
    size += "" if stated is None else f" The stated scatter between welds is {with_unit(stated, model.response)}."
    if not scored.all():
        size += f" {(~scored).sum()} that only say “at least” were not judged."
    return replace(found, sentence=found.sentence + size, miss=miss, expected_miss=expected_miss)


def predict_groups(model: MeasureModel, y: FloatArray, groups: Groups) -> StudentMixture:
    """Predict every weld from the other groups', in the order of the welds."""
    left_out = [rows for _, rows in leave_groups_out(groups.index)]
    joined = join_mixtures(list(predict_each_left_out(model.nodes, y, left_out)))
    order = np.argsort(np.concatenate(left_out))
    return StudentMixture(joined.weight[:, order], joined.location[:, order], joined.scale[:, order], joined.df[order])


def check_count(
    response: Response, cloud: Cloud, names: Sequence[str], *, groups: Groups, rng: np.random.Generator
) -> LeftOut:
    """Predict each plate's counts from the others', over the lengths that were inspected.

    Parameters
    ----------
    response : Response
    cloud : Cloud
        Of a ``CountModel``.
    names : sequence of str, length n
        The welds that were counted.
    groups : Groups
    rng : numpy.random.Generator
    """
    model = cloud.model
    if not isinstance(model, CountModel):
        message = f"{response.name} is not a count"
        raise TypeError(message)
    n = len(model.data.counts)
    inside, cover, off, expected = np.zeros(n, dtype=bool), np.empty(n), np.empty(n), np.empty(n)
    for _, rows in leave_groups_out(groups.index):
        x = cloud.draws(rows, DRAWS, rng)
        for i in rows:
            log_mean, phi = predicted_count(model, x, i)
            expected[i] = np.exp(np.median(log_mean))
            inside[i], cover[i], off[i] = _place_count(log_mean, phi, int(model.data.counts[i]))
    found = _judge_bands(response, _Bands(inside, cover, off), names, groups, "counts")
    size = f" {model.data.counts.sum():.0f} were counted in all where about {expected.sum():.0f} were foretold."
    return replace(found, sentence=found.sentence + size)


def _place_count(log_mean: FloatArray, phi: FloatArray, count: int) -> tuple[bool, float, float]:
    """Say whether a count lies inside its band, how likely that was, and how far off it lies (0 to 1)."""

    def at_most(limit: int) -> float:
        return float(chance_at_most(log_mean.copy(), phi, limit).mean()) if limit >= 0 else 0.0

    tail = (1.0 - LEVEL) / 2.0
    low, high = (int(end) for end in count_quantiles(log_mean, phi, (tail, 1.0 - tail))[:, 0])
    middle = 0.5 * (at_most(count) + at_most(count - 1))
    return low <= count <= high, at_most(high) - at_most(low - 1), abs(2.0 * middle - 1.0)


def _judge_bands(response: Response, bands: _Bands, names: Sequence[str], groups: Groups, what: str) -> LeftOut:
    """Judge how many welds lie outside their bands."""
    n, n_inside = len(bands.inside), int(bands.inside.sum())
    expected = float(bands.cover.sum())
    chance = float(special.bdtrc(n - n_inside - 1, n, 1.0 - expected / n))
    outside = [i for i in np.argsort(-bands.off, kind="stable") if not bands.inside[i]]
    furthest = tuple(names[i] for i in outside)
    doubtful = chance < DOUBT
    sentence = (
        f"Predicted from the other {groups.by}s, {'only ' * doubtful}{n_inside} of {n} {what} of {response.name} lie "
        f"inside their {100 * LEVEL:.0f} % prediction band ({expected:.1f} expected)"
    )
    sentence += (
        f": the band of the next weld may be too narrow. Furthest off: {listed(furthest)}; were they welded or read in "
        "another way?"
        if doubtful
        else "."
    )
    return LeftOut(sentence, doubtful, groups.by, n, n_inside, expected, chance, furthest=furthest)


# --- trips and passes


def check_outcomes(
    response: Response, cloud: Cloud, names: Sequence[str], *, groups: Groups, rng: np.random.Generator
) -> LeftOut | None:
    """Predict from the other plates how many welds hold for the required time, or pass.

    Parameters
    ----------
    response : Response
    cloud : Cloud
        Of a trip or a pass model.
    names : sequence of str, length n
        The welds that entered.
    groups : Groups
    rng : numpy.random.Generator

    Returns
    -------
    LeftOut or None
        None where not one weld is known to have held, or not.
    """
    model = cloud.model
    if isinstance(model, CountModel):
        message = f"{response.name} is a count"
        raise TypeError(message)
    good = good_outcomes(model)
    chance = np.empty(len(good))
    for _, rows in leave_groups_out(groups.index):
        x = cloud.draws(rows, DRAWS, rng)
        chance[rows] = chances_of_good(only_outcomes(model, rows), x).mean(axis=0)
    known = np.isfinite(good)
    if not known.any():
        return None
    failing = np.clip(1.0 - chance[known], 0.0, 1.0)
    seen = int((good[known] == 0.0).sum())
    likely = np.where(good == 1.0, chance, 1.0 - chance)
    surprising = [i for i in np.argsort(likely, kind="stable") if known[i] and likely[i] < DOUBT]
    furthest = tuple(names[i] for i in surprising)
    return _judge_failures(response, failing, seen, furthest=furthest, groups=groups)


def _judge_failures(
    response: Response, failing: FloatArray, seen: int, *, furthest: tuple[str, ...], groups: Groups
) -> LeftOut:
    """Judge the number of failures against the chances of them."""
    pmf = np.ones(1)
    for chance in failing:  # Poisson binomial distribution, one weld after the other
        pmf = np.convolve(pmf, [1.0 - chance, chance])
    tail = min(1.0, 2.0 * min(float(pmf[: seen + 1].sum()), float(pmf[seen:].sum())))
    n, expected, doubtful = len(failing), float(failing.sum()), tail < DOUBT
    verb = "hold" if response.kind == "trip" else "pass"
    sentence = (
        f"{response.name}: predicted from the other {groups.by}s, {expected:.1f} of {n} welds would not {verb}; "
        f"{seen} did not."
    )
    if doubtful:
        sentence += " The model does not foretell how often that happens."
    if furthest:
        sentence += f" Least expected as {'it' if len(furthest) == 1 else 'they'} came out: {listed(furthest)}."
    return LeftOut(sentence, doubtful, groups.by, n, seen, expected, tail, furthest=furthest)
