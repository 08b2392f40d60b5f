"""The rounds of confirmation welds on one claim: their rules, their plans, their rows, and what had changed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import Final

import numpy as np

from doe.bench.results import BoolArray, Results
from doe.bench.stage import stage_path
from doe.planning.plan import Plan, PlannedWeld
from doe.planning.reading import read_plan
from doe.study.model import Factor, Study
from doe.window.claim_file import ClaimFile, PassRule
from doe.window.outcome import WeldOutcome
from doe.window.placing import last_planned, stage_of

CONDITIONS: Final = ("outlet", "cord", "place", "spool")
"""What is written down about a weld that may change after a claim was made."""


def rounds_of(claim: ClaimFile, study: Study) -> Iterator[tuple[PassRule, Plan]]:
    """Give rule and welds of each round: that of claim.json, and later checks of it, in which no weld may fail."""
    welds = tuple(
        PlannedWeld(
            w.weld,
            w.plate,
            w.position,
            w.order,
            tuple(_natural(factor, w.settings[factor.name]) for factor in study.factors),
            w.block,
            "confirm",
        )
        for w in claim.welds
    )
    yield claim.rule, Plan(study, welds, claim.seed, stage=claim.stage, fingerprint=study.fingerprint)
    for stage in range(claim.stage + 1, last_planned(study.folder) + 1):
        path = stage_path(study.folder, "plan", stage)
        if not path.exists():
            continue
        plan = read_plan(path, study)
        if all(weld.role == "confirm" for weld in plan.welds):
            yield PassRule(welds=len(plan.welds), failures_allowed=0), plan


def _natural(factor: Factor, value: float | str) -> float:
    """Give a written setting as a natural value."""
    return float(factor.kinds.index(value)) if isinstance(value, str) else value


def rows_of(results: Results, stage: int) -> list[int]:
    """Give the rows of a round's confirmation welds that were made, in the order of welding."""
    rows = [
        i
        for i in range(results.n_welds)
        if results.role[i] == "confirm" and stage_of(results.file[i]) == stage and results.status[i] != "not run"
    ]
    return sorted(rows, key=lambda i: (results.order[i] <= 0, int(results.order[i]), i))


def welds_that_count(
    results: Results, rows: Sequence[int], outcomes: Sequence[WeldOutcome], *, rule: PassRule, stage: int
) -> BoolArray:
    """Tell which welds a round's verdict rests on, shape (n_welds,).

    All welds up to this round, and of its own no more than the rule asked for: a verdict that was given is not turned
    by welds that are added afterwards.
    """
    keep = np.array([stage_of(file) <= stage for file in results.file], dtype=bool)
    judged = [i for i, outcome in zip(rows, outcomes, strict=True) if outcome.passed is not None]
    keep[[i for i in judged if i not in judged[: rule.welds]]] = False
    return keep


def changed_conditions(results: Results, rows: Sequence[int], stage: int) -> tuple[str, ...]:
    """Name the conditions of a round's welds that differ from those of the welds before it, as written down."""
    before = [i for i in range(results.n_welds) if stage_of(results.file[i]) < stage]
    found = []
    for name in CONDITIONS:
        words = results.remarks.get(name)
        if not words:
            continue
        now, then = ({words[i].strip() for i in some if words[i].strip()} for some in (rows, before))
        if now - then:
            earlier = f" (before: {', '.join(sorted(then))})" if then else " (not written down before)"
            found.append(f"{name}: {', '.join(sorted(now))}{earlier}")
    return tuple(found)


def date_of(results: Results, rows: Sequence[int]) -> str:
    """Give the date of the last of some welds, ISO 8601; empty where no time was written down."""
    times = results.remarks.get("time", ())
    dates = [date for i in rows if times and (date := _date(times[i]))]
    return max(dates, default="")


def _date(text: str) -> str:
    """Give the date of a time stamp; empty where it is none."""
    try:
        return datetime.fromisoformat(text.strip()).date().isoformat()
    except ValueError:
        return ""  # whatever was written there, it names no day
