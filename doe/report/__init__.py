"""Everything drawn or printed: the report page, the run sheet, the setting card.

- ``write_report(study, plan, results, fit, window, folder, *, confirmation=None) -> list[Path]``
- ``write_figures(fit, window, folder) -> list[Path]``: every figure as SVG and PNG
- ``write_run_sheet(plan) -> list[Path]``
- ``write_bench_page(plan) -> list[Path]``: the page to fill in on a phone
- ``write_macro_page(plan) -> list[Path]``: the page to measure photos of etched sections

Each is imported when it is first asked for: matplotlib and fpdf2 take a second.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from doe.report.bench_page import write_bench_page
    from doe.report.macro_page import write_macro_page
    from doe.report.writing import write_figures, write_report, write_run_sheet

_WHERE = {
    "write_bench_page": "bench_page",
    "write_figures": "writing",
    "write_macro_page": "macro_page",
    "write_report": "writing",
    "write_run_sheet": "writing",
}

__all__ = ["write_bench_page", "write_figures", "write_macro_page", "write_report", "write_run_sheet"]


def __getattr__(name: str) -> Any:
    """Import what is public when it is first asked for."""
    if name in _WHERE:
        return getattr(import_module(f"doe.report.{_WHERE[name]}"), name)
    message = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(message)
