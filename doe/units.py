"""Units and quantities as people write them.

Only the units listed here are known (``UNITS``); each belongs to one dimension and converts within it.

Conversion factors: the inch (25.4 mm), pound (0.453 592 37 kg), foot and standard atmosphere are exact by definition
(International yard and pound agreement, 1959; SI brochure); the tests check every factor against pint.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, overload

from doe.errors import DoeError, nearest, quoted
from doe.numerals import BLANKS, LONGEST_TEXT, SIGNS, VULGAR, read_number

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Unit:
    """One known unit.

    Attributes
    ----------
    symbol : str
        As it is printed.
    dimension : str
        What it measures: "length", "speed" ...
    factor : float
        Size, counted in the unit of its dimension whose factor is 1.
    zero : float
        Where the dimension's zero lies on this unit's own scale (temperatures).
    spellings : tuple of str
        Other ways in which it is written.
    """

    symbol: str
    dimension: str
    factor: float
    zero: float = 0.0
    spellings: tuple[str, ...] = ()


@dataclass(frozen=True)
class Quantity:
    """A number with its unit ("" where none was written) and how the number was written ("" where plainly)."""

    value: float
    unit: str = ""
    note: str = ""


INCH_MM: Final = 25.4
"""International inch. [mm] Exact by definition, 1959."""
POUND_G: Final = 453.59237
"""International avoirdupois pound. [g] Exact by definition, 1959."""
POUND_FORCE_N: Final = 4.4482216152605
"""Pound-force: the pound times standard gravity 9.80665 m/s2. [N] Exact by definition."""
PSI_PA: Final = POUND_FORCE_N / 0.0254**2
"""Pound-force per square inch. [Pa]"""

_TABLE: Final = (
    Unit("V", "voltage", 1.0, spellings=("v", "volt", "volts")),
    Unit("mV", "voltage", 1e-3),
    Unit("kV", "voltage", 1e3),
    Unit("A", "current", 1.0, spellings=("a", "amp", "amps", "ampere", "amperes")),
    Unit("mA", "current", 1e-3),
    Unit("W", "power", 1.0, spellings=("w", "watt", "watts")),
    Unit("kW", "power", 1e3),
    Unit("ohm", "resistance", 1.0, spellings=("Ω", "ohms")),
    Unit("mohm", "resistance", 1e-3, spellings=("mΩ",)),
    Unit("mm", "length", 1.0, spellings=("millimetre", "millimetres", "millimeter", "millimeters")),
    Unit("um", "length", 1e-3, spellings=("micron", "microns")),
    Unit("nm", "length", 1e-6),
    Unit("cm", "length", 10.0, spellings=("centimetre", "centimetres", "centimeter", "centimeters")),
    Unit("m", "length", 1000.0, spellings=("metre", "metres", "meter", "meters")),
    Unit("in", "length", INCH_MM, spellings=('"', "″", "”", "''", "inch", "inches")),
    Unit("thou", "length", INCH_MM / 1000),
    Unit("ft", "length", 12 * INCH_MM, spellings=("'", "′", "’", "foot", "feet")),
    Unit("mm2", "area", 1.0),
    Unit("cm2", "area", 100.0),
    Unit("m2", "area", 1e6),
    Unit("in2", "area", INCH_MM**2),
    Unit("ml", "volume", 1.0, spellings=("mL",)),
    Unit("cm3", "volume", 1.0, spellings=("cc",)),
    Unit("l", "volume", 1000.0, spellings=("L", "litre", "litres", "liter", "liters")),
    Unit("m3", "volume", 1e6),
    Unit("in3", "volume", INCH_MM**3 / 1000),
    Unit("ft3", "volume", (12 * INCH_MM) ** 3 / 1000),
    Unit("mm/s", "speed", 1.0, spellings=("mm/sec",)),
    Unit("mm/min", "speed", 1 / 60),
    Unit("cm/s", "speed", 10.0),
    Unit("cm/min", "speed", 10 / 60),
    Unit("m/s", "speed", 1000.0),
    Unit("m/min", "speed", 1000 / 60, spellings=("mpm",)),
    Unit("in/s", "speed", INCH_MM, spellings=("ips", "in/sec")),
    Unit("in/min", "speed", INCH_MM / 60, spellings=("ipm", "inch/min", "inches/min")),
    Unit("ft/min", "speed", 12 * INCH_MM / 60, spellings=("fpm",)),
    Unit("mm/rev", "feed per turn", 1.0),
    Unit("in/rev", "feed per turn", INCH_MM, spellings=("ipr",)),
    Unit("degC", "temperature", 1.0, spellings=("C", "deg C", "celsius")),
    Unit("degF", "temperature", 5 / 9, 32.0, spellings=("F", "deg F", "fahrenheit")),
    Unit("K", "temperature", 1.0, 273.15, spellings=("kelvin",)),
    Unit("s", "time", 1.0, spellings=("sec", "secs", "second", "seconds")),
    Unit("ms", "time", 1e-3),
    Unit("min", "time", 60.0, spellings=("mins", "minute", "minutes")),
    Unit("h", "time", 3600.0, spellings=("hr", "hrs", "hour", "hours")),
    Unit("day", "time", 86400.0, spellings=("days",)),
    Unit("J", "energy", 1.0, spellings=("joule", "joules")),
    Unit("kJ", "energy", 1e3),
    Unit("ft lbf", "energy", 0.3048 * POUND_FORCE_N, spellings=("ft lb", "ft-lb", "ft-lbf")),
    Unit("kJ/mm", "energy per length", 1.0),
    Unit("J/mm", "energy per length", 1e-3),
    Unit("kJ/cm", "energy per length", 0.1),
    Unit("kJ/m", "energy per length", 1e-3),
    Unit("kJ/in", "energy per length", 1 / INCH_MM),
    Unit("J/in", "energy per length", 1e-3 / INCH_MM),
    Unit("g", "mass", 1.0, spellings=("gram", "grams")),
    Unit("mg", "mass", 1e-3),
    Unit("kg", "mass", 1e3, spellings=("kilogram", "kilograms")),
    Unit("lb", "mass", POUND_G, spellings=("lbs", "pound", "pounds")),
    Unit("oz", "mass", POUND_G / 16, spellings=("ounce", "ounces")),
    Unit("kg/h", "mass rate", 1.0, spellings=("kg/hr",)),
    Unit("g/min", "mass rate", 0.06),
    Unit("g/s", "mass rate", 3.6),
    Unit("lb/h", "mass rate", POUND_G / 1000, spellings=("lb/hr", "lbs/h", "lbs/hr")),
    Unit("g/m", "mass per length", 1.0),
    Unit("lb/ft", "mass per length", POUND_G / 0.3048),
    Unit("g/cm3", "density", 1.0),
    Unit("kg/m3", "density", 1e-3),
    Unit("g/l", "mass concentration", 1.0, spellings=("g/L",)),
    Unit("mg/l", "mass concentration", 1e-3, spellings=("mg/L",)),
    Unit("mol/l", "concentration", 1.0, spellings=("mol/L",)),
    Unit("ml/100 g", "diffusible hydrogen", 1.0, spellings=("ml/100g", "mL/100 g", "mL/100g", "cm3/100 g")),
    Unit("l/min", "flow", 1.0, spellings=("L/min", "lpm")),
    Unit("ml/min", "flow", 1e-3, spellings=("mL/min",)),
    Unit("l/h", "flow", 1 / 60, spellings=("L/h",)),
    Unit("ft3/h", "flow", (12 * INCH_MM) ** 3 / 1e6 / 60, spellings=("cfh",)),
    Unit("N", "force", 1.0, spellings=("newton", "newtons")),
    Unit("kN", "force", 1e3),
    Unit("lbf", "force", POUND_FORCE_N),
    Unit("MPa", "pressure", 1.0, spellings=("N/mm2",)),
    Unit("Pa", "pressure", 1e-6),
    Unit("kPa", "pressure", 1e-3),
    Unit("GPa", "pressure", 1e3),
    Unit("bar", "pressure", 0.1),
    Unit("mbar", "pressure", 1e-4),
    Unit("atm", "pressure", 0.101325),
    Unit("torr", "pressure", 0.101325 / 760, spellings=("Torr",)),
    Unit("psi", "pressure", PSI_PA / 1e6, spellings=("lbf/in2",)),
    Unit("ksi", "pressure", PSI_PA / 1e3),
    Unit("Pa s", "viscosity", 1.0),
    Unit("mPa s", "viscosity", 1e-3),
    Unit("cP", "viscosity", 1e-3),
    Unit("Hz", "frequency", 1.0, spellings=("hz", "hertz")),
    Unit("kHz", "frequency", 1e3),
    Unit("rev/min", "turning speed", 1.0, spellings=("rpm", "r/min")),
    Unit("deg", "angle", 1.0, spellings=("degree", "degrees")),
    Unit("rad", "angle", 180 / math.pi),
    Unit("1", "ratio", 1.0, spellings=("dimensionless",)),
    Unit("%", "ratio", 0.01, spellings=("percent", "per cent", "pct")),
    Unit("ppm", "ratio", 1e-6),
    Unit("HV", "Vickers hardness", 1.0, spellings=("HV10", "HV5", "HV1")),
    Unit("HB", "Brinell hardness", 1.0, spellings=("HBW",)),
    Unit("HRC", "Rockwell C hardness", 1.0),
    Unit("mark", "dial marks", 1.0, spellings=("marks",)),
)

UNITS: Final = {unit.symbol: unit for unit in _TABLE}
"""Every known unit by its symbol."""
PRINTED: Final = {"degC": "°C", "degF": "°F", "mm2": "mm²"}
"""How a unit is printed where its plain name is not the usual sign."""

DIMENSIONLESS: Final = "1"
"""The symbol of a bare ratio; an empty unit means the same."""

_SPELLINGS: Final = {name: unit for unit in _TABLE for name in (unit.symbol, *unit.spellings)}
_CASE_MATTERS: Final = frozenset({"mV", "mA", "mohm", "mΩ", "nm", "mg", "mg/l", "mg/L", "ms", "mbar", "MPa", "mPa s"})
"""Where a capital means something else: milli and mega, nanometre and newton metre."""
_FOLDED: Final = {
    name.casefold(): unit for name, unit in _SPELLINGS.items() if len(name) > 1 and name not in _CASE_MATTERS
}
_UNIT_SIGNS: Final = str.maketrans("²³µμº·\u2126", "23uu° Ω")


def find_unit(text: str, *, dimension: str = "") -> Unit:
    """Find a unit by any of its spellings.

    Parameters
    ----------
    text : str
        "mm", "in/min", "ipm", "°C", '"' ...; empty is the bare ratio.
    dimension : str
        What it should measure, where that is known: the message then lists those units only.

    Raises
    ------
    DoeError
        If the unit is not known; the message names the nearest and what is accepted.

    Examples
    --------
    >>> find_unit("IPM").symbol, find_unit("°F").symbol, find_unit("mm²").symbol
    ('in/min', 'degF', 'mm2')
    """
    written = _plain_unit(text)
    if not written:
        return UNITS[DIMENSIONLESS]
    unit = _SPELLINGS.get(written) or _FOLDED.get(written.casefold())
    if unit is None:
        near = nearest(written, _SPELLINGS)
        hint = f"; did you mean “{near}”?" if near else ""
        of = dimension or (_SPELLINGS[near].dimension if near else "")
        accepted = f"accepted for {of} are {', '.join(units_of(of))}" if of else f"accepted are {', '.join(UNITS)}"
        message = f"the unit {quoted(text.strip())} is not known{hint}; {accepted}"
        raise DoeError(message)
    return unit


def _plain_unit(text: str) -> str:
    """Bring the many ways of writing a unit's signs to one."""
    plain = text.strip(BLANKS).translate(_UNIT_SIGNS)
    plain = plain.replace("℃", "°C").replace("℉", "°F").replace("°", "deg").replace("deg ", "deg")
    plain = re.sub(r"\s*/\s*", "/", re.sub(r"\s+", " ", plain))
    return plain[:-1] if plain.endswith(".") else plain


def printed_unit(unit: str) -> str:
    """Give the sign a welder reads for a unit.

    Examples
    --------
    >>> printed_unit("degC"), printed_unit("m/min"), printed_unit("")
    ('°C', 'm/min', '')
    """
    return PRINTED.get(unit, unit)


def is_unit(text: str) -> bool:
    """Whether the text is a known unit."""
    written = _plain_unit(text)
    return not written or written in _SPELLINGS or written.casefold() in _FOLDED


def units_of(dimension: str) -> tuple[str, ...]:
    """Give the symbols of a dimension's units."""
    return tuple(unit.symbol for unit in _TABLE if unit.dimension == dimension)


def same_dimension(first: str, second: str) -> bool:
    """Whether two units measure the same thing, so that one converts to the other."""
    return find_unit(first).dimension == find_unit(second).dimension


@overload
def convert(value: float, from_unit: str, to_unit: str, *, difference: bool = False) -> float: ...
@overload
def convert(value: FloatArray, from_unit: str, to_unit: str, *, difference: bool = False) -> FloatArray: ...
def convert(value: float | FloatArray, from_unit: str, to_unit: str, *, difference: bool = False) -> float | FloatArray:
    """Convert between two units of one dimension.

    Parameters
    ----------
    value : float or ndarray
        In ``from_unit``.
    from_unit, to_unit : str
        Any spelling of a known unit.
    difference : bool
        Whether the value is a difference, a scatter or a step: temperatures then convert without their zero.

    Raises
    ------
    DoeError
        If a unit is not known or the two measure different things.

    Examples
    --------
    >>> convert(68.0, "degF", "degC")
    20.0
    >>> convert(50.0, "degF", "degC", difference=True)
    27.8
    """
    source, target = find_unit(from_unit), find_unit(to_unit)
    if source.dimension != target.dimension:
        accepted = ", ".join(units_of(target.dimension))
        message = f"“{from_unit}” is a unit of {source.dimension}, not of {target.dimension}; accepted are {accepted}"
        raise DoeError(message)
    if source == target:
        return value
    if difference:
        return value * source.factor / target.factor
    return (value - source.zero) * source.factor / target.factor + target.zero


_QUANTITY: Final = re.compile(
    rf"([+\-]?[ ]*(?:[0-9]|[.,](?=[0-9])|[{VULGAR}])(?:[0-9., /{VULGAR}]|-(?=[0-9]))*(?:[eE][+-]?[0-9]{{1,3}})?)(.*)",
    re.DOTALL,
)


def parse_quantity(text: str) -> Quantity:
    """Read a number with or without a unit.

    Parameters
    ----------
    text : str
        "10 mm", "3/32 in", '1/4"', "0,5 mm", "250mm/min", "16 A", "12".

    Returns
    -------
    Quantity
        ``unit`` is the known symbol, empty where none was written.

    Raises
    ------
    DoeError
        If the number or the unit is not understood.

    Examples
    --------
    >>> parse_quantity("250mm/min")
    Quantity(value=250.0, unit='mm/min', note='')
    """
    value, note, unit = _split_quantity(text)
    return Quantity(value, find_unit(unit).symbol if unit else "", note)


def _split_quantity(text: str) -> tuple[float, str, str]:
    """Give the number, how it was written, and the unit's text."""
    written = text.strip(BLANKS).translate(SIGNS)
    match = _QUANTITY.fullmatch(written) if len(written) <= 2 * LONGEST_TEXT else None
    if not match:
        message = f"{quoted(text)} is not a quantity; write a number and its unit, such as “10 mm” or “3/32 in”"
        raise DoeError(message)
    return *read_number(match[1].strip()), match[2].strip()


def read_in_unit(
    value: str | float, unit: str, *, default: str | None = None, difference: bool = False
) -> tuple[float, str]:
    """Read a text or number into a unit, and say what was converted.

    Parameters
    ----------
    value : str or float
        A quantity as written; a bare number is in ``default``.
    unit : str
        The unit wanted.
    default : str or None
        The unit of a bare number; None: the unit wanted.
    difference : bool
        Whether it is a difference, a scatter or a step.

    Returns
    -------
    value : float
        In ``unit``.
    note : str
        How the number was written and which unit it was converted from; empty where nothing was done.

    Raises
    ------
    DoeError
        If it is not understood, not finite, or measures something else.
    """
    number, note, written = _split_quantity(value) if isinstance(value, str) else (float(value), "", "")
    if not math.isfinite(number):
        message = f"{value} is not a number that can be used"
        raise DoeError(message)
    target = find_unit(unit)
    fallback = unit if default is None else default
    source = find_unit(written or fallback, dimension=target.dimension)
    converted = convert(number, source.symbol, target.symbol, difference=difference)
    moved = "" if source == target else f"{source.symbol} to {target.symbol}"
    return converted, ", ".join(part for part in (note, moved) if part)


def to_unit(value: str | float, unit: str, *, default: str | None = None, difference: bool = False) -> float:
    """Read a text or number into a unit; see ``read_in_unit``.

    Examples
    --------
    >>> to_unit("1/4 in", "mm")
    6.35
    >>> to_unit("10", "mm/s", default="m/min")
    166.667
    """
    return read_in_unit(value, unit, default=default, difference=difference)[0]
