"""``weldwindow report``."""

from __future__ import annotations

from pathlib import Path

import click

from cli.answer import answers, changes_study, json_option, print_json, say, seed_option, study_argument, wrote
from cli.progress import working


@click.command("report")
@study_argument
@click.option(
    "--figures",
    type=click.Path(path_type=Path, file_okay=False),
    help="Write every figure into this folder as well, as SVG and PNG.",
)
@json_option
@seed_option
@answers
@changes_study
def command(folder: Path, figures: Path | None, as_json: bool, seed: int) -> None:
    """Check, fit, find the window; then write report/report.html, the run sheet and the setting card.

    \b
    Examples:
      weldwindow report hinge
      weldwindow report hinge --figures pictures
    """
    from cli.steps import make_report

    with working("fitting, looking for the window, drawing", quiet=as_json):
        reported = make_report(folder, seed=seed, figures=figures)
    if as_json:
        print_json(reported.to_dict())
    else:
        say(reported.words())
    wrote(reported.files, f"open {folder / 'report' / 'report.html'}; weldwindow go {folder} leads on")
