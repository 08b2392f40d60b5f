"""A table as it was typed: rows of cells, before anything is understood."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from doe.errors import Fault, ResultsError

LARGEST_FILE: Final = 5_000_000
"""Bytes a table may have. Our choice: a full study of 40 welds takes about 20 000."""
LARGEST_WORKBOOK: Final = 40_000_000
"""Bytes a workbook may expand to. Our choice."""
MOST_ROWS: Final = 5000
"""Rows with content a table may have. Our choice."""
MOST_COLUMNS: Final = 400
"""Columns a table may have. Our choice."""

SPREADSHEET_ERRORS: Final = ("#N/A", "#VALUE!", "#REF!", "#DIV/0!", "#NAME?", "#NUM!", "#NULL!", "#####")
"""What a spreadsheet shows in a cell it could not work out. ECMA-376, part 1, 18.17.3 (from memory)."""

_INVISIBLE: Final = "\ufeff\u200b\u200e\u200f"


@dataclass(frozen=True)
class Cell:
    """One cell.

    Attributes
    ----------
    text : str
        What stands there, blanks around it taken off.
    number : float or None
        The number, where a workbook holds one.
    date : str
        The date (ISO 8601), where a workbook holds one.
    formula : str
        The formula; ``text`` is then the value last calculated by the spreadsheet, empty where it never was.
    """

    text: str = ""
    number: float | None = None
    date: str = ""
    formula: str = ""


@dataclass(frozen=True)
class Row:
    """One row.

    Attributes
    ----------
    number : int
        As the user counts it: 1 is the first line of the file.
    cells : tuple of Cell
        Up to the last one with content.
    width : int
        How many cells the file gives the row, blank ones at the end among them.
    """

    number: int
    cells: tuple[Cell, ...]
    width: int = 0

    @property
    def is_blank(self) -> bool:
        """Whether nothing stands in it."""
        return not any(cell.text or cell.formula for cell in self.cells)

    @property
    def is_comment(self) -> bool:
        """Whether it begins with ``#`` (and not with a spreadsheet's error)."""
        first = self.cells[0].text if self.cells else ""
        return first.startswith("#") and first.upper() not in SPREADSHEET_ERRORS


@dataclass(frozen=True)
class Sheet:
    """One way to see a file as a table: a CSV cut by one separator, or one sheet of a workbook.

    Attributes
    ----------
    file : str
        The file's name.
    kind : {"text", "workbook"}
    how : str
        The separator's name, or the sheet's.
    rows : tuple of Row
        Rows with content, comments among them.
    encoding : str
        Of a text file.
    fault : Fault or None
        Why the rows end early.
    """

    file: str
    kind: str
    how: str
    rows: tuple[Row, ...]
    encoding: str = "UTF-8"
    fault: Fault | None = None


def tidy(text: str) -> str:
    """Take blanks and invisible characters off both ends."""
    return text.strip().strip(_INVISIBLE).strip()


def check_size(file: str, n_rows: int, n_columns: int) -> None:
    """Refuse a table with more rows or columns than any study has.

    Raises
    ------
    ResultsError
    """
    faults = []
    if n_rows > MOST_ROWS:
        faults.append(Fault(f"more than {MOST_ROWS} rows: give one row a weld, and nothing else", file))
    if n_columns > MOST_COLUMNS:
        faults.append(Fault(f"more than {MOST_COLUMNS} columns: keep the columns of results.csv only", file))
    if faults:
        message = f"{file} is larger than a table of welds can be."
        raise ResultsError(message, faults)
