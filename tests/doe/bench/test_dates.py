from __future__ import annotations

import pytest

from doe.bench.dates import date_of_fraction


@pytest.mark.parametrize(
    ("text", "fractions"),
    [
        ("8-Mar", ("3/8", "8/3")),
        ("08-mar", ("3/8", "8/3")),
        ("8. März", ("3/8", "8/3")),
        ("08. Aug", ("8/8",)),
        ("5-Jan-31", ("1/5", "5/1")),
        ("5 janvier 2031", ("1/5", "5/1")),
        ("Mar-32", ("3/32",)),
        ("Mrz. 64", ("3/64",)),
        ("2031-03-08", ("3/8", "8/3")),
        ("2031-03-08 00:00", ("3/8", "8/3")),
        ("1932-03-01", ("3/32",)),
        ("1964-05-01T00:00:00", ("5/64",)),
        ("2031-03-01", ("3/1", "1/3")),
        ("3/8/2031", ("3/8", "8/3")),
        ("16.1.31", ("16/1", "1/16")),
    ],
)
def test_the_fractions_of_a_date_are_told(text: str, fractions: tuple[str, ...]) -> None:
    assert date_of_fraction(text) == fractions


@pytest.mark.parametrize(
    "text",
    ["3/8", "1 1/8", "2.5", "0,5", "-3", "5 min", "12 mm", "2031-13-40", "40/40/2031", "40-Mar", "5-Foo", "Foo-5", ""],
)
def test_what_is_no_date_is_left_alone(text: str) -> None:
    assert date_of_fraction(text) == ()
