"""``weldwindow take``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli.answer import answers, json_option, note, print_json, say, study_argument, wrote

if TYPE_CHECKING:
    from doe.bench.taking import Export


@click.command("take")
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@study_argument
@click.option("--replace", is_flag=True, help="Keep a filled-in results.csv beside under a number, and take FILE.")
@json_option
@answers
def command(file: Path, folder: Path, replace: bool, as_json: bool) -> None:
    r"""Take FILE, a table exported by the bench page or the macro page, into the study in DIR.

    The bench page's table becomes results.csv as it is. The macro page's readings are put into the results.csv that is
    there, each in its cell. FILE is checked against the plan it was made for and read; every fault is listed at once,
    and every conversion. A results.csv that a person has filled in is never overwritten.

    \b
    Examples:
      weldwindow take bench-0123456789ab-1.csv hinge
      weldwindow take macro-0123456789ab-1.csv hinge --replace
    """
    from doe.bench.taking import read_export, write_export
    from doe.study import read_study

    export = read_export(file, read_study(folder))
    files = write_export(export, replace=replace)
    if as_json:
        print_json(_answer(export, files))
    else:
        _print(export)
    if not files:
        note(f"{export.target} holds the same already; nothing was written")
    wrote(files, f"weldwindow {'check' if _not_run(export) else 'report'} {folder}")


def _answer(export: Export, files: list[Path]) -> dict[str, object]:
    """Give the answer as JSON prints it."""
    return {
        "schema": 1,
        "files": files,
        "stage": export.stage,
        "welds": export.results.n_welds,
        "sections": list(export.sections),
        "not_run": _not_run(export),
        "conversions": [vars(conversion) for conversion in export.conversions],
        "questions": [question.to_dict() for question in export.questions],
    }


def _not_run(export: Export) -> list[str]:
    """Name the welds that were not run."""
    pairs = zip(export.results.weld, export.results.status, strict=True)
    return [weld for weld, status in pairs if status == "not run"]


def _print(export: Export) -> None:
    """Print how much was read, what is doubtful, and what was converted."""
    idle = _not_run(export)
    rest = f"; not run: {', '.join(idle)}" if idle else ""
    if export.sections:
        say(f"Sections of {', '.join(export.sections)}, put into {export.target.name}.")
    say(f"{export.results.n_welds} welds read, no fault{rest}.")
    if export.questions:
        say("Please look at these again (nothing was changed or left out):")
        say(f"  {question}" for question in export.questions)
    if export.conversions:
        say("Read differently from how it stands there:")
        say(f"  row {c.row}, “{c.column}”: {c.found} read as {c.read_as}" for c in export.conversions)
