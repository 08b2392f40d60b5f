"""The macro page: one offline HTML file to measure the photo of an etched section."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

from doe.bench.columns import Column, further_cut, results_columns
from doe.bench.headings import meaning_of
from doe.bench.taking import FROM_MACRO_PAGE
from doe.errors import StudyError
from doe.planning.plan import Plan
from doe.planning.table import plan_table, safe_cell
from doe.report import cautions
from doe.report.macro_measures import JOINTS, LABELS, is_length, likely_joint, likely_measure
from doe.report.offline_page import offline_page
from doe.report.writing import FOLDER
from doe.saving import make_folder, write_text
from doe.study.model import Study
from doe.units import convert

MOST_CUTS: Final = 5
"""Sections of one weld that the page keeps apart. Our choice: two or three are usual."""

_REMARKS: Final[dict[str, str]] = {
    "joint": "joint",
    "readings": "readings",
    "spread": "root penetration, spread of the readings",
    "picture": "picture",
    "hash": "picture SHA-256",
    "reader": "read by",
    "etchant": "etchant",
}
"""What stands beside the measures in columns of the page's own."""

_PREFIXES: Final = ("section", "macro section", "section as measured")


def write_macro_page(plan: Plan) -> list[Path]:
    """Write the macro page of a stage: ``report/macro.html``, ``report/macro-2.html`` ...

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
    page = folder / ("macro.html" if plan.stage == 1 else f"macro-{plan.stage}.html")
    write_text(page, macro_page(plan), within=plan.study.folder)
    return [page]


def macro_page(plan: Plan) -> str:
    """Render the macro page.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    str
        HTML whose content-security-policy allows its own style, its own script, and the picture that was chosen on
        the device; there is no address it could send anything to.
    """
    return offline_page(
        "macro",
        scripts=("page_parts", "macro_geometry", "macro_hash", "macro_reading", "macro_view", "macro"),
        data=macro_data(plan),
        title=plan.study.title,
        joints=JOINTS,
        labels=LABELS,
        care=[*cautions.CUTTING, *cautions.ETCHING, *cautions.SECTION, *cautions.SCOPE],
    )


def macro_data(plan: Plan) -> dict[str, Any]:
    """Give all that the page knows: the numbers of the welds and where each measure goes. It knows no setting.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    dict
        Plain values, as JSON takes them.
    """
    study = plan.study
    fingerprint = plan.fingerprint or study.fingerprint
    comments = [line for line in plan_table(plan).splitlines() if line.startswith("#")]
    return {
        "key": f"weldwindow macro {fingerprint} stage {plan.stage} seed {plan.seed}",
        "file": f"macro-{fingerprint}-{plan.stage}.csv",
        "comments": [*comments, FROM_MACRO_PAGE],
        "welds": [weld.weld for weld in plan.designed],
        "cuts": MOST_CUTS,
        "unit": _unit(study),
        "mmPerUnit": {"mm": 1.0, "in": float(convert(1.0, "in", "mm"))},
        "thickness_mm": study.job.thickness_mm,
        "joint": likely_joint(study.job.joint),
        "joints": [{**asdict(joint), "measures": list(joint.measures)} for joint in JOINTS],
        "labels": dict(LABELS),
        "responses": _responses(study),
        "own": _own_columns(study),
    }


def _unit(study: Study) -> str:
    return "in" if study.units == "us" else "mm"


def _responses(study: Study) -> list[dict[str, Any]]:
    """Give each response that is a length: its column for each cut, its unit, and which measure it seems to be."""
    columns = {column.name: column for column in results_columns(study) if column.what == "reading"}
    found = []
    for response in study.responses:
        if is_length(response):
            column = columns[response.name]
            found.append(
                {
                    "name": response.name,
                    "headings": [safe_cell(_of_cut(column, cut).heading) for cut in range(1, MOST_CUTS + 1)],
                    "mm": float(convert(1.0, response.unit, "mm")),
                    "full": response.full is not None,
                    "guess": likely_measure(response),
                }
            )
    return found


def _of_cut(column: Column, cut: int) -> Column:
    return column if cut == 1 else further_cut(column, cut)


def _own_columns(study: Study) -> dict[str, list[str]]:
    """Give the page's own columns, a heading for each cut, under words that the study does not use itself."""
    for prefix in _PREFIXES:
        found = {name: _headings(prefix, label, study) for name, label in {**LABELS, **_REMARKS}.items()}
        if all(meaning_of(heading, study) is None for heading in _all(found.values())):
            return found
    message = f"Columns named {', '.join(_PREFIXES)} are kept for the macro page: rename the responses of these names."
    raise StudyError(message)


def _headings(prefix: str, label: str, study: Study) -> list[str]:
    is_bare = label == LABELS["pores"] or label in set(_REMARKS.values()) - {_REMARKS["spread"]}
    unit = "" if is_bare else f" [{_unit(study)}]"
    return [f"{prefix}{f' {cut}' if cut > 1 else ''} {label}{unit}" for cut in range(1, MOST_CUTS + 1)]


def _all(lists: Iterable[list[str]]) -> list[str]:
    return [heading for headings in lists for heading in headings]
