"""A few new welds against what the welds before them foretold: a check of an old card, by plain comparison.

Two to four welds that pass or fail say little about 9 of 10. Their depths and pores say more: machines are drawn from
the posterior of the earlier welds, the same few welds are made on each (``doe.window.simulated``), and what was
measured is set beside what they bring together. It is a question and no verdict, and a shift smaller than the band is
not seen.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from doe.bench.results import Counts, Measurement, Readings, Results, only_welds
from doe.coding import FloatArray
from doe.models import fit_responses
from doe.models.naming import with_unit
from doe.planning.plan import PlannedWeld
from doe.study.model import Response
from doe.window.placing import stage_of
from doe.window.posing import UnsettledError, blocked_fits, draw_source, required_fits
from doe.window.simulated import simulate_results

MACHINES: Final = 200
"""Machines on which the welds are foretold: the ends of a 90 % band are then right to a seventh of its half-width. Our
choice: half a second."""
FORETELLING_STAGE: Final = 90
"""Stage of the draws that are the machines."""


@dataclass(frozen=True)
class Foretold:
    """One response of a few welds, and what was foretold of them together.

    Attributes
    ----------
    response : Response
    welds : int
    seen : float
        The mean of a measure; the pores of a count in all.
    expected, low, high : float
        Foretold: the mean, and the band that holds it at ``level``.
    level : float
    """

    response: Response
    welds: int
    seen: float
    expected: float
    low: float
    high: float
    level: float

    @property
    def is_doubtful(self) -> bool:
        """Whether what was seen lies outside the band."""
        return not self.low <= self.seen <= self.high

    def to_dict(self) -> dict[str, object]:
        """Give it as ``confirm --json`` prints it."""
        numbers = {name: getattr(self, name) for name in ("welds", "seen", "expected", "low", "high", "level")}
        return {"response": self.response.name, **numbers, "is_doubtful": self.is_doubtful}

    @property
    def sentence(self) -> str:
        """Say it, with how large a shift would not have been seen."""
        name, sure = self.response.name, f"{self.level * 100:.10g} %"
        where = "lower" if self.seen < self.low else "higher"
        if self.response.kind == "count":
            band = f"{self.low:.0f} to {self.high:.0f}"
            said = f"{name}: {self.seen:.0f} counted on {_count(self.welds)} where {band} were foretold ({sure} band)"
            return f"{said}: {'as foretold' if not self.is_doubtful else f'{where} than foretold, and worth a look'}."
        low, high = (with_unit(value, self.response) for value in (self.low, self.high))
        seen = with_unit(self.seen, self.response)
        said = f"{name}: {seen} on average of {_count(self.welds)} where {low} to {high} was foretold ({sure} band)"
        if self.is_doubtful:
            return f"{said}: {where} than foretold, and worth a look, also where welds passed."
        least = with_unit(max(self.high - self.expected, self.expected - self.low), self.response)
        return f"{said}: as foretold. With so few welds a shift smaller than about {least} is not seen."


def foretell(results: Results, rows: Sequence[int], *, stage: int, seed: int) -> tuple[Foretold, ...]:
    """Set some welds of a stage beside what the welds of earlier stages foretold.

    Parameters
    ----------
    results : Results
    rows : sequence of int
        The welds.
    stage : int
        Theirs.
    seed : int

    Returns
    -------
    tuple of Foretold
        One a measure and a count that was read; none where the earlier welds cannot be fitted well enough to foretell.
    """
    before = only_welds(results, np.array([stage_of(file) < stage for file in results.file], dtype=bool))
    fit = fit_responses(before, seed=seed)
    required = required_fits(fit)
    if blocked_fits(required) or not rows:
        return ()
    try:
        drawn = draw_source(required, fit, seed)(FORETELLING_STAGE, MACHINES)
    except UnsettledError:
        return ()
    posteriors = dict(zip(drawn.names, drawn.posteriors, strict=True))
    known = replace(before, readings={name: before.readings[name] for name in posteriors})
    welds = tuple(_weld(results, i) for i in rows)
    made = [simulate_results(known, posteriors, welds, draw=draw, seed=seed) for draw in range(MACHINES)]
    return tuple(_compare(results, rows, made))


def _weld(results: Results, i: int) -> PlannedWeld:
    """Give a weld that was made as one to be made, at the settings it really had."""
    settings = tuple(float(v) for v in results.settings[i])
    has_blocks = results.study.plan.blocks is not None
    return PlannedWeld(
        results.weld[i],
        results.plate[i],
        int(results.position[i]),
        int(results.order[i]),
        settings,
        (results.block[i] or None) if has_blocks else None,
    )


def _compare(results: Results, rows: Sequence[int], made: Sequence[Results]) -> Iterator[Foretold]:
    """Compare each measure and each count that was read."""
    level, n = results.study.claim.confidence, len(rows)
    for name in made[0].readings:
        seen = _each(results.readings[name], np.array(rows))
        read = np.isfinite(seen)
        if not read.any():
            continue
        foretold = np.array([_each(some.readings[name], np.arange(-n, 0))[read] for some in made])
        response = results.study.response(name)
        total = np.sum if response.kind == "count" else np.mean
        if response.kind == "count":
            lengths = _lengths(results.readings[name], np.array(rows))[read]
            foretold = (
                foretold * lengths / np.array([_lengths(some.readings[name], np.arange(-n, 0))[read] for some in made])
            )
        bands = total(foretold, axis=1)
        low, high = np.quantile(bands, [0.5 - level / 2.0, 0.5 + level / 2.0])
        numbers = (float(total(seen[read])), float(bands.mean()), float(low), float(high))
        yield Foretold(response, int(read.sum()), *numbers, level)


def _each(readings: Readings, rows: np.ndarray[tuple[int], np.dtype[np.int64]]) -> FloatArray:
    """Give one number a weld; nan where there is none, or where it only says "at least this much"."""
    if isinstance(readings, Counts):
        return readings.counts[rows]
    if not isinstance(readings, Measurement):
        return np.full(len(rows), np.nan)
    values, full = readings.values[rows], readings.full[rows]
    known = np.isfinite(values)
    mean = np.where(known, values, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    return np.where(known.any(axis=1) & (mean < full), mean, np.nan)


def _lengths(readings: Readings, rows: np.ndarray[tuple[int], np.dtype[np.int64]]) -> FloatArray:
    """Give the inspected lengths; 1 where none is stated; mm."""
    if not isinstance(readings, Counts):
        message = "only a count has inspected lengths"
        raise TypeError(message)
    return np.where(np.isfinite(readings.length_mm[rows]), readings.length_mm[rows], 1.0)


def _count(n: int) -> str:
    """Say how many welds."""
    return "1 weld" if n == 1 else f"{n} welds"
