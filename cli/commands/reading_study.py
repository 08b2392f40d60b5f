"""``weldwindow reading-study``."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli.answer import answers, changes_study, json_option, note, print_json, say, seed_option, study_argument, wrote

if TYPE_CHECKING:
    from doe.study.model import Study

HOW = (
    "Take etched sections from shallow to deep, of test welds or of scrap, and mark them as the sheet says.",
    "Read them in the order of the sheet. Between the two rounds put the first page away and wait, best a day.",
    "Set scale or microscope anew for every reading, as for the real ones.",
)
"""What is said with the blank sheet."""


@click.command("reading-study")
@study_argument
@click.option("--sections", type=click.IntRange(3, 20), default=5, show_default=True, help="Sections to read.")
@click.option("--readers", type=click.IntRange(1, 2), default=1, show_default=True, help="People who read.")
@json_option
@seed_option
@answers
@changes_study
def command(folder: Path, sections: int, readers: int, as_json: bool, seed: int) -> None:
    """Find out how well your reading repeats: a few sections of the study in DIR read twice, blind.

    The first time it writes the sheet to read by. Filled in, run again: it says how closely a reading repeats and how
    much of the scatter is the reading, and the models take that into account. It is offered, never required.

    \b
    Examples:
      weldwindow reading-study hinge
      weldwindow reading-study hinge --readers 2
    """
    from doe.bench.reading_study import FILE
    from doe.study import read_study

    study = read_study(folder)
    if (folder / FILE).exists():
        _answer(study, folder / FILE, as_json=as_json, seed=seed)
    else:
        _start(study, sections=sections, readers=readers, as_json=as_json, seed=seed)


def _start(study: Study, *, sections: int, readers: int, as_json: bool, seed: int) -> None:
    """Write the blank table and the sheet to read by."""
    from doe.bench.reading_study import FILE, blank_rows, blank_table
    from doe.report.reading_sheet import write_reading_sheet
    from doe.saving import write_text

    rows = blank_rows(n_sections=sections, readers="AB"[:readers], seed=seed)
    table = study.folder / FILE
    text = blank_table(study, rows, seed=seed)
    write_text(table, text, within=study.folder)
    files = [table, *write_reading_sheet(study, rows)]
    if as_json:
        print_json({"schema": 1, "files": files, "readings": len(rows), "responses": None})
    else:
        say(HOW)
    wrote(files, f"read, fill in {table}; then weldwindow reading-study {study.folder}")


def _answer(study: Study, table: Path, *, as_json: bool, seed: int) -> None:
    """Say how well the reading repeats."""
    from doe.bench.reading_study import read_reading_study
    from doe.errors import CANNOT_ANSWER, CannotAnswerError
    from doe.window.reading_share import judge_reading

    found = read_reading_study(table, study)
    if not found:
        message = f"{table.name} is not filled in yet: read the sections by the sheet, and write the readings in."
        raise CannotAnswerError(message)
    judged = [judge_reading(part, study, seed=seed) for part in found]
    if as_json:
        print_json({"schema": 1, "files": [], "responses": {answer.name: answer.to_dict() for answer in judged}})
    else:
        for answer in judged:
            say(answer.words)
    if all(answer.found is None for answer in judged):
        sys.exit(CANNOT_ANSWER)
    note(f"next: weldwindow check {study.folder}; the models take the reading's scatter from {table.name}")
