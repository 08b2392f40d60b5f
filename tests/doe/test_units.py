"""Units and numbers as people write them. The oracle for conversion factors is pint (its registry as installed)."""

from __future__ import annotations

import contextlib
import math
from fractions import Fraction

import numpy as np
import pint
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.errors import DoeError
from doe.numerals import parse_number, read_number
from doe.units import (
    UNITS,
    Quantity,
    convert,
    find_unit,
    is_unit,
    parse_quantity,
    read_in_unit,
    same_dimension,
    to_unit,
    units_of,
)

PINT = pint.UnitRegistry()
# How pint spells what we spell otherwise; None: pint has no such unit, or counts it in radians.
PINT_NAMES = {
    "mohm": "milliohm",
    "mm2": "mm**2",
    "cm2": "cm**2",
    "m2": "m**2",
    "in2": "inch**2",
    "cm3": "cm**3",
    "m3": "m**3",
    "in3": "inch**3",
    "ft3": "foot**3",
    "in": "inch",
    "min": "minute",
    "h": "hour",
    "l": "liter",
    "mm/min": "mm/minute",
    "cm/min": "cm/minute",
    "m/min": "m/minute",
    "in/s": "inch/s",
    "in/min": "inch/minute",
    "ft/min": "foot/minute",
    "mm/rev": "mm/turn",
    "in/rev": "inch/turn",
    "ft lbf": "foot * force_pound",
    "kJ/in": "kJ/inch",
    "J/in": "J/inch",
    "kg/h": "kg/hour",
    "g/min": "g/minute",
    "lb/h": "lb/hour",
    "lb/ft": "lb/foot",
    "g/cm3": "g/cm**3",
    "kg/m3": "kg/m**3",
    "g/l": "g/liter",
    "mg/l": "mg/liter",
    "mol/l": "mol/liter",
    "l/min": "liter/minute",
    "ml/min": "ml/minute",
    "l/h": "liter/hour",
    "ft3/h": "foot**3/hour",
    "lbf": "force_pound",
    "ksi": "kilopsi",
    "Pa s": "Pa * s",
    "mPa s": "mPa * s",
    "rev/min": "turn/minute",
    "deg": "degree",
    "1": "dimensionless",
    "%": "percent",
    "K": "kelvin",
    "ml/100 g": None,
    "HV": None,
    "HB": None,
    "HRC": None,
    "mark": None,
}
PAIRS = [
    (first, second)
    for first in UNITS
    for second in units_of(UNITS[first].dimension)
    if PINT_NAMES.get(first, first) and PINT_NAMES.get(second, second)
]


def by_pint(value: float, first: str, second: str) -> float:
    first, second = PINT_NAMES.get(first, first), PINT_NAMES.get(second, second)
    return float(PINT.Quantity(value, first).to(second).magnitude)


@pytest.mark.parametrize("first", sorted({first for first, _ in PAIRS}))
def test_every_conversion_agrees_with_pint(first: str) -> None:
    for _, second in (pair for pair in PAIRS if pair[0] == first):
        assert convert(37.3, first, second) == pytest.approx(by_pint(37.3, first, second), rel=1e-12), second


def test_few_units_are_without_an_oracle() -> None:
    assert {symbol for symbol in UNITS if PINT_NAMES.get(symbol, symbol) is None} == {
        "ml/100 g",
        "HV",
        "HB",
        "HRC",
        "mark",
    }


@pytest.mark.parametrize(("first", "second"), [("degC", "degF"), ("degF", "degC"), ("K", "degF"), ("degC", "K")])
def test_temperature_differences_agree_with_pint(first: str, second: str) -> None:
    wanted = PINT.Quantity(50.0, f"delta_{first}" if first != "K" else "kelvin")
    expected = wanted.to(f"delta_{second}" if second != "K" else "kelvin").magnitude
    assert convert(50.0, first, second, difference=True) == pytest.approx(expected, rel=1e-12)


def test_a_rise_of_50_degf_is_28_degc_and_not_10() -> None:
    # The trap is common practice; both numbers follow from 5/9 K per degree Fahrenheit.
    assert convert(50.0, "degF", "degC", difference=True) == pytest.approx(27.8, abs=0.05)
    assert convert(50.0, "degF", "degC") == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("value", "first", "second", "expected", "digits"),
    [
        # Recomputed from the definitions of inch and foot; the rounded values are those of any handbook table.
        (1.0, "in/min", "mm/s", 0.423333, 6),
        (1.0, "m/min", "mm/s", 16.6667, 4),
        (1.0, "m/min", "in/min", 39.370, 3),
        (1.0, "kJ/in", "kJ/mm", 0.0393701, 7),
        (1.0, "kJ/cm", "kJ/mm", 0.1, 12),
        (4.0, "m/min", "in/min", 157.0, 0),
    ],
)
def test_trade_conversions_have_their_handbook_values(
    value: float, first: str, second: str, expected: float, digits: int
) -> None:
    assert round(convert(value, first, second), digits) == expected


def test_arrays_convert_elementwise_and_stay_arrays() -> None:
    converted = convert(np.array([32.0, 212.0]), "degF", "degC")
    np.testing.assert_allclose(converted, [0.0, 100.0], atol=1e-12)


def test_the_same_unit_leaves_the_number_exactly_alone() -> None:
    assert convert(0.1 + 0.2, "ipm", "in/min") == 0.1 + 0.2


def test_conversion_there_and_back_gives_the_number_again() -> None:
    for first, second in PAIRS:
        assert convert(convert(123.456, first, second), second, first) == pytest.approx(123.456, rel=1e-12)


@given(
    pair=st.sampled_from(PAIRS),
    value=st.floats(-1e9, 1e9, allow_nan=False),
)
@settings(deadline=None)
def test_any_number_survives_the_way_there_and_back(pair: tuple[str, str], value: float) -> None:
    there = convert(value, *pair, difference=True)
    assert convert(there, pair[1], pair[0], difference=True) == pytest.approx(value, rel=1e-12, abs=1e-300)


@pytest.mark.parametrize("symbol", UNITS)
def test_every_symbol_and_spelling_finds_its_unit(symbol: str) -> None:
    unit = UNITS[symbol]
    for spelling in (symbol, *unit.spellings):
        assert find_unit(spelling) is unit
        assert is_unit(spelling)


@pytest.mark.parametrize(
    ("written", "symbol"),
    [
        ("°C", "degC"),
        ("° F", "degF"),
        ("deg C", "degC"),
        ("℃", "degC"),
        ("ºF", "degF"),
        ("mm²", "mm2"),
        ("µm", "um"),
        ("μm", "um"),
        ("m / min", "m/min"),
        ("IPM", "in/min"),
        ("MM", "mm"),
        ("Inches", "in"),
        ("in.", "in"),
        ("sec", "s"),
        ("\u2126", "ohm"),
        ("N/mm²", "MPa"),
        ("ml/100g", "ml/100 g"),
        (" kJ/mm ", "kJ/mm"),
        ("", "1"),
    ],
)
def test_units_are_read_as_people_write_them(written: str, symbol: str) -> None:
    assert find_unit(written).symbol == symbol


@pytest.mark.parametrize("written", ["MV", "MA", "Mg", "Ms", "NM", "mpa", "furlong", "gauge", "mm/", "x" * 500])
def test_unknown_units_and_capitals_that_change_the_meaning_are_refused(written: str) -> None:
    assert not is_unit(written)
    with pytest.raises(DoeError, match="is not known"):
        find_unit(written)


def test_an_unknown_unit_names_the_nearest_and_what_measures_the_same() -> None:
    with pytest.raises(DoeError, match=r"“m/mn” is not known; did you mean “m/min”\?; accepted for speed are .*in/min"):
        find_unit("m/mn")


def test_an_unknown_unit_unlike_any_other_names_them_all() -> None:
    with pytest.raises(DoeError, match=r"accepted are V, .*m/min.*degF.*mark"):
        find_unit("@@@")


def test_units_of_different_dimensions_do_not_convert() -> None:
    with pytest.raises(DoeError, match=r"“A” is a unit of current, not of voltage; accepted are V, mV, kV"):
        convert(1.0, "A", "V")


def test_same_dimension_tells_what_converts() -> None:
    assert same_dimension("m/min", "ipm")
    assert not same_dimension("m/min", "min")
    assert same_dimension("", "%")


@pytest.mark.parametrize(
    ("text", "value", "note"),
    [
        ("10", 10.0, ""),
        (" +3.25 ", 3.25, ""),
        ("-3", -3.0, ""),
        ("−3", -3.0, ""),
        ("5.", 5.0, ""),
        (".5", 0.5, ""),
        ("1e-3", 0.001, ""),
        ("1.500", 1.5, ""),
        ("0,5", 0.5, "decimal comma"),
        (",5", 0.5, "decimal comma"),
        ("0,500", 0.5, "decimal comma"),
        ("1500,250", 1500.25, "decimal comma"),
        ("12,25", 12.25, "decimal comma"),
        ("1,5e3", 1500.0, "decimal comma"),
        ("3/32", 0.09375, "fraction"),
        ("1 1/8", 1.125, "fraction"),
        ("1-1/8", 1.125, "fraction"),
        ("-1 1/8", -1.125, "fraction"),
        ("½", 0.5, "fraction"),
        ("2¾", 2.75, "fraction"),
        ("1⁄4", 0.25, "fraction"),
        ("12 500", 12500.0, "thousands separated"),
        ("12\u2009500", 12500.0, "thousands separated"),
        ("12\u202f500,5", 12500.5, "thousands separated, decimal comma"),
        ("1,234,567", 1234567.0, "thousands separated"),
        ("1,234.5", 1234.5, "thousands separated"),
        ("1.234,5", 1234.5, "thousands separated, decimal comma"),
        ("1.234.567", 1234567.0, "thousands separated"),
    ],
)
def test_numbers_are_read_as_people_write_them(text: str, value: float, note: str) -> None:
    assert read_number(text) == (value, note)
    assert parse_number(text) == value


@pytest.mark.parametrize("text", ["1,500", "12,345", "123,456", "-1,500"])
def test_a_comma_with_three_digits_is_refused_with_both_readings(text: str) -> None:
    decimal, whole = text.lstrip("-").replace(",", "."), text.lstrip("-").replace(",", "")
    with pytest.raises(DoeError, match=rf"can be read as {decimal} \(decimal comma\) or as {whole} \(comma between"):
        read_number(text)


NO_NUMBERS = [
    "-",
    "nan",
    "inf",
    "0x10",
    "1_000",
    "1.2.3",
    "1,2,3",
    "0,5-",
    "5mm",
    "--3",
    "１２",
    "three",
    "1/2/3",
    "1e",
    "1e9999",
    "½½",
    "1,23,456",
    "12,34.5",
]


@pytest.mark.parametrize("text", ["", " ", "1 2", "0 500", "1 234 56", "½ 1", "9" * 61, *NO_NUMBERS])
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(DoeError, match="is not a number"):
        read_number(text)


@pytest.mark.parametrize("text", ["3/0", "1 9/8", "1 8/8"])
def test_improper_fractions_are_refused(text: str) -> None:
    with pytest.raises(DoeError, match="is not a proper fraction"):
        read_number(text)


def test_a_number_beyond_all_bounds_is_refused() -> None:
    with pytest.raises(DoeError, match="too large"):
        read_number("1e400")


@given(st.floats(allow_nan=False, allow_infinity=False))
@settings(deadline=None)
def test_every_printed_float_is_read_back_exactly(value: float) -> None:
    assert parse_number(repr(value)) == value


@given(st.integers(0, 999), st.integers(1, 64), st.integers(1, 64))
@settings(deadline=None)
def test_every_proper_fraction_is_read_exactly(whole: int, top: int, bottom: int) -> None:
    text = f"{whole} {top}/{bottom}"
    if top >= bottom:
        with pytest.raises(DoeError, match="proper fraction"):
            parse_number(text)
    else:
        assert parse_number(text) == pytest.approx(float(whole + Fraction(top, bottom)), rel=1e-15)


@given(st.integers(0, 10**6), st.integers(0, 99))
@settings(deadline=None)
def test_a_decimal_comma_with_two_digits_reads_as_a_point(whole: int, cents: int) -> None:
    assert parse_number(f"{whole},{cents:02d}") == float(f"{whole}.{cents:02d}")


@given(st.text(max_size=80))
@settings(deadline=None)
def test_any_text_is_read_or_refused_without_another_exception(text: str) -> None:
    for read in (read_number, parse_quantity, find_unit):
        with contextlib.suppress(DoeError):
            read(text)


@given(st.text(alphabet="0123456789.,-+/ ½eEmin°\"'", max_size=20))
@settings(deadline=None)
def test_any_mixture_of_digits_and_signs_is_read_or_refused(text: str) -> None:
    try:
        quantity = parse_quantity(text)
    except DoeError:
        return
    assert math.isfinite(quantity.value)
    assert quantity.unit == "" or quantity.unit in UNITS


@pytest.mark.parametrize(
    ("text", "quantity"),
    [
        ("10 mm", Quantity(10.0, "mm")),
        ("3/32 in", Quantity(0.09375, "in", "fraction")),
        ("1 1/8 in", Quantity(1.125, "in", "fraction")),
        ('1/4"', Quantity(0.25, "in", "fraction")),
        ("1½ in", Quantity(1.5, "in", "fraction")),
        ("0,5 mm", Quantity(0.5, "mm", "decimal comma")),
        ("250mm/min", Quantity(250.0, "mm/min")),
        ("30 s", Quantity(30.0, "s")),
        ("16 A", Quantity(16.0, "A")),
        ("230v", Quantity(230.0, "V")),
        ("5 ml/100 g", Quantity(5.0, "ml/100 g")),
        ("50%", Quantity(50.0, "%")),
        ("70 °F", Quantity(70.0, "degF")),
        ("70 F", Quantity(70.0, "degF")),
        ("−3 °C", Quantity(-3.0, "degC")),
        ("12", Quantity(12.0)),
        ("1e3 mm", Quantity(1000.0, "mm")),
        ("3 marks", Quantity(3.0, "mark")),
    ],
)
def test_quantities_are_read_as_people_write_them(text: str, quantity: Quantity) -> None:
    assert parse_quantity(text) == quantity


@pytest.mark.parametrize("text", ["", "mm", "about 5 mm", "nan mm", "~3", "x" * 300])
def test_what_has_no_number_is_no_quantity(text: str) -> None:
    with pytest.raises(DoeError, match="is not a quantity; write a number and its unit"):
        parse_quantity(text)


def test_a_quantity_in_an_ambiguous_number_is_refused_too() -> None:
    with pytest.raises(DoeError, match="“1,500” can be read as"):
        parse_quantity("1,500 mm")


def test_feet_and_inches_together_are_refused() -> None:
    with pytest.raises(DoeError, match="is not known"):
        parse_quantity("5' 3\"")


def test_a_bare_number_is_in_the_wanted_unit_or_in_the_default() -> None:
    assert to_unit("10", "mm") == 10.0
    assert to_unit(10, "mm") == 10.0
    assert to_unit("10", "mm/s", default="m/min") == pytest.approx(166.667, abs=5e-4)
    assert to_unit("1/4 in", "mm") == pytest.approx(6.35)


def test_every_conversion_can_be_listed() -> None:
    assert read_in_unit("3/32 in", "mm") == (pytest.approx(2.38125), "fraction, in to mm")
    assert read_in_unit("0,5", "mm") == (0.5, "decimal comma")
    assert read_in_unit(2.0, "mm", default="in") == (pytest.approx(50.8), "in to mm")
    assert read_in_unit("2 mm", "mm") == (2.0, "")


def test_a_scatter_converts_as_a_difference() -> None:
    assert to_unit("50 degF", "degC", difference=True) == pytest.approx(27.8, abs=0.05)


def test_the_wrong_dimension_says_what_is_accepted() -> None:
    with pytest.raises(DoeError, match=r"“A” is a unit of current, not of length; accepted are mm"):
        to_unit("16 A", "mm")


def test_an_unknown_unit_lists_those_of_the_wanted_dimension() -> None:
    with pytest.raises(
        DoeError, match=r"“furlong” is not known; accepted for length are mm, um, nm, cm, m, in, thou, ft"
    ):
        to_unit("3 furlong", "mm")


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_numbers_that_are_none_are_refused(value: float) -> None:
    with pytest.raises(DoeError, match="not a number that can be used"):
        to_unit(value, "mm")
