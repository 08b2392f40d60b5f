"""How often such claims were right: the calibration's own table, in the report."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from doe.shipped import calibration_page

HEADING: Final = "## One stage, all truths"
"""Over the table that is shown."""
STATEMENT: Final = (
    "How often such a claim is right was tried on virtual welders whose truth is known: whole studies planned, welded, "
    "measured, fitted and claimed from at R = 90 % and C = 90 %, and set beside the truth. All of it is invented: it "
    "shows whether the method keeps its promise on such truths, not what your machine does. “wrong a claim” is the "
    "share of claimed windows that hold a setting whose true assurance is below 90 %; the promise allows 10 %."
)


@dataclass(frozen=True)
class CalibrationTable:
    """The statement, how the table was made, its headings and rows."""

    statement: str
    made: tuple[str, ...]
    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]


def calibration_table(page: str | None = None) -> CalibrationTable:
    """Take the summary out of the committed page of the calibration.

    Parameters
    ----------
    page : str, optional
        Default: the page that comes with this version.

    Raises
    ------
    ValueError
        If the page has no such table.
    """
    lines = (calibration_page() if page is None else page).splitlines()
    if HEADING not in lines:
        message = f"the calibration's page has no heading {HEADING!r}"
        raise ValueError(message)
    below = lines[lines.index(HEADING) + 1 :]
    table = []
    for line in below:
        if line.startswith("|"):
            table.append(tuple(cell.strip() for cell in line.strip("|").split("|")))
        elif table:
            break
    made = [line.replace("`", "") for line in lines if line.startswith(("Made by", "Seed "))]
    return CalibrationTable(STATEMENT, tuple(made), table[0], tuple(table[2:]))
