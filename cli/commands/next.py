"""``weldwindow next``."""

from __future__ import annotations

from pathlib import Path

import click

from cli.answer import answers, changes_study, json_option, print_json, say, seed_option, study_argument, wrote
from cli.progress import progress, working


@click.command("next")
@study_argument
@click.option(
    "--welds",
    type=click.IntRange(1, 8),
    help="How many welds to add; the study’s next stage, else 6 or the few left of it.",
)
@click.option(
    "--jobs",
    type=click.IntRange(1, 1024),
    default=1,
    help="How many processes simulate what they should bring; one unless said.",
)
@json_option
@seed_option
@answers
@changes_study
def command(folder: Path, welds: int | None, jobs: int, as_json: bool, seed: int) -> None:
    """Plan the next welds of the study in DIR where they are expected to enlarge the window most.

    Says why each weld is where it is and what they should bring together. Writes the next plan-2.csv, results-2.csv
    ... with their run sheet and pages.

    \b
    Examples:
      weldwindow next hinge
      weldwindow next hinge --welds 4
    """
    from cli.steps import read_folder, weld_next, write_plan
    from doe.models import fit_responses
    from doe.window import next_welds

    with working("fitting", quiet=as_json):
        fit = fit_responses(read_folder(folder), seed=seed)
    with progress("simulating what they should bring", quiet=as_json) as report:
        plan = next_welds(fit, n=welds, seed=seed, jobs=jobs, progress=report)
    files = write_plan(plan)
    if as_json:
        print_json(plan.to_dict())
    else:
        say(plan.words())
    wrote(files, weld_next(folder, plan.stage))
