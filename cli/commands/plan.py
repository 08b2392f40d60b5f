"""``weldwindow plan``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli.answer import answers, json_option, print_json, say, seed_option, study_argument, wrote
from cli.progress import progress

if TYPE_CHECKING:
    from doe.study.model import Study


@click.command("plan")
@study_argument
@click.option("--replace", is_flag=True, help="Keep filled-in files beside under a number, and make new ones.")
@click.option(
    "--design",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Score the plan in this CSV instead of making one.",
)
@json_option
@seed_option
@answers
def command(folder: Path, replace: bool, design: Path | None, as_json: bool, seed: int) -> None:
    r"""Plan the test welds of the study in DIR.

    Writes plan.csv, a blank results.csv and the run sheet, and says what the plan can tell and what it costs.

    \b
    Examples:
      weldwindow plan hinge
      weldwindow plan hinge --seed 7 --replace
      weldwindow plan hinge --design mine.csv
    """
    from cli.steps import make_plan, write_plan
    from doe.bench.stage import refuse_to_overwrite
    from doe.study import read_study

    study = read_study(folder)
    if design is not None:
        _score(design, study, as_json=as_json)
        return
    if not replace:
        refuse_to_overwrite(study.folder, stage=1)
    with progress("planning", quiet=as_json) as report:
        planned = make_plan(study, seed=seed, progress=report)
    files = write_plan(planned.plan, replace=replace)
    if as_json:
        print_json(planned.to_dict())
    else:
        say(planned.words())
    wrote(files, f"weld, cut, measure; fill in {study.folder / 'results.csv'}; then weldwindow report {folder}")


def _score(design: Path, study: Study, *, as_json: bool) -> None:
    """Score a plan from elsewhere by the same measures."""
    from doe.planning import quality_words, read_design

    table = read_design(design, study)
    quality = table.score()
    if as_json:
        print_json({"schema": 1, "quality": quality.to_dict(), "notes": list(table.notes)})
    else:
        say((*quality_words(study, quality), *table.notes))
