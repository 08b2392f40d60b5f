"""How a weld was set: plan, mark, value and actual value of each factor brought together."""

from __future__ import annotations

from dataclasses import dataclass

from doe.bench.asking import shown_value
from doe.bench.cells import Amount
from doe.bench.log import Log
from doe.bench.records import Record
from doe.bench.slips import likely_slip
from doe.planning.plan import PlannedWeld
from doe.study.model import Factor, Study


@dataclass(frozen=True)
class Settings:
    """A weld's settings as planned and as they were: natural values in the study's order, kinds by index."""

    planned: tuple[float, ...]
    actual: tuple[float, ...]


def read_settings(record: Record, study: Study, log: Log, *, plan: PlannedWeld | None) -> Settings | None:
    """Bring a weld's settings together.

    The value in the plan's column counts; where it is blank, the mark's; where both are, the plan's. An actual value,
    where given, is what the weld was made at.

    Parameters
    ----------
    record : Record
    study : Study
    log : Log
        Takes a fault for each setting that is missing or contradicts itself, a question for each that differs from
        the plan.
    plan : PlannedWeld or None
        The weld in the plan; None for one that the plan does not have.

    Returns
    -------
    Settings or None
        None where a setting is not known.
    """
    pairs = [_one(record, factor, log, plan=_planned(plan, j)) for j, factor in enumerate(study.factors)]
    unknown = [f for f, pair in zip(study.factors, pairs, strict=True) if pair is None]
    missing = [f.heading for f in unknown if not record.has_written(f.name)]
    if missing:
        log.fault(
            f"{record.weld} is in no plan and its setting is not given ({', '.join(missing)}): give it, or correct the "
            "weld's number",
            record.place("weld"),
        )
    found = [pair for pair in pairs if pair is not None]
    if unknown:
        return None
    return Settings(tuple(planned for planned, _ in found), tuple(actual for _, actual in found))


def _planned(plan: PlannedWeld | None, j: int) -> float | None:
    return None if plan is None else plan.settings[j]


def _one(record: Record, factor: Factor, log: Log, *, plan: float | None) -> tuple[float, float] | None:
    """Give planned and actual value of one factor; None where neither is known."""
    value = _as_set(record, factor, log)
    actual = record.number("actual", factor.name)
    if value is not None and plan is not None:
        if abs(value.value - plan) <= _tolerance(value, plan):
            value = Amount(plan)
        else:
            _ask_of_edit(record, factor, log, found=value.value, plan=plan)
    if value is None and plan is None:
        return None if actual is None else (actual, actual)
    was_set = value.value if value is not None else plan
    aim = plan if plan is not None else was_set
    if aim is None or was_set is None:
        return None
    return aim, was_set if actual is None else actual


def _as_set(record: Record, factor: Factor, log: Log) -> Amount | None:
    """Give the value of the plan's columns: mark and value must agree where both stand."""
    value = record.amounts.get(("setting", factor.name, 1))
    mark = record.amounts.get(("mark", factor.name, 1))
    if value is None or mark is None:
        return mark if value is None else settled(value, factor)
    if abs(value.value - mark.value) <= _tolerance(value, mark.value):
        return mark
    log.fault(
        f"{shown_value(factor, value.value)} is not mark {factor.mark_at(mark.value)}, which is "
        f"{shown_value(factor, mark.value)}: correct the one that is wrong",
        record.place("setting", factor.name),
    )
    return mark


def settled(value: Amount, factor: Factor) -> Amount:
    """Take the value that can be set where the digits typed in another unit leave it open: 197 in/min is 5 m/min."""
    if factor.is_kind or not value.slack:
        return value
    nearest = min(factor.values, key=lambda known: abs(known - value.value), default=value.value)
    return Amount(nearest) if abs(nearest - value.value) <= _tolerance(value, nearest) else value


def _tolerance(value: Amount, known: float) -> float:
    return 1.01 * value.slack + 1e-6 * max(1.0, abs(known))


def _ask_of_edit(record: Record, factor: Factor, log: Log, *, found: float, plan: float) -> None:
    has_value = record.amounts.get(("setting", factor.name, 1)) is not None
    hint = "" if factor.is_kind else likely_slip(found, plan, factor.unit)
    log.question(
        f"{record.weld} has {shown_value(factor, found)} here and {shown_value(factor, plan)} in the plan; what stands "
        f"here is used. {hint or f'Was it set so? Then it belongs under “{factor.name} actual”'}",
        record.place("setting" if has_value else "mark", factor.name),
    )
    log.edited.add((record.file, record.row, f"{factor.name} actual"))
