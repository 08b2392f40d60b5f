"""Welding processes by their ISO 4063 numbers, their AWS letters and the trade's words."""

from __future__ import annotations

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
    folded = {_fold(name): number for name, number in known.items()}
    number = folded.get(_fold(text))
    if number is None:
        near = nearest(text.strip().upper(), known)
        hint = f" Did you mean {near}?" if near else ""
        message = f"the process {quoted(text)} is not known.{hint} Accepted are {', '.join(known)}."
        raise DoeError(message)
    return number


def _fold(text: str) -> str:
    """Bring the ways of writing a name to one."""
    return "".join(text.split()).replace("-", "").casefold()
