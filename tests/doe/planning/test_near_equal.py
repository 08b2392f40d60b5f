from __future__ import annotations

import numpy as np
import pytest

from doe.planning import near_equal
from doe.planning.near_equal import near_equal_plans
from doe.planning.plan import Plan, PlannedWeld
from doe.planning.quality import score_plan


def plan_with(study, rows, seed):
    welds = [PlannedWeld(f"W{i:02d}", f"P{i:02d}", 1, i, tuple(row)) for i, row in enumerate(rows, start=1)]
    return Plan(study, tuple(welds), seed)


@pytest.fixture
def scripted(monkeypatch):
    """Answer each seed with a table of settings of our own."""

    def script(*tables):
        monkeypatch.setattr(near_equal, "plan_welds", lambda study, *, seed: plan_with(study, tables[seed - 1], seed))

    return script


SQUARE = np.array([(-1, -1), (-1, 1), (1, -1), (1, 1), (0, 0), (0, 0)], dtype=float)


def test_worse_plans_and_mere_reorderings_are_left_out_and_mirror_images_kept(cube, scripted):
    study = cube(2, welds=6, model="first order")
    bent = np.array([*SQUARE[:4], (1, 0), (0, 0)])
    mirrored = bent * [-1, 1]
    worse = np.array([*SQUARE[:3], *SQUARE[:3]])
    scripted(bent, bent[::-1], mirrored, worse)
    told = []
    plans = near_equal_plans(study, seed=1, tries=4, progress=lambda *done: told.append(done))
    assert [plan.seed for plan in plans] == [1, 3]
    assert told == [(1, 4), (2, 4), (3, 4), (4, 4)]


def test_each_plan_can_be_made_again_from_its_seed_and_none_is_much_worse(cube):
    study = cube(2, welds=7)
    plans = near_equal_plans(study, seed=3, tries=3)
    variances = [score_plan(study, plan).average_variance for plan in plans]
    assert max(variances) <= 1.011 * min(variances)
    again = near_equal_plans(study, seed=plans[-1].seed, tries=1)
    assert np.array_equal(again[0].settings, plans[-1].settings)
