"""The largest box of settings that holds in enough of the posterior draws.

A draw "holds" at a setting where its assurance reaches the asked reliability. Each setting carries its draws as the
bits of 64-bit words, so that a box's draws are the AND of its settings' words and their number is a population count:
tens of thousands of boxes are then checked in a millisecond (METHOD 7.4). The search is exact: it gives what checking
every box would give, and leaves out only boxes that cannot pass (a box holds in no more draws than any box inside it)
or cannot be larger than one already found.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from doe.coding import FloatArray

WordArray = npt.NDArray[np.uint64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

WORD_BITS: Final = 64
MOST_BOXES: Final = 1_000_000
"""Up to this many boxes the search is exact (METHOD 7.7); beyond it ``doe.window.growth`` takes over."""


@dataclass(frozen=True)
class Box:
    """A box of settings on a grid.

    Attributes
    ----------
    low, high : tuple of int
        First and last index along each axis, both inside.
    count : int
        Draws that hold at every setting of the box.
    """

    low: tuple[int, ...]
    high: tuple[int, ...]
    count: int

    @property
    def size(self) -> int:
        """Number of settings on the grid."""
        return _volume(zip(self.low, self.high, strict=True))

    @property
    def slices(self) -> tuple[slice, ...]:
        """Index the box's part of an array over the grid."""
        return tuple(slice(low, high + 1) for low, high in zip(self.low, self.high, strict=True))


@dataclass(frozen=True, eq=False)
class Bits:
    """Which draws hold at each setting.

    Attributes
    ----------
    words : ndarray of uint64, shape (n_words, n_1, ..., n_k)
        Bits of the draws; all zero where a setting is not allowed. Words come first, because sums over the first axis
        are fast.
    n_draws : int
    """

    words: WordArray
    n_draws: int

    @property
    def shape(self) -> tuple[int, ...]:
        """The grid's shape."""
        return self.words.shape[1:]


def pack(holds: BoolArray, shape: Sequence[int] | None = None) -> Bits:
    """Pack draws into words.

    Parameters
    ----------
    holds : ndarray of bool, shape (n_points, n_draws)
    shape : sequence of int, optional
        The grid's shape; n_points where left out.
    """
    n_points, n_draws = holds.shape
    packed = np.packbits(holds, axis=1)
    padded = np.zeros((n_points, -(-n_draws // WORD_BITS) * (WORD_BITS // 8)), dtype=np.uint8)
    padded[:, : packed.shape[1]] = packed
    words = np.ascontiguousarray(padded.view(np.uint64).T)
    return Bits(words.reshape(len(words), *(shape if shape is not None else (n_points,))), n_draws)


def count_bits(words: WordArray) -> IntArray:
    """Count the bits over the first axis."""
    return np.asarray(np.add.reduce(np.bitwise_count(words), axis=0, dtype=np.int64))


def enough(level: float, n_draws: int) -> int:
    """Give the fewest draws that make up a share ``level`` of them."""
    return math.ceil(level * n_draws - 1e-9)


def box_words(bits: Bits, box: Box) -> WordArray:
    """AND the words of every setting in a box, shape (n_words,)."""
    inside = bits.words[(slice(None), *box.slices)]
    return np.asarray(np.bitwise_and.reduce(inside.reshape(len(inside), -1), axis=1))


def count_boxes(shape: Sequence[int]) -> int:
    """Count the boxes on a grid."""
    return math.prod(n * (n + 1) // 2 for n in shape)


def largest_box(bits: Bits, need: int, *, cost: FloatArray | None = None, limit: float = 0.0) -> Box | None:
    """Find the box with most settings that holds in at least ``need`` draws; among equals the highest count.

    Parameters
    ----------
    bits : Bits
        Over a grid of one or more axes.
    need : int
        At least 1.
    cost : ndarray, shape of the grid, optional
        Only boxes whose mean cost is at most ``limit`` count.
    limit : float

    Returns
    -------
    Box or None
        None where no setting passes. Exact; the time grows with the number of boxes.
    """
    order = np.argsort(bits.shape, kind="stable")
    words = np.transpose(bits.words, (0, *(order + 1)))
    if words.ndim == 2:
        order, words = np.array([-1, *order]), words[:, None]
    grid_cost = None if cost is None else np.transpose(cost, order[order >= 0]).reshape(words.shape[1:])
    search = _Search(need, limit)
    search.outer(words, grid_cost, ())
    return search.box(order)


def _volume(ranges: Iterable[tuple[int, int]]) -> int:
    """Count the settings in ranges of whole numbers, both ends inside."""
    return math.prod(high - low + 1 for low, high in ranges)


class _Search:
    """One exact search: the best box so far, and the boxes still to be looked at."""

    def __init__(self, need: int, limit: float) -> None:
        self.need = max(need, 1)
        self.limit = limit
        self.size = 0
        self.count = 0
        self.ranges: tuple[tuple[int, int], ...] = ()

    def box(self, order: IntArray) -> Box | None:
        """Put the found ranges back in the order of the axes."""
        if not self.size:
            return None
        placed = sorted((axis, r) for axis, r in zip(order.tolist(), self.ranges, strict=True) if axis >= 0)
        return Box(tuple(r[0] for _, r in placed), tuple(r[1] for _, r in placed), self.count)

    def outer(self, words: WordArray, cost: FloatArray | None, ranges: tuple[tuple[int, int], ...]) -> None:
        """Go through every range of the first axis left, until two are left."""
        volume = _volume(ranges)
        live = int(np.count_nonzero(count_bits(words) >= self.need))
        if volume * live < max(self.size, 1):
            return
        if words.ndim == 3:
            self.rows(words, cost, ranges)
            return
        n = words.shape[1]
        for low in range(n):
            held = words[:, low].copy()
            paid = None if cost is None else cost[low].copy()
            for high in range(low, n):
                if high > low:
                    held &= words[:, high]
                    paid = None if paid is None or cost is None else paid + cost[high]
                if not (count_bits(held) >= self.need).any():
                    break
                self.outer(held, paid, (*ranges, (low, high)))

    def rows(self, words: WordArray, cost: FloatArray | None, ranges: tuple[tuple[int, int], ...]) -> None:
        """Take every range of the second last axis as a row."""
        n = words.shape[1]
        held, paid, spans = [words], [cost], [[(i, i) for i in range(n)]]
        for length in range(2, n + 1):
            held.append(held[-1][:, :-1] & words[:, length - 1 :])
            before = paid[-1]
            paid.append(None if before is None or cost is None else before[:-1] + cost[length - 1 :])
            spans.append([(i, i + length - 1) for i in range(n - length + 1)])
        paid_rows = None if cost is None else np.concatenate([p for p in paid if p is not None])
        self.lengths(np.concatenate(held, axis=1), paid_rows, list(itertools.chain(*spans)), ranges)

    def lengths(
        self,
        rows: WordArray,
        cost: FloatArray | None,
        spans: list[tuple[int, int]],
        ranges: tuple[tuple[int, int], ...],
    ) -> None:
        """Try ever longer ranges of the last axis, on all rows and from all starts at once."""
        volume = _volume(ranges)
        areas = np.array([volume * (high - low + 1) for low, high in spans])
        index, held, paid = np.arange(len(spans)), rows, cost
        passing = count_bits(held) >= self.need
        for length in range(1, rows.shape[2] + 1):
            if length > 1:
                held = held[:, :, :-1] & rows[:, :, length - 1 :]
                paid = None if paid is None or cost is None else paid[:, :-1] + cost[:, length - 1 :]
            counts = count_bits(held)
            passing = counts >= self.need
            self.take(counts, passing, paid, (areas[index] * length, [spans[i] for i in index], length, ranges))
            # A longer range can only start where this one passes: n such starts allow n - 1 more steps.
            most = areas[index] * (length + passing.sum(axis=1) - 1)
            keep = passing.any(axis=1) & (most >= max(self.size, 1))
            if not keep.any():
                return
            if not keep.all():
                index, held, rows = index[keep], held[:, keep], rows[:, keep]
                paid = None if paid is None else paid[keep]
                cost = None if cost is None else cost[keep]

    def take(
        self,
        counts: IntArray,
        passing: BoolArray,
        paid: FloatArray | None,
        where: tuple[IntArray, list[tuple[int, int]], int, tuple[tuple[int, int], ...]],
    ) -> None:
        """Keep the best of these boxes where it beats the best so far."""
        sizes, spans, length, ranges = where
        good = passing
        if paid is not None:
            good = good & (paid <= self.limit * sizes[:, None] + 1e-9)
        rows = good.any(axis=1)
        if not rows.any():
            return
        size = int(sizes[rows].max())
        if size < self.size:
            return
        ranked = np.where(good & (sizes == size)[:, None], counts, 0)
        row, start = np.unravel_index(int(ranked.argmax()), ranked.shape)
        count = int(ranked[row, start])
        if size > self.size or count > self.count:
            self.size, self.count = size, count
            self.ranges = (*ranges, spans[int(row)], (int(start), int(start) + length - 1))
