"""What is measured on a weld, and what it must meet."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from doe.errors import StudyError
from doe.study import Response, Study, parse_study

Parse = Callable[..., Study]
Refused = Callable[..., None]


def response(kind: str, body: str = "", name: str = "it") -> str:
    return f'[[response]]\nname = "{name}"\nkind = "{kind}"\n{body}\n'


@pytest.mark.parametrize(
    ("kind", "body", "expected"),
    [
        ("measure", "", Response("it", "measure")),
        (
            "measure",
            'unit = "mm"\nat_least = 1.2\nat_most = 9\nfull = 10.0\nexpect_scatter = 0.3',
            Response("it", "measure", unit="mm", at_least=1.2, at_most=9.0, full=10.0, expect_scatter=0.3),
        ),
        (
            "measure",
            'unit = "mm"\nat_least = "1/4 in"\nexpect_scatter = "0,5 mm"',
            Response("it", "measure", unit="mm", at_least=6.35, expect_scatter=0.5),
        ),
        (
            "measure",
            'unit = "degC"\nexpect_scatter = "9 degF"',
            Response("it", "measure", unit="degC", expect_scatter=5.0),
        ),
        ("measure", 'expect_scatter = "../hinge-1"', Response("it", "measure", scatter_from="../hinge-1")),
        ("measure", 'expect_scatter = "..\\\\hinge 1"', Response("it", "measure", scatter_from="../hinge 1")),
        ("measure", 'unit = "in"\nexpect_scatter = "1/64 in"', Response("it", "measure", "in", expect_scatter=1 / 64)),
        ("measure", 'errors = "student t"', Response("it", "measure", errors="student t")),
        ("measure", 'errors = "normal"', Response("it", "measure")),
        ("count", 'per = "100 mm"', Response("it", "count", per_mm=100.0, per_text="100 mm")),
        (
            "count",
            'per = "4 in"\nat_most = 0\nfamily = "negative binomial"',
            Response("it", "count", per_mm=101.6, per_text="4 in", at_most=0.0, family="negative binomial"),
        ),
        (
            "count",
            'per = "100 mm"\nat_most = 2\nexpect_good_zone = ["feed"]\nexpect_ratio_under = 10',
            Response(
                "it",
                "count",
                per_mm=100.0,
                per_text="100 mm",
                at_most=2.0,
                expect_good_zone=("feed",),
                expect_ratio_under=10.0,
            ),
        ),
        ("trip", "", Response("it", "trip")),
        ("trip", 'hold = "0.5 min"', Response("it", "trip", hold_s=30.0)),
        ("trip", 'hold = 30\nfamily = "weibull"', Response("it", "trip", hold_s=30.0, family="weibull")),
        ("trip", 'family = "logistic"\npenalty = false', Response("it", "trip", family="logistic", penalty=False)),
        ("pass", "", Response("it", "pass")),
        ("pass", "penalty = false", Response("it", "pass", penalty=False)),
    ],
)
def test_every_kind_of_response_is_read(parse: Parse, kind: str, body: str, expected: Response) -> None:
    (found,) = parse(response=response(kind, body)).responses
    assert found.expect_scatter == pytest.approx(expected.expect_scatter)
    assert found.scatter_from == expected.scatter_from
    assert found == expected


def test_a_response_without_a_requirement_is_welcome(parse: Parse) -> None:
    study = parse(response=response("measure", name="yield"))
    assert not study.responses[0].has_requirement


@pytest.mark.parametrize(
    ("kind", "body", "where", "match"),
    [
        (
            "measur",
            "",
            ".kind",
            "“measur” is not a kind of response; did you mean “measure”\\?; accepted are measure, count",
        ),
        ("measure", "at_lest = 1", ".at_lest", "“at_lest” is not a key of a measure; did you mean “at_least”"),
        ("measure", 'hold = "3 s"', ".hold", "“hold” belongs to a trip; accepted are name, kind, unit, at_least"),
        ("measure", 'per = "3 mm"', ".per", "“per” belongs to a count"),
        ("count", 'per = "100 mm"\nunit = "mm"', ".unit", "“unit” belongs to a measure"),
        ("trip", "at_most = 1", ".at_most", "“at_most” belongs to a measure or a count"),
        ("pass", "at_least = 1", ".at_least", "“at_least” is not a key of a pass; “at_least” belongs to a measure"),
        ("measure", 'unit = "furlong"', ".unit", "the unit “furlong” is not known"),
        ("measure", "at_least = 2\nat_most = 2", ".at_least", "no reading can be at least 2 and at most 2"),
        ("measure", "at_least = 3\nat_most = 2", ".at_least", "at_least must be below at_most"),
        ("measure", "at_least = 10\nfull = 10", ".at_least", r"a reading at full \(10\) only says “at least 10”"),
        ("measure", "at_least = 11\nfull = 10", ".at_least", r"so at_least \(11\) must be below it"),
        ("measure", 'unit = "mm"\nat_least = "3 V"', ".at_least", "“V” is a unit of voltage, not of length"),
        ("measure", 'at_least = "3 mm"', ".at_least", 'has a unit, but none is stated here; add unit = "mm"'),
        ("measure", "at_least = [1]", ".at_least", "“a list” is not accepted"),
        ("measure", "expect_scatter = 0", ".expect_scatter", "“0” is not above 0; it is a standard deviation"),
        (
            "measure",
            'expect_scatter = "2024 hinges"',
            ".expect_scatter",
            "accepted is a number such as 0.3 .*“../old-study”",
        ),
        ("measure", 'errors = "student"', ".errors", "accepted are normal, student t; did you mean “student t”"),
        ("measure", "errors = 4", ".errors", "“4” is not accepted; write a text in quotes"),
        ("count", 'per = "100 mm"\nerrors = "student t"', ".errors", "“errors” belongs to a measure"),
        ("count", "", ".per", 'a count needs the inspected length it refers to, such as per = "100 mm"'),
        ("count", "per = 100", ".per", '“100” has no unit; write it with one, such as "100 mm"'),
        ("count", 'per = "100"', ".per", "“100” has no unit"),
        ("count", 'per = "100 s"', ".per", "“s” is a unit of time, not of length"),
        ("count", 'per = "-1 mm"', ".per", "“-1 mm” is not above 0"),
        ("count", 'per = "some mm"', ".per", "“some mm” is not a quantity"),
        (
            "count",
            'per = "100 mm"\nat_most = -1',
            ".at_most",
            "-1 is not a count; accepted is a whole number, 0 or more",
        ),
        ("count", 'per = "100 mm"\nat_most = 2.5', ".at_most", "2.5 is not a count"),
        ("count", 'per = "100 mm"\nat_most = "2"', ".at_most", "“2” is not accepted; write a number without quotes"),
        (
            "count",
            'per = "100 mm"\nfamily = "poison"',
            ".family",
            "accepted are poisson, negative binomial; did you mean “poisson”",
        ),
        (
            "count",
            'per = "9 mm"\nexpect_good_zone = ["feed"]',
            ".expect_ratio_under",
            "expect_good_zone is given without expect_ratio_under",
        ),
        (
            "count",
            'per = "100 mm"\nexpect_ratio_under = 10',
            ".expect_good_zone",
            "expect_ratio_under is given without expect_good_zone",
        ),
        (
            "count",
            'per = "9 mm"\nexpect_good_zone = ["feet"]\nexpect_ratio_under = 10',
            ".expect_good_zone",
            "“feet” is not a factor; did you mean “feed”",
        ),
        (
            "count",
            'per = "100 mm"\nexpect_good_zone = []\nexpect_ratio_under = 10',
            ".expect_good_zone",
            "name each factor once, and at least one",
        ),
        (
            "count",
            'per = "9 mm"\nexpect_good_zone = ["feed", "feed"]\nexpect_ratio_under = 10',
            ".expect_good_zone",
            "name each factor once",
        ),
        (
            "count",
            'per = "100 mm"\nexpect_good_zone = "feed"\nexpect_ratio_under = 10',
            ".expect_good_zone",
            "write a list in square brackets",
        ),
        (
            "count",
            'per = "9 mm"\nexpect_good_zone = ["feed"]\nexpect_ratio_under = 11',
            ".expect_ratio_under",
            "11 is not accepted; the ratio is above 1 and at most 10",
        ),
        (
            "count",
            'per = "9 mm"\nexpect_good_zone = ["feed"]\nexpect_ratio_under = 1',
            ".expect_ratio_under",
            "the ratio is above 1",
        ),
        ("trip", "hold = 0", ".hold", "“0” is not above 0"),
        ("trip", 'hold = "30 mm"', ".hold", "“mm” is a unit of length, not of time"),
        ("trip", 'family = "poisson"', ".family", "accepted are weibull, logistic"),
        ("trip", 'family = "weibull"\npenalty = false', ".penalty", "penalty belongs to the logistic family"),
        ("pass", 'penalty = "no"', ".penalty", "write true or false"),
    ],
)
def test_a_faulty_response_is_refused_at_its_key(
    refused: Refused, kind: str, body: str, where: str, match: str
) -> None:
    refused('response "it"' + where, match, response=response(kind, body))


def test_a_good_zone_of_kinds_is_refused(refused: Refused) -> None:
    wire = '[[factor]]\nname = "wire"\nkinds = ["A", "B"]\n'
    body = 'per = "9 mm"\nexpect_good_zone = ["wire"]\nexpect_ratio_under = 5'
    refused(
        'response "it".expect_good_zone',
        "“wire” is a factor of kinds and has no ends",
        factor=wire,
        response=response("count", body),
    )


def test_a_response_without_a_kind_is_told_what_there_is(refused: Refused) -> None:
    text = '[[response]]\nname = "it"\n'
    refused('response "it".kind', "“kind” is missing; accepted are measure, count, trip, pass", response=text)
    refused('response "it".kind', "“3” is not a kind of response", response=text + "kind = 3\n")


def test_a_response_that_is_no_table_is_told() -> None:
    with pytest.raises(StudyError, match=r"response\[1\]: “a list” is not accepted; a table with the keys name, kind"):
        parse_study("response = [[1]]")


def test_a_response_without_a_name_is_told_by_its_number(refused: Refused) -> None:
    refused("response[1].name", "“name” is missing", response='[[response]]\nkind = "pass"\n')
