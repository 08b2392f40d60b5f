"""The readings of a measurement, weld by weld and cut by cut."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from doe.bench.results import IntArray, Measurement
from doe.coding import FloatArray
from doe.models.textbook.exact import ExactArray, as_exact


@dataclass(frozen=True, eq=False)
class Readings:
    """What was read on the welds that have a reading.

    Attributes
    ----------
    used : ndarray of int, shape (n,)
        The welds.
    mean : ndarray of Fraction, shape (n,)
        Over a weld's cuts; where ``censored``, with each cut taken at most as ``full``, what the mean is at least.
    censored : ndarray of bool, shape (n,)
    cut_weld : ndarray of int, shape (n_cuts,)
        Index into ``used`` of each single cut.
    cut : ndarray, shape (n_cuts,)
        Each single reading.
    """

    used: IntArray
    mean: ExactArray
    censored: npt.NDArray[np.bool_]
    cut_weld: IntArray
    cut: FloatArray

    @property
    def has_cuts(self) -> bool:
        """Whether any weld was read more than once."""
        return len(self.cut) > len(self.used)

    @property
    def n_cuts(self) -> IntArray:
        """How often each weld was read, shape (n,)."""
        return np.bincount(self.cut_weld, minlength=len(self.used))

    def pooled_cut_sd(self) -> float | None:
        """Pool the scatter of the cuts over the welds that are not censored; None without a second cut."""
        squares, df = 0.0, 0
        for weld in np.flatnonzero(~self.censored & (self.n_cuts > 1)):
            own = self.cut[self.cut_weld == weld]
            squares, df = squares + float(np.sum((own - own.mean()) ** 2)), df + len(own) - 1
        return float(np.sqrt(squares / df)) if df else None


def readings_of(measurement: Measurement) -> Readings:
    """Collect the readings of a measurement."""
    read = np.isfinite(measurement.values)
    used = np.flatnonzero(read.any(axis=1)).astype(np.int64)
    raw = [measurement.values[i][read[i]] for i in used]
    full = measurement.full[used]
    capped = [as_exact(np.minimum(own, limit)).tolist() for own, limit in zip(raw, full, strict=True)]
    means = np.empty(len(used), dtype=object)
    means[:] = [sum(own, Fraction(0)) / len(own) for own in capped]
    return Readings(
        used=used,
        mean=means,
        censored=np.array([bool((own >= limit).any()) for own, limit in zip(raw, full, strict=True)], dtype=bool),
        cut_weld=np.repeat(np.arange(len(used)), [len(own) for own in raw]).astype(np.int64),
        cut=np.concatenate([*raw, np.empty(0)]),
    )
