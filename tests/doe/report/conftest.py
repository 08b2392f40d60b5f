"""One welded study and its window, for the tests of what is drawn and said of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pytest

from doe.models import fit_responses
from doe.models.fit import Fit
from doe.planning.plan import Plan, PlannedWeld
from doe.report.contents import ReportContents, report_contents
from doe.study.model import Study
from doe.virtual import WELDERS, weld_plan
from doe.window import find_window
from doe.window.window import Window


@dataclass(frozen=True, eq=False)
class Answered:
    """A fit, its window, and what the report says of them, the maps left out."""

    fit: Fit
    window: Window

    @cached_property
    def contents(self) -> ReportContents:
        return report_contents(self.fit, replace(self.window, maps=()))


_MADE: dict[str, Answered] = {}


def lugs_welded_by(name: str, study: Study) -> Answered:
    """Weld the lug study, fit it and find its window; once for each welder."""
    if name not in _MADE:
        ends = [f.positions[[0, len(f.positions) // 2, -1]] for f in study.factors]
        welds = (
            PlannedWeld(
                f"W{i + 1:02d}",
                f"P{i // 2 + 1:02d}",
                i % 2 + 1,
                i + 1,
                (float(ends[0][i % 3]), float(ends[1][(i // 3) % 3]), float(ends[2][(i // 2) % 3])),
            )
            for i in range(24)
        )
        plan = Plan(study, tuple(welds), 3)
        fit = fit_responses(weld_plan(plan, WELDERS[name], rng=np.random.default_rng(3)), seed=3)
        _MADE[name] = Answered(fit, find_window(fit, seed=3))
    return _MADE[name]


@pytest.fixture
def answered(hinge: Study) -> Answered:
    return lugs_welded_by("hinge lugs", hinge)


@pytest.fixture
def answered_none(hinge: Study) -> Answered:
    return lugs_welded_by("no window", hinge)
