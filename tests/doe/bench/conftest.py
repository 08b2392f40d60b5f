"""The study, plan and table that the tests of this room share."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest

from doe.bench import results_table
from doe.planning.plan import Plan, PlannedWeld
from doe.planning.table import plan_table
from doe.study.model import Factor, Job, PlanWishes, Response, Study, Supply

VOLTS = (17.0, 18.4, 19.6, 21.1, 22.3)
FEEDS = tuple(5.0 + 0.5 * i for i in range(9))

READINGS = {
    "W01": ("done", "1.5", "0", "100", "no", "60", "yes", "21"),
    "W02": ("done", "1.8", "1", "100", "no", "61", "yes", "22"),
    "W03": ("done", "2.1", "0", "100", "no", "62", "yes", "70"),
    "W04": ("done", "2.4", "2", "100", "no", "63", "no", "71"),
    "W05": ("done", "1.9", "0", "100", "no", "64", "yes", "119"),
    "W06": ("aborted", "1.6", "1", "80", "yes", "12", "yes", "121"),
}
"""What was measured (invented), in the order of ``READ_HEADINGS``."""

READ_HEADINGS = (
    "status",
    "penetration [mm]",
    "porosity",
    "porosity length [mm]",
    "trip",
    "trip time [s]",
    "root fused",
    "plate temperature [degC]",
)


@pytest.fixture
def study(tmp_path: Path) -> Study:
    """Hinge lugs (invented): a dial with marks, a range, a preheat; one response of each kind."""
    return Study(
        "Hinge lugs, 10 mm",
        factors=(
            Factor("voltage", "voltage", "V", VOLTS, ("1", "2", "3", "4", "5"), set_within=0.2),
            Factor("feed", "feed", "m/min", FEEDS, is_continuous=True),
            Factor("preheat", "preheat", "degC", (20.0, 70.0, 120.0), hard_to_change=True),
        ),
        responses=(
            Response("penetration", "measure", "mm", at_least=1.2, full=10.0),
            Response("porosity", "count", at_most=2, per_mm=100.0, per_text="100 mm"),
            Response("trip", "trip", hold_s=30.0),
            Response("root fused", "pass"),
        ),
        job=Job(thickness_mm=10.0, stickout_mm=16.0, weld_length_mm=150.0),
        supply=Supply(230.0, 16.0, "C"),
        plan=PlanWishes(welds=6, welds_per_plate=2),
        folder=tmp_path,
        fingerprint="0123456789ab",
    )


@pytest.fixture
def plan(study: Study) -> Plan:
    """Six welds on three plates, in the order of their numbers."""
    volts, feeds, preheats = (0, 2, 4, 1, 3, 0), (0, 1, 2, 3, 4, 5), (20.0, 70.0, 120.0)
    welds = tuple(
        PlannedWeld(
            f"W{i + 1:02d}",
            f"P{i // 2 + 1:02d}",
            i % 2 + 1,
            i + 1,
            (VOLTS[volts[i]], FEEDS[feeds[i]], preheats[i // 2]),
        )
        for i in range(6)
    )
    return Plan(study, welds, seed=1)


@pytest.fixture
def planned(study: Study, plan: Plan) -> Study:
    """Give the study with plan.csv in its folder."""
    (study.folder / "plan.csv").write_text(plan_table(plan), encoding="utf-8")
    return study


@pytest.fixture
def filled(plan: Plan) -> list[dict[str, str]]:
    """Give the rows of results.csv, filled in, by heading."""
    lines = [line for line in results_table(plan).splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    for row in rows:
        row.update(zip(READ_HEADINGS, READINGS[row["weld"]], strict=True))
    return rows


WriteTable = Callable[..., Path]


@pytest.fixture
def write(planned: Study) -> WriteTable:
    """Give a function that writes rows as results.csv beside plan.csv."""

    def write_rows(
        rows: list[dict[str, str]], name: str = "results.csv", cells: Mapping[str, str] | None = None
    ) -> Path:
        text = io.StringIO()
        writer = csv.DictWriter(text, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        for row in rows:
            writer.writerow({**row, **(cells or {})})
        path = planned.folder / name
        path.write_text(text.getvalue(), encoding="utf-8")
        return path

    return write_rows
