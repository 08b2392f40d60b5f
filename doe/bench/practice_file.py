"""practice.json: that a folder's welds are made by the virtual welder, and how welds are made where it says so."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final

from doe.errors import DoeError
from doe.saving import write_text

NAME: Final = "practice.json"


@dataclass(frozen=True)
class Practice:
    """What practice.json holds.

    Attributes
    ----------
    group : int
        Whose truth is welded on.
    learner : str
    key_shown : bool
        Whether the answer key was shown; nothing is welded after that.
    """

    group: int
    learner: str = ""
    key_shown: bool = False


def read_practice(folder: Path) -> Practice | None:
    """Read practice.json; None where there is none.

    Raises
    ------
    DoeError
        If it is not as this program wrote it.
    """
    path = folder / NAME
    if not path.is_file():
        return None
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
        return Practice(int(held["group"]), str(held["learner"]), bool(held["key_shown"]))
    except (ValueError, KeyError, TypeError, RecursionError) as error:
        message = f"{path} is not as “weldwindow practise” wrote it; delete it and begin again in a new folder"
        raise DoeError(message) from error


def write_practice(folder: Path, practice: Practice) -> Path:
    """Write practice.json."""
    write_text(folder / NAME, json.dumps({"schema": 1, **asdict(practice)}, ensure_ascii=False, indent=1) + "\n")
    return folder / NAME


def how_to_make(folder: Path, table: str) -> str:
    """Say how the welds of a plan come about: at the bench, or in a folder for practice by a command.

    Parameters
    ----------
    folder : Path
    table : str
        The table of results, as it is to be named.

    Examples
    --------
    >>> how_to_make(Path("hinge"), "results.csv")
    'weld, cut, measure; fill in results.csv'
    """
    if not (folder / NAME).is_file():
        return f"weld, cut, measure; fill in {table}"
    return f"weldwindow practise {folder} --all (or --weld and a number) makes the welds and fills in {table}"
