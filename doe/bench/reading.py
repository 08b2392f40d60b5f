"""Read what was filled in: every stage of a study, or one file, with its plan beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from doe.bench.checks import doubts
from doe.bench.files import ResultsFile, find_files, load_sheets
from doe.bench.headings import Table, check_headings, find_table
from doe.bench.log import Log, Place
from doe.bench.reading_study import FILE as READING_STUDY
from doe.bench.reading_study import read_reading_study
from doe.bench.records import Record, read_records
from doe.bench.results import Conversion, Results, StudiedScatter
from doe.bench.stage import stage_path
from doe.bench.welds import PlanFile, assemble
from doe.errors import Fault, ResultsError, quoted
from doe.planning.reading import read_plan
from doe.study.model import Study

Noted = TypeVar("Noted", Fault, Conversion)


@dataclass(frozen=True, eq=False)
class Examination:
    """All that was found in the tables.

    Attributes
    ----------
    results : Results or None
        None where there are faults.
    faults, questions : tuple of Fault
        By file and row.
    conversions : tuple of Conversion
    """

    results: Results | None
    faults: tuple[Fault, ...]
    conversions: tuple[Conversion, ...]
    questions: tuple[Fault, ...]


def read_results(path: Path | str, study: Study) -> Results:
    """Read the results of a study.

    Parameters
    ----------
    path : Path
        The study's folder (results.csv or results.xlsx, results-2.csv ... are read together), or one such file.
    study : Study

    Returns
    -------
    Results
        With everything that was converted, and every doubtful reading as a question.

    Raises
    ------
    ResultsError
        With every fault: file, row, column, what is wrong and what to do.
    """
    examination = examine_results(path, study)
    if examination.results is None:
        n = len(examination.faults)
        message = f"The results cannot be used as they stand: {n} fault{'s' if n > 1 else ''}."
        raise ResultsError(message, examination.faults)
    return examination.results


def examine_results(path: Path | str, study: Study) -> Examination:
    """Read the results of a study, and give faults, conversions and questions together.

    Parameters
    ----------
    path : Path
        As for ``read_results``.
    study : Study

    Returns
    -------
    Examination
        Nothing a person can put right is raised: it is among the faults.
    """
    log = Log()
    results = None
    order: list[str] = []
    studied = _read_studied(Path(path), study, log)
    try:
        files = find_files(Path(path), log)
        order = [file.path.name for file in files]
        records = [record for file in files for record in _read_file(file, study, log)]
        plans = _read_plans(files, study, log)
        results = assemble(records, plans, study, log)
    except ResultsError as error:
        log.faults += error.faults or [Fault(error.message)]
    asked_before = log.edited
    doubtful = doubts(results) if results is not None else ()
    doubtful = tuple(d for d in doubtful if (d.file, d.row, d.column) not in asked_before)
    questions = _by_place([*log.questions, *doubtful], order)
    conversions = tuple(_by_place(log.conversions, order))
    if results is not None:
        asked = tuple(str(question) for question in questions)
        results = replace(results, conversions=conversions, questions=asked, reading_scatter=studied)
    return Examination(results, tuple(_by_place(log.faults, order)), conversions, tuple(questions))


def _read_studied(path: Path, study: Study, log: Log) -> dict[str, StudiedScatter]:
    """Read the reading study beside the results, where one was made."""
    table = (path if path.is_dir() else path.parent) / READING_STUDY
    if not table.exists() or not any(response.kind == "measure" for response in study.responses):
        return {}
    try:
        found = read_reading_study(table, study)
    except ResultsError as error:
        log.faults += error.faults or [Fault(error.message, table.name)]
        return {}
    for part in found:
        if part.found is None:
            log.question(f"the reading study is not complete: {'; '.join(part.notes)}", Place(table.name, 0))
    confidence = study.claim.confidence
    return {
        part.response.name: StudiedScatter(part.found.sd, part.found.proven_variance(confidence), part.found.n_sections)
        for part in found
        if part.found is not None
    }


def _read_file(file: ResultsFile, study: Study, log: Log) -> list[Record]:
    """Read one file; what stops its reading is noted, so that the other files are still read."""
    try:
        table = find_table(load_sheets(file.path), study)
    except ResultsError as error:
        log.faults += error.faults
        return []
    _check_its_plan(table, file, study, log)
    records = read_records(check_headings(table, study, log), study, log)
    if not records and not log.faults:
        log.fault("there is no row with a weld under the headings", Place(file.path.name, 0))
    return records


def _check_its_plan(table: Table, file: ResultsFile, study: Study, log: Log) -> None:
    """Refuse a table of another plan than the one beside it: they are written together, unless that was cut short."""
    plan = stage_path(file.path.parent, "plan", file.stage or 1)
    seed = table.comment("seed")
    if file.stage is None or not seed or not plan.exists():
        return
    try:
        planned = str(read_plan(plan, study).seed)
    except ResultsError:
        return  # told where the plans are read
    if planned != seed:
        log.fault(
            f"it was made for a plan of seed {quoted(seed)}, and {plan.name} is one of seed {planned}: planning was "
            f"cut short, or one of the two was put back. To use this table, take {plan.name} out of the folder; to "
            "weld by that plan, move this table away and plan again. Nothing measured is lost either way",
            Place(file.path.name, 0),
        )


def _read_plans(files: Sequence[ResultsFile], study: Study, log: Log) -> list[PlanFile]:
    """Read the plans beside the results; those of the stages that were read are expected to be there."""
    stages = {file.stage for file in files}
    plans = []
    for folder in dict.fromkeys(file.path.parent for file in files):
        for path in sorted(folder.glob("plan*.csv")):
            stage = _plan_stage(path)
            if stage is None:
                continue
            try:
                plans.append(PlanFile(path.name, read_plan(path, study).welds, is_expected=stage in stages))
            except ResultsError as error:
                log.faults += error.faults
    return plans


def _plan_stage(path: Path) -> int | None:
    digits = path.stem.removeprefix("plan").removeprefix("-")
    if path.stem == "plan":
        return 1
    return int(digits) if digits.isdecimal() and len(digits) < 5 and path.stem == f"plan-{digits}" else None


def _by_place(found: Sequence[Noted], order: Sequence[str]) -> list[Noted]:
    """Sort by file, then by row; what concerns the whole file comes first."""
    rank = {name: place for place, name in enumerate(order)}
    return sorted(found, key=lambda fault: (rank.get(fault.file or "", len(rank)), fault.row or 0))
