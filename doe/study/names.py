"""Names of factors, responses and blocks: they become column headings, so they must be clear and unlike."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Final

from doe.errors import quoted
from doe.study.faults import Faults

LONGEST_NAME: Final = 60
"""So many characters may a name have."""
PLAN_COLUMNS: Final = ("weld", "plate", "position", "order", "role", "status", "notes")
"""Columns that every table has (INTERFACE: plan.csv and results.csv)."""
_FORBIDDEN: Final = '[](){},;"'
"""Signs that separate or quote things in tables and headings."""
_OPERATORS: Final = "*^=<>"
"""Signs with a meaning in terms and limits."""
_FORMULA: Final = "=+-@#"
"""A cell that begins so would run as a formula, or be taken for a comment."""


@dataclass(frozen=True)
class Heading:
    """A column heading (without its unit) and where in the file it comes from."""

    text: str
    owner: str


def name_fault(name: str) -> str:
    """Say what is wrong with a name; empty where nothing is."""
    first = name.strip()[:1]
    bad = next((c for c in name if c in _FORBIDDEN + _OPERATORS), "")
    checks = (
        (not first, "the name is empty"),
        (len(name) > LONGEST_NAME, f"it has {len(name)} characters, more than {LONGEST_NAME}"),
        (not name.isprintable(), "it holds a control character or a line break"),
        (bool(bad), f"it holds “{bad}”; brackets, commas, quotes and {' '.join(_OPERATORS)} are not accepted"),
        (first in _FORMULA, f"it begins with “{first}”; begin it with a letter"),
        (not any(c.isalpha() for c in name), "it holds no letter"),
        (fold(name) == "constant", "that is the name of a model's constant term"),
        (fold(name) in PLAN_COLUMNS, f"every table has a column of that name (taken are {', '.join(PLAN_COLUMNS)})"),
    )
    reason = next((message for is_bad, message in checks if is_bad), "")
    return f"{quoted(name)} cannot be used as a name: {reason}" if reason else ""


def refuse_twice(table: str, names: Sequence[str], faults: Faults) -> None:
    """Note every name that stands twice in a table."""
    first: dict[str, int] = {}
    for number, name in enumerate(names, 1):
        before = first.setdefault(fold(name), number)
        if before != number and name:
            faults.at(f"{table}[{number}]").add(
                f"the name {quoted(name)} stands twice, here and in {table}[{before}] (capitals do not count)",
                "name",
            )


def fold(name: str) -> str:
    """Bring names that a reader would take for the same to one: capitals and blanks do not count."""
    return " ".join(name.casefold().split())


def refuse_same_headings(headings: Iterable[Heading], faults: Faults) -> None:
    """Note every two things whose columns in the tables would have the same heading."""
    owners: dict[str, str] = {}
    for heading in headings:
        first = owners.setdefault(fold(heading.text), heading.owner)
        if fold(first) != fold(heading.owner):  # else the name itself stands twice, which is told already
            faults.at(heading.owner).add(
                f"its column {quoted(heading.text)} would be the same as one of {first}; choose another name", "name"
            )
