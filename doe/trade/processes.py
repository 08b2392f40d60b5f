"""Welding processes by their ISO 4063 numbers, their AWS letters and the trade's words."""

from __future__ import annotations

import re
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from doe.errors import DoeError, nearest, quoted

NAMES: Final[Mapping[str, tuple[str, ...]]] = MappingProxyType(
    {
        "111": ("SMAW", "MMA"),
        "114": ("FCAW-S",),
        "121": ("SAW", "12"),
        "131": ("MIG",),
        "132": (),
        "133": (),
        "135": ("GMAW", "MAG", "MIG/MAG", "MIG/MAG/FCAW", "13"),
        "136": ("FCAW-G", "FCAW"),
        "137": (),
        "138": ("GMAW-C", "MCAW"),
        "141": ("GTAW", "TIG", "14"),
        "15": ("PAW",),
    }
)
"""Other names of each process. ISO 4063:2009 and AWS A3.0, from memory; 137 is the older number of 132 and 133. Names
that cover several numbers (GMAW, FCAW) stand for one of them: every figure here is the same for all of them."""


CORED: Final = frozenset({"114", "132", "133", "136", "137", "138"})
"""Processes with a tubular wire, by ISO 4063 number. ISO 4063:2009, from memory."""
SOLID: Final = frozenset({"131", "135"})
"""Processes with a solid wire, by ISO 4063 number. ISO 4063:2009, from memory."""


def wire_is_cored(process: str, wire: str) -> bool | None:
    """Tell a cored wire from a solid one by what is said of the wire, else by the process; None where neither says.

    Examples
    --------
    >>> wire_is_cored("136", ""), wire_is_cored("135", "0.9 mm metal-cored"), wire_is_cored("", "1.0 mm")
    (True, True, None)
    """
    said = wire.casefold()
    if re.search(r"\b(cored|flux)\b", said):
        return True
    if re.search(r"\bsolid\b", said):
        return False
    number = known_process(process)
    return None if number not in CORED | SOLID else number in CORED


def known_process(text: str) -> str:
    """Give the ISO 4063 number of a process by any of its names; empty where it is not known."""
    return {_fold(name): number for name, number in process_names().items()}.get(_fold(text), "")


def process_names() -> dict[str, str]:
    """Give every accepted name with the ISO 4063 number it stands for."""
    return {name: number for number, names in NAMES.items() for name in (number, *names)}


def find_process(text: str) -> str:
    """Give the ISO 4063 number of a process by any of its names.

    Raises
    ------
    DoeError
        If it is not known; the message names the nearest.

    Examples
    --------
    >>> find_process("FCAW-G"), find_process("135"), find_process("mma")
    ('136', '135', '111')
    """
    known = process_names()
    number = known_process(text)
    if not number:
        near = nearest(text.strip().upper(), known)
        hint = f" Did you mean {near}?" if near else ""
        message = f"the process {quoted(text)} is not known.{hint} Accepted are {', '.join(known)}."
        raise DoeError(message)
    return number


def _fold(text: str) -> str:
    """Bring the ways of writing a name to one."""
    return "".join(text.split()).replace("-", "").casefold()
