"""The readings of a ``measure`` response that a model can use: one number a weld."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.bench.resolution import find_resolution
from doe.bench.results import IntArray, Measurement, Results, StudiedScatter
from doe.coding import FloatArray
from doe.models.surface import LEVEL_WIDTH, BoolArray

LEAST_READING_DF: Final = 4
"""Degrees of freedom from which the scatter between cuts is trusted enough to be taken off. Our rule."""


@dataclass(frozen=True, eq=False)
class Usable:
    """One number a weld, and how it was read.

    Attributes
    ----------
    used : ndarray of bool, shape (n_welds,)
        The welds with a reading.
    y : ndarray, shape (n,)
        The mean of a weld's cuts; a lower limit where ``censored``.
    censored : ndarray of bool, shape (n,)
        Whether a cut reached ``full``.
    cuts : ndarray of int, shape (n,)
        Cuts read of each weld.
    reading_sd : float or None
        Scatter between cuts of one weld; None where no weld has two.
    reading_df : int
        Degrees of freedom it rests on.
    resolution : float
        The step on which all readings lie; 0 where there is none.
    studied : StudiedScatter or None
        What a reading study of other sections says; None where none was made.
    """

    used: BoolArray
    y: FloatArray
    censored: BoolArray
    cuts: IntArray
    reading_sd: float | None
    reading_df: int
    resolution: float
    studied: StudiedScatter | None = None

    @property
    def n(self) -> int:
        """Welds with a reading."""
        return len(self.y)

    @property
    def reading_variance(self) -> float:
        """Variance of a weld's mean that comes from reading alone, s_r^2 / m; 0 where it is not known.

        Cuts of the same welds come first, for they hold the differences along a weld as well; a reading study of
        other sections serves where they are too few.
        """
        if self.reading_sd is None or self.reading_df < LEAST_READING_DF:
            one = 0.0 if self.studied is None or not self.n else self.studied.proven_variance
            return float(one * np.mean(1.0 / self.cuts)) if one else 0.0
        return float(self.reading_sd**2 * np.mean(1.0 / self.cuts))


def usable_readings(measurement: Measurement, *, studied: StudiedScatter | None = None) -> Usable:
    """Take the mean of each weld's cuts; a weld with a cut at or over ``full`` is only "at least" its mean.

    Cuts are sub-samples of one weld, never repeats: they tell the scatter of reading, not that of welding.
    """
    values = np.minimum(measurement.values, measurement.full[:, None])
    finite = np.isfinite(values)
    used = np.asarray(finite.any(axis=1))
    values, finite = values[used], finite[used]
    cuts = finite.sum(axis=1)
    y = np.where(finite, values, 0.0).sum(axis=1) / cuts
    at_limit = np.asarray((finite & (values >= measurement.full[used, None])).any(axis=1))
    df = int((cuts - 1)[~at_limit].sum())
    squares = np.where(finite, (values - y[:, None]) ** 2, 0.0).sum(axis=1)[~at_limit].sum()
    reading_sd = float(np.sqrt(squares / df)) if df else None
    return Usable(used, y, at_limit, cuts, reading_sd, df, find_resolution(values[finite]), studied)


def number_groups(labels: Sequence[str]) -> IntArray:
    """Give each label's group a number, 0, 1 ... by appearance; an empty label is a group of its own."""
    known: dict[str, int] = {}
    return np.array([known.setdefault(label or f" {i}", len(known)) for i, label in enumerate(labels)], dtype=int)


def block_labels(results: Results) -> tuple[str, ...]:
    """Name each weld's block: the block column, else the table it stands in, as each stage is welded by itself.

    Only blocks that were named add their scatter to a weld to come (``MeasureModel.new_day``).
    """
    return results.block if any(results.block) else results.file


def has_repeats(coded: FloatArray) -> bool:
    """Whether any two welds were made alike, coded settings of shape (n, n_factors), within a level's width."""
    gap = np.abs(coded[:, None, :] - coded[None, :, :]).max(axis=2, initial=0.0)
    return bool(np.any(np.triu(gap <= LEVEL_WIDTH, k=1)))
