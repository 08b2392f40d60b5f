"""``weldwindow go``."""

from __future__ import annotations

import importlib
from pathlib import Path

import click

from cli.answer import answers, json_option, note, print_json, seed_option, study_argument


@click.command("go")
@study_argument
@json_option
@seed_option
@click.pass_context
@answers
def command(context: click.Context, folder: Path, as_json: bool, seed: int) -> None:
    """Do the step that is due for the study in DIR, and say which it was.

    No study yet: asks the eight questions. No plan yet: plans. Results filled in: reports. No window yet: plans the
    next welds. A window: fixes its confirmation welds. Those filled in: gives the verdict and reports anew. Otherwise
    it says what is waited for.

    \b
    Examples:
      weldwindow go hinge
    """
    from doe.bench.due import due_step

    step = due_step(folder)
    if not step.command:
        note(f"{step.reason[0].upper()}{step.reason[1:]}.")
        if as_json:
            print_json({"schema": 1, "due": None, "reason": step.reason})
        return
    note(f"Due now: {step.command} ({step.reason}).")
    due = importlib.import_module(f"cli.commands.{step.command}").command
    context.invoke(due, folder=folder, as_json=as_json, seed=seed, **({"anew": True} if step.anew else {}))
