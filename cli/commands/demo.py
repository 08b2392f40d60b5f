"""``weldwindow demo``."""

from __future__ import annotations

from pathlib import Path

import click

from cli.answer import answers, changing, json_option, note, print_json, say, seed_option, wrote
from cli.progress import progress, working


@click.command("demo")
@click.argument("folder", metavar="[DIR]", type=click.Path(path_type=Path, file_okay=False), required=False)
@json_option
@seed_option
@answers
def command(folder: Path | None, as_json: bool, seed: int) -> None:
    """Do the whole job on the shipped example, from the study to the report.

    A virtual welder makes the welds; its hidden truth is printed beside the answer. Writes into a new folder.

    \b
    Examples:
      weldwindow demo
      weldwindow demo my-demo
    """
    from cli.steps import new_folder
    from doe.saving import make_folder

    folder = make_folder(new_folder(folder, stem="hinge-demo"))
    with changing(folder):
        new_folder(folder, stem="")
        _do_it_all(folder, as_json=as_json, seed=seed)


def _do_it_all(folder: Path, *, as_json: bool, seed: int) -> None:
    """Do every step, and say what the truth was."""
    from cli.steps import make_plan, make_report, start_demo, weld_demo, write_plan

    study = start_demo(folder)
    note(f"1 of 4: the study, {study.title}: {folder / 'study.toml'}")
    with progress("planning", quiet=as_json) as done:
        planned = make_plan(study, seed=seed, progress=done)
    write_plan(planned.plan)
    note(f"2 of 4: planned {len(planned.plan.welds)} welds, and a run sheet to weld by")
    say((f"   {line}" for line in planned.words()), quiet=as_json)
    judge = weld_demo(planned.plan, seed=seed)
    note("3 of 4: a virtual welder made the welds and filled in results.csv (all invented)")
    with working("fitting, looking for the window, drawing", quiet=as_json):
        reported = make_report(folder, seed=seed)
    note("4 of 4: fitted the models and looked for the window")
    judgement = judge(reported.window)
    if as_json:
        print_json({**reported.to_dict(), "truth": judgement.to_dict()})
    else:
        say(("", *reported.words(), "", *judgement.words()))
    wrote(
        reported.files,
        f"weldwindow new my-study makes one of your own; this one’s report: {folder / 'report' / 'report.html'}",
    )
