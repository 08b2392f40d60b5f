"""Precision against welds: how much more is known for each weld more, and where it stops paying."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.errors import CannotAnswerError
from doe.planning.budget import Cost, plan_cost
from doe.planning.making import Progress, plan_welds
from doe.planning.plan import Plan
from doe.planning.precision import Precision, precision_of
from doe.study.model import Study

SIZES: Final = tuple(range(8, 31))
"""Numbers of welds that are compared."""
FEWEST_DF: Final = 3
"""Residual degrees of freedom from which on half-widths are compared without a known scatter. Our planning value."""
QUICK_STARTS: Final = 64
"""Starts of the search for each size. Measured: half-widths within 3 % of those of five times as many."""


@dataclass(frozen=True, eq=False)
class SizeRow:
    """What one number of welds brings and costs.

    Attributes
    ----------
    welds, residual_df : int
    half_width : float or None
        90 % half-width of the mean band, averaged over the region, in weld standard deviations.
    half_widths : tuple of (str, float)
        The same in the unit of each measure whose scatter is known.
    power : float or None
        The lowest power over the factors for the difference that matters.
    cost : Cost or None
    is_knee : bool
        From here on each weld more brings clearly less.
    refused : str
        Why no plan of this size can be made; empty where one can.
    """

    welds: int
    residual_df: int = 0
    half_width: float | None = None
    half_widths: tuple[tuple[str, float], ...] = ()
    power: float | None = None
    cost: Cost | None = None
    is_knee: bool = False
    refused: str = ""

    def to_dict(self) -> dict[str, object]:
        """Give one row for ``--json``."""
        return {
            "welds": self.welds,
            "residual_df": self.residual_df,
            "half_width": _rounded(self.half_width),
            "half_widths": {name: _rounded(width) for name, width in self.half_widths},
            "power": _rounded(self.power),
            "cost": None if self.cost is None else self.cost.to_dict(),
            "knee": self.is_knee,
            "refused": self.refused or None,
        }


def _rounded(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.6g}")


def how_many(
    study: Study, sizes: Sequence[int] = SIZES, *, seed: int, progress: Progress | None = None
) -> tuple[SizeRow, ...]:
    """Plan each number of welds quickly, all at once and without blocks, and say what it brings.

    Parameters
    ----------
    study : Study
    sizes : sequence of int
    seed : int
    progress : callable, optional
        Called with sizes done and sizes in all.
    """
    rows = []
    for done, size in enumerate(sorted(set(sizes)), start=1):
        rows.append(_row(study, size, seed))
        if progress is not None:
            progress(done, len(set(sizes)))
    return _with_knee(rows)


def _row(study: Study, size: int, seed: int) -> SizeRow:
    """Plan one size."""
    wishes = dataclasses.replace(study.plan, welds=size, stages=(size,), blocks=None)
    sized = dataclasses.replace(study, plan=wishes)
    try:
        plan: Plan = plan_welds(sized, seed=seed, starts=QUICK_STARTS)
    except CannotAnswerError as refusal:
        return SizeRow(size, refused=refusal.message)
    precision: Precision = precision_of(plan)
    powers = [p.power for p in precision.power if p.power is not None]
    return SizeRow(
        size,
        precision.residual_df,
        precision.half_width,
        precision.half_widths,
        min(powers, default=None),
        plan_cost(plan),
    )


def _with_knee(rows: Sequence[SizeRow]) -> tuple[SizeRow, ...]:
    """Mark the knee of the half-width, in the unit of the first measure whose scatter is known where there is one."""
    known = [(row.welds, width) for row in rows if (width := _width_to_compare(row)) is not None]
    found = knee(np.array([n for n, _ in known], dtype=float), np.array([w for _, w in known], dtype=float))
    at = None if found is None else known[found][0]
    return tuple(dataclasses.replace(row, is_knee=row.welds == at) for row in rows)


def _width_to_compare(row: SizeRow) -> float | None:
    """Give the width whose knee is sought; with one or two welds to spare Student's t alone would make one."""
    if row.half_widths:
        return row.half_widths[0][1]
    return row.half_width if row.residual_df >= FEWEST_DF else None


def knee(x: FloatArray, y: FloatArray) -> int | None:
    """Give the point of a falling curve that lies furthest below the line between its ends.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        x rising.

    Returns
    -------
    int or None
        None with fewer than three points, or where no point lies below the line.
    """
    if len(x) < 3:
        return None
    below = y[0] + (y[-1] - y[0]) * (x - x[0]) / (x[-1] - x[0]) - y
    best = int(np.argmax(below))
    return best if below[best] > 1e-12 else None
