"""Near-equal plans: different ones, as good as the best by the criterion, to be chosen among by another measure."""

from __future__ import annotations

from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.planning.evening import loss
from doe.planning.layout import layout_of
from doe.planning.making import Progress, plan_welds
from doe.planning.plan import Plan
from doe.planning.posing import pose_problem
from doe.planning.precision import plan_model
from doe.study.model import Study

WITHIN: Final = 0.01
"""Plans whose criterion is worse than the best by no more than this share are near-equal. Our planning value."""


def near_equal_plans(study: Study, *, seed: int, tries: int, progress: Progress | None = None) -> tuple[Plan, ...]:
    """Plan a study's first stage from several seeds, and keep the different plans that are near-equal.

    Parameters
    ----------
    study : Study
    seed : int
        The first seed; each plan carries its own, with which it can be made again.
    tries : int
        Seeds that are tried.
    progress : callable, optional
        Called with seeds done and seeds in all.

    Returns
    -------
    tuple of Plan
        In the order of their seeds; at least one.

    Raises
    ------
    CannotAnswerError
        If no plan can meet the request.
    """
    plans = []
    for done in range(tries):
        plans.append(plan_welds(study, seed=seed + done))
        if progress is not None:
            progress(done + 1, tries)
    losses = [_loss(plan) for plan in plans]
    most = min(losses) + WITHIN * abs(min(losses))
    kept: dict[bytes, Plan] = {}
    for plan, found in zip(plans, losses, strict=True):
        if found <= most:
            kept.setdefault(_content(plan).tobytes(), plan)
    return tuple(kept.values())


def _loss(plan: Plan) -> float:
    """Give the criterion of a plan so that smaller is better."""
    _, terms = plan_model(plan)
    problem = pose_problem(plan.study, terms, layout_of(plan.all_designed))
    return loss(problem, plan.study.coding.to_coded(_settings(plan)), plan.study.plan.criterion)


def _settings(plan: Plan) -> FloatArray:
    """Give the natural settings of a first stage, second beads left out."""
    return np.array([weld.settings for weld in plan.designed], dtype=float)


def _content(plan: Plan) -> FloatArray:
    """Give the settings of each plate, sorted, so that plans differing in order alone are one."""
    table = np.column_stack([layout_of(plan.designed).plate, np.round(_settings(plan), 9)])
    plates = [table[table[:, 0] == p, 1:] for p in np.unique(table[:, 0])]
    rows = sorted(sorted(map(tuple, plate)) for plate in plates)
    return np.array([value for plate in rows for weld in plate for value in weld])
