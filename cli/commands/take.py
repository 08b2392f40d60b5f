"""``weldwindow take``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli.answer import (
    answers,
    changes_study,
    json_option,
    note,
    print_json,
    say,
    spare_seed_option,
    study_argument,
    wrote,
)

if TYPE_CHECKING:
    from doe.bench.taking import Export, Taken


@click.command("take")
@click.argument("file", metavar="FILE", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@study_argument
@click.option("--replace", is_flag=True, help="Let what FILE says stand; a filled-in results.csv is kept beside.")
@json_option
@spare_seed_option
@answers
@changes_study
def command(file: Path, folder: Path, replace: bool, as_json: bool) -> None:
    """Take FILE, a table exported by the bench page or the macro page, into the study in DIR.

    The bench page exports a whole results.csv, the macro page readings of sections. Where results.csv is filled in
    already (by hand, or by the export of a second person), only its blanks are filled and the old table is kept beside;
    cells that do not agree are listed, and then nothing is written. FILE is checked against the plan it was made for;
    every fault is listed at once, and every conversion.

    \b
    Examples:
      weldwindow take bench-0123456789ab-1.csv hinge
      weldwindow take from-second-phone.csv hinge
      weldwindow take macro-0123456789ab-1.csv hinge
    """
    from doe.bench.taking import read_export, write_export
    from doe.study import read_study

    export = read_export(file, read_study(folder))
    taken = write_export(export, replace=replace)
    if as_json:
        print_json(_answer(export, taken))
    else:
        _print(export)
        _print_merged(taken)
    if taken.kept is not None:
        note(f"kept {taken.kept}, as it was")
    if not taken.files:
        note(f"{export.target} holds all of it already; nothing was written")
    wrote(taken.files, f"weldwindow {'check' if _not_run(export) or taken.filled else 'report'} {folder}")


def _answer(export: Export, taken: Taken) -> dict[str, object]:
    """Give the answer as JSON prints it."""
    return {
        "schema": 1,
        "files": list(taken.files),
        "kept": taken.kept,
        "filled": [vars(cell) for cell in taken.filled],
        "stage": export.stage,
        "welds": export.results.n_welds,
        "sections": list(export.sections),
        "not_run": _not_run(export),
        "conversions": [vars(conversion) for conversion in export.conversions],
        "questions": [question.to_dict() for question in export.questions],
    }


def _print_merged(taken: Taken) -> None:
    """Say which welds were filled up in a table that was filled in already."""
    if not taken.filled:
        return
    welds = dict.fromkeys(cell.weld for cell in taken.filled)
    say(f"{len(taken.filled)} blank cells of {', '.join(welds)} were filled; what stood there is as it was.")


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
