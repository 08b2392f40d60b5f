"""``weldwindow explain``."""

from __future__ import annotations

import textwrap

import click

from cli.answer import answers, json_option, print_json, say, spare_seed_option


@click.command("explain")
@click.argument("word", nargs=-1)
@json_option
@spare_seed_option
@answers
def command(word: tuple[str, ...], as_json: bool) -> None:
    """Explain WORD in the words of the shop; without one, list the words.

    \b
    Examples:
      weldwindow explain assurance
      weldwindow explain prediction band
    """
    from doe.glossary import explain, glossary

    if not word:
        names = list(glossary())
        if as_json:
            print_json({"schema": 1, "words": names})
        else:
            say(textwrap.wrap(", ".join(names), width=76))
        return
    entry = explain(" ".join(word))
    if as_json:
        print_json({"schema": 1, **entry.to_dict()})
    else:
        say((f"{entry.word}: {entry.text}", f"See also: {', '.join(entry.see)}."))
