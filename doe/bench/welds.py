"""Rows and plans brought together into the results, as frozen arrays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from doe.bench.columns import CONDITIONS, REMARKS
from doe.bench.identity import Names, identity
from doe.bench.log import Log
from doe.bench.measured import read_responses
from doe.bench.records import Record
from doe.bench.results import IntArray, Readings, Results, Status
from doe.bench.settings import Settings, read_settings
from doe.coding import FloatArray
from doe.planning.plan import PlannedWeld
from doe.study.model import Study


@dataclass(frozen=True)
class PlanFile:
    """The welds of one plan.csv, and whether those missing from the results are to be listed as not run."""

    name: str
    welds: tuple[PlannedWeld, ...]
    is_expected: bool = True


@dataclass(frozen=True)
class Weld:
    """One weld, its row and its plan brought together."""

    record: Record
    name: str
    plate: str
    position: int
    order: int
    block: str
    role: str
    status: Status
    settings: Settings


def assemble(records: Sequence[Record], plans: Sequence[PlanFile], study: Study, log: Log) -> Results | None:
    """Bring the rows and the plans together.

    Parameters
    ----------
    records : sequence of Record
        Of all tables.
    plans : sequence of PlanFile
    study : Study
    log : Log
        Takes the faults and questions.

    Returns
    -------
    Results or None
        None where a fault was found. Conversions and questions are added by the caller.
    """
    planned = {identity(weld.weld, "w"): weld for plan in plans for weld in plan.welds}
    _check_twice(records, log)
    _check_orders(records, log)
    everything = [*records, *_not_run(records, plans)]
    joiner = _Joiner(study, planned, log)
    welds = [weld for record in everything if (weld := joiner.join(record)) is not None]
    readings = read_responses([(weld.record, weld.status) for weld in welds], study, log)
    if log.faults:
        return None
    return _results(welds, study, readings)


class _Joiner:
    """Joins rows to the plan."""

    def __init__(self, study: Study, planned: Mapping[tuple[str, int | str], PlannedWeld], log: Log) -> None:
        self.study = study
        self.planned = planned
        self.log = log
        self.plates = Names((weld.plate for weld in planned.values()), "p")
        self.blocks = Names((weld.block or "" for weld in planned.values()), "")

    def join(self, record: Record) -> Weld | None:
        """Join one row; None where its settings are not known."""
        plan = self.planned.get(identity(record.weld, "w"))
        if plan is not None and plan.weld != record.weld:
            self.log.convert(record.weld, plan.weld, record.place("weld"))
            record.weld = plan.weld
        settings = read_settings(record, self.study, self.log, plan=plan)
        if settings is None:
            return None
        order = record.number("order")
        return Weld(
            record,
            record.weld,
            plate=self._plate(record, plan),
            position=self._position(record, plan),
            order=int(order) if order is not None else plan.order if plan else 0,
            block=self._block(record, plan),
            role=self._role(record, plan),
            status=_status(record, self.log),
            settings=settings,
        )

    def _plate(self, record: Record, plan: PlannedWeld | None) -> str:
        typed = record.words.get(("plate", ""), "")
        if typed:
            plate = self.plates(typed, record.place("plate"), self.log)
            self._ask(record, "plate", plate, plan.plate if plan else plate)
            return plate
        if plan is not None:
            return plan.plate
        alone = f"({record.weld})"
        self.log.convert("no plate given", f"a plate of its own, {alone}", record.place("plate"))
        return alone

    def _position(self, record: Record, plan: PlannedWeld | None) -> int:
        typed = record.number("position")
        if typed is not None:
            self._ask(record, "position", str(int(typed)), str(plan.position) if plan else str(int(typed)))
            return int(typed)
        if plan is None and record.words.get(("plate", ""), ""):
            self.log.convert("no position given", "1, the first on its plate", record.place("position"))
        return plan.position if plan else 1

    def _block(self, record: Record, plan: PlannedWeld | None) -> str:
        name = self.study.plan.blocks.name if self.study.plan.blocks else ""
        typed = record.words.get(("block", name), "")
        planned = (plan.block or "") if plan else ""
        if not typed:
            return planned
        block = self.blocks(typed, record.place("block", name), self.log)
        self._ask(record, name, block, planned if plan else block, what="block")
        return block

    def _role(self, record: Record, plan: PlannedWeld | None) -> str:
        planned = plan.role if plan else ""
        role = record.words.get(("role", ""), "") or planned
        self._ask(record, "role", role, planned if plan else role)
        return role

    def _ask(self, record: Record, words: str, found: str, plan: str, *, what: str | None = None) -> None:
        if found != plan:
            place = record.place(what or words, words if what else "")
            self.log.question(
                f"{record.weld} has {words} {found} here and {plan or 'none'} in the plan; what stands here is used. "
                "Was it welded so?",
                place,
            )


def _status(record: Record, log: Log) -> Status:
    """Take the status given; blank is done where anything was measured, else not run."""
    given = record.words.get(("status", ""), "")
    if not given:
        return "done" if record.is_measured else "not run"
    if given == "not run" and record.has_reading:
        log.question(
            f"{record.weld} is marked “not run”, yet readings stand in its row; they are used. Which is right?",
            record.place("status"),
        )
    return given  # type: ignore[return-value]


def _check_twice(records: Sequence[Record], log: Log) -> None:
    first: dict[tuple[str, int | str], Record] = {}
    for record in records:
        known = first.setdefault(identity(record.weld, "w"), record)
        if known is not record:
            log.fault(
                f"{record.weld} stands twice: here and in {known.file}, row {known.row}. Give each weld one row; a "
                "further reading of the same weld has a column of its own, a weld made again has a number of its own",
                record.place("weld"),
            )


def _check_orders(records: Sequence[Record], log: Log) -> None:
    first: dict[tuple[str, float], Record] = {}
    for record in records:
        order = record.number("order")
        if order is None:
            continue
        known = first.setdefault((record.file, order), record)
        if known is not record:
            log.fault(
                f"order {order:g} is already that of {known.weld} in row {known.row}: each weld has its own",
                record.place("order"),
            )


def _not_run(records: Sequence[Record], plans: Sequence[PlanFile]) -> list[Record]:
    """Give a row to every planned weld that the results do not have."""
    present = {identity(record.weld, "w") for record in records}
    return [
        Record(plan.name, 0, weld.weld)
        for plan in plans
        if plan.is_expected
        for weld in plan.welds
        if identity(weld.weld, "w") not in present
    ]


def _results(welds: Sequence[Weld], study: Study, readings: Mapping[str, Readings]) -> Results:
    n_factors = len(study.factors)
    return Results(
        study=study,
        weld=tuple(weld.name for weld in welds),
        plate=tuple(weld.plate for weld in welds),
        block=tuple(weld.block for weld in welds),
        role=tuple(weld.role for weld in welds),
        file=tuple(weld.record.file for weld in welds),
        position=_whole([weld.position for weld in welds]),
        order=_whole([weld.order for weld in welds]),
        row=_whole([weld.record.row for weld in welds]),
        planned=_settings([weld.settings.planned for weld in welds], n_factors),
        settings=_settings([weld.settings.actual for weld in welds], n_factors),
        status=tuple(weld.status for weld in welds),
        readings=readings,
        conditions=_conditions(welds),
        remarks=_remarks(welds),
    )


def _whole(values: list[int]) -> IntArray:
    array = np.array(values, dtype=np.int64)
    array.setflags(write=False)
    return array


def _settings(rows: list[tuple[float, ...]], n_factors: int) -> FloatArray:
    array = np.array(rows, dtype=float).reshape(len(rows), n_factors)
    array.setflags(write=False)
    return array


def _conditions(welds: Sequence[Weld]) -> dict[str, FloatArray]:
    """Give every condition, nan where it was not recorded."""
    found = {}
    for condition in CONDITIONS:
        values = [weld.record.number("condition", condition.key) for weld in welds]
        found[condition.key] = np.array([np.nan if v is None else v for v in values], dtype=float)
        found[condition.key].setflags(write=False)
    return found


def _remarks(welds: Sequence[Weld]) -> dict[str, tuple[str, ...]]:
    """Give every column of words, the known ones first and the others in the order in which they were met."""
    others = [name for weld in welds for what, name in weld.record.words if what == "remark"]
    names = dict.fromkeys((*REMARKS, *others))
    return {name: tuple(weld.record.words.get(("remark", name), "") for weld in welds) for name in names}
