"""How a command answers: results on stdout, everything else on stderr, faults as exit codes."""

from __future__ import annotations

import contextlib
import functools
import json
import math
import shutil
import sys
import textwrap
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any, TypeVar

import click

from doe.errors import DoeError

Command = TypeVar("Command", bound=Callable[..., Any])

NARROWEST = 40
"""Terminals that say they are narrower are not believed."""

json_option = click.option("--json", "as_json", is_flag=True, help="Print the answer as one JSON object.")
seed_option = click.option(
    "--seed", type=click.IntRange(0, 2**31 - 1), default=1, show_default=True, help="Start of the random numbers."
)
spare_seed_option = click.option(
    "--seed",
    type=click.IntRange(0, 2**31 - 1),
    expose_value=False,
    help="Taken by every command; nothing here is random.",
)
study_argument = click.argument(
    "folder", metavar="DIR", type=click.Path(path_type=Path, file_okay=False), default=Path()
)


def answers(command: Command) -> Command:
    """Turn a fault the user can put right into its message (or its JSON) and exit code."""

    @functools.wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        try:
            command(*args, **kwargs)
        except DoeError as error:
            _refuse(error, as_json=bool(kwargs.get("as_json")))

    return run  # type: ignore[return-value]


@contextlib.contextmanager
def changing(folder: Path) -> Iterator[None]:
    """Hold a study's folder while a command changes it; another command in it waits, and says that it does."""
    from doe.locking import held

    with held(folder, waiting=lambda: note(f"waiting for another weldwindow command to end in {folder}")):
        yield


def changes_study(command: Command) -> Command:
    """Hold the study's folder during the whole command."""

    @functools.wraps(command)
    def run(*args: Any, **kwargs: Any) -> None:
        with changing(kwargs["folder"]):
            command(*args, **kwargs)

    return run  # type: ignore[return-value]


def _refuse(error: DoeError, *, as_json: bool) -> None:
    """Say what is wrong and leave with its exit code."""
    if as_json:
        faults = [fault.to_dict() for fault in error.faults]
        print_json({"schema": 1, "error": {"code": error.exit_code, "message": error.message, "faults": faults}})
    else:
        click.echo(_wrapped(str(error)) if sys.stderr.isatty() else str(error), err=True)
    sys.exit(error.exit_code)


def print_json(answer: object) -> None:
    """Print one JSON object on stdout; numbers that are not finite become null."""
    click.echo(json.dumps(plain(answer), ensure_ascii=False, allow_nan=False, indent=1))


def plain(value: Any) -> Any:
    """Turn numpy scalars, arrays, tuples and paths into what JSON knows."""
    if isinstance(value, dict):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, Path):
        return str(value)
    if hasattr(value, "tolist"):
        return plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def say(lines: Iterable[str] | str, *, quiet: bool = False) -> None:
    """Print lines of the result on stdout, wrapped between words where that is a terminal."""
    if not quiet:
        text = lines if isinstance(lines, str) else "\n".join(lines)
        click.echo(_wrapped(text) if sys.stdout.isatty() else text)


def _wrapped(text: str) -> str:
    """Wrap each line to the terminal's width, what follows the first one indented by two more."""
    width = max(shutil.get_terminal_size().columns, NARROWEST)
    fill = functools.partial(textwrap.fill, width=width, break_long_words=False, break_on_hyphens=False)
    indents = (len(line) - len(line.lstrip(" ")) for line in text.split("\n"))
    lines = zip(text.split("\n"), indents, strict=True)
    return "\n".join(fill(line, subsequent_indent=" " * (indent + 2)) for line, indent in lines)


def note(line: str) -> None:
    """Print a message beside the result, on stderr."""
    click.echo(line, err=True)


def wrote(paths: Iterable[Path], next_step: str) -> None:
    """Name what was written, and the next command."""
    for path in paths:
        note(f"wrote {path}")
    if next_step:
        note(f"next: {next_step}")
