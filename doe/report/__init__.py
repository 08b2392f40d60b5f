"""Everything drawn or printed: the report page, the run sheet, the setting card."""

from __future__ import annotations

from doe.report.writing import write_report, write_run_sheet

__all__ = ["write_report", "write_run_sheet"]
