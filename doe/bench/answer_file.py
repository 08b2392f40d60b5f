"""report/answer.json: what the last report answered, and from which files it was made.

It lies among the things that can be deleted and made again. A report is current as long as the study and every
filled-in table are, byte for byte, those it was made from.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel, ValidationError

from doe.bench.stage import filled_tables
from doe.saving import make_folder, write_text

NAME: Final = "answer.json"


@dataclass(frozen=True)
class ReportedAnswer:
    """What the last report said.

    Attributes
    ----------
    said : mapping of str to str
        ``heading``, ``setting`` (the window in words, empty where there is none), ``standing``, ``study`` (its
        fingerprint) and ``version``, as far as they were given.
    seed : int
    window : mapping
        As ``window --json`` prints it.
    is_current : bool
        Whether the folder still holds exactly the files it was made from.
    found : bool
        Whether a window could be claimed.
    reason : str
        Where none could: ``data speak against``, ``cannot say yet`` or ``no requirement``.
    has_claim : bool
        Whether a claim had been fixed when it was made.
    is_waiting : bool
        Whether confirmation welds were waited for.
    stands : bool
        Whether the claim stood: judged, not withdrawn, and still held.
    """

    said: Mapping[str, str]
    seed: int
    window: Mapping[str, Any]
    is_current: bool
    found: bool
    reason: str
    has_claim: bool
    is_waiting: bool
    stands: bool


def made_from(folder: Path) -> dict[str, str]:
    """Give the name and the hash of each file an answer rests on: the study, and every filled-in table."""
    paths = [folder / "study.toml", *filled_tables(folder)]
    return {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in paths}


def write_answer(
    folder: Path,
    *,
    files: Mapping[str, str],
    window: Mapping[str, object],
    confirmation: Mapping[str, object] | None,
    said: Mapping[str, str] | None = None,
) -> Path:
    """Write a report's answer.

    Parameters
    ----------
    folder : Path
        The study's.
    files : mapping of str to str
        ``made_from(folder)``, taken before the files were read.
    window : mapping
        As ``window --json`` prints it, in plain JSON values.
    confirmation : mapping or None
        As ``confirm --json`` prints it.
    said : mapping of str to str or None
        The answer in words: see ``ReportedAnswer``.

    Raises
    ------
    CannotWriteError
        If it cannot be written.
    """
    report = make_folder(folder / "report", within=folder)
    held = {
        "schema": 1,
        "made_from": dict(files),
        "said": dict(said or {}),
        "window": window,
        "confirmation": confirmation,
    }
    write_text(report / NAME, json.dumps(held, ensure_ascii=False, allow_nan=False, indent=1) + "\n", within=folder)
    return report / NAME


def read_answer(folder: Path) -> ReportedAnswer | None:
    """Give what the last report answered; None where there is none, or it is not of the files as they are now."""
    answer = last_answer(folder)
    return answer if answer is not None and answer.is_current else None


def last_answer(folder: Path) -> ReportedAnswer | None:
    """Give what the last report answered, of whatever files it was; None where there is none."""
    path = folder / "report" / NAME
    if not path.exists():
        return None
    try:
        held = _Held.model_validate_json(path.read_bytes())
        window = _Window.model_validate(held.window)
    except ValidationError:
        return None  # torn or of another version: it is made again, and nothing in it was written by a person
    return ReportedAnswer(
        said=held.said,
        seed=window.seed,
        window=held.window,
        is_current=held.made_from == made_from(folder),
        found=window.found,
        reason="" if window.if_not is None else window.if_not.reason,
        has_claim=held.confirmation is not None,
        is_waiting=held.confirmation is not None and held.confirmation.verdict is None,
        stands=held.confirmation is not None and held.confirmation.stands,
    )


class _IfNot(BaseModel):
    reason: str


class _Window(BaseModel):
    found: bool
    if_not: _IfNot | None
    seed: int = 1


class _Confirmation(BaseModel):
    verdict: str | None
    stands: bool


class _Held(BaseModel):
    """The part of the file that is read again."""

    made_from: dict[str, str]
    said: dict[str, str] = {}
    window: dict[str, Any]
    confirmation: _Confirmation | None
