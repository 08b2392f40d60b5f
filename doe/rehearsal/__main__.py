"""``python -m doe.rehearsal STUDIES.csv``: run the calibration, or go on with it, and write its page."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Final

from doe.errors import DoeError
from doe.rehearsal.calibration import PARTS, WHOLE, demo_study, run_calibration, setups_of
from doe.rehearsal.setup import KNOWLEDGE, TRUTHS, Setup
from doe.rehearsal.table import calibration_page

PAGE: Final = Path("reports/calibration.md")
TOLD_EVERY_S: Final = 5.0
"""Time between two lines of progress. [s]"""


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="python -m doe.rehearsal",
        description="Rehearse whole studies on virtual welders and tell whether claimed windows keep their promise. "
        "A run that was stopped goes on where it was.",
    )
    parser.add_argument("table", type=Path, help="CSV table of studies; made, or added to")
    parser.add_argument("--part", action="append", choices=PARTS, help="default: all but quick")
    parser.add_argument("--welds", type=int, action="append", help="only setups of so many welds; may be repeated")
    parser.add_argument("--known", action="append", choices=tuple(KNOWLEDGE), help="only what is known so; likewise")
    parser.add_argument("--truth", action="append", choices=tuple(TRUTHS), help="only this truth; likewise")
    parser.add_argument("--studies", type=int, default=100, help="studies a cell (default 100)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=1, help="processes (default 1)")
    parser.add_argument("--run-nothing", action="store_true", help="only write the page of what the table holds")
    parser.add_argument("--page", type=Path, default=PAGE, help=f"Markdown page to write (default {PAGE})")
    return parser


class Told:
    """Progress on stderr, one line a few seconds."""

    def __init__(self) -> None:
        self.started, self.shown, self.first = time.monotonic(), 0.0, -1

    def __call__(self, done: int, total: int, seconds: float) -> None:
        """Say how far it is."""
        now = time.monotonic() - self.started
        if self.first < 0:
            self.first = done - 1
        if now - self.shown < TOLD_EVERY_S and done < total:
            return
        self.shown = now
        left = (total - done) * now / (done - self.first)
        sys.stderr.write(f"{done} of {total} studies, {seconds:.2f} s each; about {left / 60:.0f} min left\n")
        sys.stderr.flush()


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; 2 where the request cannot be met."""
    asked = _parser().parse_args(arguments)
    parts = asked.part or list(WHOLE)
    study = demo_study()
    wanted = [] if asked.run_nothing else [setup for part in parts for setup in setups_of(study, part)]
    setups = [setup for setup in wanted if _is_wanted(setup, asked)]
    try:
        calibration = run_calibration(
            asked.table, setups, n_studies=asked.studies, seed=asked.seed, jobs=asked.jobs, progress=Told()
        )
    except DoeError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    command = _command(asked, parts)
    asked.page.parent.mkdir(parents=True, exist_ok=True)
    asked.page.write_text(calibration_page(calibration, command=command), encoding="utf-8")
    sys.stderr.write(f"wrote {asked.page}\n")
    return 0


def _is_wanted(setup: Setup, asked: argparse.Namespace) -> bool:
    wishes = (
        (asked.welds, setup.welds),
        (asked.known, setup.knowledge.name),
        (asked.truth, setup.truth.name),
    )
    return all(not wanted or found in wanted for wanted, found in wishes)


def _command(asked: argparse.Namespace, parts: Sequence[str]) -> str:
    """Give the command that makes the page."""
    which = "" if list(parts) == list(WHOLE) else "".join(f' --part "{part}"' for part in parts)
    which += "".join(f" --welds {n}" for n in asked.welds or ()) + "".join(f' --known "{k}"' for k in asked.known or ())
    which += "".join(f' --truth "{truth}"' for truth in asked.truth or ())
    return f"python -m doe.rehearsal {asked.table.name}{which} --studies {asked.studies} --seed {asked.seed}"


if __name__ == "__main__":
    sys.exit(main())
