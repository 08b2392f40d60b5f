"""Read what a figure is asked with: ``travel=250mm/min``, ``duty=50%``, ``process=FCAW-G``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from doe.errors import DoeError, Fault, nearest, quoted
from doe.trade.asked import Given, Input, NamedFigure
from doe.units import convert, find_unit, parse_quantity, units_of

INCHES: Final = ("in", "thou", "ft")
"""Units of length by which the inch rows of a table are meant."""


@dataclass
class Reading:
    """What was read so far: numbers in the figure's units, words, what was shown back, and every fault."""

    numbers: dict[str, float] = field(default_factory=dict)
    words: dict[str, str] = field(default_factory=dict)
    shown: dict[str, object] = field(default_factory=dict)
    in_inches: bool = False
    faults: list[Fault] = field(default_factory=list)

    def fault(self, message: str, name: str) -> None:
        """Note a fault of one input."""
        self.faults.append(Fault(message, key=name))


def read_inputs(figure: NamedFigure, texts: Sequence[str]) -> tuple[Given, dict[str, object]]:
    """Read a figure's inputs.

    Parameters
    ----------
    figure : NamedFigure
    texts : sequence of str
        ``name=value`` each.

    Returns
    -------
    given : Given
    shown : dict
        Each input as it was understood: a word, or ``{"value", "unit"}`` in the unit it was written in.

    Raises
    ------
    DoeError
        Listing every input that is missing, unknown, given twice or unreadable.
    """
    reading = Reading()
    known = {_fold(i.name): i for i in figure.inputs}
    for text in texts:
        _read_one(text, known, reading)
    given = Given(reading.numbers, reading.words, reading.in_inches)
    tried = {fault.key for fault in reading.faults}
    for name in figure.missing(given):
        if not tried & set(name.split(" or ")):
            reading.fault(_missing(name, known), name)
    for pair in figure.clashes(given):
        reading.fault(f"give {' or '.join(pair)}, not both", pair[1])
    if reading.faults:
        message = f"The figure {figure.name} cannot be worked out; it takes {figure.usage}."
        raise DoeError(message, reading.faults)
    return given, reading.shown


def _fold(name: str) -> str:
    return name.replace("-", "_").casefold()


def _missing(name: str, known: dict[str, Input]) -> str:
    accepts = [known[_fold(part)].accepts for part in name.split(" or ")]
    return f"is missing (accepted: {' or '.join(accepts)})"


def _read_one(text: str, known: dict[str, Input], reading: Reading) -> None:
    """Read one ``name=value``."""
    name, equals, value = (part.strip() for part in text.partition("="))
    if not equals or not name:
        reading.faults.append(Fault(f"{quoted(text)} is no input: write name=value, such as travel=250mm/min"))
        return
    wanted = known.get(_fold(name))
    if wanted is None:
        names = [i.name for i in known.values()]
        near = nearest(_fold(name), names)
        hint = f" Did you mean {near}?" if near else ""
        reading.fault(f"is not an input of this figure.{hint} Known are {', '.join(names)}", name)
    elif wanted.name in reading.shown:
        reading.fault("is given twice", wanted.name)
    elif wanted.words:
        _read_word(value, wanted, reading)
    else:
        _read_number(value, wanted, reading)


def _read_word(value: str, wanted: Input, reading: Reading) -> None:
    """Read one of the words an input knows."""
    folded = {_fold_word(word): meant for word, meant in wanted.words.items()}
    word = folded.get(_fold_word(value))
    if word is None:
        near = nearest(value, wanted.words)
        hint = f" Did you mean {near}?" if near else ""
        reading.fault(f"{quoted(value)} is not known.{hint} Accepted are {', '.join(wanted.words)}", wanted.name)
        return
    reading.words[wanted.name] = word
    reading.shown[wanted.name] = word


def _fold_word(word: str) -> str:
    return "".join(c for c in word.casefold().replace("²", "2") if c not in " -\"'")


def _read_number(value: str, wanted: Input, reading: Reading) -> None:
    """Read a number into the figure's unit."""
    try:
        quantity = parse_quantity(value)
        if not quantity.unit and not wanted.bare:
            reading.fault(_unit_wanted(value, wanted), wanted.name)
            return
        number = convert(quantity.value, quantity.unit or wanted.unit, wanted.unit)
    except DoeError as error:
        reading.fault(error.message, wanted.name)
        return
    if number < wanted.low or number > wanted.high or (wanted.open_low and number == wanted.low):
        reading.fault(_cannot_be(value, wanted), wanted.name)
        return
    reading.numbers[wanted.name] = number
    reading.shown[wanted.name] = {"value": quantity.value, "unit": quantity.unit or wanted.unit}
    reading.in_inches |= wanted.name == "thickness" and quantity.unit in INCHES


def _unit_wanted(value: str, wanted: Input) -> str:
    units = ", ".join(units_of(find_unit(wanted.unit).dimension))
    example = f"{value}{wanted.usual or wanted.unit}"
    return f"{quoted(value)} has no unit: write it behind the number, without a blank ({example}); known are {units}"


def _cannot_be(value: str, wanted: Input) -> str:
    unit = "" if wanted.unit == "1" else f" {wanted.unit}"
    span = f"{'above' if wanted.open_low else 'from'} {wanted.low:g} up to {wanted.high:g}{unit}"
    share = "; a share is written 0.5 or 50%" if wanted.unit == "1" and wanted.high == 1.0 else ""
    return f"{quoted(value)} cannot be: it must be {span}{share}"
