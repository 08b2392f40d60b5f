"""Conversions told together where a whole column was converted alike, so that the odd one is not lost among them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

from doe.bench.results import Conversion

ONE_BY_ONE: Final = 3
"""So many of a column are told one by one. Our choice."""


def told_together(conversions: Sequence[Conversion]) -> tuple[tuple[str, str, str], ...]:
    """Give place, what stood there and what it was read as; a column read into another unit is told once.

    Parameters
    ----------
    conversions : sequence of Conversion

    Returns
    -------
    tuple of (str, str, str)
        In the order of the first of each.
    """
    return tuple(_lines(conversions))


def _lines(conversions: Sequence[Conversion]) -> Iterator[tuple[str, str, str]]:
    groups: dict[tuple[str, str, str, str], list[Conversion]] = {}
    for conversion in conversions:
        groups.setdefault(_kind(conversion), []).append(conversion)
    for conversion in conversions:
        group = groups[_kind(conversion)]
        if len(group) <= ONE_BY_ONE:
            yield _place(conversion, f"row {conversion.row}"), conversion.found, conversion.read_as
        elif conversion is group[0]:
            cells = "cells" if conversion.column else "rows"
            rows = f"{len(group)} {cells} from row {group[0].row} to {group[-1].row}"
            is_same = len({member.found for member in group}) == 1
            found = conversion.found if is_same else f"{conversion.found}, and so on"
            yield _place(conversion, rows), found, f"{conversion.read_as}, and so on"


def _kind(conversion: Conversion) -> tuple[str, str, str, str]:
    """Give what makes conversions alike: file, column, and the units before and after; or what whole rows lack.

    Others are each their own.
    """
    if not conversion.column:
        return conversion.file, "", conversion.found, ""
    before, after = (text.rpartition(" ")[2] for text in _both(conversion))
    is_of_units = all(text.rpartition(" ")[0].replace(".", "", 1).isdecimal() for text in _both(conversion))
    own = "" if is_of_units else "," if _is_decimal_comma(conversion) else f"{conversion.row} {conversion.found}"
    return conversion.file, conversion.column, f"{before} {own}", after


def _is_decimal_comma(conversion: Conversion) -> bool:
    """Whether a comma was read as the decimal point, and nothing else was changed."""
    (found, unit), (read_as, unit_read) = (
        text.split(" ", 1) if " " in text else (text, "") for text in _both(conversion)
    )
    whole, comma, decimals = found.partition(",")
    plain = bool(comma) and whole.isdecimal() and decimals.isdecimal() and read_as.replace(".", "", 1).isdecimal()
    return plain and unit == unit_read and float(f"{whole}.{decimals}") == float(read_as)


def _both(conversion: Conversion) -> tuple[str, str]:
    return conversion.found, conversion.read_as


def _place(conversion: Conversion, rows: str) -> str:
    return ", ".join([conversion.file, rows, *([f"“{conversion.column}”"] if conversion.column else [])])
