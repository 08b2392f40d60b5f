"""A table exported by the bench page or the macro page, checked against its plan and taken into the study.

The bench page exports a whole results.csv, the macro page readings of sections. Where results.csv is filled in already,
only its blanks take what the export says.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, TypeVar

from doe.bench.checks import doubts
from doe.bench.files import cut_sheets, load_sheets, table_bytes
from doe.bench.headings import Table, check_headings, find_table
from doe.bench.identity import identity
from doe.bench.joining import Filled, join_tables
from doe.bench.log import Log, Place
from doe.bench.records import Record, read_records
from doe.bench.results import Conversion, Results
from doe.bench.sheets import Sheet
from doe.bench.stage import is_untouched, stage_path
from doe.bench.tables import results_table
from doe.bench.text_tables import read_text_sheets
from doe.bench.welds import PlanFile, assemble
from doe.errors import Fault, ResultsError, WouldOverwriteError
from doe.planning.plan import Plan
from doe.planning.reading import read_plan
from doe.saving import keep_copy, write_bytes, write_text
from doe.study.model import Study

Noted = TypeVar("Noted", Fault, Conversion)

FROM_MACRO_PAGE: Final = "# measured on the macro page"
"""The comment line by which an export of the macro page is told."""


@dataclass(frozen=True, eq=False)
class Export:
    """A table of the bench page or the macro page that fits its plan and can be read.

    Attributes
    ----------
    path : Path
        The file; it is never rewritten.
    data : bytes
        What a blank results.csv, or one to be replaced, is to hold: the bench page's file as it is, or the table there
        with the macro page's readings in it.
    stage : int
    target : Path
        The stage's results.csv, where it belongs.
    results : Results
    conversions : tuple of Conversion
    questions : tuple of Fault
        Doubtful readings; nothing is changed or left out.
    sections : tuple of str
        The welds whose sections the macro page measured; empty for the bench page.
    """

    path: Path
    data: bytes
    stage: int
    target: Path
    results: Results
    conversions: tuple[Conversion, ...]
    questions: tuple[Fault, ...]
    sections: tuple[str, ...] = ()


def read_export(path: Path, study: Study) -> Export:
    """Read what the bench page or the macro page exported, and check that it belongs to the study's plan.

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
        With every fault at once: not a table of these pages, of another study or plan, welds missing or unknown, cells
        that cannot be read, nothing filled in.
    """
    data = table_bytes(path)
    sheets = cut_sheets(path, data)
    if sheets[0].kind == "workbook":
        todo = "save it in the study's folder as results.xlsx, and move the blank results.csv away"
        message = f"{path.name} is a workbook, not a table of the bench page or the macro page."
        raise ResultsError(message, [Fault(f"a workbook is read where it lies: {todo}", path.name)])
    log = Log()
    table = check_headings(find_table(sheets, study), study, log)
    plan = _its_plan(table, study)
    records = read_records(table, study, log)
    if _is_of_macro_page(table.sheet):
        return _with_sections(path, table, records, plan, log)
    _check_welds(records, plan, log, file=path.name)
    return _export(data, records, plan, log, file=path)


def _is_of_macro_page(sheet: Sheet) -> bool:
    return any(row.is_comment and row.cells[0].text == FROM_MACRO_PAGE for row in sheet.rows)


def _with_sections(path: Path, readings: Table, records: Sequence[Record], plan: Plan, log: Log) -> Export:
    """Put readings of sections into the stage's results.csv, or into a blank one where there is none."""
    study, file = plan.study, readings.sheet.file
    _check_known(records, plan, log)
    if log.faults:
        raise _refusal(log, file)
    target = stage_path(study.folder, "results", plan.stage)
    sheets = load_sheets(target) if target.exists() else read_text_sheets(target.name, results_table(plan).encode())
    joined = join_tables(sheets, [readings.sheet], study, overrules=True)
    data = joined.text.encode() if joined.filled or not target.exists() else target.read_bytes()
    whole = Log(conversions=list(log.conversions))
    for cell in joined.filled:
        if cell.was:
            whole.convert(cell.was, f"{cell.text}, from {file}", Place(target.name, cell.row, cell.column))
    filled = check_headings(find_table(read_text_sheets(target.name, data), study), study, whole)
    export = _export(data, read_records(filled, study, whole), plan, whole, file=target)
    return replace(export, path=path, sections=tuple(record.weld for record in records))


def _refusal(log: Log, file: str) -> ResultsError:
    n = len(log.faults)
    message = f"{file} cannot be taken as it stands: {n} fault{'s' if n > 1 else ''}."
    return ResultsError(message, _by_row(log.faults))


def _export(data: bytes, records: Sequence[Record], plan: Plan, log: Log, *, file: Path) -> Export:
    """Bring the rows and the plan together, and ask about what is doubtful."""
    results = assemble(records, [PlanFile(f"plan of stage {plan.stage}", plan.welds)], plan.study, log)
    if results is None or log.faults:
        raise _refusal(log, file.name)
    asked = [*log.questions, *(d for d in doubts(results) if (d.file, d.row, d.column) not in log.edited)]
    target = stage_path(plan.study.folder, "results", plan.stage)
    return Export(file, data, plan.stage, target, results, tuple(_by_row(log.conversions)), tuple(_by_row(asked)))


@dataclass(frozen=True, eq=False)
class Taken:
    """What became of an export.

    Attributes
    ----------
    files : tuple of Path
        What was written; empty where results.csv holds the same already.
    filled : tuple of Filled
        Where a person had filled in results.csv: the blanks it filled.
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
        Let what the export says stand: the bench page's table alone, the macro page's readings over what stands there.

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
            "table: move it away if this export is to count, or keep it and copy the missing readings over by hand"
        )
        raise WouldOverwriteError(message)
    if target.exists() and target.read_bytes() == export.data:
        return Taken()
    if not target.exists() or is_untouched(target):
        write_bytes(target, export.data, within=target.parent)
        return Taken((target,))
    if replace:
        kept = keep_copy(target)
        write_bytes(target, export.data, within=target.parent)
        return Taken((target,), kept=kept)
    return _merge(export)


def _merge(export: Export) -> Taken:
    """Fill the blanks of a results.csv that a person filled in, and keep beside what stood there."""
    target, study = export.target, export.results.study
    merged = join_tables(load_sheets(target), load_sheets(export.path), study)
    if not merged.filled:
        return Taken()
    kept = keep_copy(target)
    write_text(target, merged.text, within=target.parent)
    return Taken((target,), merged.filled, kept)


def _its_plan(table: Table, study: Study) -> Plan:
    """Find the plan that the table was made for; refuse where it is another's, for then no row can be trusted."""
    said = {words: table.comment(words) for words in ("fingerprint", "stage", "seed")}
    file = table.sheet.file
    lost = [words for words, value in said.items() if not value]
    if lost:
        todo = "export it again from the page, and do not edit the lines that begin with #"
        raise _not_ours(file, [f"the comment lines with {' and '.join(lost)} are missing: {todo}"])
    stage = int(said["stage"]) if re.fullmatch(r"[0-9]{1,4}", said["stage"]) else 0
    path = stage_path(study.folder, "plan", stage)
    if stage < 1 or not path.exists():
        raise _not_ours(file, [f"it was made for stage {said['stage'][:40]}, and this study has no {path.name}"])
    plan = read_plan(path, study)
    ours = {"fingerprint": plan.fingerprint or study.fingerprint, "seed": str(plan.seed)}
    wrong = [
        f"it was made for a plan with the {words} {said[words][:40]}; {path.name} has {value}. Is it the right "
        "study, or was the plan made again since?"
        for words, value in ours.items()
        if said[words] != value
    ]
    if wrong:
        raise _not_ours(file, wrong)
    return plan


def _not_ours(file: str, reasons: list[str]) -> ResultsError:
    message = f"{file} is not a table of this study's bench page or macro page."
    return ResultsError(message, [Fault(reason, file) for reason in reasons])


def _check_welds(records: Sequence[Record], plan: Plan, log: Log, *, file: str) -> None:
    """Note every weld that the table lacks or has too many, and a table in which nothing was filled in."""
    planned = {identity(weld.weld, "w"): weld.weld for weld in plan.welds}
    found = {identity(record.weld, "w") for record in records}
    lost = [name for key, name in planned.items() if key not in found]
    if lost:
        log.fault(f"these welds of the plan are missing: {', '.join(lost)}. Export the table again", Place(file, 0))
    _check_known(records, plan, log)
    if not any(_is_filled_in(record) for record in records):
        log.fault("nothing is filled in yet", Place(file, 0))


def _check_known(records: Sequence[Record], plan: Plan, log: Log) -> None:
    """Note every weld that the plan does not have."""
    planned = {identity(weld.weld, "w") for weld in plan.welds}
    for record in records:
        if identity(record.weld, "w") not in planned:
            log.fault(f"{record.weld} is not in the plan of this stage", record.place("weld"))


def _is_filled_in(record: Record) -> bool:
    """Whether anything stands in the columns that a person fills in."""
    planned = {"position", "order", "mark", "setting"}
    has_words = any(what in ("status", "remark") and text for (what, _), text in record.words.items())
    return has_words or any(what not in planned for what, _, _ in record.written)


def _by_row(found: Iterable[Noted]) -> list[Noted]:
    return sorted(found, key=lambda note: note.row or 0)
