"""The tables: blank ones, reading what was filled in, sense checks.

- ``results_table(plan) -> str``: the blank results.csv
- ``read_results(path, study) -> Results``: every stage of a folder, or one file
- ``examine_results(path, study) -> Examination``: the same with its faults, conversions and questions
- ``sense_checks(results) -> tuple[str, ...]``: doubtful readings, as questions
- ``annotated_copy(path, remarks) -> str``: a copy of a table with the remarks beside each row
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from doe.bench.annotating import annotated_copy
    from doe.bench.checks import sense_checks
    from doe.bench.reading import Examination, examine_results, read_results
    from doe.bench.tables import results_table

_WHERE = {
    "annotated_copy": "annotating",
    "sense_checks": "checks",
    "Examination": "reading",
    "examine_results": "reading",
    "read_results": "reading",
    "results_table": "tables",
}

__all__ = [
    "Examination",
    "annotated_copy",
    "examine_results",
    "read_results",
    "results_table",
    "sense_checks",
]


def __getattr__(name: str) -> Any:
    """Load a public function when it is asked for: importing a leaf of this room stays cheap."""
    if name not in _WHERE:
        message = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(message)
    return getattr(import_module(f"doe.bench.{_WHERE[name]}"), name)
