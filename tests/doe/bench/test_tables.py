from __future__ import annotations

import csv
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

import doe.bench
from doe.bench import read_results, results_table
from doe.bench.columns import plan_columns, results_columns
from doe.bench.form_entries import entry_of
from doe.errors import StudyError
from doe.planning.plan import Plan
from doe.planning.table import plan_headings, plan_table
from doe.study.model import Blocks, Factor, PlanWishes, Response, Study


def headings(plan: Plan) -> list[str]:
    lines = [line for line in results_table(plan).splitlines() if not line.startswith("#")]
    return next(csv.reader(lines))


def test_the_columns_stand_in_the_order_of_the_interface(plan: Plan) -> None:
    assert headings(plan) == [
        *(
            "weld",
            "plate",
            "position",
            "order",
            "voltage mark",
            "voltage [V]",
            "feed [m/min]",
            "preheat [degC]",
            "role",
        ),
        *("status", "voltage actual [V]", "feed actual [m/min]", "preheat actual [degC]"),
        *("penetration [mm]", "porosity", "porosity length [mm]", "trip", "trip time [s]", "root fused"),
        *("plate temperature [degC]", "rest [min]", "line voltage [V]", "line current [A]", "arc voltage [V]"),
        *("arc current [A]", "travel speed [mm/min]", "stick-out [mm]", "gap [mm]"),
        *("outlet", "cord", "place", "spool", "time", "notes"),
    ]


def test_the_blank_table_begins_with_the_plan(plan: Plan) -> None:
    blank, planned = results_table(plan).splitlines(), plan_table(plan).splitlines()
    comments = [line for line in planned if line.startswith("#")]
    assert blank[: len(comments)] == comments
    assert any("seed 1" in line for line in comments)
    assert any("0123456789ab" in line for line in comments)
    rows = [line for line in blank if not line.startswith("#")]
    for row, weld in zip(rows, planned[len(comments) :], strict=True):
        assert row.startswith(weld)
    assert all(set(row[len(weld) :]) == {","} for row, weld in zip(rows[1:], planned[len(comments) + 1 :], strict=True))


def test_comments_keep_to_one_cell_of_a_spreadsheet(plan: Plan) -> None:
    own = [line for line in results_table(plan).splitlines() if line.startswith("#")][len(plan_comments(plan)) :]
    assert len(own) == 5
    assert not any(sign in line for line in own for sign in ",;\t")


def test_the_comments_say_whose_trips_a_column_holds(plan: Plan) -> None:
    more = Response("thermal cut-out, of the machine", "trip", hold_s=30.0)
    table = results_table(replace(plan, study=replace(plan.study, responses=(*plan.study.responses, more))))
    own = [line for line in table.splitlines() if line.startswith("# under ")]
    assert own[0].startswith("# under trip: the supply breaker only. A cut-out of the machine or an earth-fault device")
    assert own[1].startswith("# under thermal cut-out  of the machine: ")
    assert "A trip of the supply breaker goes under notes" in own[1]
    assert not any(sign in line for line in own for sign in ",;\t")
    depth = [response for response in plan.study.responses if response.kind != "trip"]
    assert "breaker" not in results_table(replace(plan, study=replace(plan.study, responses=tuple(depth))))


def plan_comments(plan: Plan) -> list[str]:
    return [line for line in plan_table(plan).splitlines() if line.startswith("#")]


def test_the_same_plan_gives_the_same_bytes(plan: Plan) -> None:
    assert results_table(plan) == results_table(replace(plan))


def test_a_us_study_asks_in_inches_and_fahrenheit(plan: Plan) -> None:
    us = replace(plan, study=replace(plan.study, units="us"))
    found = headings(us)
    for heading in (
        "porosity length [in]",
        "plate temperature [degF]",
        "travel speed [in/min]",
        "stick-out [in]",
        "gap [in]",
    ):
        assert heading in found
    assert "feed [m/min]" in found


def test_the_plans_columns_are_those_of_plan_csv(study: Study) -> None:
    odd = replace(
        study,
        factors=(
            *study.factors,
            Factor("tap", values=(1.0, 2.0), marks=("A", "B"), calibrated=False),
            Factor("dial", unit="mark", values=(1.0, 1.5, 2.0), calibrated=False),
            Factor("wire", kinds=("A", "B")),
        ),
        plan=PlanWishes(blocks=Blocks("day", (3, 3))),
    )
    assert tuple(column.heading for column in plan_columns(odd)) == plan_headings(odd)


def test_an_uncalibrated_dial_has_only_its_mark_and_an_actual_column_without_unit(study: Study) -> None:
    odd = replace(study, factors=(Factor("tap", values=(1.0, 2.0), marks=("A", "B"), calibrated=False),))
    found = [column.heading for column in results_columns(odd)]
    assert found[4:8] == ["tap mark", "role", "status", "tap actual"]


def test_a_factor_named_as_a_condition_takes_its_column(study: Study) -> None:
    odd = replace(study, factors=(Factor("gap", unit="mm", values=(0.0, 1.0)),))
    found = [column.heading for column in results_columns(odd)]
    assert found.count("gap [mm]") == 1


@pytest.mark.parametrize(
    ("factor", "response"),
    [("status", "penetration"), ("voltage", "Voltage"), ("trip", "trip"), ("weld", "penetration")],
)
def test_two_columns_of_one_heading_are_refused(factor: str, response: str, study: Study) -> None:
    odd = replace(study, factors=(Factor(factor, values=(1.0, 2.0)),), responses=(Response(response, "measure", "mm"),))
    with pytest.raises(StudyError, match="would head two columns"):
        results_columns(odd)


def test_a_blank_table_is_read_as_not_run(planned: Study, plan: Plan) -> None:
    (planned.folder / "results.csv").write_text(results_table(plan), encoding="utf-8")
    results = read_results(planned.folder, planned)
    assert results.status == ("not run",) * 6
    assert results.conversions == ()
    assert results.questions == ()
    np.testing.assert_array_equal(results.settings, plan.settings)


def test_the_room_is_entered_without_loading_the_workbook_reader() -> None:
    code = "import sys, doe.bench, doe.bench.results; sys.exit('openpyxl' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_the_room_has_nothing_else_to_offer() -> None:
    with pytest.raises(AttributeError, match="no attribute 'guess'"):
        doe.bench.guess  # noqa: B018
    assert all(callable(getattr(doe.bench, name)) for name in doe.bench.__all__)


def test_penetration_of_a_fillet_is_said_to_count_from_the_root_corner(study: Study, plan: Plan) -> None:
    told = [line for line in results_table(plan).splitlines() if "from the root corner into the plate" in line]
    assert len(told) == 1
    assert told[0].startswith("#")
    reading = next(column for column in results_columns(study) if column.heading == "penetration [mm]")
    assert "from the root corner" in entry_of(reading, study).guide
    butt = replace(study, job=replace(study.job, joint="square butt"))
    assert "root corner" not in results_table(replace(plan, study=butt))
    assert "root corner" not in entry_of(reading, butt).guide


def test_what_is_said_of_the_root_moves_no_row(study: Study, plan: Plan) -> None:
    butt = replace(study, job=replace(study.job, joint="square butt"))
    lines, others = (results_table(p).splitlines() for p in (plan, replace(plan, study=butt)))
    assert len(lines) == len(others)
