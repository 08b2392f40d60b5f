"""The moves of the search: replace a weld, change one factor of a weld, repeat a weld, change a held factor of a plate.

Each move is made in every design of a batch at once: it prices its choices by ``merit`` and takes the best one
where that is an improvement. Every ``_step`` returns which designs became better, shape (n_designs,).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.planning.candidates import SingleArray, setting_keys
from doe.planning.lockstep import (
    LEAST_GAIN,
    Batch,
    Change,
    Settings,
    Walk,
    may_be_welded,
    merit,
    refresh,
    replace_weld,
    with_fixed,
)
from doe.planning.problem import BoolArray, IntArray

SINGLE_NOISE: Final = 1e-6
"""Candidates are priced to single precision: a smaller improvement than this is not told from none."""


def candidate_squares(walk: Walk, batch: Batch) -> SingleArray:
    """Give f'Af and f'Bf of every candidate; ``replace_step`` keeps them up to date.

    Returns
    -------
    ndarray of float32, shape (n_designs, 1 or 2, n_candidates)
    """
    S, depth, q, _ = batch.inverse.shape
    upper = batch.inverse.reshape(S * depth, q * q)[:, walk.pair_index].astype(np.float32)
    return np.asarray((upper @ walk.candidate_pairs).reshape(S, depth, -1))


def replace_step(walk: Walk, batch: Batch, i: int, squares: SingleArray) -> BoolArray:
    """Replace weld i of each design by the best of the candidates."""
    offer, candidates = _offer(walk, batch, i), walk.candidates
    lost = _lost_candidates(walk, batch, i) if walk.problem.repeats else None
    best, value = np.zeros(len(batch), dtype=np.int64), np.full(len(batch), -np.inf)
    for designs, among in _where_to_look(walk, batch, i):
        merits = offer.merits(walk, designs, squares[designs, :, among], walk.candidate_columns[:, among])
        if lost is not None:
            merits[lost[designs, among]] = -np.inf
        place = merits.argmax(axis=1)
        best[designs], value[designs] = among.start + place, merits[np.arange(len(place)), place]
    better = np.zeros(len(batch), dtype=bool)
    which = np.flatnonzero(value > (SINGLE_NOISE * offer.trace if walk.criterion == "I" else SINGLE_NOISE))
    if len(which):
        chosen = best[which]
        change = replace_weld(walk, batch, i, which, Settings(candidates.rows[chosen], candidates.matrix[chosen]))
        _follow(walk, squares, change)
        better[change.which] = True
    return better


def exchange_step(walk: Walk, batch: Batch) -> BoolArray:
    """Make the one exchange of a weld for a candidate that betters each design most (Fedorov 1972).

    All welds are priced at once, which spares a small problem many small steps; for welds that stand for themselves.
    """
    n_candidates, F = len(walk.candidates.rows), walk.places[-1].scale * walk.candidates.matrix.T
    U = walk.places[-1].scale * batch.X[:, walk.n_given :]
    to_F = batch.inverse @ F
    inner = (F * to_F).sum(axis=-2)[:, :, None]
    crossed = U[:, None] @ to_F
    own = (U[:, None] * (U[:, None] @ batch.inverse)).sum(axis=-1)[..., None]
    left, more = 1.0 - own[:, 0], 1.0 + inner[:, 0]
    gain, cost = (more * left + crossed[:, 0] ** 2).reshape(len(batch), -1), None
    if walk.needs_trace:
        cost = left * inner[:, 1] + 2.0 * crossed[:, 0] * crossed[:, 1] - more * own[:, 1]
        cost = cost.reshape(len(batch), -1)
    merits = merit(walk, batch.trace, gain, cost)
    best = merits.argmax(axis=1)
    which = np.flatnonzero(merits[np.arange(len(best)), best] > 0)
    weld, candidate = np.divmod(best[which], n_candidates)
    better = np.zeros(len(batch), dtype=bool)
    for i in np.unique(weld):
        chosen = candidate[weld == i]
        new = Settings(walk.candidates.rows[chosen], walk.candidates.matrix[chosen])
        better[replace_weld(walk, batch, walk.n_given + i, which[weld == i], new).which] = True
    return better


@dataclass(frozen=True, eq=False)
class _Offer:
    """What the price of every replacement of a weld needs, once a design.

    With f the candidate's model row, [gain, cost] = mix @ [f'Af, f'Bf] + linear @ [f, 1] + x_0 [x_0, x_1],
    x = crossed @ [f, 1].

    Attributes
    ----------
    mix : ndarray of float32, shape (n_designs, depth, depth)
        depth is 2, or 1 for D, where there is no cost.
    linear, crossed : ndarray of float32, shape (n_designs, depth, n_terms + 1)
        For a weld that stands for itself ``linear`` is (n_designs, depth, 1), its constant: the rest would be 0.
    trace : ndarray of float32, shape (n_designs,)
    """

    mix: SingleArray
    linear: SingleArray
    crossed: SingleArray
    trace: SingleArray

    def merits(self, walk: Walk, designs: slice | IntArray, squares: SingleArray, columns: SingleArray) -> SingleArray:
        """Price candidates. squares: (m, depth, n), columns: (n_terms + 1, n); returns (m, n)."""
        price = self.mix[designs] @ squares
        m, depth, n = price.shape
        linear = self.linear[designs]
        if linear.shape[2] > 1:
            linear = (linear.reshape(m * depth, -1) @ columns).reshape(m, depth, n)
        price += linear
        x = (self.crossed[designs].reshape(m * depth, -1) @ columns).reshape(m, depth, n)
        price += x[:, :1] * x
        worth = merit(walk, self.trace[designs], price[:, 0], price[:, 1] if depth > 1 else None)
        return np.asarray(worth, dtype=np.float32)


def _offer(walk: Walk, batch: Batch, i: int) -> _Offer:
    """Work out the prices of replacing weld i, see ``lockstep`` for gain and cost."""
    S, depth = batch.inverse.shape[:2]
    p, scale = walk.n_terms, walk.places[i].scale
    u, rest = _leaving(walk, batch, i)
    to_u = (batch.inverse @ u[:, None, :, None])[..., 0]
    uu = (to_u * u[:, None]).sum(axis=-1)
    mix = np.zeros((S, depth, depth))
    mix[:, 0, 0] = 1.0 - uu[:, 0]
    if depth > 1:
        mix[:, 1, 1], mix[:, 1, 0] = mix[:, 0, 0], -uu[:, 1]
    crossed = np.zeros((S, depth, p + 1), dtype=np.float32)
    crossed[:, :, :p] = scale * to_u[:, :, :p]
    linear = mix[:, :, :1]
    if rest is not None:
        square = np.zeros((S, depth, p + 1))
        square[:, 0, p] = 1.0
        to_rest = (batch.inverse @ rest[:, None, :, None])[..., 0]
        square[:, :, :p] = 2.0 * scale**2 * to_rest[:, :, :p]
        square[:, :, p] += scale**2 * (to_rest * rest[:, None]).sum(axis=-1)
        crossed[:, :, p] = scale * (to_u * rest[:, None]).sum(axis=-1)
        linear = mix @ square
    if depth > 1:
        crossed[:, 1] *= 2.0
    single = np.float32
    return _Offer((scale**2 * mix).astype(single), linear.astype(single), crossed, batch.trace.astype(single))


def _leaving(walk: Walk, batch: Batch, i: int) -> tuple[FloatArray, FloatArray | None]:
    """Give u of weld i, and the part of w before scaling that no setting changes (None where there is none)."""
    place = walk.places[i]
    if not len(place.mates) and not walk.fixed.shape[1]:
        return place.scale * batch.X[:, i], None
    rest = -place.share * batch.X[:, place.mates].sum(axis=1)
    u = place.scale * (batch.X[:, i] + rest)
    rest[:, walk.n_terms :] += walk.fixed[i]
    return u, rest


def _follow(walk: Walk, squares: SingleArray, change: Change) -> None:
    """Bring the candidates' f'Af and f'Bf up to date after a replacement."""
    if not len(change.which):
        return
    pieces = [change.left, change.right] if change.mixed is None else [change.left, change.right, 2.0 * change.mixed]
    p = walk.n_terms
    coefficients = np.concatenate(pieces, axis=-1)[:, :p].transpose(0, 2, 1).astype(np.float32)
    m, n_pieces, _ = coefficients.shape
    along = (coefficients.reshape(m * n_pieces, p) @ walk.candidate_columns[:p]).reshape(m, n_pieces, -1)
    loss = along[:, None, :2] * along[:, 2:].reshape(m, -1, 2, along.shape[-1])
    squares[change.which] -= loss[:, :, 0] + loss[:, :, 1]


def _where_to_look(walk: Walk, batch: Batch, i: int) -> list[tuple[slice | IntArray, slice]]:
    """Give designs with the candidates weld i may take in them: all, or those with its plate's held settings."""
    candidates = walk.candidates
    if not walk.places[i].is_held:
        return [(slice(None), slice(0, len(candidates.rows)))]
    groups = candidates.group_of(batch.rows[:, i][:, np.flatnonzero(walk.problem.held)])
    return [
        (
            np.flatnonzero(groups == g),
            slice(candidates.group_start[g], candidates.group_start[g] + candidates.group_size[g]),
        )
        for g in np.unique(groups[groups >= 0])
    ]


def _lost_candidates(walk: Walk, batch: Batch, i: int) -> BoolArray:
    """Mark candidates that would leave a design with too few repeats. returns (n_designs, n_candidates)."""
    others, is_tight = _tight(walk, batch, i)
    known = walk.candidates.keys[walk.candidate_order]
    place = np.clip(np.searchsorted(known, others), 0, len(known) - 1)
    design, weld = np.nonzero(known[place] == others)
    lost = np.repeat(is_tight[:, None], len(known), axis=1)
    lost[design, walk.candidate_order[place[design, weld]]] = False
    return lost


def _tight(walk: Walk, batch: Batch, i: int) -> tuple[FloatArray, BoolArray]:
    """Give the keys of the other welds, and in which designs weld i may only repeat one of them."""
    others = np.delete(batch.keys, i, axis=1)
    return others, count_distinct(others) >= walk.problem.n_welds - walk.problem.repeats


def count_distinct(keys: FloatArray) -> IntArray:
    """Count the different settings. keys: (..., n_welds); returns (...)."""
    return np.asarray(1 + (np.diff(np.sort(keys, axis=-1), axis=-1) != 0).sum(axis=-1))


def change_step(walk: Walk, batch: Batch, i: int) -> BoolArray:
    """Change one factor of weld i of each design, the one and to the level that betters it most."""
    place, problem = walk.places[i], walk.problem
    free = [j for j in range(len(problem.levels)) if not (place.is_held and problem.held[j])]
    parts = walk.table.parts(batch.rows[:, i])
    terms, new = [], []
    for j in free:
        others = np.delete(parts, j, axis=1).prod(axis=1)
        terms.append(others[:, None] * walk.table.level_rows[j])
        changed = np.repeat(batch.rows[:, i][:, None, :], len(problem.levels[j]), axis=1)
        changed[:, :, j] = problem.levels[j]
        new.append(changed)
    return _take_best(walk, batch, i, np.concatenate(terms, axis=1), np.concatenate(new, axis=1))


def _take_best(walk: Walk, batch: Batch, i: int, terms: FloatArray, new: FloatArray) -> BoolArray:
    """Put the best of each design's own choices in place of weld i. terms: (S, m, n_terms), new: (S, m, n_factors)."""
    merits = _merits_of_rows(walk, batch, i, terms)
    barred = _barred_changes(walk, batch, i, new)
    if barred is not None:
        merits[barred] = -np.inf
    best = merits.argmax(axis=1)
    better = np.zeros(len(batch), dtype=bool)
    which = np.flatnonzero(merits[np.arange(len(best)), best] > 0)
    if len(which):
        chosen = Settings(new[which, best[which]], terms[which, best[which]])
        better[replace_weld(walk, batch, i, which, chosen).which] = True
    return better


def _merits_of_rows(walk: Walk, batch: Batch, i: int, terms: FloatArray) -> FloatArray:
    """Price model rows of each design's own in place of weld i.

    terms: (n_designs, m, n_terms); returns (n_designs, m).
    """
    u, rest = _leaving(walk, batch, i)
    w = with_fixed(terms, np.zeros((1, walk.fixed.shape[1])))
    if rest is not None:
        w = w + rest[:, None]
    w = walk.places[i].scale * w
    uI = u[:, None, None] @ batch.inverse
    uu = (uI @ u[:, None, :, None])[..., 0, 0]
    uw = (uI @ w.transpose(0, 2, 1)[:, None])[:, :, 0]
    ww = ((w[:, None] @ batch.inverse) * w[:, None]).sum(axis=-1)
    left = 1.0 - uu[:, :1]
    gain = (1.0 + ww[:, 0]) * left + uw[:, 0] ** 2
    if not walk.needs_trace:
        return np.asarray(merit(walk, batch.trace, gain, None), dtype=float)
    cost = left * ww[:, 1] + 2.0 * uw[:, 0] * uw[:, 1] - (1.0 + ww[:, 0]) * uu[:, 1:]
    return np.asarray(merit(walk, batch.trace, gain, cost), dtype=float)


def _barred_changes(walk: Walk, batch: Batch, i: int, new: FloatArray) -> BoolArray | None:
    """Mark changed settings of weld i that are not allowed or would leave too few repeats. new: (S, L, n_factors)."""
    barred = None if walk.allows_all_levels else ~may_be_welded(walk, new)
    if walk.problem.repeats:
        others, is_tight = _tight(walk, batch, i)
        lost = is_tight[:, None] & ~(setting_keys(new)[:, :, None] == others[:, None, :]).any(axis=-1)
        barred = lost if barred is None else barred | lost
    return barred


def repeat_step(walk: Walk, batch: Batch, i: int) -> BoolArray:
    """Make weld i of each design a repeat of another of its welds, where that is better."""
    merits = _merits_of_rows(walk, batch, i, batch.X[:, :, : walk.n_terms])
    merits[~may_be_welded(walk, batch.rows)] = -np.inf
    if walk.places[i].is_held:
        plates = setting_keys(batch.rows[:, :, np.flatnonzero(walk.problem.held)])
        merits[plates != plates[:, i : i + 1]] = -np.inf
    best = merits.argmax(axis=1)
    better = np.zeros(len(batch), dtype=bool)
    which = np.flatnonzero(merits[np.arange(len(best)), best] > 0)
    if len(which):
        chosen = Settings(batch.rows[which, best[which]], batch.X[which, best[which], : walk.n_terms])
        better[replace_weld(walk, batch, i, which, chosen).which] = True
    return better


def plate_step(walk: Walk, batch: Batch, members: IntArray, j: int) -> BoolArray:
    """Change held factor j of a whole plate of each design to the best of its levels."""
    levels = walk.problem.levels[j]
    new = np.repeat(batch.rows[:, members][:, None], len(levels), axis=1)
    new[..., j] = levels[None, :, None]
    parts = walk.table.parts(batch.rows[:, members])
    parts[..., j, :] = 1.0
    terms = parts.prod(axis=-2)[:, None] * walk.table.level_rows[j][None, :, None, :]
    merits = _plate_merits(walk, batch, members, with_fixed(terms, walk.fixed[members]))
    merits[_barred_plates(walk, batch, members, new)] = -np.inf
    best = merits.argmax(axis=1)
    better = merits[np.arange(len(best)), best] > 0
    which = np.flatnonzero(better)
    if len(which):
        chosen = batch.take(which)
        chosen.rows[:, members] = new[which, best[which]]
        chosen.keys[:, members] = setting_keys(chosen.rows[:, members])
        chosen.X[:, members] = with_fixed(walk.table.model_rows(chosen.rows[:, members]), walk.fixed[members])
        refresh(walk, chosen)
        batch.put(which, chosen)
    return np.asarray(better)


def _plate_merits(walk: Walk, batch: Batch, members: IntArray, new: FloatArray) -> FloatArray:
    """Price new model rows for a plate. new: (n_designs, n_choices, m, n_columns).

    With U the new and the old rows, both cleared of the plate's error, and D = diag(1 ..., -1 ...), M becomes M + U'DU:
    the determinant grows by det(I + DUAU') and the average variance falls by trace((D + UAU')^-1 UBU').
    """
    m = len(members)
    kappa = 1.0 - (1.0 + m * walk.plate_ratio) ** -0.5
    old = batch.X[:, members]
    new = new - kappa * new.mean(axis=2, keepdims=True)
    old = old - kappa * old.mean(axis=1, keepdims=True)
    U = np.concatenate([new, np.broadcast_to(old[:, None], new.shape)], axis=2)
    sign = np.repeat([1.0, -1.0], m)
    H = U @ batch.inverse[:, :1] @ U.transpose(0, 1, 3, 2)
    gain = np.linalg.det(np.eye(2 * m) + sign[:, None] * H)
    if not walk.needs_trace:
        return np.asarray(merit(walk, batch.trace, gain, None), dtype=float)
    core = np.diag(sign) + H
    is_lost = gain <= LEAST_GAIN
    core[is_lost] = np.eye(2 * m)
    fall = (np.linalg.inv(core) * (U @ batch.inverse[:, 1:] @ U.transpose(0, 1, 3, 2))).sum(axis=(2, 3))
    merits = merit(walk, batch.trace, gain, fall * np.maximum(gain, LEAST_GAIN))
    merits[is_lost] = -np.inf
    return np.asarray(merits, dtype=float)


def _barred_plates(walk: Walk, batch: Batch, members: IntArray, new: FloatArray) -> BoolArray:
    """Mark changed plates with a setting that is not allowed, or that leave too few repeats. new: (S, L, m, k)."""
    barred = np.zeros(new.shape[:2], dtype=bool)
    if not walk.allows_all_levels:
        barred |= ~may_be_welded(walk, new).all(axis=2)
    if walk.problem.repeats:
        keys = np.repeat(batch.keys[:, None], new.shape[1], axis=1)
        keys[:, :, members] = setting_keys(new)
        barred |= count_distinct(keys) > walk.problem.n_welds - walk.problem.repeats
    return barred
