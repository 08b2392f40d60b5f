"""``weldwindow fit``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli.answer import answers, json_option, note, print_json, say, seed_option, study_argument
from cli.progress import working
from cli.tables import print_table

if TYPE_CHECKING:
    from doe.models.diagnostics import Diagnosis
    from doe.models.fit import ResponseFit
    from doe.study.model import Study

ROUNDING = 1e-12
"""What is smaller is the rounding of a 0."""


@click.command("fit")
@study_argument
@click.option("--textbook", is_flag=True, help="No prior information, no selection: what a handbook would print.")
@json_option
@seed_option
@answers
def command(folder: Path, textbook: bool, as_json: bool, seed: int) -> None:
    """Fit the models to the results in DIR, in words and numbers.

    \b
    Examples:
      weldwindow fit hinge
      weldwindow fit hinge --textbook --json
    """
    from cli.steps import fit_and_check

    with working("fitting", quiet=as_json):
        checked = fit_and_check(folder, seed=seed, textbook=textbook)
    fit = checked.fit
    if as_json:
        print_json(checked.to_dict())
        return
    for response, diagnosis in zip(fit.responses, checked.diagnoses, strict=True):
        _print_response(response, confidence=fit.results.study.claim.confidence)
        _print_sensitivity(response, fit.results.study)
        _print_checks(diagnosis)
    for name in fit.left_out:
        say(f"{name}: not measured.")
    if any(response.has_requirement for response in fit.results.study.responses):
        note(f"next: weldwindow window {folder}")
    else:
        note("no response has a requirement, so there is no window to find; one is given in study.toml: at_least = 1.2")


def _print_sensitivity(response: ResponseFit, study: Study) -> None:
    """Print what the chance of meeting the requirement owes to what was taken beforehand."""
    from doe.report.model_parts import sensitivity_tables

    for table in sensitivity_tables(response, study):
        say(f"  {table.words}")
        print_table(table.heads, table.rows)


def _print_checks(diagnosis: Diagnosis) -> None:
    """Print what the checks say: doubts first, then what raised none."""
    if diagnosis.findings:
        say("  To look at:")
        say(f"  - {line}" for line in diagnosis.findings)
    if diagnosis.notes:
        say("  Checked:")
        say(f"  - {line}" for line in diagnosis.notes)


def _print_response(response: ResponseFit, *, confidence: float) -> None:
    """Print one fitted response."""
    from doe.report.formatting import number
    from doe.window.words import level

    say(f"\n{response.name} ({response.kind}, {response.n} welds): {response.method}")
    sure = level(confidence)
    print_table(
        ("term, coded factors", "estimate", "standard error", f"low {sure}", f"high {sure}"),
        [(t.term, *(number(v, 4) for v in (t.estimate, t.se, t.low, t.high))) for t in response.terms],
    )
    for key, value in response.numbers.items():
        if isinstance(value, bool):
            say(f"  {key.replace('_', ' ')}: {'yes' if value else 'no'}")
        elif isinstance(value, int | float):
            say(f"  {key.replace('_', ' ')}: {number(float(value), 4) if abs(value) > ROUNDING else 0}")
        elif key == "spread" and isinstance(value, dict):
            parts = [f"{name} {number(float(sd), 3)}" for name, sd in value.items() if sd is not None]
            say(f"  scatter (one standard deviation): {', '.join(parts)}")
        elif key == "covariates" and isinstance(value, dict):
            parts = [f"{name} {number(float(sd), 3)}" for name, sd in value.items()]
            say(f"  within that between welds, from what the hand did: {', '.join(parts)}")
    say(f"  {line}" for line in response.findings)
    if response.assumptions:
        say("  Assumed and not measured:")
        say(f"  - {line}" for line in response.assumptions)
