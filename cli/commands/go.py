"""``weldwindow go``."""

from __future__ import annotations

from pathlib import Path

import click

from cli.answer import answers, json_option, note, seed_option, study_argument


@click.command("go")
@study_argument
@json_option
@seed_option
@click.pass_context
@answers
def command(context: click.Context, folder: Path, as_json: bool, seed: int) -> None:
    r"""Do the step that is due for the study in DIR, and say which it was.

    No study yet: asks the eight questions. No plan yet: plans. Results filled in: reports. Otherwise it says what is
    waited for.

    \b
    Examples:
      weldwindow go hinge
    """
    from doe.bench.stage import due_step

    step = due_step(folder)
    note(f"{step.reason}: {step.command}")
    if step.command == "new":
        from cli.commands.new import command as new

        context.invoke(new, folder=folder, as_json=as_json, seed=seed)
    elif step.command == "plan":
        from cli.commands.plan import command as plan

        context.invoke(plan, folder=folder, as_json=as_json, seed=seed)
    elif step.command == "report":
        from cli.commands.report import command as report

        context.invoke(report, folder=folder, as_json=as_json, seed=seed)
