"""Everything drawn or printed: the report page, the run sheet, the setting card."""
