"""Dates that were fractions: a spreadsheet turns a typed 3/8 into the 8th of March."""

from __future__ import annotations

import datetime as dt
import re
from typing import Final

_MONTHS: Final = {
    name: month
    for month, names in enumerate(
        (
            "jan janv january januar janvier ene",
            "feb febr fev fév february februar février",
            "mar mär mrz mars march märz maart mrt",
            "apr avr abr april avril",
            "may mai mei maj",
            "jun juin june juni",
            "jul juil july juli juillet",
            "aug août ago august",
            "sep sept set september septembre",
            "oct okt out october oktober octobre",
            "nov november novembre",
            "dec dez déc dic december dezember décembre",
        ),
        start=1,
    )
    for name in names.split()
}
"""Months as spreadsheets of several languages write them (common practice, no source)."""

_ISO: Final = re.compile(r"(\d{4})-(\d{1,2})-(\d{1,2})(?:[ t].*)?")
_THREE_PARTS: Final = re.compile(r"(\d{1,2})([/.\-])(\d{1,2})\2(\d{4}|\d{2})(?: .*)?")
_DAY_MONTH: Final = re.compile(r"(\d{1,2})\.?[\s\-/]*([^\W\d]+)\.?(?:[\s\-/]+(\d{4}|\d{2}))?")
_MONTH_NUMBER: Final = re.compile(r"([^\W\d]+)\.?[\s\-/]*(\d{1,2})")


def date_of_fraction(text: str) -> tuple[str, ...]:
    """Tell which fractions a spreadsheet may have turned into this date.

    Parameters
    ----------
    text : str
        What stands in the cell: ``8-Mar``, ``Mar-32``, ``08. Mrz``, ``2024-03-08``, ``3/8/2024``.

    Returns
    -------
    tuple of str
        The fractions as they may have been typed, the likeliest first; empty where the text is no date.

    Examples
    --------
    >>> date_of_fraction("8-Mar"), date_of_fraction("1932-03-01"), date_of_fraction("2.5")
    (('3/8', '8/3'), ('3/32',), ())
    """
    plain = text.strip().casefold()
    for pattern, read in ((_ISO, _iso), (_THREE_PARTS, _three), (_DAY_MONTH, _day_month), (_MONTH_NUMBER, _month)):
        match = pattern.fullmatch(plain)
        if match is not None:
            return read(match)
    return ()


def _iso(match: re.Match[str]) -> tuple[str, ...]:
    year, month, day = (int(part) for part in match.groups())
    return _fractions(year, month, day)


def _three(match: re.Match[str]) -> tuple[str, ...]:
    first, second, year = int(match[1]), int(match[3]), int(match[4])
    if _is_date(year, first, second) or _is_date(year, second, first):
        return _either(first, second)
    return ()


def _day_month(match: re.Match[str]) -> tuple[str, ...]:
    month = _MONTHS.get(match[2])
    return _either(month, int(match[1])) if month and 1 <= int(match[1]) <= 31 else ()


def _month(match: re.Match[str]) -> tuple[str, ...]:
    month = _MONTHS.get(match[1])
    return (f"{month}/{int(match[2])}",) if month else ()


def _fractions(year: int, month: int, day: int) -> tuple[str, ...]:
    """Give the fractions of a full date: 3/32 has no 32nd day and becomes the 1st of March 1932."""
    if not _is_date(year, month, day):
        return ()
    if day == 1 and year % 100 > 31:
        return (f"{month}/{year % 100}",)
    return _either(month, day)


def _either(first: int, second: int) -> tuple[str, ...]:
    return (f"{first}/{second}",) if first == second else (f"{first}/{second}", f"{second}/{first}")


def _is_date(year: int, month: int, day: int) -> bool:
    try:
        dt.date(year if year > 31 else 2000 + year, month, day)
    except ValueError:
        return False
    return True
