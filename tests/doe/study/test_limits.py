"""The small grammar of limits, and whether limits leave anything to weld."""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.errors import DoeError, StudyError
from doe.study import Factor, Limit, Study, parse_study
from doe.study.feasible import leaves_setting
from doe.study.limits import parse_rule

Parse = Callable[..., Study]
Refused = Callable[..., None]
NAMES = ("voltage", "feed", "wire feed", "stick-out", "x1", "x10", "2nd gas")
TWO = (
    '[[factor]]\nname = "voltage"\nunit = "V"\nlow = 15\nhigh = 25\nstep = 1\n'
    '[[factor]]\nname = "feed"\nunit = "m/min"\nlow = 5\nhigh = 9\nstep = 1\n'
)


def limit(rule: str) -> str:
    return f"[[limit]]\nrule = '''{rule}'''\n"


@pytest.mark.parametrize(
    ("rule", "coefficients", "constant"),
    [
        # coefficients and constant of (left - right), at most 0
        ("voltage - 0.9*feed <= 15", {"voltage": 1.0, "feed": -0.9}, -15.0),
        ("voltage <= 15 + 0.9*feed", {"voltage": 1.0, "feed": -0.9}, -15.0),
        ("15 >= voltage - 0.9 feed", {"voltage": 1.0, "feed": -0.9}, -15.0),
        ("voltage >= 17", {"voltage": -1.0}, 17.0),
        ("17 ≤ voltage", {"voltage": -1.0}, 17.0),
        ("-voltage + feed <= -3", {"voltage": -1.0, "feed": 1.0}, 3.0),
        ("- 2*voltage <= 1 - 3", {"voltage": -2.0}, 2.0),
        ("+feed*2/4 <= 1", {"feed": 0.5}, -1.0),
        ("3 / 2 * feed <= 1", {"feed": 1.5}, -1.0),
        ("2 feed <= 1", {"feed": 2.0}, -1.0),
        ("feed 2 <= 1", {"feed": 2.0}, -1.0),
        ("0,9 * feed <= 1,25", {"feed": 0.9}, -1.25),
        ("1e1 feed <= .5", {"feed": 10.0}, -0.5),
        ("wire feed - stick-out <= 1", {"wire feed": 1.0, "stick-out": -1.0}, -1.0),
        ("stick-out-feed <= 1", {"stick-out": 1.0, "feed": -1.0}, -1.0),
        ('"wire feed" - "voltage" <= 1', {"wire feed": 1.0, "voltage": -1.0}, -1.0),
        ("'wire feed' <= 1", {"wire feed": 1.0}, -1.0),
        ("x10 - x1 <= 0", {"x10": 1.0, "x1": -1.0}, 0.0),
        ("Voltage <= 1", {"voltage": 1.0}, -1.0),
        ("voltage + voltage <= 1", {"voltage": 2.0}, -1.0),
        ("2nd gas <= 1", {"2nd gas": 1.0}, -1.0),
        ("voltage − 0.9·feed ≤ 15", {"voltage": 1.0, "feed": -0.9}, -15.0),
        ("voltage =< 15", {"voltage": 1.0}, -15.0),
    ],
)
def test_rules_are_read_as_they_are_written(rule: str, coefficients: dict[str, float], constant: float) -> None:
    expression, is_strict = parse_rule(rule, NAMES)
    assert expression.coefficients == pytest.approx(coefficients)
    assert expression.constant == pytest.approx(constant)
    assert not is_strict


@pytest.mark.parametrize("rule", ["voltage < 3", "3 > voltage"])
def test_strict_rules_are_known_for_it(rule: str) -> None:
    expression, is_strict = parse_rule(rule, NAMES)
    assert is_strict
    assert (expression.coefficients, expression.constant) == ({"voltage": 1.0}, -3.0)


@pytest.mark.parametrize(
    ("rule", "match"),
    [
        ("voltage - 0.9*fed <= 15", "“fed” is not a factor; did you mean “feed”\\?; the factors are .*wire feed"),
        ("wirefeed <= 15", "“wirefeed” is not a factor; did you mean “wire feed”"),
        ("voltage + gap - feed <= 15", "“gap” is not a factor"),
        ("voltage", "needs exactly one of <=, >=, < or >"),
        ("voltage = 3", "needs exactly one of"),
        ("voltage == 3", "needs exactly one of"),
        ("15 < voltage < 20", "write two limits"),
        ("", "needs exactly one of"),
        ("voltage <=", "a number or a factor is missing at its end"),
        ("<= 3", "a number or a factor is missing at its end"),
        ("voltage - <= 3", "a number or a factor is missing at its end"),
        ("3 <= 4", "limits no factor; name at least one of voltage, feed"),
        ("0*voltage <= 4", "limits no factor"),
        ("voltage - voltage <= 4", "limits no factor"),
        ("2*(voltage) <= 4", "brackets are not understood; multiply them out"),
        ("voltage * feed <= 4", "a limit is linear"),
        ("voltage feed <= 4", "a limit is linear"),
        ("4 / voltage <= 4", "a limit is linear"),
        ("voltage / 0 <= 4", "it divides by 0"),
        ("voltage ^ 2 <= 4", "“\\^ 2” is not a factor"),
        ("voltage * * 2 <= 4", "“\\*” is not a factor"),
        ("1,500 * voltage <= 4", "can be read as 1.500"),
        ("__import__('os') <= 1", "is not a factor"),
        ("voltage.real <= 1", "“.real” is not a factor"),
        ("voltages <= 1", "“voltages” is not a factor; did you mean “voltage”"),
        ("1e200*1e200*voltage <= 1", "numbers in the rule .* are too large"),
        ("'voltage <= 1", "is not a factor"),
    ],
)
def test_rules_that_are_not_understood_are_refused(rule: str, match: str) -> None:
    with pytest.raises(DoeError, match=match):
        parse_rule(rule, NAMES)


@given(st.text(alphabet="voltagefd x1*/+-<>=().,'\"0123456789e ", max_size=40))
@settings(deadline=None)
def test_any_rule_is_read_or_refused(rule: str) -> None:
    try:
        expression, _ = parse_rule(rule, NAMES)
    except DoeError:
        return
    assert set(expression.coefficients) <= set(NAMES)


@given(
    st.lists(st.tuples(st.sampled_from("+-"), st.floats(0.001, 99), st.sampled_from(NAMES)), min_size=1, max_size=6),
    st.floats(0, 1e6),
)
@settings(deadline=None)
def test_a_written_sum_is_read_back(terms: list[tuple[str, float, str]], bound: float) -> None:
    rule = " ".join(f"{sign} {value!r}*{name}" for sign, value, name in terms) + f" <= {bound!r}"
    wanted = dict.fromkeys(NAMES, 0.0)
    for sign, value, name in terms:
        wanted[name] += value if sign == "+" else -value
    if not any(wanted.values()):
        return
    expression, _ = parse_rule(rule, NAMES)
    assert {n: expression.coefficients.get(n, 0.0) for n in NAMES} == pytest.approx(wanted, abs=1e-12)
    assert expression.constant == -bound


def test_a_limit_holds_its_rule_and_its_reason(parse: Parse) -> None:
    study = parse('[[limit]]\nrule = "voltage - 0.9*feed <= 15"\nwhy = "burn-back"\n', factor=TWO)
    assert study.limits == (Limit((("voltage", 1.0), ("feed", -0.9)), 15.0, "voltage - 0.9*feed <= 15", "burn-back"),)


def test_a_strict_limit_leaves_the_value_itself_out(parse: Parse) -> None:
    (found,) = parse(limit("voltage < 20"), factor=TWO).limits
    assert 19.0 < found.bound < 20.0 - 1e-7
    assert found.bound == pytest.approx(20.0, abs=1e-4)


@pytest.mark.parametrize(
    ("rule", "key", "match"),
    [
        ("voltage <= 14", "limit", "the limits leave no setting: every reachable one is cut off"),
        ("voltage < 15", "limit", "the limits leave no setting"),
        ("voltage - 10*feed >= 0", "limit", "the limits leave no setting"),
        ("volt <= 14", "limit[1].rule", "“volt” is not a factor; did you mean “voltage”"),
    ],
)
def test_faulty_limits_are_refused(refused: Refused, rule: str, key: str, match: str) -> None:
    refused(key, match, limit(rule), factor=TWO)


def test_limits_that_only_together_leave_nothing_are_refused(refused: Refused) -> None:
    refused("limit", "leave no setting", limit("voltage + feed <= 22") + limit("voltage + feed >= 23"), factor=TWO)


def test_a_limit_on_kinds_is_refused(refused: Refused) -> None:
    kinds = '[[factor]]\nname = "wire"\nkinds = ["A", "B"]\n'
    refused(
        "limit[1].rule",
        "“wire” is a factor of kinds; a limit takes numeric factors",
        limit("wire <= 1"),
        factor=TWO + kinds,
    )


def test_a_limit_is_not_blamed_for_a_factor_with_faults(refused: Refused) -> None:
    faulty = TWO.replace("low = 5\nhigh = 9", "low = 9\nhigh = 5")
    refused('factor "feed".low', "is not below high", limit("voltage - 0.9*feed <= 15"), factor=faulty)


def test_a_factor_without_a_name_is_not_offered() -> None:
    with pytest.raises(StudyError) as caught:
        parse_study("[study]\n[[factor]]\nlow = 0\n" + TWO + limit("a <= 1") + "[[response]]\nname='y'\nkind='pass'\n")
    assert "the factors are voltage, feed" in str(caught.value)


def test_an_unknown_key_of_a_limit_is_refused(refused: Refused) -> None:
    refused("limit[1].because", "“because” is not a key of a limit", limit("feed <= 8") + 'because = "x"\n')


def test_a_limit_without_a_rule_is_refused(refused: Refused) -> None:
    refused("limit[1].rule", "“rule” is missing", '[[limit]]\nwhy = "x"\n')


LEVELS = '[[factor]]\nname = "preheat"\nunit = "degC"\nlevels = [20, 70, 120]\n'


def test_a_level_that_no_setting_can_use_is_refused(refused: Refused) -> None:
    refused(
        'factor "preheat".levels[3]',
        "the level 120 is outside the limits at every setting of the other factors \\(“preheat <= 100”\\)",
        limit("preheat <= 100"),
        factor=TWO + LEVELS,
    )


def test_a_level_that_some_setting_can_use_is_accepted(parse: Parse) -> None:
    assert parse(limit("preheat + 10*voltage <= 280"), factor=TWO + LEVELS).limits


def test_a_mark_or_step_cut_off_altogether_is_accepted(parse: Parse) -> None:
    dial = '[[factor]]\nname = "tap"\nmarks = ["A", "B", "C"]\n'
    assert len(parse(limit("tap <= 2") + limit("voltage <= 20"), factor=TWO + dial).limits) == 2


def test_limits_respect_the_range_of_each_kind() -> None:
    wire = Factor("wire", kinds=("A", "B"))
    feed = Factor(
        "feed", values=(4.0, 5.0, 6.0, 7.0, 8.0, 9.0), ranges=(("A", 6.0, 9.0), ("B", 4.0, 5.0)), range_by="wire"
    )
    assert leaves_setting([wire, feed], [Limit((("feed", 1.0),), 4.5, "")])
    narrow = Factor("feed", values=feed.values, ranges=(("A", 6.0, 9.0), ("B", 8.0, 9.0)), range_by="wire")
    assert not leaves_setting([wire, narrow], [Limit((("feed", 1.0),), 5.5, "")])


@given(st.integers(0, 2**32 - 1))
@settings(deadline=None)
def test_the_search_agrees_with_trying_every_setting(seed: int) -> None:
    rng = np.random.default_rng(seed)
    factors = [Factor(name, values=tuple(sorted(set(rng.integers(-5, 6, 4).astype(float))))) for name in "abc"]
    limits = [
        Limit(tuple(zip("abc", rng.integers(-3, 4, 3).astype(float), strict=True)), float(rng.integers(-15, 5)), "")
        for _ in range(rng.integers(1, 4))
    ]
    every = itertools.product(*(factor.values for factor in factors))
    wanted = any(
        all(sum(c * v for (_, c), v in zip(lim.coefficients, setting, strict=True)) <= lim.bound for lim in limits)
        for setting in every
    )
    assert leaves_setting(factors, limits) == wanted


def test_a_search_without_end_finds_no_fault() -> None:
    # A parity that no bound can see: sums of even numbers are never odd, and there are 10^8 of them.
    names = "abcdefgh"
    factors = [Factor(name, values=tuple(float(v) for v in range(0, 20, 2))) for name in names]
    both = [
        Limit(tuple((name, 1.0) for name in names), 41.0, ""),
        Limit(tuple((name, -1.0) for name in names), -41.0, ""),
    ]
    assert leaves_setting(factors, both)
