"""The assurance of a setting: the probability that one weld meets every requirement at once, draw by draw.

For draw d the assurance is ``p_d(x) = max(0, 1 - sum of the failure probabilities)`` (METHOD section 1, "joint"). The
sum of the failures bounds the chance that anything fails however the responses hang together (Boole's inequality), so
no independence is assumed and draws of the responses may be paired at random.

Where the actual settings of the welds were recorded, their scatter no longer holds the wander of the dial; p_d is then
averaged over ``set_within`` by three-point quadrature (METHOD 7.8). Where they are blank, the scatter of the readings
already holds it and none is added.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from doe.bench.results import Results
from doe.coding import FloatArray
from doe.models.fit import Points, Posterior
from doe.window.box import BoolArray, enough

Position = Literal["any", 1, 2]
"""For which welds of a plate an answer holds: all, the first, the later ones."""

BLOCK_CELLS: Final = 262_144
"""Draws times settings worked on at once: 2 MB of doubles, so that a block stays in the cache. Our choice."""
TENSOR_FACTORS: Final = 3
"""Up to this many wandering factors the quadrature is the full product of three-point rules (27 nodes)."""


@dataclass(frozen=True, eq=False)
class Wander:
    """Quadrature nodes of the dial's wander around a setting.

    Attributes
    ----------
    offsets : ndarray, shape (n_nodes, n_factors)
        Natural units; zero for kinds and for factors that do not wander.
    weights : ndarray, shape (n_nodes,)
        Positive, adding up to 1.
    """

    offsets: FloatArray
    weights: FloatArray


@dataclass(frozen=True)
class Scenario:
    """The welds an answer is for: ``laters`` holds whether a weld is a later one on its plate, case by case."""

    position: Position
    laters: tuple[bool, ...]


EVERY_WELD: Final = Scenario("any", (False,))
"""Where every weld starts at the plate's set preheat, one answer serves all."""
WARM_SCENARIOS: Final = (Scenario("any", (False, True)), Scenario(1, (False,)), Scenario(2, (True,)))
"""Where later welds start warm: both (the worse of the two at every setting), first welds, later welds."""


@dataclass(frozen=True, eq=False)
class Draws:
    """One set of draws from every response that has a requirement.

    Attributes
    ----------
    names : tuple of str
    posteriors : tuple of Posterior
        All with the same number of draws; paired at random.
    wander : Wander
    """

    names: tuple[str, ...]
    posteriors: tuple[Posterior, ...]
    wander: Wander

    @property
    def n_draws(self) -> int:
        """Number of draws."""
        return self.posteriors[0].n_draws

    @property
    def unsettled(self) -> tuple[str, ...]:
        """Name the responses whose sampler did not settle on these draws."""
        return tuple(name for name, drawn in zip(self.names, self.posteriors, strict=True) if not drawn.settled)

    @property
    def n_bytes(self) -> int:
        """Memory that the draws take."""
        held = itertools.chain(*(vars(posterior).values() for posterior in self.posteriors))
        return sum(value.nbytes for value in held if isinstance(value, np.ndarray))


@dataclass(frozen=True, eq=False)
class Assurance:
    """The assurance at some settings, over the draws.

    Attributes
    ----------
    expected : ndarray, shape (n_points,)
        Posterior mean.
    low : ndarray, shape (n_points,)
        The bound held with the claim's confidence.
    passes : ndarray, shape (n_responses, n_points)
        Posterior mean of each response's chance of meeting its requirement.
    holds : tuple of ndarray of bool, each shape (n_points, n_draws)
        For each asked reliability: whether the draw's assurance reaches it.
    """

    expected: FloatArray
    low: FloatArray
    passes: FloatArray
    holds: tuple[BoolArray, ...]


def find_wander(results: Results) -> Wander:
    """Find which factors wander: those with ``set_within`` whose actual settings were recorded.

    An actual setting that is blank, or recorded as planned for every weld, leaves the settings as planned: then the
    readings' scatter holds the wander.
    """
    recorded = np.abs(results.settings - results.planned) > 1e-9 * np.maximum(1.0, np.abs(results.planned))
    sds = [
        factor.set_within if not factor.is_kind and bool(recorded[:, j].any()) else 0.0
        for j, factor in enumerate(results.study.factors)
    ]
    return quadrature(sds)


def quadrature(sds: Sequence[float]) -> Wander:
    """Make the nodes for independent normal wander.

    Up to three wandering factors: the product of Gauss-Hermite rules with nodes 0 and ±sqrt(3) sd, weights 4/6 and 1/6
    (exact for polynomials up to the fifth degree in each factor). Beyond: the fully symmetric rule of the third degree
    with 2 m nodes at ±sqrt(m) sd, which keeps its weights positive (Stroud 1971, U_n 3-1; from memory).

    Parameters
    ----------
    sds : sequence of float, length n_factors
        Standard deviation of the wander a factor, natural units; 0 for none.
    """
    spread = np.array(sds, dtype=float)
    moving = np.flatnonzero(spread > 0)
    if len(moving) <= TENSOR_FACTORS:
        nodes = list(itertools.product((-math.sqrt(3.0), 0.0, math.sqrt(3.0)), repeat=len(moving)))
        weights = [math.prod(4 / 6 if z == 0.0 else 1 / 6 for z in node) for node in nodes]
    else:
        reach = math.sqrt(len(moving))
        nodes = [tuple(s * reach * (i == j) for j in range(len(moving))) for i in range(len(moving)) for s in (-1, 1)]
        weights = [1 / len(nodes)] * len(nodes)
    offsets = np.zeros((len(nodes), len(spread)))
    offsets[:, moving] = np.array(nodes).reshape(len(nodes), -1) * spread[moving]
    return Wander(offsets, np.array(weights))


def assess(
    draws: Draws, settings: FloatArray, scenario: Scenario, *, confidence: float, reliabilities: Sequence[float] = ()
) -> Assurance:
    """Summarise the assurance at settings.

    Parameters
    ----------
    draws : Draws
    settings : ndarray, shape (n_points, n_factors)
        Natural settings; kinds by index.
    scenario : Scenario
        Where both first and later welds are meant, the worse of the two counts, setting by setting and draw by draw.
    confidence : float
        Of ``low``.
    reliabilities : sequence of float
        For which ``holds`` is wanted.
    """
    n, rank = len(settings), draws.n_draws - enough(confidence, draws.n_draws)
    expected, low = np.empty(n), np.empty(n)
    passes = np.empty((len(draws.names), n))
    holds = tuple(np.empty((n, draws.n_draws), dtype=bool) for _ in reliabilities)
    for block in blocks(n, draws.n_draws):
        chance, each = _worst_case(draws, settings[block], scenario)
        expected[block], passes[:, block] = chance.mean(axis=1), each
        for held, reliability in zip(holds, reliabilities, strict=True):
            np.greater_equal(chance, reliability, out=held[block])
        chance.partition(rank, axis=1)
        low[block] = chance[:, rank]
    return Assurance(expected, low, passes, holds)


def holding(draws: Draws, settings: FloatArray, scenario: Scenario, *, reliability: float) -> BoolArray:
    """Tell at which settings each draw's assurance reaches a reliability, shape (n_points, n_draws)."""
    return holdings(draws, settings, scenario, reliabilities=(reliability,))[0]


def holdings(
    draws: Draws, settings: FloatArray, scenario: Scenario, *, reliabilities: Sequence[float]
) -> tuple[BoolArray, ...]:
    """Tell at which settings each draw's assurance reaches each reliability, each of shape (n_points, n_draws).

    Where both first and later welds are meant, it reaches it where both do.
    """
    held = tuple(np.ones((len(settings), draws.n_draws), dtype=bool) for _ in reliabilities)
    for block in blocks(len(settings), draws.n_draws):
        for later in scenario.laters:
            chance = _chance(draws, settings[block], later=later).T
            for reached, reliability in zip(held, reliabilities, strict=True):
                reached[block] &= chance >= reliability
    return held


def response_lows(draws: Draws, settings: FloatArray, scenario: Scenario, *, confidence: float) -> FloatArray:
    """Bound each response's chance of meeting its requirement from below, shape (n_responses, n_points).

    Where both first and later welds are meant, the lower of the two bounds.
    """
    rank = draws.n_draws - enough(confidence, draws.n_draws)
    low = np.empty((len(draws.names), len(settings)))
    for block in blocks(len(settings), draws.n_draws):
        for r in range(len(draws.names)):
            bounds = []
            for later in scenario.laters:
                chance = np.ascontiguousarray(1.0 - _failure(draws, r, settings[block], later=later).T)
                chance.partition(rank, axis=1)
                bounds.append(chance[:, rank])
            low[r, block] = np.min(bounds, axis=0)
    return low


def blocks(n_points: int, n_draws: int) -> Iterator[slice]:
    """Cut settings into blocks that fit the cache with all their draws."""
    step = max(8, BLOCK_CELLS // max(n_draws, 1))
    for start in range(0, n_points, step):
        yield slice(start, min(start + step, n_points))


def _worst_case(draws: Draws, settings: FloatArray, scenario: Scenario) -> tuple[FloatArray, FloatArray]:
    """Give the worse assurance over a scenario's cases, shape (n_points, n_draws), and each response's mean pass."""
    each = np.zeros((len(scenario.laters), len(draws.names), len(settings)))
    cases = [_chance(draws, settings, later=later, passes=p) for later, p in zip(scenario.laters, each, strict=True)]
    chance = cases[0]
    for other in cases[1:]:
        np.minimum(chance, other, out=chance)
    return np.ascontiguousarray(chance.T), each.min(axis=0)


def _chance(draws: Draws, settings: FloatArray, *, later: bool, passes: FloatArray | None = None) -> FloatArray:
    """Average p_d over the wander, shape (n_draws, n_points).

    ``passes``, shape (n_responses, n_points), is filled with each response's mean pass where it is wanted.
    """
    total: FloatArray | None = None
    for offset, weight in zip(draws.wander.offsets, draws.wander.weights.tolist(), strict=True):
        points = Points(settings + offset, later)
        chance: FloatArray | None = None
        for r, posterior in enumerate(draws.posteriors):
            failure = posterior.failure(points)
            if passes is not None:
                passes[r] += weight * (1.0 - failure.mean(axis=0))
            chance = 1.0 - failure if chance is None else np.subtract(chance, failure, out=chance)
        assert chance is not None, "a window is asked of at least one response"
        np.maximum(chance, 0.0, out=chance)  # METHOD section 1: never below 0
        if weight != 1.0:
            chance *= weight
        total = chance if total is None else np.add(total, chance, out=total)
    assert total is not None, "even without wander there is one node"
    return total


def _failure(draws: Draws, response: int, settings: FloatArray, *, later: bool) -> FloatArray:
    """Average one response's failure over the wander, shape (n_draws, n_points)."""
    posterior, wander = draws.posteriors[response], draws.wander
    nodes = zip(wander.offsets, wander.weights, strict=True)
    parts = [weight * posterior.failure(Points(settings + offset, later)) for offset, weight in nodes]
    return np.asarray(np.sum(parts, axis=0))
