"""The columns of a table of welds: one grammar for the blank table and for reading."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass
from typing import Final, Literal

from doe.errors import Fault, StudyError
from doe.planning.table import factor_headings
from doe.study.model import Factor, Response, Study

What = Literal[
    "weld",
    "plate",
    "position",
    "order",
    "mark",
    "setting",
    "block",
    "role",
    "status",
    "actual",
    "reading",
    "length",
    "run",
    "full",
    "condition",
    "remark",
]


@dataclass(frozen=True)
class Column:
    """One column.

    Attributes
    ----------
    what : str
        What stands in it; ``run`` is a trip's arc time.
    name : str
        The factor, response, block, condition or remark; empty for the fixed columns.
    words : str
        The heading without its unit.
    unit : str
        The unit a blank table asks for; what is read is turned into the study's.
    cut : int
        1 for the first reading of a weld, 2 ... for further cuts.
    """

    what: What
    name: str
    words: str
    unit: str = ""
    cut: int = 1

    @property
    def heading(self) -> str:
        """``feed actual [m/min]``, or ``status`` where there is no unit."""
        return f"{self.words} [{self.unit}]" if self.unit else self.words


@dataclass(frozen=True)
class Condition:
    """A condition worth noting: its words, the unit ``Results`` keeps it in, and what a blank table asks for."""

    words: str
    unit: str
    metric: str
    us: str

    @property
    def key(self) -> str:
        """The name in ``Results.conditions``."""
        return f"{self.words} [{self.unit}]"


CONDITIONS: Final = (
    Condition("plate temperature", "degC", "degC", "degF"),
    Condition("rest", "min", "min", "min"),
    Condition("line voltage", "V", "V", "V"),
    Condition("line current", "A", "A", "A"),
    Condition("arc voltage", "V", "V", "V"),
    Condition("arc current", "A", "A", "A"),
    Condition("travel speed", "mm/s", "mm/min", "in/min"),
    Condition("stick-out", "mm", "mm", "in"),
    Condition("gap", "mm", "mm", "in"),
)
"""The optional numeric columns, in the order of a blank table."""

REMARKS: Final = ("outlet", "cord", "place", "spool", "time", "notes")
"""The optional columns of words, in the order of a blank table."""


def fold(words: str) -> str:
    """Make a heading comparable: case, blanks, hyphens and underscores do not count."""
    return re.sub(r"[\s_\-]+", "", words.casefold())


def plan_columns(study: Study) -> tuple[Column, ...]:
    """Give the columns of plan.csv, in order."""
    columns = [Column("weld", "", "weld"), Column("plate", "", "plate")]
    columns += [Column("position", "", "position"), Column("order", "", "order")]
    for factor in study.factors:
        columns += _setting_columns(factor)
    if study.plan.blocks is not None:
        columns.append(Column("block", study.plan.blocks.name, study.plan.blocks.name))
    return (*columns, Column("role", "", "role"))


def results_columns(study: Study) -> tuple[Column, ...]:
    """Give the columns of a blank results.csv, in order.

    An optional column is left out where the study has a factor, a response or a block of that name.

    Raises
    ------
    StudyError
        If two columns would have the same heading.
    """
    columns = [*plan_columns(study), Column("status", "", "status")]
    columns += [Column("actual", factor.name, f"{factor.name} actual", factor.unit) for factor in study.factors]
    for response in study.responses:
        columns += _response_columns(response, study)
    _check_headings(columns)
    taken = {fold(column.words) for column in columns}
    columns += [column for column in _optional_columns(study) if fold(column.words) not in taken]
    return tuple(columns)


def accepted_columns(study: Study) -> tuple[Column, ...]:
    """Give every column that is understood: the blank table's, and those that only some tables have."""
    known = results_columns(study)
    taken = {fold(column.words) for column in known}
    more = [
        Column("full", response.name, f"{response.name} full", response.unit)
        for response in study.responses
        if response.kind == "measure"
    ]
    more += [Column("setting", factor.name, factor.name, factor.unit) for factor in study.factors]
    return (*known, *(column for column in more if fold(column.words) not in taken))


def further_cut(column: Column, cut: int) -> Column:
    """Give the column of a further reading of the same weld: ``penetration 2 [mm]``."""
    return Column("reading", column.name, f"{column.name} {cut}", column.unit, cut)


def is_asked_of_second(column: Column, study: Study) -> bool:
    """Whether a column is filled in for a second bead too: of the responses only counts are."""
    if column.what not in ("reading", "length", "run", "full"):
        return True
    return study.response(column.name).kind == "count"


def _setting_columns(factor: Factor) -> list[Column]:
    """Give a factor's columns as the plan has them: its mark, its value, or both."""
    found = []
    for heading in factor_headings(factor):
        if heading == f"{factor.name} mark":
            found.append(Column("mark", factor.name, heading))
        else:
            found.append(Column("setting", factor.name, factor.name, factor.unit))
    return found


def _response_columns(response: Response, study: Study) -> list[Column]:
    reading = Column("reading", response.name, response.name, response.unit)
    if response.kind == "count":
        unit = "in" if study.units == "us" else "mm"
        return [reading, Column("length", response.name, f"{response.name} length", unit)]
    if response.kind == "trip":
        return [reading, Column("run", response.name, f"{response.name} time", "s")]
    return [reading]


def _optional_columns(study: Study) -> list[Column]:
    conditions = [Column("condition", c.key, c.words, c.us if study.units == "us" else c.metric) for c in CONDITIONS]
    return conditions + [Column("remark", words, words) for words in REMARKS]


def _check_headings(columns: list[Column]) -> None:
    counts = Counter(fold(column.words) for column in columns)
    twice = sorted({column.words for column in columns if counts[fold(column.words)] > 1})
    if twice:
        message = "Two columns of the results table would have the same heading."
        raise StudyError(
            message,
            [
                Fault(f"“{words}” would head two columns: rename the factor or the response", "study.toml")
                for words in twice
            ],
        )
