"""``weldwindow confirm``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli.answer import answers, changes_study, json_option, print_json, say, seed_option, study_argument, wrote
from cli.progress import working

if TYPE_CHECKING:
    from doe.window.confirmation import Confirmation


@click.command("confirm")
@study_argument
@click.option("--welds", type=click.IntRange(1, 500), help="Confirmation welds; 4 unless the claim says otherwise.")
@click.option("--allow", type=click.IntRange(0, 50), help="How many of them may fail; none unless said otherwise.")
@click.option("--recheck", is_flag=True, help="Check an old claim again: new spool, outlet, place or season.")
@click.option("--anew", is_flag=True, help="Fix a new claim in the place of a withdrawn one, which is kept beside.")
@json_option
@seed_option
@answers
@changes_study
def command(folder: Path, welds: int | None, allow: int | None, as_json: bool, seed: int, **kind: bool) -> None:
    """Fix the claim for the study in DIR with its confirmation welds and their rule; afterwards give the verdict.

    The first time it writes claim.json, which is never rewritten, and the welds as the next plan-2.csv. Once they
    are filled in it says confirmed, not contradicted or withdrawn.

    \b
    Examples:
      weldwindow confirm hinge
      weldwindow confirm hinge --welds 22
      weldwindow confirm hinge --recheck --welds 3
      weldwindow confirm hinge --anew
    """
    from cli.steps import lacks_sheets, read_folder, write_sheets
    from doe.models import fit_responses
    from doe.saving import all_or_nothing
    from doe.window import confirm_window, write_confirmation
    from doe.window.confirm import is_written
    from doe.window.confirm_words import confirmation_sentences

    with working("fitting, and weighing the claim", quiet=as_json):
        fit = fit_responses(read_folder(folder), seed=seed)
        confirmation = confirm_window(fit, seed=seed, welds=welds, failures_allowed=allow, **kind)
    with all_or_nothing():
        is_due = not is_written(confirmation) or (confirmation.verdict is None and lacks_sheets(confirmation.plan))
        # before the plan: a command that is cut short begins anew
        sheets = write_sheets(confirmation.plan, claim=confirmation.claim) if is_due else []
        files = [*write_confirmation(confirmation), *sheets]
    if as_json:
        print_json(confirmation.to_dict())
    else:
        say(confirmation_sentences(confirmation))
    wrote(files, _next_step(confirmation, folder))


def _next_step(confirmation: Confirmation, folder: Path) -> str:
    """Name the next command."""
    from cli.steps import weld_next

    if confirmation.verdict is None:
        return weld_next(folder, confirmation.plan.stage)
    now = confirmation.window_now
    if confirmation.verdict == "withdrawn" and now is not None and now.found:
        return f"weldwindow report {folder}; then weldwindow confirm {folder} --anew"
    if confirmation.verdict == "withdrawn":
        return f"weldwindow next {folder}"
    return f"weldwindow report {folder}"
