"""``weldwindow new``."""

from __future__ import annotations

import contextlib
import shlex
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path

import click

from cli.answer import answers, changing, json_option, note, print_json, say, seed_option, wrote
from cli.progress import progress

KNOWN = "From earlier work; leave it out if you do not know: a wrong answer makes a wrong claim."
"""What is said with each answer that a claim rests on and no test weld shows."""


@click.command("new")
@click.argument("folder", metavar="DIR", type=click.Path(path_type=Path, file_okay=False))
@click.option("--weld", help="Joint and thickness: “lap fillet, 10 mm”.")
@click.option("--wire", help="The wire: “1.0 mm gas-shielded cored”.")
@click.option("--voltage", help="Marks of the voltage dial: “A B C D”, or “1=17 2=18.4”.")
@click.option("--feed", help="Range of the feed dial: “5 to 9 m/min by 0.5”, or “1 to 10”.")
@click.option("--supply", help="Volts and breaker: “230 V, 16 A”.")
@click.option("--plate", help="Welds on a plate: “1”, “2 cooled”, “2 warm”.")
@click.option("--must", help="What a good weld must meet: “1.2 mm penetration, 2 pores in 100 mm, hold 30 s”.")
@click.option("--welds", help="How many test welds are affordable.")
@click.option("--scatter", help=f"How far welds made alike scatter in depth: “0.3 mm” (expect_scatter). {KNOWN}")
@click.option(
    "--good-zone",
    help="Porosity gets worse towards both ends of these dials: “voltage, feed” (expect_good_zone). Goes with "
    f"--ratio-under. {KNOWN}",
)
@click.option(
    "--ratio-under",
    help="Porosity differs by less than so many times between the best and the worst corner: “10” at most "
    f"(expect_ratio_under). Goes with --good-zone. {KNOWN}",
)
@click.option("--preheat", default="", help="Preheat levels, one a plate: “20 70 120 degC” (not asked).")
@click.option("--title", default="", help="Title of the study (not asked; the folder’s name).")
@click.option("--no-input", is_flag=True, help="Ask nothing; take the default of every answer not given.")
@json_option
@seed_option
@answers
def command(
    folder: Path, preheat: str, title: str, no_input: bool, as_json: bool, seed: int, **given: str | None
) -> None:
    """Answer at most eight questions; get study.toml, a plan, and a run sheet to weld by.

    \b
    Examples:
      weldwindow new hinge
      weldwindow new hinge --no-input
      weldwindow new hinge --weld "lap fillet, 10 mm" --voltage "1=17 2=18.4 3=19.6" --welds 16
      weldwindow new hinge --scatter "0.3 mm" --good-zone "voltage, feed" --ratio-under 10
    """
    from cli.steps import make_plan, write_new_study, write_plan
    from doe.saving import all_or_nothing, make_folder
    from doe.study.answers import read_answers
    from doe.study.reading import parse_study
    from doe.study.writing import study_text

    refuse_old_study(folder)
    silent = no_input or as_json or not is_terminal()
    texts = _texts(given, silent=silent)
    with kept_answers(folder, {} if silent else texts):
        text = study_text(read_answers(texts, title=title or folder.resolve().name, preheat=preheat))
        with progress("planning", quiet=as_json) as report:
            planned = make_plan(parse_study(text, folder=folder), seed=seed, progress=report)
    make_folder(folder)
    with changing(folder), all_or_nothing():
        refuse_old_study(folder)
        files = [write_new_study(folder, text), *write_plan(planned.plan)]
    if as_json:
        print_json({"schema": 1, "files": files, "plan": planned.to_dict()})
    else:
        say(planned.words())
    if not no_input and not is_terminal():
        _note_defaults({key: text for key, text in texts.items() if text and not given.get(key)})
    note("More can be said in study.toml: everything else stands there, commented out.")
    wrote(files, f"print the run sheet, weld, fill in {folder / 'results.csv'}; then weldwindow go {folder}")


def _note_defaults(taken: Mapping[str, str]) -> None:
    """Say which answers nobody gave, where there was no terminal to ask at."""
    if taken:
        listed = "; ".join(f"--{key} “{text}”" for key, text in taken.items())
        note(f"There was no terminal to ask at: these are defaults, not your answers: {listed}.")


def refuse_old_study(folder: Path) -> None:
    """Refuse where the folder holds a study already."""
    from doe.errors import WouldOverwriteError

    if (folder / "study.toml").exists():
        message = f"{folder / 'study.toml'} exists and is not overwritten; edit it, or name another folder"
        raise WouldOverwriteError(message)


def is_terminal() -> bool:
    """Say whether there is a person to ask."""
    return sys.stdin.isatty()


def _texts(given: Mapping[str, str | None], *, silent: bool) -> dict[str, str]:
    """Take each answer from its flag, or ask for it; what a flag leaves open beyond the eight stays open."""
    from doe.study.answers import FOLLOW_UPS, QUESTIONS

    texts = {}
    for key, (question, default) in QUESTIONS.items():
        asks = not silent and not given.get(key)
        texts[key] = ask(key, question, default) if asks else given.get(key) or default
        if key == "must":
            further = {name: given.get(name) or "" for name in FOLLOW_UPS}
            texts |= _ask_further(texts[key], further) if asks else further
    return texts


def _ask_further(must: str, known: Mapping[str, str]) -> dict[str, str]:
    """Ask what the requirements call for, as part of the same question; an empty answer leaves it open."""
    from doe.study.answers import FOLLOW_UPS, IF_NOT_KNOWN, NOT_KNOWN, follow_ups

    texts = dict(known)
    open_ones = [key for key in follow_ups(must) if not known[key]]
    if open_ones:
        note(IF_NOT_KNOWN)
    for key in open_ones:
        if key != "ratio_under" or texts["good_zone"]:
            answer = ask(key, FOLLOW_UPS[key], "")
            texts[key] = "" if answer.strip().lower() in NOT_KNOWN else answer
    if texts["good_zone"] and not texts["ratio_under"]:
        note("The two answers on porosity are used together: without the second the first is left out.")
        texts["good_zone"] = ""
    return texts


def ask(key: str, question: str, default: str) -> str:
    """Ask one question, and again where the answer cannot be read: it says what is accepted."""
    from doe.errors import DoeError
    from doe.study.answers import READERS

    def readable(text: str) -> str:
        try:
            READERS[key](text)
        except DoeError as error:
            raise click.UsageError(error.message) from error
        return text

    return str(click.prompt(question, default=default, show_default=bool(default), value_proc=readable, err=True))


@contextlib.contextmanager
def kept_answers(folder: Path, texts: Mapping[str, str]) -> Iterator[None]:
    """Where the answers lead nowhere, print them as one command, so that nobody types them again."""
    from doe.errors import DoeError

    try:
        yield
    except DoeError:
        if texts:
            flags = [part for key, text in texts.items() if text for part in (f"--{key.replace('_', '-')}", text)]
            note(f"Your answers, to change and run again:\n  {shlex.join(['weldwindow', 'new', str(folder), *flags])}")
        raise
