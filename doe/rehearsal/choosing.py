"""Choosing among near-equal plans: which of them finds the largest window on simulated machines.

Plans that are as good as one another by the criterion are not so by what comes of them: each is welded, fitted and
claimed on the same machines (``doe.rehearsal.how_many``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.errors import CannotAnswerError
from doe.planning.plan import Plan
from doe.rehearsal.how_many import Progress, draw_machines, outcomes

N_MACHINES: Final = 40
"""Machines that every plan is tried on. Our planning value."""


@dataclass(frozen=True, eq=False)
class SimulatedPlan:
    """What one plan is likely to bring.

    Attributes
    ----------
    plan : Plan
    chance : float
        That a window can be claimed.
    share : float
        Mean share of the truly good settings inside the window, no window counting 0.
    behind, behind_error : float
        How far the share lies behind the best plan's on the same machines, and the Monte Carlo error of that.
    machines : int
    """

    plan: Plan
    chance: float
    share: float
    behind: float
    behind_error: float
    machines: int

    def to_dict(self) -> dict[str, object]:
        """Give one plan for ``plan --json``."""
        numbers = {
            "chance": self.chance,
            "share": self.share,
            "behind": self.behind,
            "behind_error": self.behind_error,
        }
        return {
            "seed": self.plan.seed,
            **{name: float(f"{value:.6g}") for name, value in numbers.items()},
            "machines": self.machines,
        }


def simulate_plans(
    plans: Sequence[Plan],
    *,
    n_machines: int = N_MACHINES,
    jobs: int = 1,
    seed: int = 1,
    progress: Progress | None = None,
) -> tuple[SimulatedPlan, ...]:
    """Try every plan on the same simulated machines, and give them with the largest share first.

    Parameters
    ----------
    plans : sequence of Plan
        Of one study, each with all its welds.
    n_machines : int
    jobs : int
        Processes.
    seed : int
        The same plans and seed give the same numbers, whatever the number of jobs.
    progress : callable, optional
        Called with simulated studies done and in all.

    Raises
    ------
    CannotAnswerError
        If the plans are a first stage only, or no machine drawn meets the requirements anywhere.
    """
    study = plans[0].study
    if len(plans[0].designed) < study.plan.welds:
        message = (
            f"Plans are compared by the window that all {study.plan.welds} welds find, but only "
            f"{len(plans[0].designed)} are planned first: set stages = [{study.plan.welds}] under [plan]."
        )
        raise CannotAnswerError(message)
    machines = draw_machines(study, n_machines, seed=seed)
    tasks = [(plan, welder, (seed, i, len(plan.designed))) for i, welder in enumerate(machines) for plan in plans]
    table = np.array(list(outcomes(tasks, jobs, progress)), dtype=float).reshape(n_machines, len(plans), 2)
    return _ranked(plans, table[:, :, 0], table[:, :, 1])


def _ranked(plans: Sequence[Plan], was_found: np.ndarray, share: np.ndarray) -> tuple[SimulatedPlan, ...]:
    """Sum up and rank. was_found, share: (n_machines, n_plans)."""
    n = len(share)
    order = np.argsort(-share.mean(axis=0), kind="stable")
    ranked = []
    for j in order:
        gap = share[:, order[0]] - share[:, j]
        error = float(gap.std(ddof=1) / np.sqrt(n)) if n > 1 else 0.0
        ranked.append(
            SimulatedPlan(
                plans[j], float(was_found[:, j].mean()), float(share[:, j].mean()), float(gap.mean()), error, n
            )
        )
    return tuple(ranked)


def choice_words(ranked: Sequence[SimulatedPlan], *, tries: int) -> tuple[str, ...]:
    """Say what was compared, how the plans did, and how sure the choice is."""
    best, others = ranked[0], ranked[1:]
    if not others:
        return (f"{tries} seeds found one plan; there is nothing to choose among.",)
    listed = ", ".join(f"seed {row.plan.seed}: {row.share:.0%}" for row in ranked)
    sure = "more" if others[0].behind > 2 * others[0].behind_error else "no more"
    return (
        f"Of {tries} plans {len(ranked)} are different and near-equal. Share of the good settings that their windows "
        f"hold, on average over {best.machines} simulated machines: {listed}.",
        f"Taken: seed {best.plan.seed}. It leads the next by {others[0].behind:.1%}, {sure} than chance makes "
        f"({others[0].behind_error:.1%}, one standard error).",
    )
