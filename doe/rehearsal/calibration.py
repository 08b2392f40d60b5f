"""The calibration: which setups are rehearsed, and how far a run has come."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from doe.rehearsal.record import Record, RecordFile, finished, read_records, whole_studies
from doe.rehearsal.rehearsal import run_many
from doe.rehearsal.setup import INFORMED, LEVERS, NOTHING_KNOWN, TRUTHS, WITH_SECOND, Knowledge, Setup
from doe.rehearsal.studying import PlanShelf
from doe.shipped import shipped
from doe.study import Study, read_study

SIZES: Final = (12, 16, 18, 20, 24)
"""Welds of a study made in one stage."""
STAGED: Final = ((8, 4), (8, 4, 4), (8, 6, 4), (8, 6, 6), (8, 8, 8))
"""Welds of the stages of a study made in several (METHOD section 5; the last is ours, for 24 welds)."""
LEVER_SIZE: Final = 18
"""Welds at which each lever's part is measured."""
LEVER_TRUTHS: Final = (
    "hinge lugs",
    "interior ridge",
    "edge window",
    "pores at a step",
    "family: smooth",
    "family: bent",
)
"""Truths on which each lever's part is measured: those with a window and nothing awkward about the scatter."""
QUICK_TRUTHS: Final = ("hinge lugs", "sharp ridge", "just too many pores", "family: bent")
WHOLE: Final = ("one stage", "second beads", "staged", "levers")
"""Parts of the whole calibration."""
PARTS: Final = (*WHOLE, "quick")

Progress = Callable[[int, int, float], None]


@dataclass(frozen=True, eq=False)
class Calibration:
    """What was rehearsed.

    Attributes
    ----------
    records : tuple of Record
        Of finished studies.
    seed : int
    """

    records: tuple[Record, ...]
    seed: int


def demo_study() -> Study:
    """Give the study of the shipped example, which the calibration is about."""
    return read_study(shipped("hinge-lugs"))


def setups_of(study: Study, part: str) -> list[Setup]:
    """Give the setups of one part of the calibration.

    Parameters
    ----------
    study : Study
    part : {"one stage", "second beads", "staged", "levers", "quick"}
    """
    both = (INFORMED, NOTHING_KNOWN)
    if part == "one stage":
        return _all(study, tuple(TRUTHS), both, [(n,) for n in SIZES])
    if part == "second beads":
        return _all(study, tuple(TRUTHS), (WITH_SECOND,), [(n,) for n in SIZES])
    if part == "staged":
        steady = tuple(name for name, truth in TRUTHS.items() if truth.days == 1)
        return _all(study, steady, both, STAGED)
    if part == "levers":
        return _all(study, LEVER_TRUTHS, LEVERS, [(LEVER_SIZE,)])
    return _all(study, QUICK_TRUTHS, (INFORMED,), [(16,)])


def _all(
    study: Study, truths: Sequence[str], known: Sequence[Knowledge], stages: Sequence[tuple[int, ...]]
) -> list[Setup]:
    return [Setup(study, TRUTHS[truth], k, s) for s in stages for k in known for truth in truths]


def run_calibration(
    path: Path,
    setups: Sequence[Setup],
    *,
    n_studies: int,
    seed: int,
    jobs: int = 1,
    progress: Progress | None = None,
) -> Calibration:
    """Run what is still to be run, and add it to a table study by study.

    Parameters
    ----------
    path : Path
        CSV table; studies that stand there are not run again.
    setups : sequence of Setup
    n_studies : int
        Of each setup.
    seed, jobs : int
    progress : callable, optional
        Called with studies done, studies in all, and the mean processor time of a study run now. [s]

    Returns
    -------
    Calibration
        Everything in the table, as it stands there: a run in one go and one that was stopped say the same.
    """
    done, file = finished(read_records(path, seed=seed)), RecordFile(path)
    total = len({(*setup.label, number) for setup in setups for number in range(n_studies)} | done)
    count, spent = len(done), 0.0
    for study in run_many(setups, range(n_studies), seed=seed, jobs=jobs, shelf=PlanShelf(), done=done):
        file.add(study)
        count, spent = count + 1, spent + sum(record.seconds for record in study)
        if progress is not None:
            progress(count, total, spent / (count - len(done)))
    return Calibration(tuple(whole_studies(read_records(path, seed=seed))), seed)
