"""Approximate designs: weights on settings instead of welds, and the multiplicative algorithm that finds the best ones.

Each weight is multiplied by its price over the average price (Silvey, Titterington and Torsney 1978; by the root of
it for I, Yu 2010; from memory). The certificate does not lean on the algorithm: see ``ceiling``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.errors import CannotAnswerError
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

SINGLE: Final = "approximate design on the candidate set"
DIVISIBLE: Final = "approximate design over plates, each divisible among settings"
WHOLE: Final = "approximate design over whole plates"
"""What was bounded; the last two where welds share plates."""
GAP: Final = 1e-4
"""The search for the ceiling stops when the certificate is this close, as a share."""
MOST_ROUNDS: Final = 3_000
"""Rounds of the multiplicative algorithm at most; the gap is reported as it is."""
NEGLIGIBLE_SHARE: Final = 1e-3
"""Candidates with less than this share of their group's largest weight rest between checks."""
RETURNED: Final = 1e-5
"""Weight handed at each check to the candidate with the highest price, so that none is lost for good."""


@dataclass(frozen=True, eq=False)
class Filling:
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


def to_fill(problem: DesignProblem) -> tuple[list[Filling], FloatArray, str]:
    """Give the plates to fill, the information that is there before, and in words what is bounded.

    A plate that holds given and new welds counts as so many single welds without the plate's error: that bounds it.
    """
    fixed, n_given, eta = fixed_columns(problem), len(problem.given), problem.plate_ratio
    X = np.hstack([model_matrix(problem.terms, problem.given, problem.coding), fixed[:n_given]])
    known = np.zeros((X.shape[1], X.shape[1]))
    if problem.prior_precision is not None:
        known[: len(problem.terms), : len(problem.terms)] = np.diag(problem.prior_precision)
    fillings: list[Filling] = []
    kind, notes = SINGLE, ""
    plates = np.arange(problem.n_welds) if problem.plate is None else problem.plate
    for plate in np.unique(plates):
        members = np.flatnonzero(plates == plate)
        old, new = members[members < n_given], members[members >= n_given]
        taken = 0.0 if problem.plate is None else eta / (1.0 + len(members) * eta)
        if len(old) and len(new) and taken:
            taken, notes = 0.0, "; the plate error of plates already begun left out"
        known += X[old].T @ X[old] - taken * np.outer(X[old].sum(axis=0), X[old].sum(axis=0))
        if len(new) > 1 and taken:
            kind = DIVISIBLE
            fillings.append(_shared_plate(fixed[new], taken))
        else:
            fillings += [Filling(1, fixed[i : i + 1], np.ones(1), scale=1.0 - taken) for i in new]
    return _alike(fillings), known, kind + notes


def _shared_plate(fixed: FloatArray, taken: float) -> Filling:
    """Describe a plate with several welds. fixed: (m, n_fixed)."""
    different, count = np.unique(fixed, axis=0, return_counts=True)
    return Filling(1, different, count.astype(float), taken=taken)


def _alike(fillings: list[Filling]) -> list[Filling]:
    """Put plates that are alike together and count them."""
    groups: dict[tuple[bytes, bytes, float, float], list[Filling]] = {}
    for f in fillings:
        groups.setdefault((f.fixed.tobytes(), f.count.tobytes(), f.scale, f.taken), []).append(f)
    return [replace(same[0], n=len(same)) for same in groups.values()]


@dataclass(frozen=True, eq=False)
class Ground:
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

    def keep(self, mask: BoolArray) -> Ground:
        """Keep some candidates, at least one of each group."""
        group = self.group[mask]
        return Ground(self.matrix[mask], group, np.flatnonzero(np.diff(group, prepend=-1)))


@dataclass(eq=False)
class Weights:
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
class Weighing:
    """The convex problem: which weights make the criterion best."""

    problem: DesignProblem
    criterion: Criterion
    fillings: list[Filling]
    known: FloatArray

    @property
    def power(self) -> float:
        """The power of the price ratio by which weights grow."""
        return 1.0 if self.criterion == "D" else 0.5

    def even(self, ground: Ground) -> list[Weights]:
        """Start from even weights."""
        size = ground.add_up(np.ones(len(ground.matrix)))
        within = 1.0 / size[ground.group]
        return [
            Weights(np.full(len(size), 1.0 / len(size)), np.repeat(within[None], len(f.count), axis=0))
            for f in self.fillings
        ]

    def information(self, ground: Ground, weights: list[Weights]) -> FloatArray:
        """Give M."""
        M = self.known.copy()
        for filling, weight in zip(self.fillings, weights, strict=True):
            for c, count in enumerate(filling.count):
                Y = rows_of(ground, filling.fixed[c])
                M += filling.n * filling.scale * count * (Y.T * (weight.of_group[ground.group] * weight.within[c])) @ Y
            if filling.taken:
                s = _sums(ground, filling, weight)
                M -= filling.n * filling.taken * (s.T * weight.of_group) @ s
        return M

    def check_support(self, M: FloatArray) -> None:
        """Refuse a model that even weight on every candidate cannot estimate."""
        if is_singular(M):
            message = (
                "the levels of the factors cannot support the model: "
                "some of its terms cannot be told apart at any number of welds"
            )
            raise CannotAnswerError(message)

    def direction(self, M: FloatArray) -> tuple[FloatArray, float]:
        """Give Q, the matrix that prices, and the value: log det M or trace(WA)."""
        A = np.asarray(np.linalg.inv(M), dtype=float)
        if self.criterion == "D":
            return A, float(np.linalg.slogdet(M)[1])
        W = padded_moments(self.problem)
        return A @ W @ A, float((A * W).sum())

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


def rows_of(ground: Ground, fixed: FloatArray) -> FloatArray:
    """Append fixed columns to the candidates' rows. fixed: (n_fixed,)."""
    if not len(fixed):
        return ground.matrix
    return np.hstack([ground.matrix, np.broadcast_to(fixed, (len(ground.matrix), len(fixed)))])


def _sums(ground: Ground, filling: Filling, weight: Weights) -> FloatArray:
    """Give s for each group: the sum of a plate's rows. shape (n_groups, n_columns)."""
    mixed = sum(
        count * weight.within[c][:, None] * rows_of(ground, filling.fixed[c]) for c, count in enumerate(filling.count)
    )
    return ground.add_up(np.asarray(mixed))


def _prices(ground: Ground, filling: Filling, Q: FloatArray, s: FloatArray | None) -> FloatArray:
    """Price each candidate in each class of a plate; never negative. shape (n_classes, n_candidates).

    With a plate error the price is the slope of ``trace(Q M)``: the plate's sum s is taken as it is, which can only
    overstate what another plate is worth, since ``s s'`` is convex.
    """
    prices = np.empty((len(filling.count), len(ground.matrix)))
    for c, fixed in enumerate(filling.fixed):
        Y = rows_of(ground, fixed)
        YQ = Y @ Q
        prices[c] = filling.scale * (YQ * Y).sum(axis=1)
        if s is not None:
            sQ = (s * (s @ Q)).sum(axis=1)
            prices[c] += filling.taken * (
                sQ[ground.group] / filling.count.sum() - 2.0 * (YQ * s[ground.group]).sum(axis=1)
            )
    return prices


def best_weights(weighing: Weighing, ground: Ground) -> tuple[float, float]:
    """Improve the weights until the certificate is tight; give the bound and its gap."""
    weights = weighing.even(ground)
    weighing.check_support(weighing.information(ground, weights))
    best = (math.nan, math.inf)
    left, block = MOST_ROUNDS, 20
    while left > 0:
        active, kept = _active(ground, weights)
        own = [Weights(w.of_group, w.within[:, active]) for w in weights]
        for _ in range(block):
            own = _round(weighing, kept, own)
        for w, o in zip(weights, own, strict=True):
            w.of_group, w.within = o.of_group, np.zeros_like(w.within)
            w.within[:, active] = o.within
        left, block = left - block, min(2 * block, 300)
        best = min(best, _check(weighing, ground, weights), key=lambda found: found[1])
        if best[1] < GAP:
            break
    return best


def _active(ground: Ground, weights: list[Weights]) -> tuple[BoolArray, Ground]:
    """Mark the candidates that carry weight worth speaking of, and give the ground made of them."""
    mask = np.zeros(len(ground.matrix), dtype=bool)
    for weight in weights:
        for within in weight.within:
            mask |= within > NEGLIGIBLE_SHARE * ground.largest(within)[ground.group]
    return mask, ground.keep(mask)


def _round(weighing: Weighing, ground: Ground, weights: list[Weights]) -> list[Weights]:
    """Multiply every weight by its price over the average price."""
    Q, _ = weighing.direction(weighing.information(ground, weights))
    improved = []
    for filling, weight in zip(weighing.fillings, weights, strict=True):
        s = _sums(ground, filling, weight) if filling.taken else None
        prices = _prices(ground, filling, Q, s)
        of_group = weight.of_group * (filling.count @ _by_group(ground, weight.within * prices)) ** weighing.power
        within = weight.within * prices**weighing.power
        within /= _by_group(ground, within)[:, ground.group]
        improved.append(Weights(of_group / of_group.sum(), within))
    return improved


def _by_group(ground: Ground, values: FloatArray) -> FloatArray:
    """Add up each class by group. values: (n_classes, n_candidates); returns (n_classes, n_groups)."""
    return np.asarray(np.add.reduceat(values, ground.start, axis=1))


def _check(weighing: Weighing, ground: Ground, weights: list[Weights]) -> tuple[float, float]:
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
