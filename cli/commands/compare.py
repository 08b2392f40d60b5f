"""``weldwindow compare``."""

from __future__ import annotations

from pathlib import Path

import click

from cli.answer import answers, json_option, note, print_json, say, seed_option, study_argument


@click.command("compare")
@study_argument
@click.argument("other", metavar="[DIR]", type=click.Path(path_type=Path, file_okay=False), required=False)
@click.option("--by", help="Inside one study: the factor whose kinds are compared.")
@json_option
@seed_option
@answers
def command(folder: Path, other: Path | None, by: str | None, as_json: bool, seed: int) -> None:
    r"""Compare two studies, or the kinds inside one: the difference with its band, and whether one card serves both.

    \b
    Examples:
      weldwindow compare hinge hinge-new-wire
      weldwindow compare hinge --by wire
    """
    from cli.steps import read_folder
    from doe.models import fit_responses
    from doe.window import compare_kinds, compare_studies
    from doe.window.compare_words import comparison_sentences

    fit = fit_responses(read_folder(folder), seed=seed)
    if other is not None and by is not None:
        message = "--by compares the kinds inside one study; give one folder, or leave it out"
        raise click.UsageError(message)
    if other is None:
        comparison = compare_kinds(fit, factor=by, seed=seed)
    else:
        comparison = compare_studies(fit, fit_responses(read_folder(other), seed=seed), seed=seed)
    if as_json:
        print_json(comparison.to_dict())
    else:
        say(comparison_sentences(comparison))
    note(f"next: weldwindow report {folder}")
