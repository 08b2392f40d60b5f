"""Numbers as people write them: fractions, a decimal comma, thin spaces; what could be read in two ways is refused."""

from __future__ import annotations

import math
import re
import unicodedata
from typing import Final

from doe.errors import DoeError, quoted

LONGEST_TEXT: Final = 60
"""A number or unit longer than this is not one."""
VULGAR: Final = "¼½¾⅐⅑⅒⅓⅔⅕⅖⅗⅘⅙⅚⅛⅜⅝⅞"
_SPACES: Final = " \u00a0\u2002\u2003\u2007\u2009\u202f"
BLANKS: Final = _SPACES + "\t\r\n"
SIGNS: Final = {
    **dict.fromkeys(map(ord, "−–‒"), "-"),
    **dict.fromkeys(map(ord, _SPACES), " "),
    ord("⁄"): "/",
}
_PLAIN: Final = re.compile(r"(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_COMMA: Final = re.compile(r"([0-9]*),([0-9]+)((?:[eE][+-]?[0-9]{1,3})?)")
_GROUPED: Final = re.compile(r"[0-9]{1,3}(?:([ ,.])[0-9]{3})(?:\1[0-9]{3})*(?:([.,])([0-9]+))?")
_FRACTION: Final = re.compile(r"(?:([0-9]{1,6})(?: |-| - ))?([0-9]{1,6}) ?/ ?([0-9]{1,6})")


def read_number(text: str) -> tuple[float, str]:
    """Read a number as people write it, and say how it was written.

    Parameters
    ----------
    text : str
        "1.25", "0,5", "3/32", "1 1/8", "½", "12 500", "−3" ...

    Returns
    -------
    value : float
    note : str
        "decimal comma", "fraction", "thousands separated" or a mixture; empty for a plain number.

    Raises
    ------
    DoeError
        If it is no number, or could be read as two.

    Examples
    --------
    >>> read_number("0,5")
    (0.5, 'decimal comma')
    >>> read_number("1 1/8")
    (1.125, 'fraction')
    """
    written = text.strip(BLANKS).translate(SIGNS)
    sign, digits = (written[0], written[1:].strip()) if written[:1] in {"+", "-"} else ("", written)
    value, note = _read_digits(digits, text) if len(written) <= LONGEST_TEXT else (None, "")
    if value is None:
        message = f"{quoted(text)} is not a number; accepted are numbers such as 1.25, 0,5, 3/32 and 1 1/8"
        raise DoeError(message)
    if math.isinf(value):
        message = f"{quoted(text)} is too large a number"
        raise DoeError(message)
    return (-value if sign == "-" else value), note


def parse_number(text: str) -> float:
    """Read a number as people write it; see ``read_number``."""
    return read_number(text)[0]


def _read_digits(digits: str, text: str) -> tuple[float | None, str]:
    """Read an unsigned number; None where it is none."""
    if _PLAIN.fullmatch(digits):
        return float(digits), ""
    if any(sign in digits for sign in ("/", *VULGAR)):
        return _read_fraction(digits, text)
    comma = _COMMA.fullmatch(digits)
    if comma and not _looks_grouped(comma[1], comma[2]):
        return float(f"{comma[1]}.{comma[2]}{comma[3]}"), "decimal comma"
    if comma:
        message = (
            f"{quoted(text)} can be read as {comma[1]}.{comma[2]} (decimal comma) or as {comma[1]}{comma[2]} (comma "
            f"between thousands); write {comma[1]}.{comma[2]} or {comma[1]}{comma[2]}"
        )
        raise DoeError(message)
    return _read_grouped(digits)


def _looks_grouped(before: str, after: str) -> bool:
    """Whether digits around a comma could be thousands: 1,500 but neither 0,500 nor 1500,250."""
    return len(after) == 3 and 1 <= len(before) <= 3 and not before.startswith("0")


def _read_grouped(digits: str) -> tuple[float | None, str]:
    """Read a number with separated thousands: ``12 500``, ``1,234,567``, ``1.234,5``."""
    grouped = _GROUPED.fullmatch(digits)
    if not grouped or grouped[1] == grouped[2] or digits.startswith("0"):
        return None, ""
    whole, decimals = digits, ""
    if grouped[2]:
        whole, _, decimals = digits.rpartition(grouped[2])
    note = "thousands separated" + (", decimal comma" if grouped[2] == "," else "")
    return float(f"{whole.replace(grouped[1], '')}.{decimals}"), note


def _read_fraction(digits: str, text: str) -> tuple[float | None, str]:
    """Read ``3/32``, ``1 1/8``, ``1-1/8``, ``½`` or ``1½``."""
    spread = re.sub(f" ?([{VULGAR}])", lambda match: " " + _vulgar(match[1]), digits).strip()
    fraction = _FRACTION.fullmatch(spread)
    if not fraction:
        return None, ""
    whole, top, bottom = int(fraction[1] or 0), int(fraction[2]), int(fraction[3])
    if bottom == 0 or (fraction[1] and top >= bottom):
        message = f"{quoted(text)} is not a proper fraction; write it like 3/32 or 1 1/8"
        raise DoeError(message)
    return whole + top / bottom, "fraction"


def _vulgar(sign: str) -> str:
    """Spell a one-character fraction out: ½ as 1/2."""
    return unicodedata.normalize("NFKC", sign).replace("⁄", "/")
