"""A large box of settings, grown: where there are too many boxes to look at each.

Used on grids with more than ``MOST_BOXES`` boxes, and to move the sides of a box found on a thinned grid to the
dial's own steps. Every box it gives holds on every setting of the grid it was grown on; that it is the largest is not
proven (METHOD 7.7).
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.window.box import MOST_BOXES, Bits, Box, WordArray, box_words, count_bits, count_boxes, largest_box

N_SEEDS: Final = 12
"""Settings from which boxes are grown, apart from the box found on every second, third ... value. Our choice."""
COARSE_BOXES: Final = 100_000
"""The thinned grid that gives the first box has at most so many boxes. Our choice."""
REGROWTHS: Final = 3
"""How often each side of the best box is taken back and the box grown again the other way. Our choice."""


def find_box(bits: Bits, need: int, *, cost: FloatArray | None = None, limit: float = 0.0) -> tuple[Box | None, bool]:
    """Find the largest box, exactly where that can be done, else by growing; arguments as for ``largest_box``.

    The grid is first cut down to the settings that can be in a box at all.

    Returns
    -------
    box : Box or None
        None where no setting passes.
    proven : bool
        Whether it is known to be the largest.
    """
    live = np.argwhere(count_bits(bits.words) >= max(need, 1))
    if not len(live):
        return None, True
    first, last = live.min(axis=0), live.max(axis=0)
    cut = tuple(slice(int(a), int(b) + 1) for a, b in zip(first, last, strict=True))
    part = Bits(np.ascontiguousarray(bits.words[(slice(None), *cut)]), bits.n_draws)
    proven = count_boxes(part.shape) <= MOST_BOXES
    search = largest_box if proven else grown_box
    box = search(part, need, cost=None if cost is None else cost[cut], limit=limit)
    if box is None:
        return None, proven
    low, high = (tuple(int(i + o) for i, o in zip(side, first, strict=True)) for side in (box.low, box.high))
    return Box(low, high, box.count), proven


def grown_box(bits: Bits, need: int, *, cost: FloatArray | None = None, limit: float = 0.0) -> Box | None:
    """Grow a large box that holds in at least ``need`` draws; arguments as for ``largest_box``."""
    grower = _Grower(bits, max(need, 1), cost, limit)
    starts = [*_coarse_start(grower), *_seeds(bits, grower)]
    found = [grower.grow(start, how) for start in starts for how in ("count", "size")]
    if not found:
        return None
    best = max(found, key=_rank)
    for _ in range(REGROWTHS):
        tries = [grower.grow(smaller, how) for smaller in _taken_back(best) for how in ("count", "size")]
        better = max((replace(b, count=grower.count(b)) for b in tries), key=_rank, default=best)
        if _rank(better) <= _rank(best):
            break
        best = better
    return best


def grow_from(bits: Bits, need: int, start: Box) -> Box:
    """Extend a box that already passes, one step at a time, as far as it passes."""
    return _Grower(bits, max(need, 1), None, 0.0).grow(start, "count")


def _rank(box: Box) -> tuple[int, int]:
    return box.size, box.count


def _coarse_start(grower: _Grower) -> Iterator[Box]:
    """Search a thinned grid exactly and shrink its box until it holds at the values between as well."""
    shape, stride = grower.bits.shape, 1
    while count_boxes([-(-n // stride) for n in shape]) > COARSE_BOXES:
        stride += 1
    every = tuple(slice(None, None, stride if n > 3 else 1) for n in shape)
    coarse = Bits(np.ascontiguousarray(grower.bits.words[(slice(None), *every)]), grower.bits.n_draws)
    cost = None if grower.cost is None else grower.cost[every]
    if count_boxes(coarse.shape) > COARSE_BOXES * 10:
        return
    found = largest_box(coarse, grower.need, cost=cost, limit=grower.limit)
    if found is not None:
        strides = [s.step for s in every]
        low = tuple(i * s for i, s in zip(found.low, strides, strict=True))
        high = tuple(i * s for i, s in zip(found.high, strides, strict=True))
        shrunk = grower.shrink(Box(low, high, 0))
        if shrunk is not None:
            yield shrunk


def _seeds(bits: Bits, grower: _Grower) -> Iterator[Box]:
    """Give the settings that hold in most draws, no two of them neighbours."""
    counts = count_bits(bits.words)
    taken = np.zeros(counts.shape, dtype=bool)
    given = 0
    for flat in np.argsort(-counts, axis=None, kind="stable"):
        at = tuple(int(i) for i in np.unravel_index(int(flat), counts.shape))
        if counts[at] < grower.need or given == N_SEEDS:
            return
        seed = Box(at, at, int(counts[at]))
        if not taken[at] and grower.affordable(seed):
            taken[tuple(slice(max(i - n // 8, 0), i + n // 8 + 1) for i, n in zip(at, counts.shape, strict=True))] = (
                True
            )
            given += 1
            yield seed


def _taken_back(box: Box) -> Iterator[Box]:
    """Give the box with one side moved in by one step, side by side."""
    for axis in range(len(box.low)):
        if box.high[axis] > box.low[axis]:
            yield _moved(box, axis, (1, 0))
            yield _moved(box, axis, (0, -1))


def _moved(box: Box, axis: int, by: tuple[int, int]) -> Box:
    """Move the two sides of one axis."""
    low, high = list(box.low), list(box.high)
    low[axis] += by[0]
    high[axis] += by[1]
    return Box(tuple(low), tuple(high), box.count)


class _Grower:
    """Grows and shrinks boxes on one grid."""

    def __init__(self, bits: Bits, need: int, cost: FloatArray | None, limit: float) -> None:
        self.bits, self.need, self.cost, self.limit = bits, need, cost, limit

    def count(self, box: Box) -> int:
        """Count the draws that hold in a whole box."""
        return int(count_bits(box_words(self.bits, box)))

    def affordable(self, box: Box) -> bool:
        """Whether the mean cost is within the limit."""
        return self.cost is None or float(self.cost[box.slices].mean()) <= self.limit + 1e-9

    def shrink(self, box: Box) -> Box | None:
        """Move sides in, each time the one that leaves most draws, until the box passes."""
        while self.count(box) < self.need or not self.affordable(box):
            smaller = list(_taken_back(box))
            if not smaller:
                return None
            box = max(smaller, key=lambda b: (self.count(b), b.size))
        return replace(box, count=self.count(box))

    def grow(self, box: Box, how: str) -> Box:
        """Move sides out, each time the one that leaves most draws (or gains most settings), while the box passes."""
        words = box_words(self.bits, box)
        box = replace(box, count=int(count_bits(words)))
        while True:
            steps = list(self._steps(box, words))
            if not steps:
                return box
            box, words = max(steps, key=lambda s: (s[0].count, s[0].size) if how == "count" else _rank(s[0]))

    def _steps(self, box: Box, words: WordArray) -> Iterator[tuple[Box, WordArray]]:
        """Give every box that is one step larger and passes."""
        for axis, by in itertools.product(range(len(box.low)), ((-1, 0), (0, 1))):
            larger = _moved(box, axis, by)
            if larger.low[axis] < 0 or larger.high[axis] >= self.bits.shape[axis]:
                continue
            edge = larger.low[axis] if by[0] else larger.high[axis]
            layer = _moved(box, axis, (edge - box.low[axis], edge - box.high[axis]))
            held = words & box_words(self.bits, layer)
            count = int(count_bits(held))
            if count >= self.need and self.affordable(larger):
                yield replace(larger, count=count), held
