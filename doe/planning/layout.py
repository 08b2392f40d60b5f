"""Plates, positions, blocks and order: which errors the welds of a plan share.

A plate lies in one block and is welded as a whole before the next one is taken up; what is set once a plate is the
same for all its welds. The order of the plates is drawn at random within each block, blocks follow one another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from doe.coding import FloatArray
from doe.errors import StudyError
from doe.planning.plan import PlannedWeld
from doe.study.model import Blocks

IntArray = npt.NDArray[np.int64]

POSITION_DRAWS: Final = 64
"""Random placings of the welds on their plates among which the most even one is taken. Our planning value."""


@dataclass(frozen=True, eq=False)
class Layout:
    """Where each weld lies, before it is decided what is welded there.

    Attributes
    ----------
    plate : ndarray of int, shape (n,)
        Plate of each weld, 0, 1 ...; a plate's welds stand together.
    position : ndarray of int, shape (n,)
        1, 2 ... on the plate.
    block : ndarray of int, shape (n,), or None
        Block of each weld, 0, 1 ...
    """

    plate: IntArray
    position: IntArray
    block: IntArray | None = None

    @property
    def n_welds(self) -> int:
        """Number of welds."""
        return len(self.plate)

    @property
    def n_plates(self) -> int:
        """Number of plates."""
        return len(np.unique(self.plate))

    @property
    def shares_plates(self) -> bool:
        """Whether any plate carries more than one weld."""
        return self.n_plates < self.n_welds


def lay_out(
    n_welds: int, *, per_plate: int, blocks: Blocks | None = None, before: int = 0, plates: Sequence[int] = ()
) -> Layout:
    """Lay welds out on plates, and plates in blocks.

    Parameters
    ----------
    n_welds : int
    per_plate : int
        Welds a plate; the last plate (of each block) takes what is left.
    blocks : Blocks or None
        Days, spools: their sizes count the welds of every stage in turn.
    before : int
        Welds of earlier stages, which have already taken their places in the blocks and on the plates.
    plates : sequence of int, optional
        Sizes of the plates of all stages in turn, where they differ; welds beyond them go by ``per_plate``.

    Returns
    -------
    Layout
        Of the new welds; a later stage that finds the blocks full makes one more block.

    Raises
    ------
    StudyError
        If the blocks of a first stage have no place for the welds.
    """
    sizes = [n_welds] if blocks is None else _sizes_left(blocks, n_welds, before)
    starts = before + np.concatenate([[0], np.cumsum(sizes)])
    plate_sizes = [
        part
        for start, size in zip(starts, sizes, strict=False)
        for part in _plates_of(size, per_plate, _sizes_between(plates, int(start), size))
    ]
    plate = np.repeat(np.arange(len(plate_sizes)), np.array(plate_sizes, dtype=int))
    position = np.concatenate([np.arange(0), *(np.arange(1, s + 1) for s in plate_sizes)])
    block = None if blocks is None else np.repeat(np.arange(len(sizes)), sizes)
    return Layout(plate, position, block)


def _plates_of(size: int, per_plate: int, listed: list[int]) -> list[int]:
    """Cut a block into the plates listed for it, then full ones, and a last one with what is left."""
    full, rest = divmod(size - sum(listed), per_plate)
    return listed + [per_plate] * full + ([rest] if rest else [])


def _sizes_between(plates: Sequence[int], before: int, size: int) -> list[int]:
    """Give what the listed plates hold of the welds after the first ``before``, ``size`` of them."""
    ends = np.clip(np.cumsum([0, *plates]), before, before + size)
    return [int(s) for s in np.diff(ends) if s]


def _sizes_left(blocks: Blocks, n_welds: int, before: int) -> list[int]:
    """Give how many of the next welds fall into each block."""
    ends = np.cumsum(blocks.sizes)
    if before and before + n_welds > ends[-1]:
        ends = np.append(ends, before + n_welds)
    if before + n_welds > ends[-1]:
        message = (
            f"the blocks of “{blocks.name}” have {ends[-1]} places, but there are {before + n_welds} welds; "
            "make their sizes add up to the welds"
        )
        raise StudyError(message)
    return [int(s) for s in np.diff(np.clip(np.concatenate([[0], ends]), before, before + n_welds))]


def draw_order(layout: Layout, rng: np.random.Generator) -> IntArray:
    """Draw the order to weld in: 1 ... n, shape (n,).

    Plates stay together and their welds in order of position, so that a plate is clamped and heated once; the order
    of the plates is random within each block.
    """
    block = np.zeros(layout.n_welds, dtype=int) if layout.block is None else layout.block
    shuffled = rng.permutation(int(layout.plate.max()) + 1)
    sequence = np.lexsort((layout.position, shuffled[layout.plate], block))
    order = np.empty(layout.n_welds, dtype=int)
    order[sequence] = np.arange(1, layout.n_welds + 1)
    return order


def draw_positions(columns: FloatArray, layout: Layout, rng: np.random.Generator) -> IntArray:
    """Draw which of a plate's welds comes first, as evenly over the settings as chance allows.

    Of several random placings the one is taken whose first-order columns differ least between first and later
    positions, so that the position on the plate does not pass for the effect of a factor.

    Parameters
    ----------
    columns : ndarray, shape (n, n_columns)
        First-order columns of the model without the constant.
    layout : Layout
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of int, shape (n,)
        The rows in their new places: row ``[i]`` of the plan is taken from there.
    """
    if not layout.shares_plates:
        return np.arange(layout.n_welds)
    draws = [_within_plates(layout, rng) for _ in range(POSITION_DRAWS)]
    return min(draws, key=lambda rows: _unevenness(columns[rows], layout.position))


def _within_plates(layout: Layout, rng: np.random.Generator) -> IntArray:
    """Shuffle the welds of each plate among its positions."""
    return np.lexsort((rng.random(layout.n_welds), layout.plate))


def _unevenness(columns: FloatArray, position: IntArray) -> float:
    """Give the largest covariance of a column with being a later weld."""
    later = (position > 1) - np.mean(position > 1)
    return float(np.abs(later @ (columns - columns.mean(axis=0))).max(initial=0.0))


def position_column(layout: Layout) -> FloatArray:
    """Give the position term's column: -1/2 for the first weld on a plate, 1/2 for later ones, shape (n,)."""
    return np.where(layout.position > 1, 0.5, -0.5)


def join(first: Layout, second: Layout) -> Layout:
    """Set one layout behind another; the plates of the second are new."""
    if first.n_welds == 0:
        return second
    plate = np.concatenate([first.plate, second.plate + int(first.plate.max()) + 1])
    position = np.concatenate([first.position, second.position])
    both = first.block is not None and second.block is not None
    block = np.concatenate([first.block, second.block]) if both else None
    return Layout(plate, position, block)


def equal_neighbours(settings: FloatArray, order: IntArray) -> tuple[tuple[int, int], ...]:
    """Find welds that follow one another in the order with the same setting.

    They are flagged, not forbidden: the dials are turned away and back between them, or the two welds are one try.

    Returns
    -------
    tuple of (int, int)
        Rows of each pair, the earlier weld first.
    """
    sequence = np.argsort(order, kind="stable")
    same = np.all(settings[sequence[1:]] == settings[sequence[:-1]], axis=1)
    return tuple((int(sequence[i]), int(sequence[i + 1])) for i in np.flatnonzero(same))


def numbered(labels: Sequence[str]) -> IntArray:
    """Give labels their numbers 0, 1 ... in order of first appearance, shape (n,)."""
    seen: dict[str, int] = {}
    return np.array([seen.setdefault(label, len(seen)) for label in labels], dtype=int)


def layout_of(welds: Sequence[PlannedWeld]) -> Layout:
    """Give the layout of welds that are planned already; block labels are counted in order of appearance."""
    labels = [weld.block for weld in welds]
    known = [label for label in labels if label is not None]
    block = numbered(known) if len(known) == len(labels) and labels else None
    return Layout(numbered([w.plate for w in welds]), np.array([w.position for w in welds], dtype=int), block)
