"""Settings that a person names: ``voltage=3, feed=7 m/min``, each as a cell of results.csv would be read.

A mark is known by its name, a value by its number, in any unit. What could be both is refused with both readings.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import Final

import numpy as np

from doe.bench.cells import CellReader, Units, find_name
from doe.bench.log import Log, Place
from doe.bench.settings import settled
from doe.bench.sheets import Cell
from doe.errors import CannotAnswerError, DoeError, Fault, nearest, quoted
from doe.study.model import Factor
from doe.study.names import fold
from doe.window.sides import Side
from doe.window.words import value_words

_PIECES: Final = re.compile(r"[,;](?=[^,;=]*=)")
"""Between two settings: a comma or semicolon with a further name=value behind it, so that 6,5 stays one number."""
_MARK: Final = re.compile(r"mark\s*(.+)", re.IGNORECASE)
NOWHERE: Final = Place("", 0)
"""The place of what stands in no table."""


def named_settings(texts: Sequence[str], sides: Sequence[Side]) -> tuple[tuple[float, ...], ...]:
    """Read the settings that differences are asked for at.

    Parameters
    ----------
    texts : sequence of str
        Each names every factor but the one that is compared.
    sides : sequence of Side

    Returns
    -------
    tuple of tuple of float
        Shared settings, each once, in the order they were named.

    Raises
    ------
    DoeError
        Listing every name that is unknown, missing or given twice, and every value that is not understood.
    CannotAnswerError
        If a side cannot be set so, or was not welded there: every such setting at once.
    """
    faults: list[Fault] = []
    read = [_read(text, sides[0], faults) for text in texts]
    if faults:
        named = ", ".join(f.name for f in _asked(sides[0]))
        message = f"--at is not understood; write each setting as name=value, for {named}"
        raise DoeError(message, faults)
    found = tuple(dict.fromkeys(read))
    refusals = [fault for settings in found for fault in _beyond(settings, sides)]
    if refusals:
        message = "nothing can be said at every setting that was named"
        raise CannotAnswerError(message, refusals)
    return found


def _asked(side: Side) -> list[Factor]:
    """Give the factors to name: all but the one whose kinds are compared."""
    own = -1 if side.kind is None else side.kind[0]
    return [factor for j, factor in enumerate(side.study.factors) if j != own]


def _read(text: str, side: Side, faults: list[Fault]) -> tuple[float, ...]:
    """Read one setting; nan where a fault was found, 0 for the factor that is compared."""
    asked = {fold(factor.name): factor for factor in _asked(side)}
    written: dict[str, str] = {}
    before = len(faults)
    for piece in _PIECES.split(text):
        name, equals, value = (part.strip() for part in piece.partition("="))
        if not equals or not value:
            faults.append(Fault(f"{quoted(piece.strip())} is no setting: write name=value", key="--at"))
        elif fold(name) not in asked:
            faults.append(Fault(_unknown(name, side), key="--at"))
        elif fold(name) in written:
            faults.append(Fault(f"{quoted(name)} is given twice in {quoted(text)}", key="--at"))
        else:
            written[fold(name)] = value
    missing = [factor.name for name, factor in asked.items() if name not in written]
    if missing and len(faults) == before:
        faults.append(Fault(f"{quoted(text)} does not say {' and '.join(missing)}", key="--at"))
    values = {asked[name].name: _value(value, asked[name], faults) for name, value in written.items()}
    own = "" if side.kind is None else side.study.factors[side.kind[0]].name
    return tuple(0.0 if f.name == own else values.get(f.name, float("nan")) for f in side.study.factors)


def _unknown(name: str, side: Side) -> str:
    """Say that a name is not one to give."""
    names = [factor.name for factor in _asked(side)]
    if side.kind is not None and fold(name) == fold(side.study.factors[side.kind[0]].name):
        return f"{quoted(name)} is what is compared: leave it out"
    near = nearest(name, names)
    return f"{quoted(name)} is no factor: known are {', '.join(names)}." + (f" Did you mean “{near}”?" if near else "")


def _value(text: str, factor: Factor, faults: list[Fault]) -> float:
    """Read one factor's value; nan where it is not understood."""
    log = Log()
    number = _kind_or_mark(text, factor, log) if _is_named(text, factor) else _number(text, factor, log)
    faults += [Fault(fault.message, key=f"--at, {factor.name}") for fault in log.faults]
    if number is None and not log.faults:
        faults.append(Fault(f"{quoted(text)} is no value", key=f"--at, {factor.name}"))
    return float("nan") if number is None else number


def _is_named(text: str, factor: Factor) -> bool:
    """Whether a value is given by its name: a kind, or a mark that the dial has or that is written as one."""
    if factor.is_kind or not factor.marks:
        return factor.is_kind
    return not factor.calibrated or _MARK.fullmatch(text) is not None or find_name(text, list(factor.marks)) is not None


def _kind_or_mark(text: str, factor: Factor, log: Log) -> float | None:
    """Read a kind as its index, a mark as its value; a mark that may be a value as well is a fault."""
    cells = CellReader(log, decimal_commas=False)
    if factor.is_kind:
        kind = cells.choice(Cell(text), NOWHERE, factor.kinds, f"kind of {factor.name}")
        return None if kind is None else float(kind)
    written = _MARK.fullmatch(text)
    word = written[1] if written else text
    place = cells.choice(Cell(word), NOWHERE, factor.marks, f"mark of {factor.name}")
    if place is None:
        return None
    mark = factor.values[place]
    value = None if written or not factor.calibrated else _number(word, factor, Log())
    if value is not None and factor.low <= value <= factor.high and value != mark:
        log.fault(_both(word, factor, mark=mark, value=value), NOWHERE)
        return None
    return mark


def _number(text: str, factor: Factor, log: Log) -> float | None:
    """Read a number with or without a unit into the factor's own."""
    amount = CellReader(log, decimal_commas=False).quantity(Cell(text), NOWHERE, Units(factor.unit))
    return None if amount is None else settled(amount, factor).value


def _both(text: str, factor: Factor, *, mark: float, value: float) -> str:
    """Say the two readings of what may be a mark and may be a value."""
    unit = factor.unit
    return (
        f"{quoted(text)} can be read as {value:g} {unit} or as mark {text} ({mark:g} {unit}): write “mark {text}”, or "
        f"{value:g} {unit} with its unit"
    )


def _beyond(settings: tuple[float, ...], sides: Sequence[Side]) -> list[Fault]:
    """Say where a side cannot be set so, or was not welded."""
    shared, where = np.array([settings]), _told(settings, sides[0])
    faults = []
    for side in sides:
        if not side.can_be_set(shared)[0]:
            faults.append(Fault(f"{where} cannot be set on {side.label}, or a limit forbids it", key="--at"))
        elif not side.can_be_claimed(shared)[0]:
            why = f"{where} lies beyond what was welded on {side.label}, and nothing is said there"
            faults.append(Fault(why, key="--at"))
    return faults


def _told(settings: tuple[float, ...], side: Side) -> str:
    """Tell a setting, without the factor that is compared."""
    values = {factor.name: value for factor, value in zip(side.study.factors, settings, strict=True)}
    return ", ".join(f"{factor.name} {value_words(factor, values[factor.name])}" for factor in _asked(side))
