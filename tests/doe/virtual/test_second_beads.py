"""Second beads on a virtual welder: the others come out as without them, and only pores are counted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from doe.bench import read_results
from doe.bench.results import Counts, Results, only_welds
from doe.bench.stage import write_stage
from doe.planning.plan import Plan, PlannedWeld
from doe.planning.second_beads import add_second_beads
from doe.study.model import Response, Study
from doe.virtual import WELDERS, Bench, filled_table, weld_plan
from doe.virtual.welder import mean_pores


def plan_of(study: Study, n_plates: int, *, wanted: bool = True) -> Plan:
    feeds = (5.0, 7.0, 9.0, 8.0)
    welds = [
        PlannedWeld(f"W{i + 1:02d}", f"P{i // 2 + 1:02d}", i % 2 + 1, i + 1, (19.6, feeds[i % 4], 70.0))
        for i in range(2 * n_plates)
    ]
    wishes = replace(study.plan, second_bead=wanted, welds=2 * n_plates)
    return Plan(replace(study, plan=wishes), add_second_beads(welds, wanted=wanted), seed=1)


def weld(plan: Plan, name: str = "hinge lugs") -> Results:
    bench = Bench(inspected=4.5, records_hand=True)
    return weld_plan(plan, WELDERS[name], rng=np.random.default_rng(5), bench=bench)


def pores(results: Results) -> Counts:
    found = results.readings["porosity"]
    assert isinstance(found, Counts)
    return found


@pytest.fixture
def judged(hinge: Study) -> Study:
    return replace(hinge, responses=(*hinge.responses, Response("root fused", "pass")))


def test_first_beads_come_out_as_they_would_without_second_ones(judged: Study):
    both, alone = weld(plan_of(judged, 4)), weld(plan_of(judged, 4, wanted=False))
    first = only_welds(both, ~both.is_second)
    assert (first.weld, first.plate, first.status) == (alone.weld, alone.plate, alone.status)
    for name, reading in alone.readings.items():
        for key, values in vars(reading).items():
            assert_array_equal(vars(first.readings[name])[key], values, err_msg=f"{name} {key}")
    for name, values in alone.conditions.items():
        assert_array_equal(first.conditions[name], values)


def test_of_second_beads_nothing_but_pores_is_read(judged: Study):
    made = weld(plan_of(judged, 4))
    second = only_welds(made, made.is_second)
    assert second.n_welds == 8
    assert np.isfinite(pores(second).counts).all()
    assert np.isfinite(pores(second).length_mm).all()
    for name in ("penetration", "trip", "root fused"):
        values = [v for key, v in vars(second.readings[name]).items() if key != "full"]
        assert all(np.isnan(v).all() for v in values), name
    assert all(np.isnan(values).all() for values in second.conditions.values())
    assert [w.weld for w in plan_of(judged, 4).welds] == list(made.weld)


def test_their_pores_are_draws_of_their_own_at_the_same_mean(hinge: Study):
    plan = plan_of(replace(hinge, factors=tuple(replace(f, set_within=0.0) for f in hinge.factors)), 2000)
    made, welder = weld(plan), WELDERS["hinge lugs"]
    counts, length = pores(made).counts, pores(made).length_mm
    expected = mean_pores(welder, plan.study, made.settings) * length / 100.0
    for who in (made.is_second, ~made.is_second):
        assert counts[who].mean() == pytest.approx(expected[who].mean(), rel=0.05)
    first, second = (counts[who] / np.maximum(expected[who], 1e-9) for who in (~made.is_second, made.is_second))
    same_setting = np.tile(np.arange(4), 1000)
    residual = [r - np.array([r[same_setting == k].mean() for k in range(4)])[same_setting] for r in (first, second)]
    assert abs(np.corrcoef(*residual)[0, 1]) < 0.06  # 4 standard errors of 4000 pairs


def test_a_filled_table_with_second_beads_reads_back_as_it_was_welded(judged: Study):
    plan = plan_of(judged, 4)
    made = weld(plan, "always trips in a corner")
    write_stage(plan)
    (plan.study.folder / "results.csv").write_text(filled_table(plan, made), encoding="utf-8")
    found = read_results(plan.study.folder, plan.study)
    assert (found.weld, found.role, found.status) == (made.weld, made.role, made.status)
    for name, reading in made.readings.items():
        for key, values in vars(reading).items():
            assert_allclose(vars(found.readings[name])[key], values, rtol=1e-5, err_msg=f"{name} {key}")
