from __future__ import annotations

import pytest

from doe.study.model import Response, Study
from doe.study.trips import is_breaker, name_unclear, what_counts, whose_trips


@pytest.mark.parametrize(
    ("name", "whose"),
    [
        ("trip", "breaker"),
        ("Tripped", "breaker"),
        ("breaker opened", "breaker"),
        ("supply holds", "breaker"),
        ("thermal cut-out", "other"),
        ("cutout", "other"),
        ("machine stopped", "other"),
        ("machine trip", "other"),
        ("earth-fault breaker", "other"),
        ("residual current trip", "other"),
        ("wire jam", "other"),
        ("stopped", "unclear"),
        ("strip held", "unclear"),
    ],
)
def test_the_name_says_whose_trips_a_response_holds(name: str, whose: str):
    assert whose_trips(Response(name, "trip")) == whose


def test_the_first_that_is_named_so_is_the_breakers():
    stopped, trip, second = (Response(name, "trip", hold_s=30.0) for name in ("stopped", "trip", "breaker"))
    study = Study("Lugs", (), (Response("trip of the needle", "measure"), stopped, trip, second))
    assert [is_breaker(study, response) for response in study.responses] == [False, False, True, False]


def test_an_unclear_name_is_said_and_only_that():
    assert "stopped: its name does not say what stopped the weld" in name_unclear(Response("stopped", "trip"))
    assert [name_unclear(Response(name, "trip")) for name in ("trip", "jam")] == ["", ""]
    assert name_unclear(Response("stopped", "pass")) == ""


def test_what_counts_is_the_breaker_or_everything_else_but_it():
    trip, cut_out = Response("trip", "trip"), Response("thermal cut-out", "trip")
    study = Study("Lugs", (), (trip, cut_out))
    assert what_counts(study, trip).startswith("the supply breaker only. A cut-out of the machine")
    assert what_counts(study, cut_out).startswith("thermal cut-out only. A trip of the supply breaker")
