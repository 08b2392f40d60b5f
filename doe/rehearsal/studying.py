"""One whole study on a virtual welder: planned, welded, fitted, a window claimed, and set beside the truth."""

from __future__ import annotations

import math
import time
import zlib
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from doe.bench.results import Results
from doe.coding import FloatArray
from doe.errors import CannotAnswerError
from doe.models import fit_responses
from doe.models.fit import Fit
from doe.planning import plan_welds
from doe.planning.plan import Plan
from doe.rehearsal.coverage import Coverage, cover
from doe.rehearsal.judging import find_true_window, judge
from doe.rehearsal.record import Record
from doe.rehearsal.setup import Setup
from doe.virtual import VirtualWelder, add_results, weld_plan
from doe.window.finding import find_window
from doe.window.follow_up import next_welds
from doe.window.window import Window

PLANS: Final = 4
"""Plans made for each number of welds, from as many seeds; studies take turns."""

KINDS: Final = ("measure", "count", "trip")
"""Kinds of response whose bands are looked at, after the last stage."""


@dataclass(frozen=True)
class Seeds:
    """Independent seeds of one study.

    The truth's depends on the truth's name and the study's number only, so that every setup meets the same welders.
    """

    truth: int
    weld: int
    fit: int
    window: int
    cover: int


def seeds_of(setup: Setup, study: int, *, seed: int) -> Seeds:
    """Give the seeds of one study of one setup."""
    truth = np.random.SeedSequence([seed, zlib.crc32(setup.truth.name.encode()), study])
    rest = np.random.SeedSequence([seed, zlib.crc32("|".join(setup.label).encode()), study])
    return Seeds(*(int(s.generate_state(1)[0]) for s in (truth, *rest.spawn(4))))


class PlanShelf:
    """First-stage plans, each made once: of what is known only second beads matter to them, the truth does not."""

    def __init__(self, starts: int | None = None) -> None:
        self.starts = starts
        self._made: dict[tuple[object, ...], Plan] = {}

    def plan(self, setup: Setup, number: int) -> Plan:
        """Give plan ``number`` of a setup, for the study as the setup knows it."""
        study, truth = setup.planned(), setup.truth
        key = (setup.stages, truth.later_welds, truth.days, setup.knowledge.second_bead, number % PLANS)
        if key not in self._made:
            self._made[key] = plan_welds(study, seed=1 + number % PLANS, starts=self.starts)
        return replace(self._made[key], study=study)


@dataclass(frozen=True, eq=False)
class Rehearsed:
    """One study under way: who welds it, and by which seeds."""

    setup: Setup
    welder: VirtualWelder
    number: int
    seed: int
    seeds: Seeds


def run_study(setup: Setup, plan: Plan, number: int, *, seed: int) -> tuple[Record, ...]:
    """Run one study, all its stages.

    Parameters
    ----------
    setup : Setup
    plan : Plan
        Of the first stage.
    number : int
        Of the study; with ``seed`` it settles everything that is random.
    seed : int

    Returns
    -------
    tuple of Record
        One a stage.
    """
    seeds = seeds_of(setup, number, seed=seed)
    hidden = np.random.default_rng(seeds.truth)
    welder = setup.truth.draw(setup.study, hidden)
    plan = replace(plan, study=setup.knowledge.state_scatter(plan.study, welder, hidden))
    run = Rehearsed(setup, welder, number, seed, seeds)
    rng, bench = np.random.default_rng(seeds.weld), setup.knowledge.bench
    results, records = None, []
    for stage, more in enumerate((*setup.stages[1:], 0), start=1):
        start = time.process_time()
        welded = weld_plan(plan, welder, rng=rng, bench=bench)
        results = welded if results is None else add_results(results, welded)
        record, fit = _judged(run, results, stage)
        if more and fit is not None:
            plan = next_welds(fit, n=more, seed=seeds.window, machines=0)
        records.append(replace(record, seconds=time.process_time() - start))
        if fit is None:
            break
    return tuple(records)


def _judged(run: Rehearsed, results: Results, stage: int) -> tuple[Record, Fit | None]:
    """Fit, find the window and judge it; what cannot be answered is recorded as such."""
    blank = _blank(run, results, stage)
    try:
        fit = fit_responses(results, seed=run.seeds.fit)
        window = find_window(fit, seed=run.seeds.window)
    except CannotAnswerError as refusal:
        return replace(blank, stage=len(run.setup.stages), refused=refusal.message), None
    return _describe(run, blank, fit, window), fit


def _blank(run: Rehearsed, results: Results, stage: int) -> Record:
    """Give a record that says who and what, and that nothing was found."""
    knowledge, truth, stages = run.setup.label
    none = math.nan
    return Record(
        knowledge=knowledge,
        truth=truth,
        stages=stages,
        stage=stage,
        welds=int((~results.is_second).sum()),
        study=run.number,
        seed=run.seed,
        found=False,
        wrong=False,
        single=False,
        share=0.0,
        good_share=none,
        claimed_share=0.0,
        box_share=none,
        true_window=False,
        lowest_true=none,
        confidence=none,
        searched_at=none,
        limits="",
        point_measure=none,
        all_measure=none,
        weld_measure=none,
        point_count=none,
        all_count=none,
        point_trip=none,
        all_trip=none,
        refused="",
        seconds=0.0,
    )


def _describe(run: Rehearsed, blank: Record, fit: Fit, window: Window) -> Record:
    """Set window and bands beside the truth."""
    answer, judged = window.answer, judge(window, welder=run.welder)
    true = find_true_window(window, welder=run.welder)
    box = answer.box
    is_last = blank.stage == len(run.setup.stages)
    covered = _coverage(run, fit, _settings(window)) if is_last else dict.fromkeys(KINDS, Coverage())
    return replace(
        blank,
        found=judged.found,
        wrong=judged.is_wrong,
        single=answer.single_setting,
        share=0.0 if box is None else box.share,
        good_share=judged.true_share,
        claimed_share=judged.claimed_share,
        box_share=math.nan if true is None else judged.claimed_share * judged.true_share / true.share,
        true_window=true is not None and true.is_window,
        lowest_true=math.nan if judged.lowest_true is None else judged.lowest_true,
        confidence=math.nan if box is None else box.confidence,
        searched_at=answer.searched_at,
        limits=" ".join(sorted(set(answer.limited_by.values()) - {"region"})),
        point_measure=covered["measure"].pointwise,
        all_measure=covered["measure"].simultaneous,
        weld_measure=covered["measure"].next_weld,
        point_count=covered["count"].pointwise,
        all_count=covered["count"].simultaneous,
        point_trip=covered["trip"].pointwise,
        all_trip=covered["trip"].simultaneous,
    )


def _settings(window: Window) -> FloatArray:
    """Give the reachable settings, natural, shape (n, n_factors)."""
    grid = np.stack(np.meshgrid(*window.axes, indexing="ij"), axis=-1)
    return np.asarray(grid[window.reachable])


def _coverage(run: Rehearsed, fit: Fit, settings: FloatArray) -> dict[str, Coverage]:
    """Give the coverage of the first response of each kind."""
    covered = {}
    for kind in KINDS:
        first = next((f for f in fit.responses if f.kind == kind and f.response.has_requirement), None)
        covered[kind] = Coverage() if first is None else cover(first, fit, settings, run.welder, seed=run.seeds.cover)
    return covered
