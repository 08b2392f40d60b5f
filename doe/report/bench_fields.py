"""What the bench page asks for: one field a column of results.csv, and how it is entered."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from doe.bench.columns import CONDITIONS, Column, plan_columns, results_columns
from doe.bench.results import Status
from doe.report.formatting import TO_METRIC, TO_US
from doe.study.model import Factor, Response, Study
from doe.study.trips import what_counts
from doe.units import convert, printed_unit

Field = dict[str, Any]

STATUSES: Final[Mapping[Status, str]] = {
    "done": "made to its end",
    "aborted": "arc stopped before its end",
    "scrapped": "not to be used",
    "not run": "not welded",
}
"""The statuses as buttons, and what each means."""

PLACES: Final = ("indoors", "outdoors", "wind")
"""Where it was welded, as results.csv knows it."""

BEFORE_THE_ARC: Final = ("plate temperature", "rest")
AFTER_THE_ARC: Final = ("stick-out",)
"""The conditions that every weld is asked for; the others stand under "more"."""

STAYS: Final = ("stick-out", "gap", "outlet", "cord", "place", "spool")
"""What is often the same as at the weld before: offered as one tap, never filled in by itself."""

HINTS: Final[Mapping[str, str]] = {
    "plate temperature": "before the arc, about 75 mm (3 in) from the joint",
    "rest": "since the last arc went out",
    "stick-out": "measured after the weld",
    "line voltage": "while the arc burns",
    "line current": "while the arc burns",
    "time": "set when the arc timer starts",
}


def bench_fields(study: Study) -> list[Field]:
    """Give one field for each column of results.csv that is to be filled in, in the order of the table.

    Parameters
    ----------
    study : Study

    Returns
    -------
    list of dict
        ``label``, ``part`` ("before", "arc", "status", "after", "measure", "more", "set", "notes"), ``kind`` ("status",
        "choice", "number", "count", "text", "notes"), ``use`` (what the page itself fills in or looks at); a number has
        ``units`` (the column's own first) and ``words`` (what may be said instead); ``asked`` tells what makes a weld
        complete.
    """
    columns = results_columns(study)[len(plan_columns(study)) :]
    return [_field(column, study) for column in columns]


def _field(column: Column, study: Study) -> Field:
    if column.what == "status":
        return _new(column, "status", "status", choices=list(STATUSES), meanings=list(STATUSES.values()), asked=True)
    if column.what == "actual":
        return _actual(column, study.factor(column.name))
    if column.what in ("reading", "length", "run"):
        return _response(column, study.response(column.name), study)
    if column.what == "condition":
        return _condition(column)
    kind = "notes" if column.name == "notes" else "choice" if column.name == "place" else "text"
    part = "notes" if column.name == "notes" else "more"
    return _new(column, part, kind, choices=list(PLACES) if kind == "choice" else [])


def _new(column: Column, part: str, kind: str, **more: object) -> Field:
    """Make a field; its heading is given by the page, which knows the table as it is written."""
    field: Field = {
        "label": column.words,
        "part": part,
        "kind": kind,
        "hint": HINTS.get(column.words, ""),
        "stays": column.words in STAYS,
        "use": column.words if column.what in ("status", "condition", "remark") else "",
        "asked": False,
        "choices": [],
        "units": [],
        "words": [],
        "full": None,
    }
    return field | more


def _actual(column: Column, factor: Factor) -> Field:
    """Ask for a setting that was not set as planned."""
    if factor.is_kind:
        return _new(column, "set", "choice", choices=list(factor.kinds))
    if factor.marks and not factor.calibrated:
        return _new(column, "set", "choice", choices=list(factor.marks))
    words = [{"text": f"mark {mark}", "label": f"mark {mark}"} for mark in factor.marks]
    return _new(column, "set", "number", units=_units(column.unit), words=words)


def _response(column: Column, response: Response, study: Study) -> Field:
    if column.what == "run":
        return _new(column, "arc", "number", units=[_unit("s", "s")], hint="to the trip, or run without one")
    if column.what == "length":
        hint = "the steady part, not the first and last 20 mm (3/4 in)"
        return _new(column, "measure", "number", units=_units(column.unit), hint=hint, stays=True)
    unreadable = {"text": "?", "label": "unreadable"}
    if response.kind == "measure":
        through = [{"text": "burn-through", "label": "burnt through"}] if response.full is not None else []
        more = {"units": _units(column.unit), "words": [*through, unreadable], "full": response.full}
        return _new(column, "measure", "number", asked=True, **more)
    if response.kind == "count":
        return _new(column, "measure", "count", words=[unreadable], asked=True, hint="0 where none was found")
    if response.kind == "trip":
        hint = what_counts(study, response)
        return _new(column, "arc", "choice", choices=["yes", "no"], asked=True, hint=hint)
    return _new(column, "measure", "choice", choices=["yes", "no"], asked=True)


def _condition(column: Column) -> Field:
    condition = next(c for c in CONDITIONS if c.key == column.name)
    part = "more"
    if condition.words in BEFORE_THE_ARC:
        part = "before"
    elif condition.words in AFTER_THE_ARC:
        part = "after"
    other = condition.metric if column.unit == condition.us else condition.us
    pair = [column.unit] if other == column.unit else [column.unit, other]
    return _new(column, part, "number", units=[_unit(unit, column.unit) for unit in pair])


def _units(unit: str) -> list[Field]:
    """Give the column's unit and its counterpart in the other system, where there is one."""
    other = TO_US.get(unit) or TO_METRIC.get(unit)
    return [_unit(name, unit) for name in (unit, other) if name]


def _unit(unit: str, column_unit: str) -> Field:
    """Describe a unit a number may be typed in, and how it turns into the column's: value = zero + scale * number."""
    zero = float(convert(0.0, unit, column_unit)) if unit != column_unit else 0.0
    scale = float(convert(1.0, unit, column_unit)) - zero if unit != column_unit else 1.0
    return {"unit": unit, "shown": printed_unit(unit), "zero": zero, "scale": scale, "own": unit == column_unit}
