"""A plan from elsewhere: a CSV with one column a factor, to be scored."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from doe.coding import FloatArray
from doe.errors import Fault, ResultsError
from doe.planning.plan import factor_headings
from doe.planning.quality import PlanQuality, score_plan
from doe.planning.reading import TextTable, read_setting, read_text_table
from doe.planning.region import allowed
from doe.study.model import Factor, Study

KNOWN = ("plate", "position", "given", "weld", "order", "role")


@dataclass(frozen=True, eq=False)
class DesignTable:
    """A plan from elsewhere.

    Attributes
    ----------
    study : Study
    settings : ndarray, shape (n, n_factors)
        Natural settings; kinds by index.
    plate, block : tuple of str, or None
        Where the table has such a column; given welds count like all others.
    notes : tuple of str
        Columns that were left aside, and settings outside the region.
    """

    study: Study
    settings: FloatArray
    plate: tuple[str, ...] | None
    block: tuple[str, ...] | None
    notes: tuple[str, ...]

    def score(self) -> PlanQuality:
        """Score the plan as it stands."""
        return score_plan(self.study, self.settings, plate=self.plate, block=self.block)


def read_design(path: Path | str, study: Study) -> DesignTable:
    """Read a plan from elsewhere.

    A factor's column is headed by its name, with or without the unit, or by ``NAME mark``. ``plate`` and the block's
    column are taken where they are there, ``given`` may mark welds that are made already.

    Raises
    ------
    ResultsError
        With every fault at once.
    """
    table = read_text_table(Path(path))
    columns = {factor.name: _columns_of(factor, table) for factor in study.factors}
    faults = [
        Fault("there is no column for this factor", table.file, column=name)
        for name, found in columns.items()
        if not found
    ]
    settings: list[list[float]] = []
    for row, cells in table.rows if not faults else ():
        named = {known: cells.get(found, "") for pairs in columns.values() for known, found in pairs.items()}
        settings.append([read_setting(named, f, faults, file=table.file, row=row) for f in study.factors])
    if not settings and not faults:
        faults.append(Fault("there is no weld", table.file))
    if faults:
        message = f"{table.file} cannot be scored: {len(faults)} fault{'s' if len(faults) > 1 else ''}."
        raise ResultsError(message, faults)
    array = np.array(settings)
    block = None if study.plan.blocks is None else _labels(table, study.plan.blocks.name)
    return DesignTable(study, array, _labels(table, "plate"), block, _notes(study, table, columns, array))


def _columns_of(factor: Factor, table: TextTable) -> dict[str, str]:
    """Give a factor's agreed headings and those of the table that stand for them."""
    wanted = {heading: [heading] for heading in factor_headings(factor)}
    wanted[factor_headings(factor)[-1]] += [factor.heading, factor.name]
    found = {known: [h for h in names if h in table.headings] for known, names in wanted.items()}
    return {known: names[0] for known, names in found.items() if names}


def _labels(table: TextTable, column: str) -> tuple[str, ...] | None:
    """Give a column of labels, or None where the table has none."""
    return tuple(cells.get(column, "") for _, cells in table.rows) if column in table.headings else None


def _notes(study: Study, table: TextTable, columns: dict[str, dict[str, str]], settings: FloatArray) -> tuple[str, ...]:
    """Say what was left aside and what lies outside."""
    block = () if study.plan.blocks is None else (study.plan.blocks.name,)
    used = {heading for found in columns.values() for heading in found.values()} | set(KNOWN) | set(block)
    aside = [heading for heading in table.headings if heading not in used]
    notes = [f"Columns left aside: {', '.join(aside)}."] if aside else []
    outside = int(np.sum(~_inside(study, settings)))
    if outside:
        notes.append(f"{outside} of {len(settings)} settings lie outside the study's ranges or limits.")
    return tuple(notes)


def _inside(study: Study, settings: FloatArray) -> np.ndarray:
    """Tell which settings lie within ranges and limits."""
    low = np.array([factor.low for factor in study.factors])
    high = np.array([factor.high for factor in study.factors])
    slack = 1e-6 * np.maximum(high - low, 1e-300)
    return np.asarray(np.all((settings >= low - slack) & (settings <= high + slack), axis=1) & allowed(study, settings))
