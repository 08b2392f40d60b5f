"""What textbook fits have in common when they are reported."""

from __future__ import annotations

import math
from collections.abc import Sequence

from doe.coding import FloatArray
from doe.models.fit import TermEstimate


def finite_or_none(value: float) -> float | None:
    """Give a number as JSON can hold it: None for nan and for infinity."""
    return float(value) if math.isfinite(value) else None


def estimates(
    names: Sequence[str], coefficients: FloatArray, se: FloatArray, limits: tuple[FloatArray, FloatArray]
) -> tuple[TermEstimate, ...]:
    """Put terms together, as many as there are names; the coefficients of block columns are not printed."""
    low, high = limits
    rows = zip(names, coefficients.tolist(), se.tolist(), low.tolist(), high.tolist(), strict=False)
    return tuple(TermEstimate(*row) for row in rows)


def runaway_findings(names: Sequence[str], runs_away: FloatArray, *, because: str) -> tuple[str, ...]:
    """Say which estimates are infinite or not determined, and why."""
    reported = runs_away[: len(names)]
    infinite = [name for name, limit in zip(names, reported, strict=True) if math.isinf(limit)]
    open_ = [name for name, limit in zip(names, reported, strict=True) if math.isnan(limit)]
    found = []
    if infinite:
        found.append(
            f"{because}: maximum likelihood puts {_listed(infinite)} at infinity; only the limit on the near side is "
            "known."
        )
    if open_:
        found.append(f"{because}: nothing can be said about {_listed(open_)}.")
    return tuple(found)


def _listed(names: Sequence[str]) -> str:
    return ", ".join(f"“{name}”" for name in names)
