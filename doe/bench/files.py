"""Which tables of results a folder holds, and what stands in a file."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from doe.bench.log import Log, Place
from doe.bench.sheets import LARGEST_FILE, Sheet
from doe.bench.text_tables import read_text_sheets
from doe.bench.workbooks import read_workbook_sheets
from doe.errors import Fault, ResultsError
from doe.loading import ChangedWhileReadError, read_whole

RESULTS_NAME: Final = re.compile(r"results(?:-(?P<stage>\d{1,4}))?\.(?:csv|xlsx)", re.IGNORECASE)
"""The name of a table of results, and its stage."""
_KEPT_ASIDE: Final = re.compile(r"results(?:-\d+)?\.\d+\.(?:csv|xlsx)", re.IGNORECASE)
_LOOKS_LIKE_RESULTS: Final = re.compile(r"results.*\.(?:csv|xlsx|xls|ods|txt|tsv)", re.IGNORECASE)


@dataclass(frozen=True)
class ResultsFile:
    """A table of results: its path, and its stage (None where the name does not tell)."""

    path: Path
    stage: int | None


def find_files(path: Path, log: Log) -> list[ResultsFile]:
    """Find the tables of results.

    Parameters
    ----------
    path : Path
        A study's folder (all its stages), or one file.
    log : Log
        Takes questions about files that look like results and are not read.

    Returns
    -------
    list of ResultsFile
        By stage.

    Raises
    ------
    ResultsError
        If there is none, or one stage is there as .csv and as .xlsx.
    """
    if not path.is_dir():
        return [ResultsFile(path, _stage(path))]
    try:
        names = sorted(entry for entry in path.iterdir() if entry.is_file())
    except OSError as error:
        raise _cannot_read(path, error) from error
    found = [ResultsFile(entry, _stage(entry)) for entry in names if RESULTS_NAME.fullmatch(entry.name)]
    for entry in names:
        if (
            _LOOKS_LIKE_RESULTS.fullmatch(entry.name)
            and not _KEPT_ASIDE.fullmatch(entry.name)
            and _stage(entry) is None
        ):
            log.question(
                "this file is not read: results stand in results.csv or results.xlsx, results-2.csv and so on",
                Place(entry.name, 0),
            )
    if not found:
        message = "There are no results yet."
        raise ResultsError(
            message, [Fault("no results.csv and no results.xlsx stand in this folder yet", path.name or str(path))]
        )
    _check_stages(found)
    return sorted(found, key=lambda file: file.stage or 0)


def load_sheets(path: Path) -> list[Sheet]:
    """Read a file as a workbook or as text, whichever it is; its name does not count.

    Raises
    ------
    ResultsError
        If it cannot be read, is too large, or is neither.
    """
    return cut_sheets(path, table_bytes(path))


def table_bytes(path: Path) -> bytes:
    """Read a table's bytes, whole.

    Raises
    ------
    ResultsError
        If it cannot be read, is too large, or another program wrote to it meanwhile.
    """
    try:
        data = read_whole(path, at_most=LARGEST_FILE)
    except OSError as error:
        raise _cannot_read(path, error) from error
    if len(data) > LARGEST_FILE:
        message = f"{path.name} is larger than a table of welds can be."
        todo = "keep only the columns of results.csv"
        raise ResultsError(message, [Fault(f"at most {LARGEST_FILE:,} bytes are read: {todo}", path.name)])
    return data


def cut_sheets(path: Path, data: bytes) -> list[Sheet]:
    """Cut a file's bytes into sheets, as a workbook or as text.

    Raises
    ------
    ResultsError
        If they are neither, or too much.
    """
    if data.startswith(b"PK\x03\x04"):
        return read_workbook_sheets(path.name, data)
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        message = f"{path.name} is not a table that can be read."
        raise ResultsError(
            message,
            [Fault("an older kind of workbook, or one with a password: save it as .xlsx or .csv", path.name)],
        )
    return read_text_sheets(path.name, data)


def _stage(path: Path) -> int | None:
    match = RESULTS_NAME.fullmatch(path.name)
    return None if match is None else int(match["stage"] or 1)


def _check_stages(found: list[ResultsFile]) -> None:
    stages: dict[int | None, list[str]] = {}
    for file in found:
        stages.setdefault(file.stage, []).append(file.path.name)
    faults = [
        Fault(
            f"{' and '.join(names)} are the same stage: keep the one that was filled in, and move the other away",
            names[0],
        )
        for names in stages.values()
        if len(names) > 1
    ]
    if faults:
        message = "The same stage has two tables of results."
        raise ResultsError(message, faults)


def _cannot_read(path: Path, error: OSError) -> ResultsError:
    reason = error.strerror or "it cannot be read"
    if isinstance(error, ChangedWhileReadError):
        return ResultsError(f"{path.name} cannot be read.", [Fault(reason, path.name)])
    return ResultsError(
        f"{path.name} cannot be read.",
        [Fault(f"{reason}: is the name right, and is it closed in the spreadsheet program?", path.name)],
    )
