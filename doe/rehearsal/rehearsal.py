"""Many studies, on several cores: what came of them all."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import joblib

from doe.planning.plan import Plan
from doe.rehearsal.record import Record
from doe.rehearsal.setup import Setup
from doe.rehearsal.studying import PLANS, PlanShelf, run_study
from doe.rehearsal.summary import Summary, summarise

ROUND: Final = PLANS
"""Studies of every setup before the next round: a stopped run is even, and every plan is welded once a round."""

Key = tuple[str, str, str, int]


@dataclass(frozen=True, eq=False)
class Rehearsal:
    """What came of rehearsing one setup.

    Attributes
    ----------
    setup : Setup
    seed : int
    records : tuple of Record
        By number of the study, then stage.
    """

    setup: Setup
    seed: int
    records: tuple[Record, ...]

    @property
    def summary(self) -> Summary:
        """The last stage, summed up."""
        return summarise([record for record in self.records if record.is_last])


@dataclass(frozen=True, eq=False)
class Task:
    """Some studies of one setup that share a plan."""

    setup: Setup
    plan: Plan
    numbers: tuple[int, ...]
    seed: int

    def run(self) -> list[tuple[Record, ...]]:
        """Run them."""
        return [run_study(self.setup, self.plan, number, seed=self.seed) for number in self.numbers]


def rehearse(
    setup: Setup,
    *,
    n_studies: int,
    seed: int,
    jobs: int = 1,
    progress: Callable[[int, int], None] | None = None,
) -> Rehearsal:
    """Run one setup many times.

    Parameters
    ----------
    setup : Setup
    n_studies : int
    seed : int
        The same setup and seed give the same records, whatever the number of jobs.
    jobs : int
        Processes.
    progress : callable, optional
        Called with studies done and studies in all.
    """
    records: list[Record] = []
    for done, study in enumerate(run_many([setup], range(n_studies), seed=seed, jobs=jobs), start=1):
        records += study
        if progress is not None:
            progress(done, n_studies)
    return Rehearsal(setup, seed, tuple(sorted(records, key=lambda record: (record.study, record.stage))))


def run_many(
    setups: Sequence[Setup],
    numbers: Sequence[int],
    *,
    seed: int,
    jobs: int = 1,
    shelf: PlanShelf | None = None,
    done: Collection[Key] = (),
) -> Iterator[tuple[Record, ...]]:
    """Run studies of many setups, each study as soon as a process is free; the order is not settled.

    Parameters
    ----------
    setups : sequence of Setup
    numbers : sequence of int
        Of the studies of each setup.
    seed, jobs : int
    shelf : PlanShelf, optional
        Plans made already.
    done : collection of keys
        Studies to leave out (``Record.key``).

    Yields
    ------
    tuple of Record
        The stages of one study.
    """
    tasks = make_tasks(setups, numbers, seed=seed, shelf=shelf or PlanShelf(), done=done)
    if jobs == 1:
        for task in tasks:
            yield from task.run()
        return
    with joblib.parallel_config(backend="loky", inner_max_num_threads=1):
        parallel = joblib.Parallel(n_jobs=jobs, return_as="generator_unordered", batch_size=1)
        for studies in parallel(joblib.delayed(Task.run)(task) for task in tasks):
            yield from studies


def make_tasks(
    setups: Sequence[Setup], numbers: Sequence[int], *, seed: int, shelf: PlanShelf, done: Collection[Key]
) -> Iterable[Task]:
    """Cut the work into tasks of a few studies that share a plan, all setups in turn."""
    for start in range(0, len(numbers), ROUND):
        for setup in setups:
            left = [number for number in numbers[start : start + ROUND] if (*setup.label, number) not in done]
            for plan_number in sorted({number % PLANS for number in left}):
                mine = tuple(number for number in left if number % PLANS == plan_number)
                yield Task(setup, shelf.plan(setup, plan_number), mine, seed)
