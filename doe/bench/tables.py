"""The blank results.csv: the plan's columns, then a column for all that can be measured."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from typing import Final

from doe.bench.columns import plan_columns, results_columns
from doe.bench.root_depth import can_miss_the_root, is_root_depth
from doe.planning.plan import Plan
from doe.planning.table import plan_table, safe_cell
from doe.study.model import Study
from doe.study.trips import what_counts

HOW_TO_FILL: Final = (
    "One row a weld. Leave blank what was not measured. Write ? where it is unreadable and 0 where nothing was found.",
    "status is done or aborted or scrapped or not run. Trip and pass columns take yes or no.",
    "actual is only for what was not set as planned. Any unit may stand behind a number (3/32 in).",
)
"""What the comment lines of a blank table say to the person who fills it in; without commas and semicolons, so that
a spreadsheet keeps each in one cell."""

ROOT_DEPTH: Final = "Penetration of a fillet counts from the root corner into the plate and is not the leg."
"""What they say besides where penetration is read."""

NO_FUSION: Final = ("No fusion at the root: a minus by how much it falls short. 0 only where that cannot be measured.",)
"""What they say besides where a depth is asked for."""

SECOND_BEADS: Final = ("A second bead (role second) needs its count and the length looked over and nothing else.",)
"""What they say besides where there are second beads."""


def results_table(plan: Plan) -> str:
    """Write the blank results.csv of a plan.

    The plan's columns and cells stand as in plan.csv, the columns to fill in after them. Comment lines (``#``) carry
    what made the table and how to fill it in; the same plan gives the same bytes.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        CSV with commas.
    """
    lines = plan_table(plan).splitlines(keepends=True)
    comments = [line for line in lines if line.startswith("#")]
    rows = list(csv.reader(line for line in lines if not line.startswith("#")))
    blank = results_columns(plan.study)[len(plan_columns(plan.study)) :]
    text = io.StringIO()
    text.writelines(comments)
    text.writelines(f"# {line}\n" for line in _how_to_fill(plan))
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([*rows[0], *(safe_cell(column.heading) for column in blank)])
    writer.writerows([*row, *("" for _ in blank)] for row in rows[1:])
    return text.getvalue()


def _how_to_fill(plan: Plan) -> tuple[str, ...]:
    """Give the comment lines; of where root depths count from, behind the last of those that every table has."""
    responses, study = plan.study.responses, plan.study
    *first, last = HOW_TO_FILL
    from_root = f"{last} {ROOT_DEPTH}" if any(is_root_depth(response, study) for response in responses) else last
    no_fusion = NO_FUSION if any(can_miss_the_root(response) for response in responses) else ()
    return (*first, from_root, *no_fusion, *_whose_trips(study), *(SECOND_BEADS if plan.second_beads else ()))


def _whose_trips(study: Study) -> Iterator[str]:
    """Say of each trip column whose trips it holds; a separator in a name would break the cell."""
    for response in study.responses:
        if response.kind == "trip":
            yield re.sub(r"[,;\t]", " ", f"under {response.name}: {what_counts(study, response)}.")
