"""Facts of the trade on fitted studies (common practice, no source); the welds are a virtual welder's."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np

from doe.models.fit import Points
from doe.models.responses import fit_responses
from doe.planning.plan import Plan, PlannedWeld
from doe.study.model import Study
from doe.virtual import WELDERS, weld_plan


def factorial(study: Study, *, times: int) -> Plan:
    """Every voltage and feed of a coarse grid at each preheat, two welds a plate."""
    settings = list(itertools.product((17.0, 19.6, 22.3), (5.0, 7.0, 9.0), (20.0, 70.0, 120.0))) * times
    settings = sorted(settings, key=lambda s: s[2])
    welds = tuple(
        PlannedWeld(f"W{i + 1:02d}", f"P{i // 2 + 1:02d}", i % 2 + 1, i + 1, s) for i, s in enumerate(settings)
    )
    return Plan(study, welds, seed=1)


def test_the_later_weld_on_a_warm_plate_is_found_to_fuse_deeper(hinge: Study):
    warm = replace(hinge, plan=replace(hinge.plan, later_welds="warm"))
    results = weld_plan(factorial(warm, times=2), WELDERS["warm second sides"], rng=np.random.default_rng(4))
    depth = fit_responses(results, seed=1).response("penetration")
    position = next(t for t in depth.terms if t.term == "position")
    assert position.low > 0
    assert depth.model is not None
    posterior = depth.model.draw(500, np.random.default_rng(1))
    middle = np.array([[19.6, 7.0, 70.0]])
    assert posterior.mean(Points(middle, later=True)).mean() > posterior.mean(Points(middle)).mean() + 0.1


def test_past_a_point_a_hotter_setting_is_found_not_to_fuse_deeper(hinge: Study):
    results = weld_plan(factorial(hinge, times=2), WELDERS["hinge lugs"], rng=np.random.default_rng(4))
    model = fit_responses(results, seed=1).response("penetration").model
    assert model is not None
    cold_to_hot = np.column_stack([np.linspace(17.0, 22.3, 21), np.linspace(5.0, 9.0, 21), np.full(21, 70.0)])
    mean = model.draw(1000, np.random.default_rng(1)).mean(Points(cold_to_hot)).mean(axis=0)
    assert 0 < mean.argmax() < 20
    assert mean[-1] < mean.max() - 0.05


def test_a_trip_is_a_result_and_its_weld_keeps_its_readings(hinge: Study):
    results = weld_plan(factorial(hinge, times=1), WELDERS["always trips in a corner"], rng=np.random.default_rng(2))
    aborted = sum(status == "aborted" for status in results.status)
    assert aborted > 0
    fit = fit_responses(results, seed=1)
    assert [part.n for part in fit.responses] == [27, 27, 27]
    assert fit.response("trip").numbers["trips"] == aborted
