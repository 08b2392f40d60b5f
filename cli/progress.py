"""A bar for what takes more than a second, on a terminal only."""

from __future__ import annotations

import contextlib
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from rich.progress import Progress, ProgressColumn

PATIENCE_S: Final = 1.0
"""A bar is shown only once the work has taken this long."""


@contextlib.contextmanager
def progress(label: str, *, quiet: bool = False) -> Iterator[Callable[[int, int], None]]:
    """Give a function that takes how much is done, and of how much.

    Parameters
    ----------
    label : str
        What is being done.
    quiet : bool
        Show nothing; nothing is shown without a terminal either.
    """
    if quiet or not sys.stderr.isatty():
        yield lambda _done, _total: None
        return
    started, bar = time.monotonic(), _bar(label)
    task = bar.add_task(label, total=1.0)

    def report(done: int, total: int) -> None:
        if not bar.live.is_started and time.monotonic() - started > PATIENCE_S:
            bar.start()
        bar.update(task, completed=done / max(total, 1))

    try:
        yield report
    finally:
        bar.stop()


@contextlib.contextmanager
def working(label: str, *, quiet: bool = False) -> Iterator[None]:
    """Show a moving bar and the seconds gone, for work whose steps are not counted.

    Parameters
    ----------
    label : str
        What is being done.
    quiet : bool
        Show nothing; nothing is shown without a terminal either.
    """
    if quiet or not sys.stderr.isatty():
        yield
        return
    from rich.progress import TimeElapsedColumn

    bar = _bar(label, TimeElapsedColumn())
    bar.add_task(label, total=None)
    begun = threading.Timer(PATIENCE_S, bar.start)
    begun.daemon = True
    begun.start()
    try:
        yield
    finally:
        begun.cancel()
        begun.join()
        bar.stop()


def _bar(label: str, *columns: ProgressColumn) -> Progress:
    """Make a bar on stderr that leaves nothing behind."""
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn

    return Progress(TextColumn(label), BarColumn(), *columns, console=Console(stderr=True), transient=True)
