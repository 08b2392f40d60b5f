"""plan.csv: the plan as a table of text."""

from __future__ import annotations

import csv
import io
import re
from importlib.metadata import version
from typing import Final

from doe.planning.plan import Plan, PlannedWeld, factor_headings, setting_value
from doe.study.model import Factor, Study

__all__ = [
    "PLACE_COLUMNS",
    "factor_headings",
    "plain_cell",
    "plan_headings",
    "plan_table",
    "safe_cell",
]

PLACE_COLUMNS: Final = ("weld", "plate", "position", "order")
FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r")
"""A text cell that begins so is run as a formula by spreadsheets."""


def plan_headings(study: Study) -> tuple[str, ...]:
    """Give the columns of plan.csv in their order."""
    factors = [heading for factor in study.factors for heading in factor_headings(factor)]
    block = [study.plan.blocks.name] if study.plan.blocks is not None else []
    return (*PLACE_COLUMNS, *factors, *block, "role")


def plan_table(plan: Plan) -> str:
    """Write plan.csv.

    Comment lines (``#``) carry version, study, seed and stage; the same plan gives the same bytes.
    """
    text = io.StringIO()
    for line in _comments(plan):
        text.write(f"# {' '.join(line.split())}\n")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([safe_cell(heading) for heading in plan_headings(plan.study)])
    for weld in plan.welds:
        writer.writerow([safe_cell(cell) for cell in _cells(plan.study, weld)])
    return text.getvalue()


def _comments(plan: Plan) -> list[str]:
    """Say what made the table."""
    return [
        f"weldwindow {version('weldwindow')}",
        f"study {plan.study.title}",
        f"fingerprint {plan.fingerprint or plan.study.fingerprint}",
        f"seed {plan.seed}",
        f"stage {plan.stage}",
    ]


def _cells(study: Study, weld: PlannedWeld) -> list[str]:
    """Write one weld."""
    cells = [weld.weld, weld.plate, str(weld.position), str(weld.order)]
    for factor, value in zip(study.factors, weld.settings, strict=True):
        cells += _factor_cells(factor, value)
    if study.plan.blocks is not None:
        cells.append(weld.block or "")
    return [*cells, weld.role]


def _factor_cells(factor: Factor, value: float) -> list[str]:
    """Write one setting: mark, value, or both."""
    shown = setting_value(factor, value)
    number = shown if isinstance(shown, str) else f"{shown:.12g}"
    mark = factor.mark_at(value)
    return [(mark or number) if heading.endswith(" mark") else number for heading in factor_headings(factor)]


def safe_cell(text: str) -> str:
    """Keep a spreadsheet from running text as a formula: a leading apostrophe, numbers excepted."""
    if text.startswith(FORMULA_STARTS) and not re.fullmatch(r"[-+]?\d+(\.\d*)?([eE][-+]?\d+)?", text):
        return f"'{text}"
    return text


def plain_cell(text: str) -> str:
    """Undo ``safe_cell`` and what a spreadsheet leaves around a cell."""
    text = text.strip()
    return text[1:] if text.startswith("'") and text[1:].startswith(FORMULA_STARTS) else text
