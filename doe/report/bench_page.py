"""The bench page: one offline HTML file to fill in beside the machine, one weld a screen."""

from __future__ import annotations

import csv
import hashlib
import json
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

from doe.bench.columns import is_asked_of_second, plan_columns, results_columns
from doe.bench.tables import results_table
from doe.planning.plan import SECOND, Plan, PlannedWeld
from doe.planning.second_beads import first_of, second_bead_notes
from doe.planning.table import safe_cell
from doe.report import cautions
from doe.report.bench_fields import Field, bench_fields
from doe.report.labels import plates_in_order
from doe.report.offline_page import offline_page
from doe.report.run_sheet import how_to_run
from doe.report.weld_row import large_and_small
from doe.report.writing import FOLDER
from doe.saving import make_folder, write_text
from doe.study.model import Study

FROM_PAGE: Final = "# filled in on the bench page"
"""The comment line by which an export tells where it comes from."""


def write_bench_page(plan: Plan) -> list[Path]:
    """Write the bench page of a stage: ``report/bench.html``, ``report/bench-2.html`` ...

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    list of Path
        The page.

    Raises
    ------
    CannotWriteError
        If it cannot be written.
    """
    folder = plan.study.folder / FOLDER
    make_folder(folder, within=plan.study.folder)
    page = folder / ("bench.html" if plan.stage == 1 else f"bench-{plan.stage}.html")
    write_text(page, bench_page(plan), within=plan.study.folder)
    return [page]


def bench_page(plan: Plan) -> str:
    """Render the bench page.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        HTML whose content-security-policy allows its own style and its own script, and nothing else; the plan is
        handed over as JSON, so that no text of the study is ever read as markup or script.
    """
    return offline_page(
        "bench",
        scripts=("page_parts", "bench"),
        data=bench_data(plan),
        title=plan.study.title,
        n_welds=len(plan.welds),
        sheet="run-sheet.pdf" if plan.stage == 1 else f"run-sheet-{plan.stage}.pdf",
    )


def bench_data(plan: Plan) -> dict[str, Any]:
    """Give all that the page knows: the table to fill in, the welds in their order, the fields, the cautions.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    dict
        Plain values, as JSON takes them.
    """
    study = plan.study
    comments, headings, rows = _blank_table(plan)
    digest = hashlib.sha256(json.dumps([headings, rows]).encode()).hexdigest()[:8]
    fingerprint = plan.fingerprint or study.fingerprint
    second = _of_second(plan, headings) if plan.second_beads else {}
    same_plan = f"weldwindow bench {fingerprint} stage {plan.stage} seed {plan.seed} "
    return {
        "title": study.title,
        "sameStudy": same_plan,
        "key": same_plan + digest,
        "file": f"bench-{fingerprint}-{plan.stage}.csv",
        "comments": [*comments, FROM_PAGE],
        "headings": headings,
        "rows": rows,
        "welds": _welds(plan, [row[0] for row in rows]),
        "fields": _fields(study, headings),
        "arc": _arc(study),
        "how": [*how_to_run(study), *second_bead_notes(plan.welds)],
        "checks": [*cautions.BEFORE_THE_ARC],
        "always": [*cautions.BETWEEN_WELDS],
        "care": [*cautions.ARC, *cautions.SUPPLY, *cautions.SECTION, *cautions.SCOPE],
        "afterTrip": [*cautions.SUPPLY[1:]],
        **second,
    }


def _of_second(plan: Plan, headings: Sequence[str]) -> dict[str, Any]:
    """Say which fields a second bead is not shown (what is read on a section), and which it need not have (trips)."""
    study = plan.study
    trips = {response.name for response in study.responses if response.kind == "trip"}
    parts: dict[str, list[str]] = {"hidden": [], "optional": []}
    for heading, column in zip(headings, results_columns(study), strict=True):
        if not is_asked_of_second(column, study):
            parts["optional" if column.name in trips else "hidden"].append(heading)
    return {"second": parts}


def _blank_table(plan: Plan) -> tuple[list[str], list[str], list[list[str]]]:
    """Cut the blank results.csv into its comments, its headings and the plan's part of each row."""
    lines = results_table(plan).splitlines(keepends=True)
    comments = [line.rstrip("\n") for line in lines if line.startswith("#")]
    headings, *rows = csv.reader(line for line in lines if not line.startswith("#"))
    n_planned = len(plan_columns(plan.study))
    return comments, headings, [row[:n_planned] for row in rows]


def _fields(study: Study, headings: Sequence[str]) -> list[Field]:
    """Give the fields with the headings of the table as it is written."""
    entered = headings[len(plan_columns(study)) :]
    return [{"heading": heading, **field} for heading, field in zip(entered, bench_fields(study), strict=True)]


def _welds(plan: Plan, names: list[str]) -> list[dict[str, Any]]:
    """Give the welds in the order of welding."""
    found = []
    beads: dict[str, int] = {}
    for weld in plan.all_welds:
        beads[weld.plate] = max(weld.position, beads.get(weld.plate, 1))
    for plate in plates_in_order(plan):
        for place, weld in enumerate(plate):
            second = {"isSecond": True} if weld.role == SECOND else {}
            found.append(
                {
                    "row": names.index(weld.weld),
                    "weld": weld.weld,
                    "plate": weld.plate,
                    "position": weld.position,
                    "beads": beads[weld.plate],
                    "isFirst": place == 0,
                    "block": weld.block or "",
                    "reason": _reason(plan, weld),
                    "dials": _dials(plan.study, weld),
                    **second,
                }
            )
    return found


def _reason(plan: Plan, weld: PlannedWeld) -> str:
    """Say why a weld is there, where there is something to say."""
    if weld.role == SECOND:
        return f"The second bead of {first_of(weld.weld)}: look it over and count. It is not cut."
    return plan.reasons.get(weld.weld, "")


def _dials(study: Study, weld: PlannedWeld) -> list[dict[str, Any]]:
    """Give what each dial is to show; what is set once a plate last."""
    dials = []
    for factor, value in zip(study.factors, weld.settings, strict=True):
        large, small = large_and_small(factor, value)
        if not small and not factor.is_kind and factor.mark_at(value) is None:
            large, _, small = large.partition(" ")
        dials.append({"name": factor.name, "large": large, "small": small, "isOfPlate": factor.hard_to_change})
    return sorted(dials, key=lambda dial: bool(dial["isOfPlate"]))


def _arc(study: Study) -> dict[str, Any]:
    """Say what the arc timer is for: the trips it times, and how long is asked."""
    columns = results_columns(study)
    time_of = {column.name: safe_cell(column.heading) for column in columns if column.what == "run"}
    trips = [column for column in columns if column.what == "reading" and column.name in time_of]
    holds = [response.hold_s for response in study.responses if response.kind == "trip" and response.hold_s]
    return {
        "trips": [
            {"name": trip.name, "heading": safe_cell(trip.heading), "time": time_of[trip.name]} for trip in trips
        ],
        "hold": max(holds, default=None),
    }
