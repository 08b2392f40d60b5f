"""``weldwindow shelf``."""

from __future__ import annotations

from pathlib import Path

import click

from cli.answer import answers, changes_study, json_option, print_json, say, spare_seed_option, wrote


@click.command("shelf")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path, file_okay=False, exists=True), default=Path())
@json_option
@spare_seed_option
@answers
@changes_study
def command(folder: Path, as_json: bool) -> None:
    """List the studies under DIR with their windows, and write an index page, shelf.html, to print for the shop wall.

    The windows are those of the last report; a study that has changed since says so.

    \b
    Examples:
      weldwindow shelf studies
      weldwindow shelf studies --json
    """
    from doe.report.shelf import read_shelf, write_shelf

    entries = read_shelf(folder)
    page = write_shelf(entries, folder)
    if as_json:
        print_json({"schema": 1, "files": [page], "studies": [entry.to_dict() for entry in entries]})
    else:
        say(line for entry in entries for line in entry.words())
    wrote([page], f"weldwindow report on a study makes its row anew; open {page} in a browser to print it")
