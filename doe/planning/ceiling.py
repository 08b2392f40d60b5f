"""The ceiling: what no design of this size can pass, by the general equivalence theorem.

A design of n welds puts weight 1/n on each of its settings. Let the weights be any that add up to 1 (an approximate
design) and the best value can be found by a convex search, with a certificate: for information M, ``A = M^-1`` and
``Q = A`` (for D) or ``Q = A W A`` (for I), every design's information M* obeys

    log det M*     <=  log det M + q log(trace(Q M*) / q),
    trace(W M*^-1) >=  trace(W A)^2 / trace(Q M*),

and ``trace(Q M*)`` is at most the sum over the welds of the largest price ``f' Q f`` (Kiefer and Wolfowitz 1960;
Pukelsheim 2006, ch. 7). The weights are found by the multiplicative algorithm: each is multiplied by its price over
the average price (Silvey, Titterington and Torsney 1978; for I by the root of it, Yu 2010). All from memory; the
bound stands on its own.

Welds that share a plate: a plate of m welds has the information ``F'F - c s s'``, s the sum of its rows, c = eta/(1
+ m eta). Weights are given to held settings and, within each, to settings of the plate's welds; a plate may thus
hold fractions of settings, which no real plate does, so the bound stays valid and is a little generous. Blocks,
positions and given welds enter as they are. Wished repeats are not counted: a bound without them holds with them
too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.errors import CannotAnswerError
from doe.planning.candidates import LISTABLE, candidate_set
from doe.planning.problem import (
    BoolArray,
    Criterion,
    DesignProblem,
    IntArray,
    d_of_log_determinant,
    fixed_columns,
    is_singular,
    padded_moments,
)
from doe.terms import model_matrix

GAP: Final = 1e-4
"""The search for the ceiling stops when the certificate is this close, as a share."""
MOST_ROUNDS: Final = 3_000
"""Rounds of the multiplicative algorithm at most; the gap is reported as it is."""
NEGLIGIBLE_SHARE: Final = 1e-3
"""Candidates with less than this share of their group's largest weight rest between checks."""
RETURNED: Final = 1e-5
"""Weight handed at each check to the candidate with the highest price, so that none is lost for good."""


@dataclass(frozen=True)
class Ceiling:
    """The bound no design of the same size can pass.

    Attributes
    ----------
    bound : float
        For I no design's value is smaller, for D and the compound none is larger.
    gap : float
        How far the bound may lie from the best approximate design, as a share.
    bound_kind : str
        In words: what was bounded.
    """

    bound: float
    gap: float
    bound_kind: str


def ceiling(problem: DesignProblem, criterion: Criterion) -> Ceiling:
    """Give the bound that no design of this size can pass.

    Parameters
    ----------
    problem : DesignProblem
    criterion : {"I", "D", "compound"}
        For the compound, sqrt(D/I), the bounds of both are put together.

    Raises
    ------
    CannotAnswerError
        If no setting is allowed, or the levels cannot support the model.
    """
    if criterion == "compound":
        best, least = ceiling(problem, "D"), ceiling(problem, "I")
        gap = 1.0 - math.sqrt((1.0 - best.gap) * (1.0 - least.gap))
        return Ceiling(math.sqrt(best.bound / least.bound), gap, best.bound_kind)
    candidates = candidate_set(problem, np.random.default_rng(0), at_most=LISTABLE)
    fillings, known, kind = _to_fill(problem)
    if not candidates.is_complete:
        kind += "; from a sample of the settings, so not certified"
    ground = _Ground(candidates.matrix, candidates.group, candidates.group_start)
    problem_of_weights = _Weighing(problem, criterion, fillings, known, padded_moments(problem))
    bound, gap = _climb(problem_of_weights, ground)
    return Ceiling(bound, gap, kind)


@dataclass(frozen=True, eq=False)
class _Filling:
    """Plates (or single welds) that are alike.

    Attributes
    ----------
    n : int
        How many there are.
    fixed : ndarray, shape (n_classes, n_fixed)
        The different fixed columns of the plate's welds.
    count : ndarray, shape (n_classes,)
        How many welds of the plate have each.
    scale, taken : float
        The plate's information is ``scale * F'F - taken * s s'``.
    """

    n: int
    fixed: FloatArray
    count: FloatArray
    scale: float = 1.0
    taken: float = 0.0


def _to_fill(problem: DesignProblem) -> tuple[list[_Filling], FloatArray, str]:
    """Give the plates to fill, the information that is there before, and in words what is bounded."""
    fixed, n_given, eta = fixed_columns(problem), len(problem.given), problem.plate_ratio
    X = np.hstack([model_matrix(problem.terms, problem.given, problem.coding), fixed[:n_given]])
    known = np.zeros((X.shape[1], X.shape[1]))
    if problem.prior_precision is not None:
        known[: len(problem.terms), : len(problem.terms)] = np.diag(problem.prior_precision)
    fillings: dict[bytes, list[_Filling]] = {}
    kind = "approximate design on the candidate set"
    plates = np.arange(problem.n_welds) if problem.plate is None else problem.plate
    for plate in np.unique(plates):
        members = np.flatnonzero(plates == plate)
        old, new = members[members < n_given], members[members >= n_given]
        taken = 0.0 if problem.plate is None else eta / (1.0 + len(members) * eta)
        if len(old) and len(new) and taken:
            taken, kind = 0.0, "approximate design, without the plate error of plates already begun"
        elif len(new) > 1 and taken:
            kind = "approximate design over plates, each divisible among settings"
        known += X[old].T @ X[old] - taken * np.outer(X[old].sum(axis=0), X[old].sum(axis=0))
        parts = [new] if len(new) > 1 and taken else [new[i : i + 1] for i in range(len(new))]
        for part in parts:
            filling = _filling(fixed[part], taken)
            key = filling.fixed.tobytes() + filling.count.tobytes() + bytes(str(taken), "ascii")
            fillings.setdefault(key, []).append(filling)
    alike = [
        _Filling(len(same), same[0].fixed, same[0].count, same[0].scale, same[0].taken) for same in fillings.values()
    ]
    return alike, known, kind


def _filling(fixed: FloatArray, taken: float) -> _Filling:
    """Describe one plate; a weld alone on its plate only loses by scale. fixed: (m, n_fixed)."""
    different, count = np.unique(fixed, axis=0, return_counts=True)
    if len(fixed) == 1:
        return _Filling(1, fixed, np.ones(1), scale=1.0 - taken)
    return _Filling(1, different, count.astype(float), taken=taken)


@dataclass(frozen=True, eq=False)
class _Ground:
    """Model rows of the candidates, sorted by group, and where each group starts."""

    matrix: FloatArray
    group: IntArray
    start: IntArray

    def add_up(self, values: FloatArray) -> FloatArray:
        """Add up group by group. values: (n_candidates, ...); returns (n_groups, ...)."""
        return np.asarray(np.add.reduceat(values, self.start, axis=0))

    def largest(self, values: FloatArray) -> FloatArray:
        """Give the largest value of each group. values: (n_candidates,)."""
        return np.asarray(np.maximum.reduceat(values, self.start))

    def keep(self, mask: BoolArray) -> _Ground:
        """Keep some candidates, at least one of each group."""
        group = self.group[mask]
        return _Ground(self.matrix[mask], group, np.flatnonzero(np.diff(group, prepend=-1)))


@dataclass(eq=False)
class _Weights:
    """The weights of one filling.

    Attributes
    ----------
    of_group : ndarray, shape (n_groups,)
        Adds up to 1.
    within : ndarray, shape (n_classes, n_candidates)
        Adds up to 1 in each class and group.
    """

    of_group: FloatArray
    within: FloatArray


@dataclass(frozen=True, eq=False)
class _Weighing:
    """The convex problem: which weights make the criterion best."""

    problem: DesignProblem
    criterion: Criterion
    fillings: list[_Filling]
    known: FloatArray
    moments: FloatArray

    def even(self, ground: _Ground) -> list[_Weights]:
        """Start from even weights."""
        size = ground.add_up(np.ones(len(ground.matrix)))
        within = 1.0 / size[ground.group]
        return [
            _Weights(np.full(len(size), 1.0 / len(size)), np.repeat(within[None], len(f.count), axis=0))
            for f in self.fillings
        ]

    def information(self, ground: _Ground, weights: list[_Weights]) -> FloatArray:
        """Give M."""
        M = self.known.copy()
        for filling, weight in zip(self.fillings, weights, strict=True):
            for c, count in enumerate(filling.count):
                Y = _rows(ground, filling.fixed[c])
                M += filling.n * filling.scale * count * (Y.T * (weight.of_group[ground.group] * weight.within[c])) @ Y
            if filling.taken:
                s = _sums(ground, filling, weight)
                M -= filling.n * filling.taken * (s.T * weight.of_group) @ s
        return M

    def direction(self, M: FloatArray) -> tuple[FloatArray, float]:
        """Give Q, the matrix that prices, and the value: log det M or trace(WA)."""
        A = np.asarray(np.linalg.inv(M), dtype=float)
        if self.criterion == "D":
            return A, float(np.linalg.slogdet(M)[1])
        return A @ self.moments @ A, float((A * self.moments).sum())

    def certificate(self, M: FloatArray, Q: FloatArray, highest: float) -> tuple[float, float]:
        """Give the bound and its gap from the value, ``highest`` being the most trace(QM*) can be."""
        value = self.direction(M)[1]
        most = float((Q * self.known).sum()) + highest
        if self.criterion == "I":
            bound = value**2 / most
            return bound, 1.0 - bound / value
        q = len(M)
        log_bound = value + q * math.log(most / q)
        bound = d_of_log_determinant(self.problem, log_bound)
        return bound, 1.0 - d_of_log_determinant(self.problem, value) / bound


def _rows(ground: _Ground, fixed: FloatArray) -> FloatArray:
    """Append fixed columns to the candidates' rows. fixed: (n_fixed,)."""
    if not len(fixed):
        return ground.matrix
    return np.hstack([ground.matrix, np.broadcast_to(fixed, (len(ground.matrix), len(fixed)))])


def _sums(ground: _Ground, filling: _Filling, weight: _Weights) -> FloatArray:
    """Give s for each group: the sum of a plate's rows. shape (n_groups, n_columns)."""
    mixed = sum(
        count * weight.within[c][:, None] * _rows(ground, filling.fixed[c]) for c, count in enumerate(filling.count)
    )
    return ground.add_up(np.asarray(mixed))


def _prices(ground: _Ground, filling: _Filling, Q: FloatArray, s: FloatArray | None) -> FloatArray:
    """Price each candidate in each class of a plate; never negative. shape (n_classes, n_candidates).

    With a plate error the price is the slope of ``trace(Q M)``: the plate's sum s is taken as it is, which can only
    overstate what another plate is worth, since ``s s'`` is convex.
    """
    prices = np.empty((len(filling.count), len(ground.matrix)))
    for c, fixed in enumerate(filling.fixed):
        Y = _rows(ground, fixed)
        YQ = Y @ Q
        prices[c] = filling.scale * (YQ * Y).sum(axis=1)
        if s is not None:
            sQ = (s * (s @ Q)).sum(axis=1)
            prices[c] += filling.taken * (
                sQ[ground.group] / filling.count.sum() - 2.0 * (YQ * s[ground.group]).sum(axis=1)
            )
    return prices


def _climb(weighing: _Weighing, ground: _Ground) -> tuple[float, float]:
    """Improve the weights until the certificate is tight; give the bound and its gap."""
    weights = weighing.even(ground)
    if is_singular(weighing.information(ground, weights)):
        message = (
            "the levels of the factors cannot support the model: some of its terms cannot be told apart at any number "
            "of welds"
        )
        raise CannotAnswerError(message)
    power = 1.0 if weighing.criterion == "D" else 0.5
    best: tuple[float, float] | None = None
    left, block = MOST_ROUNDS, 20
    while left > 0:
        active, kept = _active(ground, weights)
        own = [_Weights(w.of_group, w.within[:, active]) for w in weights]
        for _ in range(block):
            own = _round(weighing, kept, own, power)
        for w, o in zip(weights, own, strict=True):
            w.of_group, w.within = o.of_group, np.zeros_like(w.within)
            w.within[:, active] = o.within
        left, block = left - block, min(2 * block, 300)
        found = _check(weighing, ground, weights)
        best = found if best is None or found[1] < best[1] else best
        if best[1] < GAP:
            break
    assert best is not None
    return best


def _active(ground: _Ground, weights: list[_Weights]) -> tuple[BoolArray, _Ground]:
    """Mark the candidates that carry weight worth speaking of, and give the ground made of them."""
    mask = np.zeros(len(ground.matrix), dtype=bool)
    for weight in weights:
        for within in weight.within:
            mask |= within > NEGLIGIBLE_SHARE * ground.largest(within)[ground.group]
    return mask, ground.keep(mask)


def _round(weighing: _Weighing, ground: _Ground, weights: list[_Weights], power: float) -> list[_Weights]:
    """Multiply every weight by its price over the average price."""
    Q, _ = weighing.direction(weighing.information(ground, weights))
    improved = []
    for filling, weight in zip(weighing.fillings, weights, strict=True):
        s = _sums(ground, filling, weight) if filling.taken else None
        prices = _prices(ground, filling, Q, s)
        of_group = weight.of_group * (filling.count @ _by_group(ground, weight.within * prices)) ** power
        within = weight.within * prices**power
        within /= _by_group(ground, within)[:, ground.group]
        improved.append(_Weights(of_group / of_group.sum(), within))
    return improved


def _by_group(ground: _Ground, values: FloatArray) -> FloatArray:
    """Add up each class by group. values: (n_classes, n_candidates); returns (n_classes, n_groups)."""
    return np.asarray(np.add.reduceat(values, ground.start, axis=1))


def _check(weighing: _Weighing, ground: _Ground, weights: list[_Weights]) -> tuple[float, float]:
    """Price every candidate: give bound and gap, and hand some weight to candidates that had lost it wrongly."""
    M = weighing.information(ground, weights)
    Q, _ = weighing.direction(M)
    highest = 0.0
    for filling, weight in zip(weighing.fillings, weights, strict=True):
        s = _sums(ground, filling, weight) if filling.taken else None
        prices = _prices(ground, filling, Q, s)
        tops = np.array([ground.largest(price) for price in prices])
        highest += filling.n * float((filling.count @ tops).max())
        held_out = (prices >= tops[:, ground.group] * (1.0 - 1e-12)).astype(float)
        held_out /= _by_group(ground, held_out)[:, ground.group]
        weight.within = (1.0 - RETURNED) * weight.within + RETURNED * held_out
        weight.of_group = (1.0 - RETURNED) * weight.of_group + RETURNED / len(weight.of_group)
    return weighing.certificate(M, Q, highest)
