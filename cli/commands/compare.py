"""``weldwindow compare``."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

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
@json_option
@seed_option
@answers
def command(folder: Path, others: tuple[Path, ...], by: str | None, thickness: bool, as_json: bool, seed: int) -> None:
    """Compare two studies, or the kinds inside one: the difference with its band, and whether one card serves both.

    Where no requirement is set the differences are told all the same; a card is not asked for.

    With --thickness: how thick the machine can go, from a study of each thickness. They are climbed from the thinnest
    up; nothing is said between or beyond them.

    \b
    Examples:
      weldwindow compare hinge hinge-new-wire
      weldwindow compare hinge --by wire
      weldwindow compare lugs-6mm lugs-8mm lugs-10mm --thickness
    """
    _refuse_contradictions(others, by, thickness=thickness)
    with working("fitting, and comparing", quiet=as_json):
        found, sentences = _compare((folder, *others), by, thickness=thickness, seed=seed)
    if as_json:
        print_json(found.to_dict())
    else:
        say(sentences)
    note(f"next: weldwindow report {folder}")


def _refuse_contradictions(others: tuple[Path, ...], by: str | None, *, thickness: bool) -> None:
    """Refuse options that ask for different things at once."""
    if by is not None and (others or thickness):
        message = "--by compares the kinds inside one study; give one folder, or leave it out"
        raise click.UsageError(message)
    if len(others) > 1 and not thickness:
        message = "two studies are compared at a time; --thickness takes more, one for each thickness"
        raise click.UsageError(message)


def _compare(
    folders: tuple[Path, ...], by: str | None, *, thickness: bool, seed: int
) -> tuple[Comparison | Ladder, tuple[str, ...]]:
    """Make the comparison asked for, and put it in words."""
    from cli.steps import read_folder
    from doe.models import fit_responses
    from doe.window import climb_ladder, compare_kinds, compare_studies
    from doe.window.compare_words import comparison_sentences
    from doe.window.ladder_words import ladder_sentences

    fits = [fit_responses(read_folder(folder), seed=seed) for folder in folders]
    if thickness:
        ladder = climb_ladder(fits, seed=seed)
        return ladder, ladder_sentences(ladder)
    compared = compare_kinds(fits[0], factor=by, seed=seed) if len(fits) == 1 else compare_studies(*fits, seed=seed)
    return compared, comparison_sentences(compared)
