"""How many welds: the simulated chance and size of a window against the number of welds.

Machines are drawn at random about the study's own requirements (``doe.virtual.draw_welder``), each studied with every
number of welds, so that two numbers of welds are compared on the same machines. Only machines that have a good setting
count: whether there is one, no number of welds decides.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import joblib
import numpy as np
from scipy.optimize import isotonic_regression

from doe.bench.results import Results
from doe.errors import CannotAnswerError
from doe.models import fit_responses
from doe.planning import plan_welds, reachable_settings
from doe.planning.plan import Plan
from doe.rehearsal.judging import judge
from doe.study.model import Study
from doe.virtual import Bench, VirtualWelder, draw_welder, true_assurance, weld_plan
from doe.window.finding import find_window

SIZES: Final = (8, 10, 12, 14, 16, 18, 20, 22, 24, 27, 30)
"""Numbers of welds that are compared."""
N_STUDIES: Final = 30
"""Machines each number of welds is tried on: a chance is then right to about 9 points before smoothing."""
STARTS: Final = 12
"""Starts of the search for each plan: enough to tell sizes apart. Our planning value."""
LEAST_SHARE: Final = 0.05
"""A machine counts where at least so much of the region is truly good."""
TRIES: Final = 40
"""So many machines in a row without a good setting, and the requirements are too hard to simulate."""

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class SimulatedSize:
    """What one number of welds is likely to bring.

    Attributes
    ----------
    welds : int
    chance, chance_error : float
        That a window can be claimed, never falling with the number of welds, and the Monte Carlo error before that.
    share, share_error : float
        Mean share of the truly good settings inside the window, no window counting 0; likewise.
    studies : int
    refused : str
        Why no plan of this size can be made; empty where one can.
    """

    welds: int
    chance: float = np.nan
    chance_error: float = np.nan
    share: float = np.nan
    share_error: float = np.nan
    studies: int = 0
    refused: str = ""

    def to_dict(self) -> dict[str, object]:
        """Give one row for ``--json``."""
        if self.refused:
            return {"welds": self.welds, "refused": self.refused}
        return {**dataclasses.asdict(self), "refused": None}


def simulate_sizes(
    study: Study,
    sizes: Sequence[int] = SIZES,
    *,
    n_studies: int = N_STUDIES,
    jobs: int = 1,
    seed: int = 1,
    progress: Progress | None = None,
) -> tuple[SimulatedSize, ...]:
    """Simulate chance and size of a window for several numbers of welds, all made at once.

    Parameters
    ----------
    study : Study
        As it stands: what it says of scatter, porosity and supply is used as known.
    sizes : sequence of int
    n_studies : int
        Machines, the same for every size.
    jobs, progress
        As for ``outcomes``.
    seed : int
        The same study and seed give the same numbers, whatever the number of jobs.

    Raises
    ------
    CannotAnswerError
        If the study has no requirement, or hardly any machine drawn meets them anywhere.
    """
    machines = enumerate(draw_machines(study, n_studies, seed=seed))
    planned = [_plan(study, size) for size in sorted(set(sizes))]
    plans = [plan for plan in planned if isinstance(plan, Plan)]
    tasks = [(plan, welder, (seed, number, len(plan.designed))) for number, welder in machines for plan in plans]
    found: dict[int, list[tuple[bool, float]]] = {}
    for task, outcome in zip(tasks, outcomes(tasks, jobs, progress), strict=True):
        found.setdefault(len(task[0].designed), []).append(outcome)
    rows = [plan if isinstance(plan, SimulatedSize) else _row(plan, found[len(plan.designed)]) for plan in planned]
    return _smoothed(rows)


def draw_machines(study: Study, n: int, *, seed: int) -> list[VirtualWelder]:
    """Draw machines that have good settings in a study's region, half of either family.

    Raises
    ------
    CannotAnswerError
        If the study has no requirement, or hardly any machine drawn meets them anywhere.
    """
    if not any(response.has_requirement for response in study.responses):
        message = "no response has a requirement, so there is no window whose chance could be simulated"
        raise CannotAnswerError(message)
    grid = reachable_settings(study, at_most=500)
    settings = np.column_stack([axis[i] for axis, i in zip(grid.axes, np.nonzero(grid.allowed), strict=True)])
    machines: list[VirtualWelder] = []
    tries = 0
    while len(machines) < n:
        rng = np.random.default_rng([seed, len(machines), tries])
        welder = draw_welder(study, "smooth" if len(machines) % 2 == 0 else "bent", rng=rng)
        good = true_assurance(welder, study, settings) >= study.claim.reliability
        tries += 1
        if good.mean() >= LEAST_SHARE:
            machines.append(welder)
            tries = 0
        elif tries == TRIES:
            message = "hardly any simulated machine meets every requirement anywhere; the chance cannot be simulated"
            raise CannotAnswerError(message)
    return machines


def _plan(study: Study, size: int) -> Plan | SimulatedSize:
    """Plan one size quickly, all at once and without blocks; where that cannot be, say why."""
    wishes = dataclasses.replace(study.plan, welds=size, stages=(size,), blocks=None)
    try:
        return plan_welds(dataclasses.replace(study, plan=wishes), seed=1, starts=STARTS)
    except CannotAnswerError as refusal:
        return SimulatedSize(size, refused=refusal.message)


Task = tuple[Plan, VirtualWelder, tuple[int, int, int]]


def outcomes(tasks: Sequence[Task], jobs: int, progress: Progress | None = None) -> Iterator[tuple[bool, float]]:
    """Run tasks of plan, welder and seeds, each giving found and share, in their order.

    jobs: processes; progress is called with studies done and studies in all.
    """
    for done, outcome in enumerate(_in_order(tasks, jobs), start=1):
        yield outcome
        if progress is not None:
            progress(done, len(tasks))


def _in_order(tasks: Sequence[Task], jobs: int) -> Iterator[tuple[bool, float]]:
    """Run tasks in this process, or in several."""
    if jobs == 1:
        yield from map(_outcome, tasks)
        return
    with joblib.parallel_config(backend="loky", inner_max_num_threads=1):
        yield from joblib.Parallel(n_jobs=jobs, return_as="generator")(joblib.delayed(_outcome)(task) for task in tasks)


def _outcome(task: Task) -> tuple[bool, float]:
    """Weld, fit and claim once: whether a window was found, and its share of the truly good settings."""
    plan, welder, seeds = task
    bench = Bench(records_line_current=bool(plan.study.supply.breaker_a))
    results: Results = weld_plan(plan, welder, rng=np.random.default_rng(seeds), bench=bench)
    try:
        window = find_window(fit_responses(results, seed=seeds[1]), seed=seeds[1])
    except CannotAnswerError:  # a simulated study without an answer is one without a window
        return False, 0.0
    judged = judge(window, welder=welder)
    return judged.found, judged.claimed_share


def _row(plan: Plan, outcomes: Sequence[tuple[bool, float]]) -> SimulatedSize:
    """Sum up one size."""
    found = np.array([outcome[0] for outcome in outcomes], dtype=float)
    share = np.array([outcome[1] for outcome in outcomes])
    n = len(outcomes)
    return SimulatedSize(
        len(plan.designed),
        float(found.mean()),
        float(np.sqrt(found.mean() * (1 - found.mean()) / n)),
        float(share.mean()),
        float(share.std(ddof=1) / np.sqrt(n)) if n > 1 else np.nan,
        n,
    )


def _smoothed(rows: Sequence[SimulatedSize]) -> tuple[SimulatedSize, ...]:
    """Let chance and share rise with the number of welds (isotonic regression): a fall is Monte Carlo error."""
    known = [row for row in rows if not row.refused]
    if not known:
        return tuple(rows)
    chance = isotonic_regression([row.chance for row in known]).x
    share = isotonic_regression([row.share for row in known]).x
    smooth = {
        row.welds: dataclasses.replace(row, chance=float(c), share=float(s))
        for row, c, s in zip(known, chance, share, strict=True)
    }
    return tuple(smooth.get(row.welds, row) for row in rows)
