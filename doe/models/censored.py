"""Readings that only say "at least this much": a burn-through reads the thickness, the depth goes on.

METHOD.md section 2, by Gibbs sampling: the exact posterior given completed readings, then each censored reading
anew from its normal distribution above its limit. Many short chains run side by side. They start apart from one
another, so that the spread of their means tells how many independent draws they are worth together; where that is
too few, they go on with steps left out between.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import log_ndtr, ndtri_exp

from doe.bench.results import IntArray
from doe.coding import FloatArray
from doe.models.grid import EffectDraws, Nodes, condition_effects, node_probabilities
from doe.models.sampling import LEAST_ESS
from doe.models.surface import BoolArray

N_CHAINS: Final = 64
"""Chains run side by side."""
BURN_IN: Final = 100
"""Steps dropped from each chain; METHOD.md section 2 asks for 80 to 100."""
KEPT: Final = 64
"""Steps kept of each chain."""
STRIDES: Final = (1, 4, 16)
"""Of so many steps one is kept: more where the run before was worth too little."""
DRIFT: Final = 4.0
"""Largest change from the first to the second half of a run, in its standard errors. [1]"""


@dataclass(frozen=True, eq=False)
class _Quadratic:
    """q of every node as a quadratic in the censored readings: base + 2 linear . c + c' square c."""

    base: FloatArray
    linear: FloatArray
    square: FloatArray

    def at(self, completed: FloatArray) -> FloatArray:
        """Give q, shape (n_chains, n_nodes), for censored readings of shape (n_chains, n_censored)."""
        inner = np.einsum("ci,kij->ckj", completed, self.square, optimize=True)
        quadratic = np.einsum("ckj,cj->ck", inner, completed, optimize=True)
        return np.asarray(self.base + 2.0 * completed @ self.linear.T + quadratic)


def _quadratic(nodes: Nodes, y: FloatArray, censored: BoolArray) -> _Quadratic:
    seen = np.where(censored, 0.0, y)
    Py = nodes.inverse.project(seen)
    base = Py @ seen + nodes.prior.sum_of_squares
    square = next(nodes.inverse.blocks([np.flatnonzero(censored)]))
    return _Quadratic(base, Py[:, censored], square)


def draw_censored(
    nodes: Nodes, y: FloatArray, *, censored: BoolArray, n_draws: int, rng: np.random.Generator
) -> tuple[EffectDraws, bool]:
    """Draw from the posterior where some readings are limits from below.

    Parameters
    ----------
    nodes : Nodes
    y : ndarray, shape (n,)
        Readings; the limit where censored.
    censored : ndarray of bool, shape (n,)
        At least two readings must not be.
    n_draws : int
        Up to ``N_CHAINS * KEPT`` they are picked from as many; beyond, chains run longer.
    rng : Generator

    Returns
    -------
    draws : EffectDraws
    settled : bool
        Whether the chains are worth enough independent draws and no longer drift.
    """
    limit = y[censored]
    completed = limit + np.std(y[~censored]) * np.abs(rng.standard_normal((N_CHAINS, limit.size)))
    steps = _walk(nodes, y, censored=censored, completed=completed, rng=rng)
    for _ in range(BURN_IN):
        next(steps)
    n_kept = max(KEPT, -(-n_draws // N_CHAINS))
    for stride in STRIDES:
        run = [step for i, step in zip(range(n_kept * stride), steps, strict=False) if i % stride == 0]
        settled = _is_settled(np.stack([trace for _, trace in run], axis=1))
        if settled:
            break
    return join_draws([draws for draws, _ in run], rng.permutation(n_kept * N_CHAINS)[:n_draws]), settled


def _walk(
    nodes: Nodes, y: FloatArray, *, censored: BoolArray, completed: FloatArray, rng: np.random.Generator
) -> Iterator[tuple[EffectDraws, FloatArray]]:
    """Give step after step: the draws, and what is watched, shape (n_chains, 1 + n_censored)."""
    quadratic, limit = _quadratic(nodes, y, censored), y[censored]
    while True:
        draws = _draw_given(nodes, y, censored=censored, completed=completed, q=quadratic.at(completed), rng=rng)
        mean = draws.constant[:, None] + draws.theta @ nodes.effects.C[censored].T
        sd = np.sqrt(draws.s2[:, None] * nodes.error[censored])
        completed = complete_readings(limit, mean=mean, sd=sd, rng=rng)
        # in logs, as the far tails would hide how the rest moves
        yield draws, np.column_stack([np.log(draws.s2), np.log(completed - limit + 1e-9 * sd)])


def _is_settled(chains: FloatArray) -> bool:
    """Judge chains of shape (n_chains, n_kept, n_watched) by their worth and by their drift."""
    half = chains.shape[1] // 2
    worth = len(chains) * chains.var(axis=(0, 1)) / chains.mean(axis=1).var(axis=0, ddof=1)
    change = chains[:, half:].mean(axis=1) - chains[:, :half].mean(axis=1)
    drift = np.abs(change.mean(axis=0)) / (change.std(axis=0, ddof=1) / np.sqrt(len(chains)))
    return bool(worth.min() >= LEAST_ESS and drift.max() <= DRIFT)


def _draw_given(
    nodes: Nodes,
    y: FloatArray,
    *,
    censored: BoolArray,
    completed: FloatArray,
    q: FloatArray,
    rng: np.random.Generator,
) -> EffectDraws:
    """Draw once a chain from the posterior given that chain's completed readings."""
    cumulated = node_probabilities(nodes.log_weights(q)).cumsum(axis=1)
    node = np.argmax(cumulated > rng.random((len(q), 1)) * cumulated[:, -1:], axis=1)
    s2 = q[np.arange(len(q)), node] / rng.chisquare(nodes.df, len(q))
    readings = np.tile(y, (len(q), 1))
    readings[:, censored] = completed
    return condition_effects(nodes, readings, node=node, s2=s2, rng=rng)


def complete_readings(limit: FloatArray, *, mean: FloatArray, sd: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Draw normal readings above their limits, by the inverse of the upper tail, in logs for far tails."""
    log_tail = log_ndtr((mean - limit) / sd)
    return np.asarray(mean - sd * ndtri_exp(log_tail + np.log1p(-rng.random(mean.shape))))


def join_draws(parts: list[EffectDraws], rows: IntArray) -> EffectDraws:
    """Put draws one after another and pick rows."""
    return EffectDraws(
        node=np.concatenate([part.node for part in parts])[rows],
        s2=np.concatenate([part.s2 for part in parts])[rows],
        constant=np.concatenate([part.constant for part in parts])[rows],
        theta=np.concatenate([part.theta for part in parts])[rows],
        variance=np.concatenate([part.variance for part in parts])[rows],
    )
