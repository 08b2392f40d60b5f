"""Tables on the terminal, plain where there is none."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Sequence
from typing import Final

GAP: Final = 3
"""Blanks between two columns: one of the box, and one on either side; where it is tight, that of the box alone."""


def print_table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Print a table on stdout; the first column is text, the others are numbers.

    On a terminal it is as wide as that: where it would be wider, headings stand on several lines and columns closer
    together, and only then the first column is broken. Elsewhere every row stays on one line.
    """
    from rich.box import SIMPLE
    from rich.console import Console
    from rich.table import Table

    cells = [tuple(row) for row in rows]
    natural = sum(max(map(len, column)) for column in zip(headings, *cells, strict=True)) + GAP * (len(headings) - 1)
    console = Console(file=sys.stdout, highlight=False, markup=False, no_color="NO_COLOR" in os.environ)
    if not console.is_terminal and "COLUMNS" not in os.environ:
        console.width = natural
    is_tight = natural > console.width
    table = Table(box=SIMPLE, pad_edge=False, show_edge=False, padding=(0, 0) if is_tight else (0, 1))
    for i, heading in enumerate(headings):
        shown = heading.replace(" ", "\n") if is_tight and i else heading
        table.add_column(shown, justify="right" if i else "left", overflow="fold", no_wrap=bool(i))
    for row in cells:
        table.add_row(*row)
    console.print(table)
