from __future__ import annotations

import pytest

from doe.errors import DoeError
from doe.study.answers import (
    FOLLOW_UPS,
    QUESTIONS,
    follow_ups,
    read_answers,
    read_good_zone,
    read_levels,
    read_marks,
    read_plate,
    read_range,
    read_ratio,
    read_requirements,
    read_scatter,
    read_supply,
    read_weld,
    read_welds,
)
from doe.study.reading import parse_study
from doe.study.trips import is_breaker
from doe.study.writing import study_text


def test_there_are_eight_questions_and_their_defaults_make_a_study():
    assert len(QUESTIONS) == 8
    new = read_answers({key: default for key, (_, default) in QUESTIONS.items()}, title="Hinge")
    study = parse_study(study_text(new))
    assert study.factor("voltage").marks == ("A", "B", "C", "D")
    assert not study.factor("voltage").calibrated
    assert study.factor("feed").unit == "mark"
    assert study.supply.breaker_a == 16.0
    assert [r.name for r in study.responses] == ["penetration", "porosity", "trip"]
    assert study.plan.welds == 18


def test_every_answer_reaches_the_study():
    answers = {
        "weld": "tee, single pass, 3/8 in",
        "wire": "0.045 in cored",
        "voltage": "1 = 17, 2 = 18.4, 3=19.6",
        "feed": "200 to 350 in/min by 10",
        "supply": "240 V, 30 A",
        "plate": "2 warm",
        "must": "1/16 in penetration, no pores in 4 in, hold for 45 s",
        "welds": "20",
    }
    study = parse_study(study_text(read_answers(answers, title="Gate", preheat="68 150 degF")))
    assert study.units == "us"
    assert study.job.joint == "tee, single pass"
    assert study.job.thickness_mm == pytest.approx(9.525)
    assert study.factor("voltage").values == (17.0, 18.4, 19.6)
    assert (study.factor("feed").low, study.factor("feed").high, study.factor("feed").unit) == (200, 350, "in/min")
    assert (study.supply.voltage_v, study.supply.breaker_a) == (240, 30)
    assert (study.plan.welds_per_plate, study.plan.later_welds) == (2, "warm")
    assert study.response("porosity").at_most == 0
    assert study.response("trip").hold_s == 45
    assert study.factor("preheat").values == (68, 150)


@pytest.mark.parametrize(
    ("read", "text", "accepted"),
    [
        (read_weld, "lap fillet", "a joint and a thickness"),
        (read_weld, ", 10 mm", "a joint and a thickness"),
        (read_weld, "lap, thick", "thick"),
        (read_weld, "lap, 10", "without a unit"),
        (read_weld, "10 mm", "a joint and a thickness"),
        (read_marks, "7 to 1", "at least two"),
        (read_marks, "1 to D", "at least two"),
        (read_range, "10 to 1", "is not a range"),
        (read_requirements, "1.2 mm penetration, a nice colour", "“a nice colour”"),
        (read_requirements, "hold 30 s, hold 20 s", "each once"),
        (read_requirements, "", "accepted is"),
        (read_marks, "A", "at least two"),
        (read_marks, "A A B", "each once"),
        (read_marks, "1=17 2 3=19", "every one"),
        (read_range, "fast", "is not a range"),
        (read_supply, "230 V", "“230 V, 16 A”"),
        (read_supply, "230 16", "“230 V, 16 A”"),
        (read_supply, "230 V 16", "“230 V, 16 A”"),
        (read_plate, "both", "2 cooled"),
        (read_plate, "9", "up to 8"),
        (read_requirements, "deep and clean", "accepted is"),
        (read_welds, "a few", "whole number"),
        (read_levels, "warm", "20 70 120 degC"),
        (read_scatter, "0.3", "“0.3 mm”"),
        (read_scatter, "0 mm", "above 0"),
        (read_scatter, "3 V", "scatter of depth"),
        (read_good_zone, "yes", "voltage, feed and preheat"),
        (read_good_zone, "voltage, voltage", "each once"),
        (read_good_zone, ";", "does not name dials"),
        (read_ratio, "20", "at most 10"),
        (read_ratio, "1", "above 1"),
        (read_ratio, "few", "leave it out"),
    ],
)
def test_an_answer_that_cannot_be_read_says_what_is_accepted(read, text: str, accepted: str):
    with pytest.raises(DoeError, match=accepted):
        read(text)


def test_every_answer_that_cannot_be_read_is_told_at_once():
    answers = {key: default for key, (_, default) in QUESTIONS.items()} | {"weld": "lap", "feed": "fast"}
    with pytest.raises(DoeError, match="3 of the answers") as caught:
        read_answers(answers, title="Hinge", preheat="warm")
    assert [fault.key for fault in caught.value.faults] == ["weld", "feed", "preheat"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("lap fillet, 10 mm", ("lap fillet", "10 mm")),
        ("t joint 5mm", ("t joint", "5mm")),
        ("tee 1 1/4 in", ("tee", "1 1/4 in")),
        ("tee, 2 sides, 6 mm", ("tee, 2 sides", "6 mm")),
    ],
)
def test_joint_and_thickness_are_told_apart(text: str, expected: tuple[str, str]):
    assert read_weld(text) == expected


@pytest.mark.parametrize(("text", "marks"), [("1-4", "1 2 3 4"), ("1 to 3", "1 2 3"), ("A-D", "A B C D")])
def test_marks_may_be_given_by_the_first_and_the_last(text: str, marks: str):
    assert read_marks(text) == (tuple(marks.split()), ())


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("3 mm penetration", ("3 mm", None, "", "", "")),
        ("1,2 mm of root penetration, hold for 30 s", ("1,2 mm", None, "", "30 s", "")),
        ("no pores per 100 mm and the breaker holds 20 s", ("", 0, "100 mm", "20 s", "")),
    ],
)
def test_a_good_weld_may_have_to_meet_some_of_it_only(text: str, expected: tuple[str, int | None, str, str, str]):
    assert read_requirements(text) == expected


def test_what_is_not_required_stands_commented_out():
    answers = {key: default for key, (_, default) in QUESTIONS.items()}
    for must, names in (("3 mm penetration", ["penetration"]), ("hold 20 s", ["trip"])):
        text = study_text(read_answers(answers | {"must": must}, title="Hinge"))
        assert [r.name for r in parse_study(text).responses] == names
        everything = parse_study(text.replace("\n#  {", "\n  {"))
        all_names = ["penetration", "porosity", "trip", "thermal cut-out", "root fused"]
        assert [r.name for r in everything.responses] == all_names
        assert [is_breaker(everything, r) for r in everything.responses] == [name == "trip" for name in all_names]


def test_a_test_that_is_passed_or_not_can_be_asked_for():
    answers = {key: default for key, (_, default) in QUESTIONS.items()} | {"must": "break test passed, 2 pores in 4 in"}
    study = parse_study(study_text(read_answers(answers, title="Hinge")))
    assert [(r.name, r.kind) for r in study.responses] == [("porosity", "count"), ("break test passed", "pass")]
    with pytest.raises(DoeError, match="each once"):
        read_requirements("root fused, break test passed")


def test_a_supply_that_is_not_known_is_left_out():
    assert read_supply("?") == ("", "")
    assert read_supply("Unknown") == ("", "")
    assert read_supply("230 V 16 A") == ("230 V", "16 A")


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("5 to 9 m/min by 0.5", (5.0, 9.0, 0.5, "m/min")),
        ("5-9 m/min", (5.0, 9.0, None, "m/min")),
        ("1 to 10", (1.0, 10.0, 0.5, "mark")),
        ("0 to 10 by 1", (0.0, 10.0, 1.0, "mark")),
    ],
)
def test_a_range_is_read(text: str, expected: tuple[float, float, float | None, str]):
    assert read_range(text) == expected


DEFAULTS = {key: default for key, (_, default) in QUESTIONS.items()}


@pytest.mark.parametrize(
    ("must", "asked"),
    [
        ("1.2 mm penetration", ("scatter",)),
        ("no pores in 100 mm, hold 30 s", ("good_zone", "ratio_under")),
        (QUESTIONS["must"][1], tuple(FOLLOW_UPS)),
        ("hold 30 s, root fused", ()),
    ],
)
def test_what_a_good_weld_must_meet_says_what_is_asked_further(must: str, asked: tuple[str, ...]):
    assert follow_ups(must) == asked


def test_what_is_known_from_earlier_work_reaches_the_study():
    known = {"scatter": "0.3 mm", "good_zone": "voltage and preheat", "ratio_under": "under 8 times"}
    text = study_text(read_answers(DEFAULTS | known, title="Hinge", preheat="20 70 degC"))
    study = parse_study(text)
    assert study.response("penetration").expect_scatter == 0.3
    assert study.response("porosity").expect_good_zone == ("voltage", "preheat")
    assert study.response("porosity").expect_ratio_under == 8.0


def test_what_is_not_known_is_left_out():
    plain = study_text(read_answers(DEFAULTS, title="Hinge"))
    for unknown in ("", "?", "do not know", "No"):
        assert study_text(read_answers(DEFAULTS | dict.fromkeys(FOLLOW_UPS, unknown), title="Hinge")) == plain
    study = parse_study(plain)
    assert study.response("penetration").expect_scatter is None
    assert study.response("porosity").expect_good_zone == ()


@pytest.mark.parametrize(
    ("given", "key", "said"),
    [
        ({"must": "2 pores in 100 mm", "scatter": "0.3 mm"}, "scatter", "no depth is asked of a good weld"),
        ({"must": "hold 30 s", "good_zone": "feed", "ratio_under": "9"}, "good-zone", "no porosity is asked"),
        ({"good_zone": "feed"}, "ratio-under", "together or not at all"),
        ({"ratio_under": "9"}, "good-zone", "together or not at all"),
        ({"good_zone": "preheat", "ratio_under": "9"}, "good-zone", "no preheat levels are given"),
        ({"scatter": "3 V"}, "scatter", "not a scatter of depth"),
    ],
)
def test_an_answer_from_earlier_work_that_is_out_of_place_is_refused(given: dict[str, str], key: str, said: str):
    with pytest.raises(DoeError, match="cannot be read") as caught:
        read_answers(DEFAULTS | given, title="Hinge")
    faults = {fault.key: fault.message for fault in caught.value.faults}
    assert said in faults[key]
