"""Tables on the terminal, plain where there is none."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Sequence


def print_table(headings: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """Print a table on stdout, as wide as the terminal; the first column is text, the others are numbers."""
    from rich.box import SIMPLE
    from rich.console import Console
    from rich.table import Table

    console = Console(file=sys.stdout, highlight=False, markup=False, no_color="NO_COLOR" in os.environ)
    table = Table(box=SIMPLE, pad_edge=False, show_edge=False)
    for i, heading in enumerate(headings):
        table.add_column(heading, justify="left" if i == 0 else "right", overflow="fold")
    for row in rows:
        table.add_row(*row)
    console.print(table)
