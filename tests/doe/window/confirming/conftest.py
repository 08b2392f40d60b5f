"""A study with a claim, and what makes later rounds of welds for it."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from doe.bench.results import Counts, Measurement, Trips
from doe.bench.stage import stage_path
from doe.models import fit_responses
from doe.planning.plan import Plan, PlannedWeld
from doe.virtual.welder import WELDERS
from doe.virtual.welding import weld_plan
from doe.window.claim_file import read_claim


def first_plan(study, n=24, seed=1):
    rng = np.random.default_rng(seed)
    ends = [f.positions[[0, len(f.positions) // 2, -1]] for f in study.factors]
    dials = [(v, f) for v in ends[0] for f in ends[1]] * 3
    rng.shuffle(dials)
    welds = tuple(
        PlannedWeld(
            f"W{i + 1:02d}",
            f"P{i // 2 + 1:02d}",
            i % 2 + 1,
            i + 1,
            (float(dials[i][0]), float(dials[i][1]), float(ends[2][i // 2 % 3])),
        )
        for i in range(n)
    )
    return Plan(study, welds, seed, fingerprint=study.fingerprint)


@pytest.fixture(scope="module")
def welds_of_the_first_stage():
    """Readings of the first stage, made once: the study's folder differs from test to test."""
    return {}


@pytest.fixture
def fit(hinge, welds_of_the_first_stage):
    if not welds_of_the_first_stage:
        results = weld_plan(first_plan(hinge), WELDERS["no pores"], rng=np.random.default_rng(2))
        welds_of_the_first_stage["fit"] = fit_responses(results, seed=0)
    made = welds_of_the_first_stage["fit"]
    return replace(made, results=replace(made.results, study=hinge))


def good_readings(n):
    """Readings that meet every requirement with ease."""
    return {
        "penetration": Measurement(np.full((n, 1), 2.2) + np.arange(n)[:, None] % 3 * 0.1, np.full(n, 10.0)),
        "porosity": Counts(np.zeros(n), np.full(n, 110.0)),
        "trip": Trips(np.zeros(n), np.full(n, 60.0)),
    }


def filled_in(fit, confirmation, readings=None, **fields):
    """Fit the first welds and the confirmation welds together."""
    welds, study = confirmation.plan.welds, confirmation.study
    new = weld_plan(confirmation.plan, WELDERS["hinge lugs"], rng=np.random.default_rng(9))
    n = len(welds)
    new = replace(
        new,
        readings=readings or good_readings(n),
        status=("done",) * n,
        file=(stage_path(study.folder, "results", confirmation.plan.stage).name,) * n,
        **fields,
    )
    return fit_responses(joined(fit.results, new), seed=0)


def joined(first, second):
    def both(a, b):
        return type(a)(**{name: np.concatenate([value, vars(b)[name]]) for name, value in vars(a).items()})

    arrays = {k: np.concatenate([getattr(first, k), getattr(second, k)]) for k in ("position", "order", "row")}
    tuples = {k: getattr(first, k) + getattr(second, k) for k in ("weld", "plate", "block", "role", "file", "status")}
    return replace(
        first,
        **arrays,
        **tuples,
        planned=np.vstack([first.planned, second.planned]),
        settings=np.vstack([first.settings, second.settings]),
        readings={k: both(v, second.readings[k]) for k, v in first.readings.items()},
        conditions={k: np.concatenate([v, second.conditions[k]]) for k, v in first.conditions.items()},
    )


def more_welds(fit, readings, *, role="next", stage=3, n=8):
    """Add welds of another role in a later stage, in the middle of the claimed window."""
    study = fit.results.study
    box = read_claim(study.folder).box(study)
    middle = tuple(float(d[len(d) // 2]) for d in box.dials)
    welds = tuple(PlannedWeld(f"N{i:02d}", f"Q{i}", 1, 100 + i, middle, None, role) for i in range(n))
    new = weld_plan(Plan(study, welds, 1, stage=stage), WELDERS["hinge lugs"], rng=np.random.default_rng(3))
    new = replace(new, readings=readings, status=("done",) * n, file=(f"results-{stage}.csv",) * n, role=(role,) * n)
    return fit_responses(joined(fit.results, new), seed=0)


def shallow(n, depth):
    readings = good_readings(n)
    readings["penetration"].values[:] = depth
    return readings


@pytest.fixture(scope="session")
def rounds():
    """The makers of rounds of welds, by name."""
    return SimpleNamespace(
        filled_in=filled_in, first_plan=first_plan, good_readings=good_readings, more_welds=more_welds, shallow=shallow
    )
