"""``weldwindow practise``."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli.answer import answers, changes_study, json_option, print_json, say, spare_seed_option, study_argument, wrote
from cli.progress import working

if TYPE_CHECKING:
    from doe.bench.practice_file import Practice
    from doe.study.model import Study


@click.command("practise")
@study_argument
@click.option("--group", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, help="The class's number.")
@click.option("--learner", default="", help="Your name: your welds scatter in their own way.")
@click.option("--weld", "welds", multiple=True, metavar="W01", help="Make this weld; may be given again.")
@click.option("--all", "make_all", is_flag=True, help="Make every weld that is left in the last plan.")
@click.option("--key", "show_key", is_flag=True, help="Show the answer key. Nothing can be welded after that.")
@json_option
@spare_seed_option
@answers
@changes_study
def command(folder: Path, as_json: bool, **options: object) -> None:
    """Practise on a virtual welder with a hidden truth: the same for a whole class, each with welds of their own.

    In a new folder this writes a study to practise on. Plan it, make the welds by this command, read the report, and
    ask for the answer key at the end. All of it is invented; no number is a fact of welding.

    \b
    Examples:
      weldwindow practise lesson --group 7 --learner Ida
      weldwindow plan lesson
      weldwindow practise lesson --weld W01 --weld W02
      weldwindow practise lesson --all
      weldwindow report lesson
      weldwindow practise lesson --key
    """
    from doe.bench.practice_file import read_practice
    from doe.study import read_study

    practice = read_practice(folder)
    if practice is None:
        _begin(folder, int(str(options["group"])), str(options["learner"]), as_json=as_json)
    elif options["show_key"]:
        _show_key(folder, practice, as_json=as_json)
    elif options["welds"] or options["make_all"]:
        welds = options["welds"]
        _weld(read_study(folder), practice, list(welds) if isinstance(welds, tuple) and welds else None, as_json)
    else:
        message = "this folder is for practice already: name a --weld to make, or --all, or ask for the --key"
        raise click.UsageError(message)


def _begin(folder: Path, group: int, learner: str, *, as_json: bool) -> None:
    """Write the study to practise on, or take up the one that is there."""
    from cli.steps import start_demo
    from doe.bench.practice_file import Practice, write_practice
    from doe.study.reading import STUDY_FILE

    files = []
    if not (folder / STUDY_FILE).exists():
        files.append(start_demo(folder).folder / STUDY_FILE)
    files.append(write_practice(folder, Practice(group, learner)))
    if as_json:
        print_json({"schema": 1, "files": files, "group": group, "learner": learner})
    wrote(files, f"weldwindow plan {folder}")


def _weld(study: Study, practice: Practice, wanted: list[str] | None, as_json: bool) -> None:
    """Make welds and say which."""
    from doe.rehearsal.practice import make_welds

    path, new = make_welds(study, practice, wanted)
    if as_json:
        print_json({"schema": 1, "files": [path], "welds": new})
    else:
        say(f"Welded, cut and measured (all invented): {', '.join(new)}.")
    wrote([path], f"weldwindow report {study.folder}")


def _show_key(folder: Path, practice: Practice, *, as_json: bool) -> None:
    """Set the learner's answer beside the truth."""
    from cli.steps import fit_and_find
    from doe.bench.practice_file import write_practice
    from doe.rehearsal.practice import answer_key

    with working("fitting, and looking up the truth", quiet=as_json):
        _, window = fit_and_find(folder, seed=1)
        lines = answer_key(window, practice)
    file = write_practice(folder, replace(practice, key_shown=True))
    if as_json:
        print_json({"schema": 1, "files": [file], "window": window.to_dict(), "key": lines})
    else:
        say(lines)
    wrote([file], "weldwindow practise NEW-FOLDER --group N begins another")
