"""The exact posterior of a linear model with plates, its hyper-parameters integrated on a grid.

METHOD.md section 2. With b0 the constant, C the other columns of the surface and the indicators of plates and of
blocks, all of them random effects of a class::

    y = b0 + C theta + e,   e ~ N(0, s2),   theta_j ~ N(0, v_j s2),   b0 flat,   p(s2) ~ scaled-inverse-chi2(nu0, s0^2)

A node of the grid fixes v: t1^2, t2^2, t3^2 for the classes of columns, r for plates, r_b for blocks; that of
covariates (see ``covariates``) is one for all. Written in the n readings, V = E + C diag(v) C' (E is the identity, or
holds error weights), it needs matrices of n by n only::

    P = V^-1 - V^-1 1 (1' V^-1 1)^-1 1' V^-1,   q = y' P y + nu0 s0^2
    log weight = log prior weight - 1/2 (log|V| + log 1' V^-1 1) - (n - 1 + nu0)/2 log q
    s2 = q / chi2(n - 1 + nu0),   b0 | s2 ~ N(1' V^-1 y / 1' V^-1 1, s2 / 1' V^-1 1)

which is METHOD.md's form, log|W| + log|D| + log|A|, by the matrix determinant lemma, with the constant's very wide
prior flat. The effects follow by conditioning a draw from their prior on the readings (Matheron's rule)::

    theta = theta' + diag(v) C' V^-1 (y - b0 - C theta' - e'),   theta' ~ N(0, diag(v) s2),   e' ~ N(0, E s2)
"""

from __future__ import annotations

import itertools
from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final
from weakref import WeakKeyDictionary, WeakValueDictionary

import numpy as np
from scipy.special import chdtri

from doe.bench.results import IntArray
from doe.coding import FloatArray
from doe.models.inverse import FULL_CELLS, Inverse, invert_by_columns, invert_fully
from doe.models.surface import TermClass

FIRST: Final = (1.0, 2.5, 6.0, 15.0)
"""t1, prior sd of a first-order coefficient over the weld sd; METHOD.md section 2. [1]"""
SECOND: Final = (0.8, 2.0, 5.0)
"""t2, of a second-order coefficient. [1] METHOD.md has .3 as well: nodes that hold every bend near nought take what the
settings do for scatter between welds. Without t1 = 1 windows would grow again as much, but more claims on a sharp ridge
would be wrong (DEVELOPERS.md)."""
THIRD: Final = (0.05, 0.4, 1.0)
"""t3, of a third-order coefficient. [1]"""
PLATE: Final = (0.0, 0.15, 0.3, 0.5, 0.8, 1.3, 2.5, 6.0)
"""r, plate variance over weld variance. [1] METHOD.md has 0, .15, .4, 1, 2.5, 6; here it is denser where r lies for
plates and welds that scatter as METHOD.md names them (section 9: .1 to .3, .15 to .35 mm): mostly between .1 and 2."""
BLOCK: Final = (0.0, 0.15, 0.4, 1.0)
"""r_b, block variance over weld variance. [1]"""
USUAL: Final = (2.5, 2.0)
"""Up to these, values of t1 and of t2 weigh alike beforehand; beyond, with the inverse square, as heavy-tailed priors
of a scale do. [1] Ours: METHOD.md weighs all alike, and then 12 welds of which nothing is known are fitted so closely
that bands of the mean are too narrow (DEVELOPERS.md)."""
PRIOR_WELDS: Final = 1.0
"""nu0: the welds a stated repeat scatter is worth. [1] METHOD.md section 2 has 4, with s0 as the scale of the
distribution, whose median is 1.09 s0: with it bands of the mean held too often (DEVELOPERS.md)."""
COVARIATE: Final = 0.49
"""t^2, what one standard deviation of a covariate does: beforehand a third of the scatter between welds. [1] Ours."""
DRAWN_CELLS: Final = 800_000
"""Draws times readings worked on at once: 6 MB an array. Our choice."""
FIRST_GROUP, SECOND_GROUP, THIRD_GROUP, PLATE_GROUP, BLOCK_GROUP, COVARIATE_GROUP = range(6)


@dataclass(frozen=True)
class Grid:
    """The values of each hyper-parameter, in all combinations; their weights are ``Effects.log_prior``."""

    first: tuple[float, ...] = FIRST
    second: tuple[float, ...] = SECOND
    third: tuple[float, ...] = THIRD
    plate: tuple[float, ...] = PLATE
    block: tuple[float, ...] = BLOCK
    covariate: tuple[float, ...] = (COVARIATE,)


@dataclass(frozen=True, eq=False)
class Effects:
    """The columns of every effect but the constant, and the nodes of the grid.

    Attributes
    ----------
    C : ndarray, shape (n, n_effects)
        Columns of the surface without the constant, then covariates, plates and blocks.
    group : ndarray of int, shape (n_effects,)
        ``FIRST_GROUP`` to ``COVARIATE_GROUP``.
    variance : ndarray, shape (n_nodes, 6)
        Prior variance of a group's effects over s2.
    """

    C: FloatArray
    group: IntArray
    variance: FloatArray

    def covariance(self) -> FloatArray:
        """Give C diag(v) C' at every node, shape (n_nodes, n, n)."""
        n = len(self.C)
        parts = [self.C[:, self.group == g] for g in range(6)]
        grams = np.stack([(part @ part.T).ravel() for part in parts])
        return np.asarray((self.variance @ grams).reshape(-1, n, n))

    @property
    def log_prior(self) -> FloatArray:
        """Log prior weight of every node, shape (n_nodes,), up to a constant: min(1, (usual t / t)^2) of t1 and t2."""
        usual = np.square(USUAL)
        beyond = np.maximum(self.variance[:, [FIRST_GROUP, SECOND_GROUP]], usual) / usual
        return np.asarray(-np.log(beyond).sum(axis=1))


def lay_out_effects(
    X: FloatArray,
    classes: Sequence[TermClass],
    *,
    plates: IntArray,
    blocks: IntArray,
    grid: Grid,
    covariates: FloatArray | None = None,
) -> Effects:
    """Put the effects of a surface, of covariates, of plates and of blocks side by side.

    Parameters
    ----------
    X : ndarray, shape (n, n_columns)
        The surface's columns, the constant first.
    classes : sequence of str, length n_columns
    plates, blocks : ndarray of int, shape (n,)
        Group of each weld, 0, 1 ...; plates of one weld each, or a single block, have no effect of their own.
    grid : Grid
    covariates : ndarray, shape (n, m), optional
        Standardised; none by default.
    """
    index = {"first": FIRST_GROUP, "second": SECOND_GROUP, "third": THIRD_GROUP}
    group = [index[c] for c in classes[1:]]
    Z = _indicators(plates) if len(np.unique(plates)) < len(plates) else np.empty((len(X), 0))
    Q = _indicators(blocks) if len(np.unique(blocks)) > 1 else np.empty((len(X), 0))
    W = np.empty((len(X), 0)) if covariates is None else covariates
    of_random = [COVARIATE_GROUP] * W.shape[1] + [PLATE_GROUP] * Z.shape[1] + [BLOCK_GROUP] * Q.shape[1]
    groups = np.array([*group, *of_random], dtype=int)
    axes = (grid.first, grid.second, grid.third, grid.plate, grid.block, grid.covariate)
    values = [axis if np.any(groups == g) else (0.0,) for g, axis in enumerate(axes)]
    nodes = np.array(list(itertools.product(*values)), dtype=float)
    nodes[:, :3] **= 2  # t is a standard deviation, r a variance
    return Effects(np.column_stack([X[:, 1:], W, Z, Q]), groups, nodes)


def without_covariates(effects: Effects) -> Effects:
    """Give the same effects but for covariates."""
    kept = effects.group != COVARIATE_GROUP
    return Effects(effects.C[:, kept], effects.group[kept], effects.variance)


def _indicators(groups: IntArray) -> FloatArray:
    return np.asarray(groups[:, None] == np.unique(groups), dtype=float)


@dataclass(frozen=True)
class ScatterPrior:
    """Scaled-inverse-chi2(nu0, s0^2) for the weld variance; nu0 = 0 is p(s2) ~ 1/s2."""

    nu0: float = 0.0
    s0: float = 0.0

    @classmethod
    def about(cls, scatter: float, *, welds: float = PRIOR_WELDS) -> ScatterPrior:
        """Give the prior of a stated scatter, worth some welds, of which the scatter is the median."""
        return cls(welds, scatter * float(np.sqrt(chdtri(welds, 0.5) / welds)))

    @property
    def sum_of_squares(self) -> float:
        """nu0 s0^2."""
        return self.nu0 * self.s0**2


@dataclass(frozen=True, eq=False)
class Nodes:
    """What the readings' covariance is at every node, before any reading is looked at.

    Attributes
    ----------
    effects : Effects
    prior : ScatterPrior
    error : ndarray, shape (n,)
        Error variance of each reading over s2: ones, unless readings are weighted.
    inverse : Inverse
        V^-1 and P.
    log_det : ndarray, shape (n_nodes,)
        log|V| + log 1' V^-1 1.
    fresh : float
        Error variance over s2 of a reading to come: 1, unless readings are weighted.
    """

    effects: Effects
    prior: ScatterPrior
    error: FloatArray
    inverse: Inverse
    log_det: FloatArray
    fresh: float = 1.0

    @property
    def df(self) -> float:
        """Degrees of freedom of the weld variance, n - 1 + nu0."""
        return len(self.error) - 1 + self.prior.nu0

    @property
    def precision(self) -> FloatArray:
        """1' V^-1 1, shape (n_nodes,)."""
        return np.asarray(self.inverse.ones.sum(axis=1))

    @property
    def log_before(self) -> FloatArray:
        """What of the log weight of nodes no reading enters, shape (n_nodes,), up to a constant."""
        return np.asarray(self.effects.log_prior - 0.5 * self.log_det)

    def log_weights(self, q: FloatArray) -> FloatArray:
        """Give the log weight of nodes from q, shape (..., n_nodes), up to a constant."""
        return np.asarray(self.log_before - 0.5 * self.df * np.log(q))


def make_nodes(effects: Effects, prior: ScatterPrior, *, error: FloatArray | None = None) -> Nodes:
    """Work out every node of the grid."""
    error = np.ones(len(effects.C)) if error is None else error
    inverse = _invert(effects, error)
    return Nodes(effects, prior, error, inverse, np.asarray(inverse.log_det + np.log(inverse.ones.sum(axis=1))))


def _invert(effects: Effects, error: FloatArray) -> Inverse:
    """Invert the covariance of the readings in the smaller form; once for all responses of the same welds."""
    arrays = (effects.C, effects.group, effects.variance, error)
    key = tuple((array.shape, array.tobytes()) for array in arrays)
    known = _INVERSES.get(key)
    if known is None:
        n, is_plate = len(error), effects.group == PLATE_GROUP
        fits = len(effects.variance) * n * n <= FULL_CELLS
        if fits or n <= np.count_nonzero(~is_plate):
            known = invert_fully(effects.covariance() + np.diag(error))
        else:
            C, variance = effects.C[:, ~is_plate], effects.variance[:, effects.group[~is_plate]]
            known = invert_by_columns(C, variance, effects.C[:, is_plate], effects.variance[:, PLATE_GROUP], error)
        _INVERSES[key] = known
    return known


_INVERSES: Final[WeakValueDictionary[Hashable, Inverse]] = WeakValueDictionary()
"""The inverses in use: responses of the same welds have one covariance, so they share it."""
_TRACES: Final[WeakKeyDictionary[Inverse, FloatArray]] = WeakKeyDictionary()
"""Of the surface's terms, once for all who share an inverse."""


@dataclass(frozen=True, eq=False)
class EffectDraws:
    """Draws of everything the model holds.

    Attributes
    ----------
    node : ndarray of int, shape (n_draws,)
    s2 : ndarray, shape (n_draws,)
        Weld variance.
    constant : ndarray, shape (n_draws,)
    theta : ndarray, shape (n_draws, n_effects)
    variance : ndarray, shape (n_draws, 6)
        Prior variances over s2 at each draw's node.
    """

    node: IntArray
    s2: FloatArray
    constant: FloatArray
    theta: FloatArray
    variance: FloatArray


def quadratic_form(nodes: Nodes, y: FloatArray) -> FloatArray:
    """Give q at every node for one set of readings, shape (n_nodes,)."""
    return np.asarray(nodes.inverse.project(y) @ y + nodes.prior.sum_of_squares)


def node_probabilities(log_weights: FloatArray) -> FloatArray:
    """Normalise log weights along the last axis."""
    weights = np.exp(log_weights - log_weights.max(axis=-1, keepdims=True))
    return np.asarray(weights / weights.sum(axis=-1, keepdims=True))


def effective_terms(nodes: Nodes, y: FloatArray) -> float:
    """Give the trace of the matrix that leads from readings to fitted means, averaged over the nodes."""
    effects = nodes.effects
    terms = np.isin(effects.group, (FIRST_GROUP, SECOND_GROUP, THIRD_GROUP, COVARIATE_GROUP))
    traces = _TRACES.get(nodes.inverse)
    if traces is None:
        traces = nodes.inverse.traces(effects.C[:, terms], effects.variance[:, effects.group[terms]])
        _TRACES[nodes.inverse] = traces
    weights = node_probabilities(nodes.log_weights(quadratic_form(nodes, y)))
    return float(weights @ (1.0 + traces))


def draw_effects(nodes: Nodes, y: FloatArray, n_draws: int, rng: np.random.Generator) -> EffectDraws:
    """Draw independently from the exact posterior given the readings y, shape (n,)."""
    q = quadratic_form(nodes, y)
    weights = node_probabilities(nodes.log_weights(q))
    node = rng.choice(len(weights), n_draws, p=weights)
    s2 = q[node] / rng.chisquare(nodes.df, n_draws)
    return condition_effects(nodes, np.broadcast_to(y, (n_draws, len(y))), node=node, s2=s2, rng=rng)


def condition_effects(
    nodes: Nodes, y: FloatArray, *, node: IntArray, s2: FloatArray, rng: np.random.Generator
) -> EffectDraws:
    """Draw constant and effects given a node, a weld variance and readings a draw.

    Parameters
    ----------
    nodes : Nodes
    y : ndarray, shape (n_draws, n)
    node : ndarray of int, shape (n_draws,)
    s2 : ndarray, shape (n_draws,)
    rng : Generator
    """
    effects = nodes.effects
    sd = np.sqrt(s2)
    precision = nodes.precision[node]
    centre = np.empty(len(node))
    for rows in _row_blocks(y.shape):
        centre[rows] = np.einsum("di,di->d", nodes.inverse.ones[node[rows]], y[rows]) / precision[rows]
    constant = centre + sd / np.sqrt(precision) * rng.standard_normal(len(node))
    variance = effects.variance[node]
    theta = np.sqrt(variance[:, effects.group])
    theta *= sd[:, None]
    theta *= rng.standard_normal(theta.shape)
    for rows in _row_blocks(y.shape):
        error = sd[rows, None] * np.sqrt(nodes.error) * rng.standard_normal(y[rows].shape)
        gap = y[rows] - constant[rows, None] - theta[rows] @ effects.C.T - error
        solved = _solve_by_node(nodes.inverse, gap, node[rows])
        theta[rows] += variance[rows][:, effects.group] * (solved @ effects.C)
    return EffectDraws(node, s2, constant, theta, variance)


def _row_blocks(shape: tuple[int, ...]) -> Iterator[slice]:
    """Cut draws of shape (n_draws, n) into blocks of so many numbers that memory stays small."""
    step = max(1, DRAWN_CELLS // shape[1])
    yield from (slice(start, min(start + step, shape[0])) for start in range(0, shape[0], step))


def _solve_by_node(inverse: Inverse, gap: FloatArray, node: IntArray) -> FloatArray:
    """Multiply each row of ``gap`` by its node's V^-1, each node's matrix taken once."""
    solved = np.empty_like(gap)
    order = np.argsort(node, kind="stable")
    ordered = node[order]
    starts = np.flatnonzero(np.r_[True, ordered[1:] != ordered[:-1]])
    for start, stop in zip(starts, np.r_[starts[1:], len(node)], strict=True):
        rows = order[start:stop]
        solved[rows] = inverse.solve(gap[rows], int(ordered[start]))
    return solved
