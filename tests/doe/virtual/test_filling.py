"""A table a virtual welder filled in reads back as what was welded."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.bench import read_results
from doe.bench.stage import write_stage
from doe.planning.plan import Plan, PlannedWeld
from doe.study.model import Response, Study
from doe.virtual import WELDERS, Bench, filled_table, weld_plan


def plan_of(study: Study) -> Plan:
    feeds = (5.0, 7.0, 9.0, 8.0)
    welds = tuple(
        PlannedWeld(f"W{i + 1:02d}", f"P{i // 2 + 1:02d}", i % 2 + 1, i + 1, (19.6, feeds[i % 4], 70.0))
        for i in range(8)
    )
    return Plan(study, welds, seed=1)


@pytest.mark.parametrize(
    "bench",
    [Bench(), Bench(cuts=2, inspected=4.5, records_line_current=False, records_arc=True, records_hand=True)],
    ids=["plain", "all"],
)
@pytest.mark.parametrize("units", ["metric", "us"])
def test_a_filled_table_reads_back_as_it_was_welded(hinge: Study, bench: Bench, units: Literal["metric", "us"]):
    study = replace(hinge, units=units, responses=(*hinge.responses, Response("root fused", "pass")))
    plan = plan_of(study)
    welded = weld_plan(plan, WELDERS["always trips in a corner"], rng=np.random.default_rng(2), bench=bench)
    write_stage(plan)
    (study.folder / "results.csv").write_text(filled_table(plan, welded), encoding="utf-8")
    read = read_results(study.folder, study)
    assert read.weld == welded.weld
    assert read.status == welded.status
    for name, reading in welded.readings.items():
        for key, values in vars(reading).items():
            assert_allclose(vars(read.readings[name])[key], values, rtol=1e-5, err_msg=f"{name} {key}")
    for name, values in welded.conditions.items():
        assert_allclose(read.conditions[name], values, rtol=1e-5, err_msg=name)
