"""``weldwindow compare``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cli.answer import answers, json_option, note, print_json, say, seed_option, study_argument
from cli.progress import working

if TYPE_CHECKING:
    from doe.window.comparison import Comparison
    from doe.window.ladder import Ladder


@click.command("compare")
@study_argument
@click.argument(
    "others", metavar="[DIR]...", type=click.Path(path_type=Path, file_okay=False), nargs=-1, required=False
)
@click.option("--by", help="Inside one study: the factor whose kinds are compared.")
@click.option("--thickness", is_flag=True, help="Studies of several thicknesses: how thick can this machine go?")
@click.option(
    "--at",
    multiple=True,
    metavar="SETTING",
    help="Tell the differences there and nowhere else: “voltage=3, feed=7”. May be given again.",
)
@json_option
@seed_option
@answers
def command(folder: Path, others: tuple[Path, ...], as_json: bool, seed: int, **asked: Any) -> None:
    """Compare two studies, or the kinds inside one: the difference with its band, and whether one card serves both.

    Where no requirement is set the differences are told all the same; a card is not asked for.

    The differences are told at the best settings, or at those that --at names: each factor by its mark or value.

    With --thickness: how thick the machine can go, from a study of each thickness. They are climbed from the thinnest
    up; nothing is said between or beyond them.

    \b
    Examples:
      weldwindow compare hinge hinge-new-wire
      weldwindow compare hinge --by wire
      weldwindow compare hinge hinge-new-wire --at "voltage=3, feed=7, preheat=70"
      weldwindow compare lugs-6mm lugs-8mm lugs-10mm --thickness
    """
    _refuse_contradictions(others, asked)
    with working("fitting, and comparing", quiet=as_json):
        found, sentences = _compare((folder, *others), asked, seed=seed)
    if as_json:
        print_json(found.to_dict())
    else:
        say(sentences)
    note(f"next: weldwindow report {folder}")


def _refuse_contradictions(others: tuple[Path, ...], asked: dict[str, Any]) -> None:
    """Refuse options that ask for different things at once."""
    if asked["by"] is not None and (others or asked["thickness"]):
        message = "--by compares the kinds inside one study; give one folder, or leave it out"
        raise click.UsageError(message)
    if asked["at"] and asked["thickness"]:
        message = "--at tells differences at a setting, and --thickness asks how thick; give one of them"
        raise click.UsageError(message)
    if len(others) > 1 and not asked["thickness"]:
        message = "two studies are compared at a time; --thickness takes more, one for each thickness"
        raise click.UsageError(message)


def _compare(
    folders: tuple[Path, ...], asked: dict[str, Any], *, seed: int
) -> tuple[Comparison | Ladder, tuple[str, ...]]:
    """Make the comparison asked for, and put it in words."""
    from cli.steps import read_folder
    from doe.models import fit_responses
    from doe.window import climb_ladder, compare_kinds, compare_studies
    from doe.window.compare_words import comparison_sentences
    from doe.window.ladder_words import ladder_sentences

    fits = [fit_responses(read_folder(folder), seed=seed) for folder in folders]
    if asked["thickness"]:
        ladder = climb_ladder(fits, seed=seed)
        return ladder, ladder_sentences(ladder)
    at = asked["at"]
    if len(fits) == 1:
        compared = compare_kinds(fits[0], factor=asked["by"], seed=seed, at=at)
    else:
        compared = compare_studies(*fits, seed=seed, at=at)
    return compared, comparison_sentences(compared)
