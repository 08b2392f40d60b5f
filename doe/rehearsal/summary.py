"""Shares and means over rehearsed studies, each with its Monte Carlo standard error."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Final

import numpy as np
from scipy import stats

from doe.rehearsal.record import Record

PROMISED: Final = 0.10
"""Share of wrong claims that the confidence of 90 % allows."""


@dataclass(frozen=True)
class Share:
    """A share of studies.

    Attributes
    ----------
    count, of : int
    """

    count: int
    of: int

    @property
    def value(self) -> float:
        """The share; nan of nothing."""
        return self.count / self.of if self.of else math.nan

    @property
    def error(self) -> float:
        """Its standard error, binomial; nan of nothing."""
        return math.sqrt(self.value * (1.0 - self.value) / self.of) if self.of else math.nan

    @property
    def upper(self) -> float:
        """The upper end of its exact one-sided 95 % interval (Clopper and Pearson 1934); nan of nothing."""
        if not self.of:
            return math.nan
        return 1.0 if self.count == self.of else float(stats.beta.ppf(0.95, self.count + 1, self.of - self.count))

    def above(self, promised: float = PROMISED) -> float:
        """Give the chance of so many or more, were the true share ``promised`` (exact binomial test); 1 of nothing."""
        return float(stats.binom.sf(self.count - 1, self.of, promised)) if self.of else 1.0


@dataclass(frozen=True)
class Average:
    """A mean over studies and its standard error; nan of nothing."""

    value: float
    error: float
    of: int


@dataclass(frozen=True)
class Summary:
    """What came of some studies, each counted at one of its stages.

    Attributes
    ----------
    found : Share
        Claims a study.
    wrong : Share
        Wrong claims a study.
    wrong_claims : Share
        Wrong claims a claim.
    refused : Share
        Studies without an answer.
    box_share : Average
        Truly good settings in the window over the settings of the true window, the largest box that truly holds; over
        studies whose truth has a window, a study without a claim counting 0.
    claimed_share : Average
        The same over all truly good settings, of which no box can hold more than the true window does.
    bands : mapping of str to Average
        Coverage by the names of ``Record``: "point_measure" ...
    seconds : Average
        Processor time a study.
    """

    found: Share
    wrong: Share
    wrong_claims: Share
    refused: Share
    claimed_share: Average
    box_share: Average
    bands: dict[str, Average]
    seconds: Average


BANDS: Final = (
    "point_measure",
    "all_measure",
    "weld_measure",
    "point_count",
    "all_count",
    "point_trip",
    "all_trip",
)


def summarise(records: Sequence[Record]) -> Summary:
    """Sum up records, one a study."""
    n, found = len(records), sum(record.found for record in records)
    wrong = sum(record.wrong for record in records)
    winnable = [record for record in records if record.true_window]
    return Summary(
        found=Share(found, n),
        wrong=Share(wrong, n),
        wrong_claims=Share(wrong, found),
        refused=Share(sum(bool(record.refused) for record in records), n),
        claimed_share=stratified(winnable, "claimed_share"),
        box_share=stratified(winnable, "box_share"),
        bands={name: stratified(records, name) for name in BANDS},
        seconds=stratified(records, "seconds"),
    )


def stratified(records: Iterable[Record], name: str) -> Average:
    """Average over truths, each truth the mean of its studies: every truth weighs the same.

    Values that are nan are left out. A drawn family counts as one truth.
    """
    by_truth = sorted((r for r in records if not math.isnan(getattr(r, name))), key=lambda r: r.truth)
    means, variances, n = [], [], 0
    for _, group in groupby(by_truth, key=lambda r: r.truth):
        values = np.array([float(getattr(record, name)) for record in group])
        n += len(values)
        means.append(values.mean())
        variances.append(values.var(ddof=1) / len(values) if len(values) > 1 else math.nan)
    if not means:
        return Average(math.nan, math.nan, 0)
    return Average(float(np.mean(means)), math.sqrt(sum(variances)) / len(means), n)


def first_claims(records: Iterable[Record]) -> list[Record]:
    """Give, study by study, the stage at which a user who stops at the first window stops: else the last stage."""
    ordered = sorted(records, key=lambda record: (record.key, record.stage))
    stopped = []
    for _, group in groupby(ordered, key=lambda record: record.key):
        stages = list(group)
        stopped.append(next((record for record in stages if record.found), stages[-1]))
    return stopped
