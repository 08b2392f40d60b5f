"""What can be set: every form of a factor, and what is refused."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.errors import StudyError
from doe.study import Factor, Study, parse_study
from doe.study.factors import steps

Parse = Callable[..., Study]
Refused = Callable[..., None]


def factor(body: str, name: str = "voltage") -> str:
    return f'[[factor]]\nname = "{name}"\n{body}\n'


WIRE = factor('kinds = ["A", "B"]', "wire")


def test_a_table_of_marks_is_calibrated_with_uneven_spacing(parse: Parse) -> None:
    body = 'unit = "V"\nmarks = { "1" = 17.0, "2" = 18.4, "3" = 19.6 }\nset_within = 0.2'
    assert parse(factor=factor(body)).factors == (
        Factor(
            "voltage",
            role="voltage",
            unit="V",
            values=(17.0, 18.4, 19.6),
            marks=("1", "2", "3"),
            calibrated=True,
            set_within=0.2,
        ),
    )


def test_marks_may_be_calibrated_in_texts_of_another_unit(parse: Parse) -> None:
    body = 'unit = "m/min"\nmarks = { A = "100 ipm", B = "200 in/min" }'
    assert parse(factor=factor(body, "feed")).factors[0].values == pytest.approx((2.54, 5.08))


@pytest.mark.parametrize("marks", ['["A", "B", "C"]', '["7", "8", "9"]', "[7, 8, 9]"])
def test_a_list_of_marks_counts_one_two_three_without_a_unit(parse: Parse, marks: str) -> None:
    found = parse(factor=factor(f"marks = {marks}")).factors[0]
    assert found.values == (1.0, 2.0, 3.0)
    assert not found.calibrated
    assert (found.unit, found.is_continuous) == ("", False)
    assert found.marks in {("A", "B", "C"), ("7", "8", "9")}


def test_a_dial_of_bare_numbers_shows_the_value_itself(parse: Parse) -> None:
    found = parse(factor=factor('unit = "mark"\nlow = 0\nhigh = 10\nstep = 0.5', "feed")).factors[0]
    assert found.values[:3] == (0.0, 0.5, 1.0)
    assert found.values[-1] == 10.0
    assert (found.unit, found.marks, found.calibrated, found.is_continuous) == ("mark", (), False, True)
    assert found.role == "feed"


def test_a_range_has_its_steps_and_always_its_high_end(parse: Parse) -> None:
    body = 'unit = "m/min"\nlow = 5.0\nhigh = 6.1\nstep = 0.25'
    found = parse(factor=factor(body, "feed")).factors[0]
    assert found.values == (5.0, 5.25, 5.5, 5.75, 6.0, 6.1)
    assert found.is_continuous
    assert found.calibrated


def test_a_range_without_a_step_has_a_hundred(parse: Parse) -> None:
    values = parse(factor=factor("low = -1\nhigh = 1", "x1")).factors[0].values
    assert len(values) == 101
    assert values[:3] == (-1.0, -0.98, -0.96)
    assert values[50] == 0.0
    assert values[-1] == 1.0


@given(st.floats(-1e6, 1e6), st.floats(1e-3, 1e6), st.integers(1, 300))
@settings(deadline=None)
def test_steps_rise_from_low_to_high(low: float, width: float, count: int) -> None:
    values = steps(low, low + width, width / count)
    assert (values[0], values[-1]) == (low, low + width)
    assert all(a < b for a, b in itertools.pairwise(values))
    assert len(values) in {count + 1, count + 2}


def test_amounts_are_read_in_any_unit_and_differences_as_differences(parse: Parse) -> None:
    body = 'unit = "degC"\nlow = "68 degF"\nhigh = "212 degF"\nstep = "18 degF"\nset_within = "9 degF"'
    found = parse(factor=factor(body, "preheat")).factors[0]
    assert found.values == pytest.approx(tuple(range(20, 101, 10)))
    assert found.set_within == pytest.approx(5.0)
    assert found.role == "preheat"


def test_levels_are_the_only_values(parse: Parse) -> None:
    found = parse(factor=factor('unit = "°C"\nlevels = [20, 70, 120]\nhard_to_change = true', "preheat")).factors[0]
    assert found == Factor("preheat", "preheat", "degC", (20.0, 70.0, 120.0), hard_to_change=True)


def test_levels_of_dial_marks_are_not_calibrated(parse: Parse) -> None:
    assert not parse(factor=factor('unit = "mark"\nlevels = [1, 2, 5]')).factors[0].calibrated


def test_kinds_have_no_values_and_no_unit(parse: Parse) -> None:
    assert parse(factor=WIRE).factors == (Factor("wire", kinds=("A", "B")),)
    assert parse(factor=factor("kinds = [1, 2]", "spool")).factors[0].kinds == ("1", "2")


def test_ranges_by_kind_span_all_and_name_their_factor(parse: Parse) -> None:
    body = 'unit = "m/min"\nranges = { B = [4.0, 7.0], A = [5.25, 9.0] }\nstep = 0.5'
    found = parse(factor=WIRE + factor(body, "feed")).factors[1]
    assert found.ranges == (("A", 5.25, 9.0), ("B", 4.0, 7.0))
    assert found.range_by == "wire"
    assert found.is_continuous
    assert found.values[:4] == (4.0, 4.5, 5.0, 5.25)
    assert found.values[-1] == 9.0


def test_ranges_may_stand_before_their_kinds(parse: Parse) -> None:
    study = parse(factor=factor("ranges = { A = [5, 9], B = [4, 7] }", "feed") + WIRE)
    assert study.factors[0].range_by == "wire"
    assert study.coding["feed"].centres == (7.0, 5.5)


@pytest.mark.parametrize(
    ("name", "unit", "role"),
    [
        ("voltage", "V", "voltage"),
        ("Volts", "V", "voltage"),
        ("volt", "mark", "voltage"),
        ("feed", "in/min", "feed"),
        ("wire  feed", "m/min", "feed"),
        ("Wire speed", "mm/s", "feed"),
        ("feed", "%", "feed"),
        ("preheat", "degF", "preheat"),
        ("voltage", "", "voltage"),
        ("feed", "in/rev", "other"),
        ("speed", "m/min", "other"),
        ("x1", "", "other"),
    ],
)
def test_the_role_comes_from_the_name_where_the_unit_allows_it(parse: Parse, name: str, unit: str, role: str) -> None:
    assert parse(factor=factor(f'unit = "{unit}"\nlow = 1\nhigh = 2', name)).factors[0].role == role


def test_a_stated_role_goes_before_the_name(parse: Parse) -> None:
    body = 'unit = "V"\nrole = "voltage"\nlow = 1\nhigh = 2'
    both = factor(body, "tap") + factor('unit = "V"\nlow = 1\nhigh = 2', "voltage")
    assert [f.role for f in parse(factor=both).factors] == ["voltage", "other"]
    assert parse(factor=factor('role = "other"\nlow = 1\nhigh = 2', "feed")).factors[0].role == "other"


def test_kinds_named_like_a_role_have_none(parse: Parse) -> None:
    assert parse(factor=factor('kinds = ["slow", "quick"]', "feed")).factors[0].role == "other"


def test_coated_steel_is_accepted_when_it_is_acknowledged(parse: Parse) -> None:
    body = 'kinds = ["bare", "galvanised"]\ncoated_steel_acknowledged = true'
    assert parse(factor=factor(body, "surface")).factors[0].kinds == ("bare", "galvanised")


def test_copper_coated_wire_is_no_coated_steel(parse: Parse) -> None:
    assert parse(factor=factor('kinds = ["copper coated", "bare"]', "wire")).factors[0].is_kind


@pytest.mark.parametrize(
    ("body", "where", "match"),
    [
        ("", "", "takes exactly one of marks, low and high, levels, kinds or ranges; none of them is given"),
        ("low = 1\nhigh = 2\nlevels = [1, 2]", "", "low and high and levels are given together"),
        ("low = 1", ".high", "a range needs both low and high; high is missing"),
        ("high = 1", ".low", "low is missing"),
        ("low = 2\nhigh = 2", ".low", r"low \(2\) is not below high \(2\)"),
        ("low = 9\nhigh = 5", ".low", r"low \(9\) is not below high \(5\)"),
        ("low = 1\nhigh = 2\nstep = 0", ".step", "“0” is not a step of this range; it must be above 0 and at most 1"),
        ("low = 1\nhigh = 2\nstep = 1.5", ".step", "“1.5” is not a step of this range"),
        ("low = 1\nhigh = 2\nstep = 0.0001", ".step", "more than 2000 steps"),
        ("low = 1e20\nhigh = 1.0000000000001e20", ".step", r"is too fine for numbers as large as 1e\+20"),
        ('low = 1\nhigh = 2\nstep = "fine"', ".step", "“fine” is not a quantity"),
        ("levels = [1, 2]\nstep = 1", ".step", "a step belongs to a range; levels have none"),
        ("levels = [1]", ".levels", "at least two levels; found 1"),
        ("levels = []", ".levels", "at least two levels; found 0"),
        ("levels = [120, 70, 20]", ".levels", "do not rise: 120 is followed by 70; list them from low to high"),
        ("levels = [1, 1]", ".levels", "do not rise: 1 is followed by 1"),
        ('levels = ["a", 2]', ".levels[1]", "“a” is not a quantity"),
        ('marks = { "1" = 17.0, "2" = 16.0 }\nunit = "V"', ".marks", "do not rise from mark “1” to “2”: 17"),
        ('marks = { "1" = 17.0 }', ".marks", "at least two marks; found 1"),
        ('marks = ["A"]', ".marks", "at least two marks; found 1"),
        ('marks = ["A", "a"]', ".marks", "the mark “a” stands twice"),
        ('marks = ["A", ""]', ".marks", "the mark “” is empty"),
        ('marks = ["A", "B;C"]', ".marks", "the mark “B;C” holds “;”"),
        ('marks = ["A", "B"]\nunit = "V"', ".unit", "a list of marks has no values, so it has no unit"),
        ('marks = { A = 1, B = 2 }\nunit = "mark"', ".unit", "calibrated marks have a value in a unit such as V"),
        ('marks = { A = "17 m", B = 18 }\nunit = "V"', '.marks."A"', "“m” is a unit of length, not of voltage"),
        ("marks = 3", ".marks", r"“3” is not accepted; write a list such as"),
        ('unit = "furlong"\nlow = 1\nhigh = 2', ".unit", "the unit “furlong” is not known"),
        ('unit = "furlong"\nlow = "1 V"\nhigh = 2', ".unit", "the unit “furlong” is not known"),
        ('low = "1 V"\nhigh = 2', ".low", r'“1 V” has a unit, but none is stated here; add unit = "V"'),
        ('unit = "V"\nlow = "1 A"\nhigh = 2', ".low", "“A” is a unit of current, not of voltage"),
        ('unit = "V"\nlow = 1\nhigh = "1,500 V"', ".high", "“1,500” can be read as 1.500"),
        ("low = nan\nhigh = 2", ".low", "neither infinite nor “not a number”"),
        ("low = 1\nhigh = inf", ".high", "neither infinite nor “not a number”"),
        ("low = true\nhigh = 2", ".low", "“true” is not accepted; write a number, or a number with its unit"),
        ("low = [1]\nhigh = 2", ".low", "“a list” is not accepted"),
        ("low = 1\nhigh = 2\nset_within = -1", ".set_within", "“-1” is below 0; it is a standard deviation"),
        ('low = 1\nhigh = 2\nrole = "voltge"', ".role", "accepted are voltage, feed, .*; did you mean “voltage”"),
        ('low = 1\nhigh = 2\nunit = "m/min"\nrole = "voltage"', ".role", "needs a unit of voltage; found “m/min”"),
        ('kinds = ["A"]', ".kinds", "at least two kinds; found 1"),
        ('kinds = ["A", "A"]', ".kinds", "the kind “A” stands twice"),
        ('kinds = ["A", "B*C"]', ".kinds", "the kind “B\\*C” holds “\\*”"),
        ('kinds = ["A", "B"]\nunit = "V"', ".unit", "a factor of kinds has no unit"),
        ('kinds = ["A", "B"]\nrole = "feed"', ".role", "a factor of kinds cannot have the role feed"),
        ('kinds = ["A", "B"]\nset_within = 1', ".set_within", "a factor of kinds is set exactly"),
        ('kinds = ["bare", "galvanized"]', ".kinds", "gives off poisonous fume.*coated_steel_acknowledged = true"),
        ('kinds = ["bare", "zinc"]', ".kinds", "“zinc” names a coated surface"),
        ('kinds = ["bare", "Painted"]', ".kinds", "“Painted” names a coated surface"),
        ('kinds = ["bare", "cadmium plated"]', ".kinds", "“cadmium plated” names a coated surface"),
        ('kinds = ["bare", "chromated"]', ".kinds", "“chromated” names a coated surface"),
        ("ranges = { A = [1, 2], B = [2, 3] }", ".ranges", "no factor of kinds is in this study; found .* “A”, “B”"),
        ("low = 1\nhigh = 2\nstp = 1", ".stp", "“stp” is not a key of a factor; did you mean “step”"),
        ("low = 1\nhigh = 2\nhard_to_change = 1", ".hard_to_change", "write true or false"),
    ],
)
def test_a_faulty_factor_is_refused_at_its_key(refused: Refused, body: str, where: str, match: str) -> None:
    refused('factor "voltage"' + where, match, factor=factor(body))


@pytest.mark.parametrize(
    ("ranges", "where", "match"),
    [
        (
            "{ A = [5, 9] }",
            ".ranges",
            "must name every kind of one factor, and no others; found “A”, accepted wire: A, B",
        ),
        ("{ A = [5, 9], B = [4, 7], C = [1, 2] }", ".ranges", "must name every kind"),
        ("{ A = [5, 9], BB = [4, 7] }", ".ranges", "found “A”, “BB”, accepted wire: A, B"),
        ("{ A = [5, 9], B = [4] }", ".ranges.B", "a range is two numbers, low and high; found 1"),
        ("{ A = [9, 5], B = [4, 7] }", ".ranges.A", r"low \(9\) is not below high \(5\)"),
        ('{ A = [5, "9 V"], B = [4, 7] }', ".ranges.A", "“V” is a unit of voltage, not of speed"),
        ("{ A = [5, 9], B = [4, 4.001] }\nstep = 0.5", ".step", "the step 0.5 is wider than one of the ranges"),
        ("{ A = [5, 9], B = [4, 7] }\nstep = -1", ".step", "“-1” is not a step of this range"),
        ("[1, 2]", ".ranges", "write a table in curly brackets"),
    ],
)
def test_faulty_ranges_by_kind_are_refused(refused: Refused, ranges: str, where: str, match: str) -> None:
    refused('factor "feed"' + where, match, factor=WIRE + factor(f'unit = "m/min"\nranges = {ranges}', "feed"))


def test_ranges_that_fit_two_factors_of_kinds_are_refused(refused: Refused) -> None:
    both = WIRE + factor('kinds = ["A", "B"]', "gas") + factor("ranges = { A = [5, 9], B = [4, 7] }", "feed")
    refused('factor "feed".ranges', r"belong to more than one factor \(wire, gas\)", factor=both)


def test_one_role_cannot_be_stated_twice(refused: Refused) -> None:
    body = 'unit = "V"\nrole = "voltage"\nlow = 1\nhigh = 2'
    both = factor(body, "a") + factor(body, "b")
    refused('factor "b".role', "the factor “a” has the role voltage already", factor=both)


def test_a_coating_in_the_name_counts_too(refused: Refused) -> None:
    refused('factor "zinc layer".name', "coated surface", factor=factor('unit = "um"\nlow = 1\nhigh = 2', "zinc layer"))


@pytest.mark.parametrize(
    ("key", "body", "match"),
    [
        ("levels", f"levels = [{', '.join(map(str, range(1001)))}]", "a list may have 1000 entries, this one has 1001"),
        (
            "marks",
            f"marks = {{ {', '.join(f'a{i} = {i}' for i in range(1001))} }}",
            "a table may have 1000 entries, this one has 1001",
        ),
    ],
)
def test_a_list_without_end_is_refused(refused: Refused, key: str, body: str, match: str) -> None:
    refused(f'factor "voltage".{key}', match, factor=factor(body))


def test_a_factor_without_a_name_is_told_by_its_number(refused: Refused) -> None:
    refused("factor[1].name", "“name” is missing", factor="[[factor]]\nlow = 1\nhigh = 2\n")


def test_a_factor_that_is_no_table_is_told() -> None:
    text = 'factor = [3]\nresponse = [{ name = "a", kind = "pass" }]\n[study]\n'
    with pytest.raises(StudyError, match=r"factor\[1\]: “3” is not accepted; a table with the keys name, role"):
        parse_study(text)
