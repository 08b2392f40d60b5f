"""``weldwindow fit``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli.answer import answers, json_option, note, print_json, say, seed_option, study_argument
from cli.tables import print_table

if TYPE_CHECKING:
    from doe.models.diagnostics import Diagnosis
    from doe.models.fit import ResponseFit


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

    checked = fit_and_check(folder, seed=seed, textbook=textbook)
    fit = checked.fit
    if as_json:
        print_json(checked.to_dict())
        return
    for response, diagnosis in zip(fit.responses, checked.diagnoses, strict=True):
        _print_response(response, confidence=fit.results.study.claim.confidence)
        _print_checks(diagnosis)
    for name in fit.left_out:
        say(f"{name}: not measured.")
    note(f"next: weldwindow window {folder}")


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

    say(f"\n{response.name} ({response.kind}, {response.n} welds): {response.method}")
    level = f"{confidence:.0%}"
    print_table(
        ("term, coded factors", "estimate", "standard error", f"low {level}", f"high {level}"),
        [(t.term, *(number(v, 4) for v in (t.estimate, t.se, t.low, t.high))) for t in response.terms],
    )
    for key, value in response.numbers.items():
        if isinstance(value, int | float):
            say(f"  {key.replace('_', ' ')}: {number(float(value), 4)}")
        elif key == "spread" and isinstance(value, dict):
            parts = [f"{name} {number(float(sd), 3)}" for name, sd in value.items() if sd is not None]
            say(f"  scatter (one standard deviation): {', '.join(parts)}")
    say(f"  {line}" for line in response.findings)
