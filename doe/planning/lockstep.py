"""Many designs held side by side, and the algebra by which one weld of each is replaced.

Write ``A = M^-1`` and ``B = A W A``. Replacing a weld takes one rank-one piece ``u u'`` out of M and puts ``w w'``
in. For a weld alone on its plate u and w are its old and new model rows. For a weld that shares its plate with
others, whose rows add up to s, they are ``sqrt(1 - c_m) (x - c_(m-1) s)`` with ``c_m = eta / (1 + m eta)`` and m
welds on the plate: what the plate's error leaves of the row. With

    gain = (1 + w'Aw)(1 - u'Au) + (u'Aw)^2
    cost = (1 - u'Au) w'Bw + 2 u'Aw u'Bw - (1 + w'Aw) u'Bu

the determinant becomes ``gain * det(M)`` and the average variance ``trace(WA) - cost / gain`` (Fedorov 1972 for D,
Meyer and Nachtsheim 1995 for I; written from memory, proved in the tests). So a candidate is priced by a few products.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from doe.coding import FloatArray
from doe.planning.candidates import (
    CandidateSet,
    SingleArray,
    TermTable,
    candidate_set,
    columns_and_one,
    n_pairs,
    pair_indices,
    pair_products,
    setting_keys,
    term_table,
)
from doe.planning.problem import (
    BoolArray,
    Criterion,
    DesignProblem,
    IntArray,
    allowed_settings,
    fixed_columns,
    is_allowed,
    padded_moments,
    plate_members,
)

RealArray = npt.NDArray[np.floating[Any]]
"""Single or double precision, as the prices are worked out."""

LEAST_GAIN: Final = 1e-6
"""A replacement that shrinks the determinant to less than this share all but loses a term and is not made."""
IMPROVEMENT: Final = 1e-9
"""A move counts as an improvement when it betters the criterion by more than this share; less is rounding."""
JITTER: Final = 1e-11
"""Added to the diagonal of M before it is inverted, so that a singular design has a huge value instead of none."""
RIDGE: Final = 1e-3
"""Added to the diagonal for one sweep where M is singular: the moves then mend it first."""
SINGULAR: Final = 1e6
"""A design in which some coefficient has a larger variance than this, in weld variances, counts as singular."""
PRICED_IN_FULL: Final = 400_000
"""Candidates times pairs of terms up to which all candidates are priced for each weld."""


@dataclass(frozen=True, eq=False)
class Place:
    """A weld's place in the design.

    Attributes
    ----------
    mates : ndarray of int
        The other welds on its plate.
    scale, share : float
        ``sqrt(1 - c_m)`` and ``c_(m-1)``.
    is_held : bool
        Whether the plate fixes its held factors.
    """

    mates: IntArray
    scale: float
    share: float
    is_held: bool


@dataclass(frozen=True, eq=False)
class Walk:
    """All that stays the same while designs are improved.

    Attributes
    ----------
    problem, criterion
    candidates : CandidateSet
    candidate_columns : ndarray of float32, shape (n_terms + 1, n_candidates)
        The candidates' model rows, and 1.
    candidate_pairs : ndarray of float32, shape (n_pairs, n_candidates)
        The products that, times the upper triangle of A, give f' A f.
    pair_index : ndarray of int, shape (n_pairs,)
        The upper triangle of the terms' part of a flattened A.
    table : TermTable
    fixed : ndarray, shape (n_welds, n_fixed)
    moments : ndarray, shape (n_columns, n_columns)
    inverse_covariance : ndarray, shape (n_welds, n_welds), or None where it is the identity
    places : tuple of Place
    plates : tuple of ndarray of int
        The welds of each plate with several.
    order : int
        How many terms the D value counts.
    candidate_order : ndarray of int
        Sorts the candidates by key.
    known_keys : ndarray
        The keys of every allowed setting, rising; empty where they were not all listed.
    """

    problem: DesignProblem
    criterion: Criterion
    candidates: CandidateSet
    candidate_columns: SingleArray
    candidate_pairs: SingleArray
    pair_index: IntArray
    table: TermTable
    fixed: FloatArray
    moments: FloatArray
    inverse_covariance: FloatArray | None
    places: tuple[Place, ...]
    plates: tuple[IntArray, ...]
    order: int
    candidate_order: IntArray
    known_keys: FloatArray

    @property
    def n_given(self) -> int:
        """How many welds are kept."""
        return len(self.problem.given)

    @property
    def n_terms(self) -> int:
        """How many terms the model has."""
        return len(self.problem.terms)

    @property
    def plate_ratio(self) -> float:
        """Plate variance over weld variance; 0 where every weld stands for itself."""
        return 0.0 if self.problem.plate is None else self.problem.plate_ratio

    @property
    def allows_all_levels(self) -> bool:
        """Whether every combination of levels may be welded, and nothing else."""
        problem = self.problem
        return not (len(problem.limit_bound) or len(problem.extra_points) or problem.candidates is not None)

    @property
    def needs_trace(self) -> bool:
        """Whether the average variance enters the criterion."""
        return self.criterion != "D"


@dataclass(eq=False)
class Batch:
    """Designs side by side.

    Attributes
    ----------
    rows : ndarray, shape (n_designs, n_welds, n_factors)
    X : ndarray, shape (n_designs, n_welds, n_columns)
    keys : ndarray, shape (n_designs, n_welds)
        One number a setting; kept up to date where repeats are counted.
    inverse : ndarray, shape (n_designs, 1 or 2, n_columns, n_columns)
        A, and B where the average variance counts.
    trace, log_determinant : ndarray, shape (n_designs,)
    is_singular : ndarray of bool, shape (n_designs,)
    """

    rows: FloatArray
    X: FloatArray
    keys: FloatArray
    inverse: FloatArray
    trace: FloatArray
    log_determinant: FloatArray
    is_singular: BoolArray

    def __len__(self) -> int:
        """How many designs there are."""
        return len(self.rows)

    def take(self, which: IntArray) -> Batch:
        """Copy some of the designs."""
        return Batch(*(getattr(self, name)[which] for name in self.__dataclass_fields__))

    def put(self, which: IntArray, other: Batch) -> None:
        """Overwrite some of the designs."""
        for name in self.__dataclass_fields__:
            getattr(self, name)[which] = getattr(other, name)


def join(batches: Sequence[Batch]) -> Batch:
    """Put batches one after the other."""
    batches = [batch for batch in batches if len(batch)] or batches[:1]
    if len(batches) == 1:
        return batches[0]
    return Batch(*(np.concatenate([getattr(b, name) for b in batches]) for name in Batch.__dataclass_fields__))


def prepare(problem: DesignProblem, criterion: Criterion, rng: np.random.Generator) -> Walk:
    """Make, once, all that stays the same."""
    p = len(problem.terms)
    candidates = candidate_set(problem, rng, at_most=PRICED_IN_FULL // n_pairs(p))
    fixed = fixed_columns(problem)
    pairs = pair_indices(p)
    known = candidates.keys
    if not candidates.is_complete:
        known = np.zeros(0) if problem.candidates is None else setting_keys(allowed_settings(problem))
    plates, table = tuple(plate_members(problem)), term_table(problem)
    return Walk(
        problem=problem,
        criterion=criterion,
        candidates=candidates,
        candidate_columns=columns_and_one(candidates.matrix),
        candidate_pairs=pair_products(candidates.matrix, pairs),
        pair_index=pairs[0] * (p + fixed.shape[1]) + pairs[1],
        table=table,
        fixed=fixed,
        moments=padded_moments(problem),
        inverse_covariance=_inverse_covariance(problem),
        places=_places(problem, plates),
        plates=plates,
        order=p - (problem.block is not None),
        candidate_order=np.argsort(candidates.keys, kind="stable"),
        known_keys=np.sort(known),
    )


def _inverse_covariance(problem: DesignProblem) -> FloatArray | None:
    """Give V^-1, or None where it is the identity."""
    if problem.plate is None or problem.plate_ratio <= 0:
        return None
    same = problem.plate[:, None] == problem.plate[None, :]
    taken = problem.plate_ratio / (1 + same.sum(axis=1) * problem.plate_ratio)
    return np.asarray(np.eye(problem.n_welds) - same * taken)


def _places(problem: DesignProblem, plates: tuple[IntArray, ...]) -> tuple[Place, ...]:
    """Describe the place of each weld."""
    eta = 0.0 if problem.plate is None else problem.plate_ratio
    alone = Place(np.zeros(0, dtype=np.int64), (1 - _taken(eta, 1)) ** 0.5, 0.0, is_held=False)
    places = [alone] * problem.n_welds
    for members in plates:
        scale, share = (1 - _taken(eta, len(members))) ** 0.5, _taken(eta, len(members) - 1)
        for i in members:
            places[i] = Place(members[members != i], scale, share, any(problem.held))
    return tuple(places)


def _taken(eta: float, m: int) -> float:
    """Give c_m, what the plate's error takes from the sum of its m welds."""
    return eta / (1 + m * eta)


def make_batch(walk: Walk, rows: FloatArray) -> Batch:
    """Set designs side by side; ``refresh`` fills in the rest. rows: (n_designs, n_welds, n_factors)."""
    S, q = len(rows), walk.moments.shape[0]
    return Batch(
        rows=rows,
        X=with_fixed(walk.table.model_rows(rows), walk.fixed),
        keys=setting_keys(rows),
        inverse=np.empty((S, 2 if walk.needs_trace else 1, q, q)),
        trace=np.ones(S),
        log_determinant=np.zeros(S),
        is_singular=np.zeros(S, dtype=bool),
    )


def empty_batch(walk: Walk) -> Batch:
    """Give a batch without designs."""
    n, k, q = walk.problem.n_welds, len(walk.problem.levels), len(walk.moments)
    return Batch(
        rows=np.zeros((0, n, k)),
        X=np.zeros((0, n, q)),
        keys=np.zeros((0, n)),
        inverse=np.zeros((0, 2 if walk.needs_trace else 1, q, q)),
        trace=np.zeros(0),
        log_determinant=np.zeros(0),
        is_singular=np.zeros(0, dtype=bool),
    )


def with_fixed(terms: FloatArray, fixed: FloatArray) -> FloatArray:
    """Append the fixed columns. terms: (..., m, n_terms); fixed: (m, n_fixed)."""
    if not fixed.shape[1]:
        return terms
    return np.concatenate([terms, np.broadcast_to(fixed, (*terms.shape[:-1], fixed.shape[1]))], axis=-1)


def refresh(walk: Walk, batch: Batch) -> None:
    """Recompute A, B and the values from the rows; a singular design gets a ridge until the next time."""
    M = _information(walk, batch.X)
    diagonal = np.arange(M.shape[-1])
    M[:, diagonal, diagonal] += JITTER
    A = np.linalg.inv(M)
    batch.is_singular = ~(np.abs(A[:, diagonal, diagonal]).max(axis=1) < SINGULAR)
    if batch.is_singular.any():
        weak = M[batch.is_singular]
        weak[:, diagonal, diagonal] += RIDGE
        M[batch.is_singular], A[batch.is_singular] = weak, np.linalg.inv(weak)
    batch.inverse[:, 0] = A
    if walk.needs_trace:
        batch.inverse[:, 1] = A @ walk.moments @ A
        batch.trace = (A * walk.moments).sum(axis=(1, 2))
    if walk.criterion != "I":
        batch.log_determinant = np.linalg.slogdet(M)[1]


def _information(walk: Walk, X: FloatArray) -> FloatArray:
    """Give M of each design. X: (n_designs, n_welds, n_columns)."""
    weighted = X if walk.inverse_covariance is None else walk.inverse_covariance @ X
    M = X.transpose(0, 2, 1) @ weighted
    if walk.problem.prior_precision is not None:
        terms = np.arange(walk.n_terms)
        M[:, terms, terms] += walk.problem.prior_precision
    return np.asarray(M)


def loss(walk: Walk, batch: Batch) -> FloatArray:
    """Give the number that is made small: log I, -log D, or their sum; infinite for a singular design."""
    total = np.zeros(len(batch))
    if walk.needs_trace:
        total += np.log(batch.trace)
    if walk.criterion != "I":
        total -= batch.log_determinant / walk.order
    total[batch.is_singular] = np.inf
    return total


def merit(walk: Walk, trace: RealArray, gain: RealArray, cost: RealArray | None) -> RealArray:
    """Turn gain and cost of replacements into one number that is above 0 where they improve the design.

    Parameters
    ----------
    walk : Walk
    trace : ndarray, shape (n_designs,)
        The average variance as it is.
    gain, cost : ndarray, shape (n_designs, n_choices)
        Overwritten; ``cost`` is None for D.

    Returns
    -------
    ndarray, shape (n_designs, n_choices)
    """
    if cost is None:
        return gain - (1.0 + IMPROVEMENT)
    if gain.min(initial=1.0) <= LEAST_GAIN:
        np.copyto(cost, -np.inf, where=gain <= LEAST_GAIN)
        np.maximum(gain, LEAST_GAIN, out=gain)
    cost /= gain
    if walk.criterion == "I":
        cost -= IMPROVEMENT * trace[:, None]
        return cost
    return np.log(gain) / walk.order - np.log(np.maximum(1.0 - cost / trace[:, None], 1e-30)) - IMPROVEMENT


@dataclass(frozen=True, eq=False)
class Change:
    """What replacing a weld did to A and B.

    Attributes
    ----------
    which : ndarray of int, shape (m,)
        The designs it was done in.
    left, right : ndarray, shape (m, n_columns, 2)
        A lost ``left @ right'``.
    mixed : ndarray, shape (m, n_columns, 2), or None
        B lost ``left @ mixed' + mixed @ left'``.
    """

    which: IntArray
    left: FloatArray
    right: FloatArray
    mixed: FloatArray | None


@dataclass(frozen=True, eq=False)
class Settings:
    """New settings for one weld of some designs.

    Attributes
    ----------
    rows : ndarray, shape (m, n_factors)
    terms : ndarray, shape (m, n_terms)
        Their model rows.
    """

    rows: FloatArray
    terms: FloatArray


def replace_weld(walk: Walk, batch: Batch, i: int, which: IntArray, new: Settings) -> Change:
    """Put new settings in place of weld i of some designs where that is an improvement.

    A, B and the values are brought up to date; what comes back says in which designs it was done.

    Parameters
    ----------
    walk : Walk
    batch : Batch
    i : int
    which : ndarray of int, shape (m,)
    new : Settings
    """
    place = walk.places[i]
    x_new = with_fixed(new.terms[:, None, :], walk.fixed[i : i + 1])[:, 0]
    U = np.stack([x_new, batch.X[which, i]], axis=-1)
    if len(place.mates):
        U -= place.share * batch.X[which[:, None], place.mates].sum(axis=1)[:, :, None]
    change, is_better = _update(walk, batch, which, place.scale * U)
    done = change.which
    batch.X[done, i], batch.rows[done, i] = x_new[is_better], new.rows[is_better]
    if walk.problem.repeats:
        batch.keys[done, i] = setting_keys(new.rows[is_better])
    return change


def _update(walk: Walk, batch: Batch, which: IntArray, U: FloatArray) -> tuple[Change, BoolArray]:
    """Take u u' out of M and put w w' in where that is better. U = [w, u], shape (m, n_columns, 2)."""
    AU = batch.inverse[which] @ U[:, None]
    G = U.transpose(0, 2, 1)[:, None] @ AU
    ww, uw, uu = G[:, 0, 0, 0], G[:, 0, 0, 1], G[:, 0, 1, 1]
    gain = (1 + ww) * (1 - uu) + uw**2
    K = np.stack([1 - uu, uw, uw, -(1 + ww)], axis=-1).reshape(-1, 2, 2) / np.maximum(gain, LEAST_GAIN)[:, None, None]
    fall = (K * G[:, 1]).sum(axis=(1, 2)) if walk.needs_trace else None
    cost = None if fall is None else (fall * gain)[:, None]
    is_better = merit(walk, batch.trace[which], gain[:, None].copy(), cost)[:, 0] > 0
    if not is_better.all():
        which, AU, G, K, gain = which[is_better], AU[is_better], G[is_better], K[is_better], gain[is_better]
        fall = None if fall is None else fall[is_better]
    left = AU[:, 0]
    right, mixed = left @ K, None
    batch.inverse[which, 0] -= left @ right.transpose(0, 2, 1)
    if fall is not None:
        mixed = AU[:, 1] @ K - 0.5 * left @ (K @ G[:, 1] @ K)
        product = left @ mixed.transpose(0, 2, 1)
        batch.inverse[which, 1] -= product + product.transpose(0, 2, 1)
        batch.trace[which] -= fall
    batch.log_determinant[which] += np.log(gain)
    return Change(which, left, right, mixed), is_better


def may_be_welded(walk: Walk, rows: FloatArray) -> BoolArray:
    """Say which settings are among the allowed ones. rows: (..., n_factors); returns (...)."""
    if len(walk.known_keys):
        return is_among(setting_keys(rows), walk.known_keys)
    allowed = is_allowed(walk.problem, rows)
    if len(walk.problem.extra_points):
        for j, level in enumerate(walk.problem.levels):
            near = np.clip(np.searchsorted(level, rows[..., j] - 1e-9), 0, len(level) - 1)
            allowed = allowed & (np.abs(level[near] - rows[..., j]) < 1e-9)
    return np.asarray(allowed)


def is_among(keys: FloatArray, known: FloatArray) -> BoolArray:
    """Say which keys are known. known: rising."""
    return np.asarray(known[np.clip(np.searchsorted(known, keys), 0, len(known) - 1)] == keys)
