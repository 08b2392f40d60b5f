"""Approximate designs over whole plates: weights on every plate that could be made.

The plates are many (all sets of settings with the same held part), so the search keeps the few that carry weight and,
in turns, finds their best weights and prices every plate in the list; the price of a plate is read from the Gram
matrix of the candidates.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.planning.approximate import GAP, Filling, Ground, Weighing, rows_of
from doe.planning.problem import IntArray

MOST_PLATES: Final = 400_000
"""So many plates are listed at most, all kinds of plates together."""
MOST_CANDIDATES: Final = 2_000
"""And so many settings, whose Gram matrix is kept."""
FIRST_PLATES: Final = 300
"""Plates of each kind that the search begins with, drawn at random."""
MOST_TURNS: Final = 100
ROUNDS: Final = 60
"""Turns of pricing every plate, and rounds of the multiplicative algorithm between them."""
NEWCOMERS: Final = 12
"""Plates of each kind that join in a turn, those with the highest price."""
NEW_WEIGHT: Final = 0.05
"""Weight they share at first."""
NEGLIGIBLE: Final = 1e-6
"""Plates with less weight than this drop out."""


def can_list_plates(fillings: Sequence[Filling], group_size: IntArray) -> bool:
    """Say whether welds share plates, and all plates that could be made can be listed."""
    if not any(filling.taken for filling in fillings) or group_size.sum() > MOST_CANDIDATES:
        return False
    return sum(_count(filling, group_size) for filling in fillings) <= MOST_PLATES


def _count(filling: Filling, group_size: IntArray) -> int:
    """Count the plates of one kind."""
    each = [math.prod(math.comb(int(size) + int(c) - 1, int(c)) for c in filling.count) for size in group_size]
    return sum(each)


@dataclass(eq=False)
class _Kind:
    """All plates of one kind, and the weights of those under consideration.

    Attributes
    ----------
    filling : Filling
    slot_class : ndarray of int, shape (m,)
        Which fixed columns each weld of the plate has.
    settings : ndarray of int, shape (n_plates, m)
        The candidate each weld takes.
    chosen : ndarray of int, shape (n_chosen,)
    weights : ndarray, shape (n_chosen,)
        Adds up to 1.
    pieces : ndarray, shape (n_chosen, n_columns**2)
        Information of each chosen plate.
    """

    filling: Filling
    slot_class: IntArray
    settings: IntArray
    chosen: IntArray
    weights: FloatArray
    pieces: FloatArray


def best_plates(weighing: Weighing, ground: Ground) -> tuple[float, float]:
    """Find the best weights of whole plates; give the bound and its gap."""
    rng = np.random.default_rng(0)
    kinds = [_kind(filling, ground, rng) for filling in weighing.fillings]
    weighing.check_support(_information(weighing, kinds))
    best = (math.nan, math.inf)
    for _ in range(MOST_TURNS):
        _settle(weighing, kinds)
        M = _information(weighing, kinds)
        Q, _ = weighing.direction(M)
        prices = [_prices(kind, ground, Q) for kind in kinds]
        highest = sum(kind.filling.n * float(price.max()) for kind, price in zip(kinds, prices, strict=True))
        best = min(best, weighing.certificate(M, Q, highest), key=lambda found: found[1])
        if best[1] < GAP:
            break
        for kind, price in zip(kinds, prices, strict=True):
            _renew(kind, ground, price)
    return best


def _settle(weighing: Weighing, kinds: Sequence[_Kind]) -> None:
    """Improve the weights of the plates under consideration."""
    for _ in range(ROUNDS):
        Q, _ = weighing.direction(_information(weighing, kinds))
        for kind in kinds:
            kind.weights = kind.weights * (kind.pieces @ Q.ravel()) ** weighing.power
            kind.weights /= kind.weights.sum()


def _kind(filling: Filling, ground: Ground, rng: np.random.Generator) -> _Kind:
    """List the plates of one kind and begin with some of them, evenly weighted."""
    ends = np.append(ground.start[1:], len(ground.matrix))
    settings = np.vstack([_plates_of(filling, int(a), int(b)) for a, b in zip(ground.start, ends, strict=True)])
    slot_class = np.repeat(np.arange(len(filling.count)), filling.count.astype(int))
    chosen = rng.choice(len(settings), min(FIRST_PLATES, len(settings)), replace=False)
    kind = _Kind(filling, slot_class, settings, chosen, np.full(len(chosen), 1.0 / len(chosen)), np.zeros((0, 0)))
    kind.pieces = _pieces(kind, ground, chosen)
    return kind


def _plates_of(filling: Filling, start: int, end: int) -> IntArray:
    """List the plates whose settings are candidates ``start`` to ``end - 1``; order counts only between classes."""
    listed = np.zeros((1, 0), dtype=np.int64)
    for count in filling.count.astype(int):
        own = np.array(list(itertools.combinations_with_replacement(range(start, end), count)), dtype=np.int64)
        listed = np.hstack([np.repeat(listed, len(own), axis=0), np.tile(own, (len(listed), 1))])
    return listed


def _pieces(kind: _Kind, ground: Ground, which: IntArray) -> FloatArray:
    """Give the information of some plates, flattened."""
    terms = ground.matrix[kind.settings[which]]
    fixed = kind.filling.fixed[kind.slot_class]
    Y = np.concatenate([terms, np.broadcast_to(fixed, (*terms.shape[:2], fixed.shape[1]))], axis=2)
    s = Y.sum(axis=1)
    pieces = kind.filling.scale * Y.transpose(0, 2, 1) @ Y - kind.filling.taken * s[:, :, None] * s[:, None, :]
    return np.asarray(pieces.reshape(len(which), Y.shape[2] ** 2))


def _information(weighing: Weighing, kinds: Sequence[_Kind]) -> FloatArray:
    """Give M."""
    M = weighing.known.ravel() + sum(kind.filling.n * (kind.weights @ kind.pieces) for kind in kinds)
    return np.asarray(M).reshape(weighing.known.shape)


def _prices(kind: _Kind, ground: Ground, Q: FloatArray) -> FloatArray:
    """Price every plate of one kind: trace(Q times its information)."""
    filling, m = kind.filling, kind.settings.shape[1]
    rows = [rows_of(ground, fixed) for fixed in filling.fixed]
    gram = {(a, b): rows[a] @ Q @ rows[b].T for a, b in itertools.combinations_with_replacement(range(len(rows)), 2)}
    prices = np.zeros(len(kind.settings))
    for i in range(m):
        a = int(kind.slot_class[i])
        prices += (filling.scale - filling.taken) * gram[a, a].diagonal()[kind.settings[:, i]]
        for j in range(i):
            b = int(kind.slot_class[j])
            prices -= 2.0 * filling.taken * gram[b, a][kind.settings[:, j], kind.settings[:, i]]
    return prices


def _renew(kind: _Kind, ground: Ground, prices: FloatArray) -> None:
    """Drop plates without weight and take in those with the highest prices."""
    kept = kind.weights > NEGLIGIBLE
    best = np.argsort(prices, kind="stable")[-NEWCOMERS:]
    new = np.setdiff1d(best, kind.chosen[kept])
    kind.chosen = np.concatenate([kind.chosen[kept], new])
    kind.pieces = np.vstack([kind.pieces[kept], _pieces(kind, ground, new)])
    share = NEW_WEIGHT if len(new) else 0.0
    old = kind.weights[kept] * (1.0 - share) / kind.weights[kept].sum()
    kind.weights = np.concatenate([old, np.full(len(new), share / max(len(new), 1))])
