"""``weldwindow pack``."""

from __future__ import annotations

import json
import sys
import tempfile
from pathlib import Path

import click

from cli.answer import (
    answers,
    changes_study,
    json_option,
    note,
    plain,
    print_json,
    say,
    spare_seed_option,
    study_argument,
    wrote,
)
from cli.progress import working


@click.command("pack")
@study_argument
@click.option(
    "--check",
    "packed",
    metavar="FILE",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Check a pack instead: is every file as it was packed, and do the same numbers come out?",
)
@json_option
@spare_seed_option
@answers
@changes_study
def command(folder: Path, packed: Path | None, as_json: bool) -> None:
    """Put the study in DIR with its plans, results and report into one zip, with versions and hashes.

    \b
    Examples:
      weldwindow pack hinge
      weldwindow pack --check hinge.zip
    """
    if packed is not None:
        _check(packed, as_json=as_json)
        return
    from doe.report.pack import write_pack
    from doe.study import read_study

    read_study(folder)
    path = write_pack(folder)
    if as_json:
        print_json({"schema": 1, "files": [path]})
    wrote([path], f"weldwindow pack --check {path}")


def _check(path: Path, *, as_json: bool) -> None:
    """Make the numbers of a pack again and say what differs."""
    from cli.steps import answer_anew
    from doe.errors import CANNOT_ANSWER
    from doe.report.pack import changed_numbers, read_pack

    pack = read_pack(path)
    note(f"every one of {len(pack.files)} files is as it was packed; making the numbers again")
    with tempfile.TemporaryDirectory(prefix="weldwindow-") as name, working("fitting", quiet=as_json):
        pack.unpack(Path(name))
        window = answer_anew(Path(name), seed=pack.seed)
    again = json.loads(json.dumps(plain(window.to_dict())))
    changes = changed_numbers(pack.answer(), again)
    if as_json:
        print_json({"schema": 1, "files": len(pack.files), "same": not changes, "changes": changes})
    elif changes:
        say(("These numbers do not come out again (packed with other versions?):", *(f"  {line}" for line in changes)))
    else:
        say("The same numbers come out again.")
    if changes:
        sys.exit(CANNOT_ANSWER)
