"""What tells more without a coupon more to cut is asked for, and no longer where it is known."""

from __future__ import annotations

from dataclasses import replace

import pytest

from doe.planning.telling import LINE_CURRENT, tells_more
from doe.study.model import Factor, Response, Study, Supply

DIALS = (Factor("voltage", "voltage", "V", values=(17.0, 19.0)), Factor("feed", "feed", "m/min", values=(5.0, 9.0)))
DEPTH = Response("penetration", "measure", unit="mm", at_least=1.2)
PORES = Response("porosity", "count", per_mm=100.0, per_text="100 mm", at_most=2.0)
TRIP = Response("trip", "trip", hold_s=30.0)


@pytest.fixture
def asked() -> Study:
    return Study(title="Lugs", factors=DIALS, responses=(DEPTH, PORES, TRIP))


def test_everything_is_asked_for_where_nothing_is_known(asked: Study):
    load, answers, length = tells_more(asked)
    assert load.startswith("trip: the supply's volts and breaker under [supply], and the line current")
    assert "never at an opened cable" in load
    assert "both ends of voltage and of feed (expect_good_zone)" in answers
    assert "4 to 5 times the 100 mm" in length


def test_what_is_known_is_not_asked_for(asked: Study):
    answered = replace(PORES, expect_good_zone=("voltage", "feed"), expect_ratio_under=10.0)
    known = replace(asked, responses=(replace(DEPTH, expect_scatter=0.3), answered), supply=Supply(230.0, 16.0))
    assert [line.partition(":")[0] for line in tells_more(known)] == ["porosity"]
    stated = replace(asked, supply=Supply(230.0, 16.0))
    assert tells_more(stated)[0].startswith("trip: the line current of every weld")


def test_behind_the_first_weld_only_what_is_read_beside_the_next_is_asked_for(asked: Study):
    assert [line.partition(":")[0] for line in tells_more(asked, is_before=False)] == ["trip", "porosity"]
    assert [line.partition(":")[0] for line in tells_more(asked, read=(LINE_CURRENT,), is_before=False)] == ["porosity"]


def test_a_response_without_a_requirement_asks_for_nothing(asked: Study):
    assert tells_more(replace(asked, responses=(replace(DEPTH, at_least=None),))) == ()


def test_a_depth_is_asked_for_in_place_of_a_verdict(asked: Study):
    judged = replace(asked, responses=(Response("root fused", "pass"), TRIP))
    assert tells_more(judged)[0].startswith("root fused: a depth with a requirement in place of pass or fail")
    assert len(tells_more(judged, is_before=False)) == 1


def test_pores_are_asked_about_by_the_dials_there_are(asked: Study):
    alone = replace(asked, factors=(Factor("gap", unit="mm", values=(0.0, 1.0)),))
    assert not any("expect_good_zone" in line for line in tells_more(alone))
    feed_only = replace(asked, factors=DIALS[1:])
    assert any("both ends of feed (expect_good_zone)" in line for line in tells_more(feed_only))


def test_the_line_current_is_asked_for_the_breaker_alone(asked: Study):
    cut_out = Response("thermal cut-out", "trip", hold_s=30.0)
    both = tells_more(replace(asked, responses=(TRIP, cut_out)))
    assert [line.partition(":")[0] for line in both] == ["trip"]
    (unclear,) = tells_more(replace(asked, responses=(replace(TRIP, name="stopped"),)))
    assert "If it is the breaker, name it “trip” or “breaker”" in unclear
