"""``weldwindow check``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli.answer import answers, json_option, note, print_json, say, study_argument

if TYPE_CHECKING:
    from doe.bench.reading import Examination


@click.command("check")
@study_argument
@click.option("--annotate", is_flag=True, help="Also write a copy of each table with the remarks beside its rows.")
@json_option
@answers
def command(folder: Path, annotate: bool, as_json: bool) -> None:
    r"""Read the study and the results in DIR; list every fault, every conversion and every question.

    Exit code 3: there are faults. Questions are no faults: nothing was changed or left out.

    \b
    Examples:
      weldwindow check hinge
      weldwindow check hinge --annotate
    """
    from cli.steps import read_whole_study, write_annotated
    from doe.bench import examine_results
    from doe.errors import INVALID_INPUT

    study = read_whole_study(folder)
    found = examine_results(folder, study)
    files = write_annotated(study, found) if annotate else []
    if as_json:
        print_json(_answer(found))
    else:
        _print(found)
    for path in files:
        note(f"wrote {path}")
    if found.faults:
        sys.exit(INVALID_INPUT)
    note(f"next: weldwindow report {folder}")


def _answer(found: Examination) -> dict[str, object]:
    """Give the answer as JSON prints it; faults also as the refusal every command gives."""
    from doe.errors import INVALID_INPUT

    faults = [fault.to_dict() for fault in found.faults]
    answer: dict[str, object] = {
        "schema": 1,
        "welds": found.results.n_welds if found.results else None,
        "faults": faults,
        "conversions": [vars(conversion) for conversion in found.conversions],
        "questions": [question.to_dict() for question in found.questions],
    }
    if faults:
        message = f"The results cannot be used as they stand: {len(faults)} fault{'s' if len(faults) > 1 else ''}."
        answer["error"] = {"code": INVALID_INPUT, "message": message, "faults": faults}
    return answer


def _print(found: Examination) -> None:
    """Print faults, conversions and questions."""
    if found.results is not None:
        say(f"{found.results.n_welds} welds read, no fault.")
    for title, lines in (
        ("Faults, to be put right in the table:", found.faults),
        ("Please look at these again (nothing was changed or left out):", found.questions),
    ):
        if lines:
            say((title, *(f"  {line}" for line in lines)))
    if found.conversions:
        say("Read differently from how it stands there:")
        say(f"  {c.file}, row {c.row}, “{c.column}”: {c.found} read as {c.read_as}" for c in found.conversions)
