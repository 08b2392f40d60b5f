"""A record to change, plans without a search, and a small study for the rehearsals' own tests."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from doe.planning.plan import Plan, PlannedWeld
from doe.rehearsal.record import Record


@pytest.fixture
def record() -> Record:
    return Record(
        knowledge="informed",
        truth="hinge lugs",
        stages="18",
        stage=1,
        welds=18,
        study=0,
        seed=1,
        found=True,
        wrong=False,
        single=False,
        share=0.1,
        good_share=0.5,
        claimed_share=0.2,
        box_share=0.4,
        true_window=True,
        lowest_true=0.93,
        confidence=0.91,
        searched_at=0.9,
        limits="penetration porosity",
        point_measure=0.9,
        all_measure=1.0,
        weld_measure=0.92,
        point_count=0.95,
        all_count=1.0,
        point_trip=1.0,
        all_trip=1.0,
        refused="",
        seconds=0.31,
    )


@pytest.fixture
def lost(record) -> Record:
    """A study that claimed nothing."""
    nothing = {"share": 0.0, "claimed_share": 0.0, "box_share": 0.0, "limits": ""}
    return replace(record, found=False, lowest_true=math.nan, confidence=math.nan, **nothing)


class FixedShelf:
    """Plans of three levels each, shuffled: quick, and good enough to fit."""

    def plan(self, setup, number):
        study = setup.planned()
        rng = np.random.default_rng(number)
        ends = [f.positions[[0, len(f.positions) // 2, -1]] for f in study.factors]
        dials = [(v, f) for v in ends[0] for f in ends[1]] * 3
        rng.shuffle(dials)
        days = []
        if study.plan.blocks is not None:
            days = [f"day {i + 1}" for i, size in enumerate(study.plan.blocks.sizes) for _ in range(size)]
        welds = tuple(
            PlannedWeld(
                f"W{i + 1:02d}",
                f"P{i // 2 + 1:02d}",
                i % 2 + 1,
                i + 1,
                (float(dials[i][0]), float(dials[i][1]), float(ends[2][i // 2 % 3])),
                block=days[i] if days else None,
            )
            for i in range(setup.stages[0])
        )
        return Plan(study, welds, number)


@pytest.fixture
def shelf() -> FixedShelf:
    return FixedShelf()
