"""Second beads read back: a count is enough, and nothing is missed."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest

from doe.bench import read_results, results_table
from doe.bench.identity import identity
from doe.bench.joining import join_tables
from doe.bench.rescue import rescue
from doe.bench.results import Counts, Measurement, Results, Trips
from doe.bench.stage import write_stage
from doe.bench.text_tables import read_text_sheets
from doe.planning.plan import Plan, PlannedWeld
from doe.planning.second_beads import add_second_beads
from doe.study.model import Study

FIRST = {
    "status": "done",
    "penetration [mm]": ("1.5", "1.8", "2.1", "2.4", "1.9", "1.6"),
    "porosity": ("0", "1", "0", "2", "0", "1"),
    "porosity length [mm]": "100",
    "trip": "no",
    "trip time [s]": ("60", "61", "62", "63", "64", "65"),
    "root fused": "yes",
}
SECOND = {"porosity": ("1", "0", "0", "3", "0", "0"), "porosity length [mm]": "110"}
"""What was read (invented): of a second bead nothing but its pores and the length looked over."""


@pytest.fixture
def plan(study: Study) -> Plan:
    wanted = replace(study, plan=replace(study.plan, second_bead=True))
    preheats = (20.0, 70.0, 120.0)
    welds = [
        PlannedWeld(f"W0{i + 1}", f"P0{i // 2 + 1}", i % 2 + 1, i + 1, (19.6, 5.0 + i % 5, preheats[i // 2]))
        for i in range(6)
    ]
    plan = Plan(wanted, add_second_beads(welds, wanted=True), 1, fingerprint="0123456789ab")
    write_stage(plan)
    return plan


def table(plan: Plan, changes: dict[str, dict[str, str]] | None = None) -> str:
    """Fill in the blank table as a person would."""
    lines = results_table(plan).splitlines(keepends=True)
    head, *rows = csv.reader(line for line in lines if not line.startswith("#"))
    out = io.StringIO()
    out.writelines(line for line in lines if line.startswith("#"))
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head)
    for row in rows:
        number = int(row[0][1:3]) - 1
        typed = SECOND if row[0].endswith("b") else FIRST
        cells = {h: v if isinstance(v, str) else v[number] for h, v in typed.items()} | (changes or {}).get(row[0], {})
        writer.writerow([cells.get(h, old) for h, old in zip(head, row, strict=True)])
    return out.getvalue()


def read(plan: Plan, changes: dict[str, dict[str, str]] | None = None) -> Results:
    (plan.study.folder / "results.csv").write_text(table(plan, changes), encoding="utf-8")
    return read_results(plan.study.folder, plan.study)


@pytest.mark.parametrize("typed", ["W01b", "w1b", "1b", "W-01b", "W01B"])
def test_a_second_bead_is_known_however_its_number_is_typed(typed: str):
    assert identity(typed, "w") == identity("W01b", "w") != identity("W01", "w")


def test_nothing_is_asked_of_a_second_bead_but_its_count(plan: Plan):
    found = read(plan)
    assert found.questions == ()
    assert found.is_second.sum() == 6
    depth, pores, trips = (found.readings[name] for name in ("penetration", "porosity", "trip"))
    assert isinstance(depth, Measurement)
    assert isinstance(pores, Counts)
    assert isinstance(trips, Trips)
    assert np.isnan(depth.values[found.is_second]).all()
    assert np.isnan(trips.tripped[found.is_second]).all()
    assert pores.counts[found.is_second].tolist() == [1, 0, 0, 3, 0, 0]
    assert set(found.status) == {"done"}


def test_rescue_misses_nothing_of_second_beads(plan: Plan):
    assert rescue(read(plan)) == ()
    unwelded = {w.weld: {"porosity": "", "porosity length [mm]": ""} for w in plan.second_beads}
    assert rescue(read(plan, unwelded)) == ()
    (lost,) = rescue(read(plan, {"W03": {"penetration [mm]": ""}}))
    assert [lost.results.weld[i] for i in lost.lost] == ["W03"]
    assert (lost.responses, lost.n_meant) == (("penetration",), 6)


def test_what_was_written_down_of_a_second_bead_is_a_reading_all_the_same(plan: Plan):
    found = read(plan, {"W02b": {"penetration [mm]": "1.7"}})
    depth = found.readings["penetration"]
    assert isinstance(depth, Measurement)
    assert depth.values[found.weld.index("W02b"), 0] == 1.7
    assert found.plate[found.weld.index("W02b")] == "P01b"
    (lost,) = rescue(read(plan, {"W02b": {"penetration [mm]": "1.7"}, "W03": {"penetration [mm]": ""}}))
    assert lost.n_meant == 7


def test_trips_of_some_second_beads_alone_are_asked_about(plan: Plan):
    tripped = {"W02b": {"trip": "yes", "trip time [s]": "20"}}
    (asked,) = read(plan, tripped).questions
    assert "W02b: second beads that tripped, while nothing is noted for W01b, W03b" in asked
    all_noted = {w.weld: {"trip": "no", "trip time [s]": "30"} for w in plan.second_beads}
    assert read(plan, all_noted | tripped).questions == ()


def test_a_long_second_bead_without_its_arc_time_is_not_called_too_long(plan: Plan):
    """The bead is 150 mm by the job; with twice the arc time the others ran for 300 mm and more."""
    study = replace(plan.study, job=replace(plan.study.job, travel_speed_mm_s=5.0))
    longer = replace(plan, study=study)
    length = {w.weld: {"porosity length [mm]": "250"} for w in plan.welds}
    (plan.study.folder / "results.csv").write_text(table(longer, length), encoding="utf-8")
    assert read_results(plan.study.folder, study).questions == ()


def test_second_beads_alike_are_no_copied_rows(plan: Plan):
    alike = {w.weld: {"porosity": "0", "rest [min]": "5", "stick-out [mm]": "16"} for w in plan.second_beads}
    assert read(plan, alike).questions == ()
    first = {
        w.weld: dict.fromkeys(("penetration [mm]", "trip time [s]"), "2") | {"porosity": "0"} for w in plan.designed[:2]
    }
    assert any("Was the row copied?" in question for question in read(plan, first).questions)


def test_two_peoples_tables_are_joined_row_by_row(plan: Plan):
    blank = read_text_sheets("results.csv", results_table(plan).encode())
    joined = join_tables(blank, read_text_sheets("other.csv", table(plan).encode()), plan.study)
    second = {(cell.weld, cell.column, cell.text) for cell in joined.filled if cell.weld == "W04b"}
    assert second == {("W04b", "porosity", "3"), ("W04b", "porosity length [mm]", "110")}
