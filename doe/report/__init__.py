"""Everything drawn or printed: the report page, the run sheet, the setting card.

- ``write_report(study, plan, results, fit, window, folder) -> list[Path]``
- ``write_run_sheet(plan) -> list[Path]``

Each is imported when it is first asked for: matplotlib and fpdf2 take a second.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from doe.report.writing import write_report, write_run_sheet

__all__ = ["write_report", "write_run_sheet"]


def __getattr__(name: str) -> Any:
    """Import what is public when it is first asked for."""
    if name in __all__:
        from doe.report import writing  # noqa: PLC0415 - matplotlib and fpdf2 take a second

        return getattr(writing, name)
    message = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(message)
