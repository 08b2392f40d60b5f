"""Names become column headings: clear, unlike, and harmless in a table."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.study import Study
from doe.study.names import name_fault

Parse = Callable[..., Study]
Refused = Callable[..., None]


@pytest.mark.parametrize(
    "name",
    [
        "voltage",
        "wire feed",
        "x1",
        "A",
        "stick-out",
        "Vorwärmung",
        "travel speed",
        "time",
        "gap",
        "2nd gas",
        "Ø",
        "a/b",
    ],
)
def test_ordinary_names_are_accepted(name: str) -> None:
    assert name_fault(name) == ""


@pytest.mark.parametrize(
    ("name", "match"),
    [
        ("", "the name is empty"),
        ("  ", "the name is empty"),
        ("x" * 61, "it has 61 characters, more than 60"),
        ("a\nb", "control character or a line break"),
        ("a\x1b[0m", "control character"),
        ("feed [m/min]", "it holds “\\[”"),
        ("feed (m/min)", "it holds “\\(”"),
        ("a,b", "it holds “,”"),
        ("a;b", "it holds “;”"),
        ('a"b', 'it holds “"”'),
        ("a*b", "it holds “\\*”"),
        ("a^2", "it holds “\\^”"),
        ("wire=B", "it holds “=”"),
        ("+cmd", "it begins with “\\+”"),
        ("-cmd", "it begins with “-”"),
        ("@cmd", "it begins with “@”"),
        ("# x", "it begins with “#”"),
        ("12", "it holds no letter"),
        ("constant", "a model's constant term"),
        ("weld", "every table has a column of that name"),
        ("Plate", "every table has a column of that name"),
        ("position", "every table"),
        ("order", "every table"),
        ("status", "every table"),
        ("role", "every table"),
        ("notes", "every table has a column of that name \\(taken are weld, plate, position"),
    ],
)
def test_names_that_a_table_or_a_model_cannot_hold_are_refused(refused: Refused, name: str, match: str) -> None:
    escaped = name.replace('"', '\\"').replace("\n", "\\n").replace("\x1b", "\\u001b")
    text = f'[[response]]\nname = "{escaped}"\nkind = "pass"\n'
    named = bool(name.strip()) and name.isprintable() and len(name) <= 60
    key = f'response "{name}".name' if named else "response[1].name"
    if "\x1b" in name:
        match = "control characters have no place in a text"
    refused(key, match, response=text)


def test_a_factor_with_a_bad_name_is_told_once(refused: Refused) -> None:
    refused('factor "a,b".name', "it holds “,”", factor='[[factor]]\nname = "a,b"\nlow = 0\nhigh = 1\n')


@given(st.text(max_size=70))
@settings(deadline=None)
def test_accepted_names_are_safe_in_headings(name: str) -> None:
    if not name_fault(name):
        assert name.isprintable()
        assert not set(name) & set('[](){},;"*^=<>')
        assert name.strip()[0] not in "=+-@#"


@pytest.mark.parametrize(("first", "second"), [("feed", "feed"), ("feed", "Feed"), ("wire feed", "wire  FEED")])
def test_a_name_that_stands_twice_is_refused(refused: Refused, first: str, second: str) -> None:
    body = "low = 0\nhigh = 1\n"
    refused(
        "factor[2].name",
        "stands twice, here and in factor\\[1\\]",
        factor=f'[[factor]]\nname = "{first}"\n{body}[[factor]]\nname = "{second}"\n{body}',
    )


def test_two_responses_of_one_name_are_refused(refused: Refused) -> None:
    text = '[[response]]\nname = "fused"\nkind = "pass"\n'
    refused("response[2].name", "stands twice, here and in response\\[1\\]", response=text * 2)


MARKS = '[[factor]]\nname = "tap"\nmarks = ["A", "B"]\n'


@pytest.mark.parametrize(
    ("factor", "response", "key", "heading"),
    [
        (
            '[[factor]]\nname = "feed"\nlow = 0\nhigh = 1\n',
            'name = "Feed"\nkind = "pass"',
            'response "Feed".name',
            "Feed",
        ),
        (MARKS, 'name = "tap mark"\nkind = "pass"', 'response "tap mark".name', "tap mark"),
        (MARKS, 'name = "tap actual"\nkind = "pass"', 'response "tap actual".name', "tap actual"),
    ],
)
def test_two_things_with_one_heading_are_refused(
    refused: Refused, factor: str, response: str, key: str, heading: str
) -> None:
    refused(
        key,
        f"its column “{heading}” would be the same as one of factor",
        factor=factor,
        response=f"[[response]]\n{response}\n",
    )


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ('name = "pores"\nkind = "count"\nper = "1 mm"', "pores length"),
        ('name = "trip"\nkind = "trip"', "trip time"),
        ('name = "depth"\nkind = "measure"', "depth 2"),
        ('name = "depth"\nkind = "measure"', "depth full"),
    ],
)
def test_a_response_cannot_be_named_like_a_column_of_another(refused: Refused, first: str, second: str) -> None:
    text = f'[[response]]\n{first}\n[[response]]\nname = "{second}"\nkind = "pass"\n'
    refused(f'response "{second}".name', "would be the same as one of response", response=text)


def test_a_block_column_cannot_be_named_like_a_factor(refused: Refused) -> None:
    refused(
        "plan.blocks.name",
        'would be the same as one of factor “?"?feed',
        '[plan]\nblocks = { name = "feed", sizes = [9, 9] }\n',
    )
