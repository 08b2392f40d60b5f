"""The entry point: a group that loads a command only when it is run."""

from __future__ import annotations

import importlib
import os
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

import click

# Many small products: a linear algebra library that spreads each over all cores waits more than it works, and its
# rounding would depend on the number of cores. Set before numpy loads; who wants more threads sets them outside.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

COMMANDS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "new": "Answer at most eight questions; get a study, a plan and a run sheet.",
        "plan": "Plan the test welds; write plan.csv, results.csv and the run sheet.",
        "take": "Take a table exported by the bench page or the macro page into the study.",
        "reading-study": "Read a few sections twice, blind: how well does your reading repeat?",
        "check": "Read the study and the results; list every fault and every conversion.",
        "fit": "Fit the models, in words and numbers.",
        "window": "Find the setting window and the best setting inside it.",
        "next": "Plan the next welds worth making, and say what they should bring.",
        "confirm": "Fix the claim and its confirmation welds; afterwards give the verdict.",
        "compare": "Compare two studies, or the kinds inside one: does one card serve both?",
        "report": "Check, fit, window; then write the report and the setting card.",
        "go": "Do the step that is due, and say which it was.",
        "demo": "See the whole job done on the shipped example.",
        "practise": "Weld on a virtual welder with a hidden truth, and see the answer key at the end.",
        "pack": "Put data, plan and report into one zip; --check makes its numbers again.",
        "shelf": "List the studies under a folder, with their windows, on a page for the wall.",
        "dial": "Calibrate a dial from timed wire pulls and volt readings.",
        "explain": "Explain a word of the reports, in the words of the shop.",
        "completion": "Print a script that lets your shell complete commands and options.",
        "figure": "Work out one trade figure; without a name, list them.",
    }
)
"""Each command and its one line, in the order of the work; a command's module has the command's
name, with underscores."""


class LazyGroup(click.Group):
    """A group whose commands are imported when they are asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 - click's signature
        """Give the names in the order of the work."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        """Import one command."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"cli.commands.{cmd_name.replace('-', '_')}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        """List the commands without importing them."""
        with formatter.section("Commands, in the order of the work"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group("weldwindow", cls=LazyGroup, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="weldwindow", prog_name="weldwindow")
def main() -> None:
    """Plan test welds, read what was measured, and find the settings that can be claimed.

    \b
    The short path:
      weldwindow new hinge       at most eight questions; then weld, cut, measure
      weldwindow report hinge    the answer, with its confidence
    \b
    See it done on an example:
      weldwindow demo
    """


if __name__ == "__main__":
    main()
