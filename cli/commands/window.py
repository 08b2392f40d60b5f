"""``weldwindow window``."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from cli.answer import answers, json_option, note, print_json, say, seed_option, study_argument
from cli.progress import working


@click.command("window")
@study_argument
@click.option("--textbook", is_flag=True, help="The handbook's limits, with no prior information.")
@json_option
@seed_option
@answers
def command(folder: Path, textbook: bool, as_json: bool, seed: int) -> None:
    """Find the setting window that can be claimed from the results in DIR, and the best setting inside it.

    Exit code 4: no window can be claimed; what can be said instead is printed.

    With --textbook a window over factors needs measures from independent welds: for counts, trips and passes with
    factors, and for measures where welds share plates, it is refused with the reason. With terms = ["constant"] every
    kind has its handbook limit.

    \b
    Examples:
      weldwindow window hinge
      weldwindow window hinge --json
      weldwindow window hinge --textbook
    """
    from cli.steps import fit_and_find
    from doe.errors import CANNOT_ANSWER
    from doe.report.answering import terminal_lines

    with working("fitting, and looking for the window", quiet=as_json):
        _, window = fit_and_find(folder, seed=seed, textbook=textbook)
    if as_json:
        print_json(window.to_dict())
    else:
        say(terminal_lines(window))
        note(f"next: weldwindow report {folder}")
    if not window.found:
        sys.exit(CANNOT_ANSWER)
