"""A table exported by the bench page, checked against its plan and taken into the study."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from doe.bench.checks import doubts
from doe.bench.files import load_sheets
from doe.bench.headings import Table, check_headings, find_table
from doe.bench.identity import identity
from doe.bench.joining import Filled, join_tables
from doe.bench.log import Log, Place
from doe.bench.records import Record, read_records
from doe.bench.results import Conversion, Results
from doe.bench.stage import is_untouched, stage_path
from doe.bench.welds import PlanFile, assemble
from doe.errors import Fault, ResultsError, WouldOverwriteError
from doe.planning.plan import Plan
from doe.planning.reading import read_plan
from doe.saving import keep_aside, write_bytes, write_text
from doe.study.model import Study

Noted = TypeVar("Noted", Fault, Conversion)


@dataclass(frozen=True, eq=False)
class Export:
    """A table of the bench page that fits its plan and can be read.

    Attributes
    ----------
    path : Path
        The file; it is never rewritten.
    data : bytes
        What stands in it.
    stage : int
    target : Path
        The stage's results.csv, where it belongs.
    results : Results
    conversions : tuple of Conversion
    questions : tuple of Fault
        Doubtful readings; nothing is changed or left out.
    """

    path: Path
    data: bytes
    stage: int
    target: Path
    results: Results
    conversions: tuple[Conversion, ...]
    questions: tuple[Fault, ...]


def read_export(path: Path, study: Study) -> Export:
    """Read what the bench page exported, and check that it belongs to the study's plan.

    Parameters
    ----------
    path : Path
        The file, wherever it was saved.
    study : Study

    Returns
    -------
    Export

    Raises
    ------
    ResultsError
        With every fault at once: not a table of the bench page, of another study or plan, welds missing or unknown,
        cells that cannot be read, nothing filled in.
    """
    sheets = load_sheets(path)
    if sheets[0].kind == "workbook":
        todo = "save it in the study's folder as results.xlsx, and move the blank results.csv away"
        message = f"{path.name} is a workbook, not a table of the bench page."
        raise ResultsError(message, [Fault(f"a workbook is read where it lies: {todo}", path.name)])
    log = Log()
    table = check_headings(find_table(sheets, study), study, log)
    plan = _its_plan(table, study)
    records = read_records(table, study, log)
    _check_welds(records, plan, log, file=path.name)
    results = assemble(records, [PlanFile(f"plan of stage {plan.stage}", plan.welds)], study, log)
    if results is None or log.faults:
        n = len(log.faults)
        message = f"{path.name} cannot be taken as it stands: {n} fault{'s' if n > 1 else ''}."
        raise ResultsError(message, _by_row(log.faults))
    asked = [*log.questions, *(d for d in doubts(results) if (d.file, d.row, d.column) not in log.edited)]
    target = stage_path(study.folder, "results", plan.stage)
    return Export(
        path, path.read_bytes(), plan.stage, target, results, tuple(_by_row(log.conversions)), tuple(_by_row(asked))
    )


@dataclass(frozen=True, eq=False)
class Taken:
    """What became of an export.

    Attributes
    ----------
    files : tuple of Path
        What was written; empty where results.csv holds the same already.
    filled : tuple of Filled
        Where it was merged into a results.csv that was filled in: the cells it filled.
    kept : Path or None
        Where what stood in results.csv is kept.
    """

    files: tuple[Path, ...] = ()
    filled: tuple[Filled, ...] = ()
    kept: Path | None = None


def write_export(export: Export, *, replace: bool = False) -> Taken:
    """Write an export as its stage's results.csv; where a person has filled that in, fill only its blanks.

    What stood there is kept beside, as ``results.1.csv``, whenever it is written anew.

    Parameters
    ----------
    export : Export
    replace : bool
        Take the export alone, whatever stands in results.csv.

    Returns
    -------
    Taken

    Raises
    ------
    WouldOverwriteError
        If the stage's table says something else in a cell; every such cell is named.
    CannotWriteError
        If it cannot be written.
    """
    target = export.target
    workbook = target.with_suffix(".xlsx")
    if workbook.exists():
        message = (
            f"{workbook.name} holds the results of stage {export.stage} and is not overwritten; one stage has one "
            "table: move it away if the bench page is to count, or keep it and copy the missing readings over by hand"
        )
        raise WouldOverwriteError(message)
    if target.exists() and target.read_bytes() == export.data:
        return Taken()
    if not target.exists() or is_untouched(target):
        write_bytes(target, export.data, within=target.parent)
        return Taken((target,))
    if replace:
        kept = keep_aside(target)
        write_bytes(target, export.data, within=target.parent)
        return Taken((target,), kept=kept)
    return _merge(export)


def _merge(export: Export) -> Taken:
    """Fill the blanks of a results.csv that a person filled in, and keep beside what stood there."""
    target, study = export.target, export.results.study
    merged = join_tables(target, export.path, study)
    if not merged.filled:
        return Taken()
    kept = keep_aside(target)
    write_text(target, merged.text, within=target.parent)
    return Taken((target,), merged.filled, kept)


def _its_plan(table: Table, study: Study) -> Plan:
    """Find the plan that the table was made for; refuse where it is another's, for then no row can be trusted."""
    said = {words: _comment(table, words) for words in ("fingerprint", "stage", "seed")}
    file = table.sheet.file
    lost = [words for words, value in said.items() if not value]
    if lost:
        todo = "export it again from the bench page, and do not edit the lines that begin with #"
        raise _not_ours(file, [f"the comment lines with {' and '.join(lost)} are missing: {todo}"])
    stage = int(said["stage"]) if said["stage"].isdecimal() else 0
    path = stage_path(study.folder, "plan", stage)
    if stage < 1 or not path.exists():
        raise _not_ours(file, [f"it was made for stage {said['stage']}, and this study has no {path.name}"])
    plan = read_plan(path, study)
    ours = {"fingerprint": plan.fingerprint or study.fingerprint, "seed": str(plan.seed)}
    wrong = [
        f"it was made for a plan with the {words} {said[words]}; {path.name} has {value}. Is it the right study, or "
        "was the plan made again since?"
        for words, value in ours.items()
        if said[words] != value
    ]
    if wrong:
        raise _not_ours(file, wrong)
    return plan


def _comment(table: Table, words: str) -> str:
    """Find what a comment line says after a word; empty where it is not there."""
    lines = (row.cells[0].text.lstrip("# ") for row in table.sheet.rows if row.is_comment)
    return next((line[len(words) :].strip() for line in lines if line.startswith(f"{words} ")), "")


def _not_ours(file: str, reasons: list[str]) -> ResultsError:
    message = f"{file} is not a table of this study's bench page."
    return ResultsError(message, [Fault(reason, file) for reason in reasons])


def _check_welds(records: Sequence[Record], plan: Plan, log: Log, *, file: str) -> None:
    """Note every weld that the table lacks or has too many, and a table in which nothing was filled in."""
    planned = {identity(weld.weld, "w"): weld.weld for weld in plan.welds}
    found = {identity(record.weld, "w") for record in records}
    lost = [name for key, name in planned.items() if key not in found]
    if lost:
        log.fault(f"these welds of the plan are missing: {', '.join(lost)}. Export the table again", Place(file, 0))
    for record in records:
        if identity(record.weld, "w") not in planned:
            log.fault(f"{record.weld} is not in the plan of this stage", record.place("weld"))
    if not any(_is_filled_in(record) for record in records):
        log.fault("nothing is filled in yet", Place(file, 0))


def _is_filled_in(record: Record) -> bool:
    """Whether anything stands in the columns that a person fills in."""
    planned = {"position", "order", "mark", "setting"}
    has_words = any(what in ("status", "remark") and text for (what, _), text in record.words.items())
    return has_words or any(what not in planned for what, _, _ in record.written)


def _by_row(found: Iterable[Noted]) -> list[Noted]:
    return sorted(found, key=lambda note: note.row or 0)
