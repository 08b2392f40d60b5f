"""The files of one stage: plan.csv and results.csv, plan-2.csv and results-2.csv ...

Each file this program writes carries the hash of its rows in a comment line. A file whose rows still have that hash
was not touched by a person and may be written again; any other is kept.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

from doe.bench.files import RESULTS_NAME
from doe.bench.tables import results_table
from doe.errors import WouldOverwriteError
from doe.planning.plan import Plan
from doe.planning.reading import read_plan
from doe.planning.table import plan_table
from doe.saving import keep_aside, keep_copy, write_together
from doe.study.model import Study

SEAL: Final = "# rows as written: "
"""How the comment line begins by which a file that only this program wrote is told."""


def stage_path(folder: Path, name: str, stage: int) -> Path:
    """Give ``plan.csv`` for stage 1, ``plan-2.csv`` for stage 2 ..."""
    return folder / (f"{name}.csv" if stage == 1 else f"{name}-{stage}.csv")


def last_stage(folder: Path) -> int:
    """Give the highest stage that has a plan; 0 where there is none."""
    stage = 0
    while stage_path(folder, "plan", stage + 1).exists():
        stage += 1
    return stage


def write_stage(plan: Plan, *, replace: bool = False) -> list[Path]:
    """Write a plan and its blank table of results.

    Parameters
    ----------
    plan : Plan
    replace : bool
        Keep files that a person filled in beside, as ``plan.1.csv`` and ``results.1.csv``, and write anew.

    Returns
    -------
    list of Path
        The two files.

    Raises
    ------
    WouldOverwriteError
        If a person has written in one of them and ``replace`` is False.
    """
    folder, stage = plan.study.folder, plan.stage
    texts = {
        stage_path(folder, "plan", stage): _sealed(plan_table(plan)),
        stage_path(folder, "results", stage): _sealed(results_table(plan)),
    }
    if not replace:
        refuse_to_overwrite(folder, stage=stage)
    for path in _existing(folder, stage) if replace else ():
        if path in texts:
            keep_copy(path)
        else:
            keep_aside(path)
    write_together({path: text.encode("utf-8") for path, text in texts.items()})
    return list(texts)


def is_cut_short(folder: Path, stage: int) -> bool:
    """Whether writing a stage was cut short: its plan is there as it was written, and no table of results."""
    plan, results = stage_path(folder, "plan", stage), stage_path(folder, "results", stage)
    return plan.exists() and is_untouched(plan) and not results.exists() and not results.with_suffix(".xlsx").exists()


def refuse_to_overwrite(folder: Path, *, stage: int) -> None:
    """Refuse where a person has written in one of the stage's files.

    Raises
    ------
    WouldOverwriteError
    """
    touched = _touched(folder, stage)
    if touched:
        names = " and ".join(path.name for path in touched)
        message = (
            f"{names} may hold what a person filled in, and is not overwritten; "
            "“--replace” keeps the old files beside under a number and makes new ones"
        )
        raise WouldOverwriteError(message)


def _touched(folder: Path, stage: int) -> list[Path]:
    """Give the stage's files in which a person has written."""
    return [path for path in _existing(folder, stage) if not is_untouched(path)]


def _existing(folder: Path, stage: int) -> list[Path]:
    """Give the stage's files: old results are of use only with the plan that they were made by."""
    results = stage_path(folder, "results", stage)
    files = (stage_path(folder, "plan", stage), results, results.with_suffix(".xlsx"))
    return [path for path in files if path.exists()]


def read_plans(study: Study) -> tuple[Plan, ...]:
    """Read plan.csv, plan-2.csv ... as far as they exist."""
    stages = range(1, last_stage(study.folder) + 1)
    return tuple(read_plan(stage_path(study.folder, "plan", stage), study) for stage in stages)


def results_tables(folder: Path) -> list[Path]:
    """Give a folder's tables of results, by stage; files kept aside are not among them."""
    named = ((RESULTS_NAME.fullmatch(path.name), path) for path in folder.iterdir() if path.is_file())
    return [path for _, path in sorted((int(m["stage"] or 1), path) for m, path in named if m)]


def filled_tables(folder: Path) -> list[Path]:
    """Give the tables of results in which a person has written."""
    return [path for path in results_tables(folder) if not is_untouched(path)]


def study_files(folder: Path) -> list[Path]:
    """Give every file a study's answer rests on, by name: question, plans, tables of results, reading study, claim."""
    plans = (stage_path(folder, "plan", stage) for stage in range(1, last_stage(folder) + 1))
    named = (folder / name for name in ("study.toml", "reading-study.csv", "claim.json"))
    return sorted({*plans, *results_tables(folder), *(path for path in named if path.is_file())})


def is_untouched(path: Path) -> bool:
    """Whether the rows of a file are still as this program wrote them."""
    if path.suffix != ".csv":
        return False
    text = path.read_bytes().decode("utf-8", errors="replace")
    return any(line == SEAL + _hash_of_rows(text) for line in text.splitlines())


def _sealed(table: str) -> str:
    """Add the comment line with the hash of the rows."""
    return f"{SEAL}{_hash_of_rows(table)}\n{table}"


def _hash_of_rows(text: str) -> str:
    """Hash every line that is not a comment."""
    rows = [line.rstrip("\r") for line in text.split("\n") if not line.startswith("#")]
    return hashlib.sha256("\n".join(rows).rstrip("\n").encode()).hexdigest()[:16]
