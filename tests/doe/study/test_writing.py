"""The first study.toml: about twenty lines, and every other setting commented out below them."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.errors import DoeError, StudyError
from doe.study import NewStudy, Study, parse_study, study_text
from doe.study.trips import is_breaker
from doe.study.writing import toml_text

NEW = NewStudy(
    title="Hinge lugs, 10 mm",
    joint="lap fillet",
    thickness="10 mm",
    wire="1.0 mm gas-shielded cored",
    voltage_marks=("1", "2", "3", "4", "5"),
    feed_low=5.0,
    feed_high=9.0,
    feed_step=0.5,
    penetration_at_least="1.2 mm",
    porosity_at_most=2,
    hold="30 s",
    welds=18,
    supply_voltage="230 V",
    breaker="16 A",
    welds_per_plate=2,
)
VARIANTS = {
    "plain": NEW,
    "calibrated": replace(NEW, voltage_values=(17.0, 18.4, 19.6, 21.1, 22.3)),
    "preheated": replace(NEW, preheat_levels=(20.0, 70.0, 120.0), later_welds="warm"),
    "experienced": replace(NEW, porosity_ratio_under=10.0, expect_scatter="0.3 mm"),
    "in inches": replace(
        NEW,
        thickness="3/8 in",
        penetration_at_least="3/64 in",
        expect_scatter="0.3 mm",
        feed_unit="in/min",
        feed_low=200,
        feed_high=350,
        feed_step=None,
        preheat_levels=(70.0, 150.0),
        preheat_unit="degF",
        porosity_per="4 in",
    ),
    "bare dials": replace(NEW, feed_unit="mark", feed_low=0, feed_high=10, supply_voltage="", breaker=""),
    "few welds": replace(NEW, welds=12, welds_per_plate=1),
    "one weld": replace(NEW, welds=1, welds_per_plate=1),
    "deep": replace(NEW, penetration_at_least="12 mm"),
}
BRACES = {"a factor": '{ name = "feed"', "a measure": '{ name = "penetration"', "a count": '{ name = "porosity"',
          "a trip or a pass": '{ name = "trip"'}  # fmt: skip
OPTION = re.compile(r"#(?P<blank> *)(?P<setting>[a-z_.]+ = .*?) *(?:  # (?P<comment>.*))?")


def options(text: str) -> list[tuple[str, str, str]]:
    """Give place (empty, or in whose braces), setting and comment of every commented setting under “more”."""
    found, place = [], ""
    for line in text.split("# more:")[1].splitlines()[1:]:
        if line.startswith("# In the braces of "):
            place = line.removeprefix("# In the braces of ").split(" (")[0].rstrip(":")
            continue
        match = OPTION.fullmatch(line)
        assert match, line
        assert bool(match["blank"]) == bool(place)
        assert match["comment"], line
        found.append((place, match["setting"], match["comment"]))
    return found


def made_real(text: str, place: str, setting: str) -> str:
    """Take the # away: at the end of the file, or in the braces that it belongs to."""
    if not place:
        return text + "\n" + setting + "\n"
    start = text.index(BRACES[place])
    end = text.index(" },", start)
    return text[:end] + ", " + setting + text[end:]


def meaning(study: Study) -> tuple[object, ...]:
    return (study.units, study.factors, study.limits, study.responses, study.job, study.supply, study.machine,
            study.plan, study.claim)  # fmt: skip


@pytest.mark.parametrize("variant", VARIANTS)
def test_the_text_holds_the_answers_in_about_twenty_lines(variant: str) -> None:
    text = study_text(VARIANTS[variant])
    settings_part = text.split("# more:")[0]
    lines = [line for line in settings_part.splitlines() if line.strip() and not line.startswith("#")]
    assert 16 <= len(lines) <= 22
    parse_study(text)


def test_the_answers_arrive() -> None:
    study = parse_study(study_text(NEW))
    assert study.title == "Hinge lugs, 10 mm"
    assert (study.job.joint, study.job.thickness_mm, study.job.wire) == (
        "lap fillet",
        10.0,
        "1.0 mm gas-shielded cored",
    )
    assert [(f.name, f.role, f.calibrated) for f in study.factors] == [
        ("voltage", "voltage", False),
        ("feed", "feed", True),
    ]
    assert study.factors[0].marks == ("1", "2", "3", "4", "5")
    assert study.factors[1].values == (5.0, 5.5, 6.0, 6.5, 7.0, 7.5, 8.0, 8.5, 9.0)
    assert [(r.name, r.kind, r.at_least, r.at_most, r.hold_s) for r in study.responses] == [
        ("penetration", "measure", 1.2, None, None),
        ("porosity", "count", None, 2.0, None),
        ("trip", "trip", None, None, 30.0),
    ]
    assert (study.supply.voltage_v, study.supply.breaker_a) == (230.0, 16.0)
    assert (study.plan.welds, study.plan.welds_per_plate, study.plan.later_welds) == (18, 2, "cooled")


def test_the_optional_answers_arrive() -> None:
    both = replace(VARIANTS["calibrated"], preheat_levels=(20, 120), porosity_ratio_under=8.0, expect_scatter="0.3 mm")
    study = parse_study(study_text(both))
    assert study.factor("voltage").values == (17.0, 18.4, 19.6, 21.1, 22.3)
    assert study.factor("voltage").unit == "V"
    assert study.factor("preheat").values == (20.0, 120.0)
    assert study.factor("preheat").hard_to_change
    assert study.response("porosity").expect_good_zone == ("voltage", "feed")
    assert study.response("porosity").expect_ratio_under == 8.0
    assert study.response("penetration").expect_scatter == 0.3
    feed = parse_study(study_text(replace(both, porosity_good_zone=("feed", "preheat"))))
    assert feed.response("porosity").expect_good_zone == ("feed", "preheat")


def test_a_cut_out_stands_beside_the_breaker_as_an_example() -> None:
    text = study_text(NEW)
    assert '{ name = "trip", kind = "trip", hold = "30 s" },   # the supply\'s breaker only' in text
    real = parse_study(text.replace('#  { name = "thermal cut-out"', '   { name = "thermal cut-out"'))
    cut_out = real.response("thermal cut-out")
    assert (cut_out.kind, cut_out.hold_s) == ("trip", 30.0)
    assert not is_breaker(real, cut_out)
    assert "never mixed with the breaker's" in text


def test_the_commented_errors_become_student_errors() -> None:
    text = study_text(NEW)
    (found,) = [option for option in options(text) if option[1].startswith("errors")]
    place, setting, comment = found
    assert "report that it was after" in comment
    assert parse_study(text).response("penetration").errors == "normal"
    real = made_real(text, place, setting.replace("normal", "student t"))
    assert parse_study(real).response("penetration").errors == "student t"


def test_inches_stay_inches() -> None:
    study = parse_study(study_text(VARIANTS["in inches"]))
    depth = study.response("penetration")
    assert (depth.unit, depth.at_least) == ("in", 3 / 64)
    assert depth.expect_scatter == pytest.approx(0.3 / 25.4)
    assert study.response("porosity").per_mm == pytest.approx(101.6)
    assert study.factor("feed").unit == "in/min"


@pytest.mark.parametrize("variant", VARIANTS)
def test_every_commented_setting_parses_and_a_default_changes_nothing(variant: str) -> None:
    text = study_text(VARIANTS[variant])
    plain = parse_study(text)
    for place, setting, comment in options(text):
        real = parse_study(made_real(text, place, setting))
        is_example = comment.startswith("e.g.")
        if setting.startswith(("plan.terms", "plan.coding")):
            assert real.coding.to_dict() == plain.coding.to_dict(), setting
        elif setting.startswith("role"):
            assert real.factor("feed").role == "other"
        else:
            assert (meaning(real) != meaning(plain)) == is_example, setting


def test_the_model_spelled_out_is_the_default_model() -> None:
    from doe.terms import parse_term, polynomial_terms  # noqa: PLC0415

    text = study_text(VARIANTS["preheated"])
    (setting,) = [s for _, s, _ in options(text) if s.startswith("plan.terms")]
    study = parse_study(text + "\n" + setting)
    spelled = {term for t in study.plan.terms for term in parse_term(t, study.coding)}
    assert spelled == set(polynomial_terms(study.coding, "second order"))


@pytest.mark.parametrize("variant", VARIANTS)
def test_all_commented_settings_together_parse(variant: str) -> None:
    text = study_text(VARIANTS[variant])
    for place, setting, _ in options(text):
        if setting.startswith(("role", "family")):  # the voltage's role and the count's family need no second one
            continue
        text = made_real(text, place, setting)
    text = text.replace("\n#  {", "\n  {")
    study = parse_study(text)
    assert {"preheat", "wire"} <= {factor.name for factor in study.factors}
    assert study.response("root fused").kind == "pass"
    assert study.limits
    assert study.plan.blocks


def test_every_key_of_the_file_is_named() -> None:
    from doe.study import shape  # noqa: PLC0415

    text = study_text(NEW)
    tables = {
        "study": shape.StudyShape,
        "job": shape.JobShape,
        "supply": shape.SupplyShape,
        "machine": shape.MachineShape,
        "plan": shape.PlanShape,
        "claim": shape.ClaimShape,
    }
    for table, keys in tables.items():
        for key in keys.model_fields:
            assert re.search(rf"^#?{table}\.{key} = ", text, re.MULTILINE), f"{table}.{key}"
    entries = [shape.FactorShape, shape.LimitShape, *shape.RESPONSE_SHAPES.values()]
    for key in {key for entry in entries for key in entry.model_fields} - {"coated_steel_acknowledged"}:
        assert re.search(rf"\b{key}\b", text), key


@given(st.text(max_size=200))
@settings(max_examples=60, deadline=None)
def test_any_printable_title_survives(title: str) -> None:
    if any(not c.isprintable() and c not in "\n\t\r\u00a0\u2009\u202f" for c in title):
        with pytest.raises(StudyError, match="control characters"):
            study_text(replace(NEW, title=title))
        return
    study = parse_study(study_text(replace(NEW, title=title)))
    assert study.title == (" ".join(title.split()) or "Study")


@pytest.mark.parametrize(
    "title",
    ['say "hinge"', "back\\slash", "two\nlines", "'''", '"""', "# no comment", "ends in \\", "{ x = 1 }", "°Ø”"],
)
def test_titles_cannot_break_out_of_their_quotes(title: str) -> None:
    assert parse_study(study_text(replace(NEW, title=title))).title == " ".join(title.split())


def test_del_is_escaped_as_toml_wants() -> None:
    assert toml_text("a\x7fb\x00") == '"a\\u007fb\\u0000"'


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"penetration_at_least": "1.2"}, "“1.2” has no unit; write the penetration with one"),
        ({"penetration_at_least": "deep"}, "“deep” is not a quantity"),
        ({"voltage_values": (17.0,)}, "5 voltage marks need as many values; 1 were given"),
        ({"feed_low": 9.0}, 'factor "feed".low: low \\(9\\) is not below high'),
        ({"voltage_marks": ("A",)}, "at least two marks"),
        ({"thickness": "10"}, "job.thickness: “10” has no unit"),
        ({"welds": 0}, "plan.welds: “0” is not accepted"),
        ({"hold": "long"}, "“long” is not a quantity"),
        ({"porosity_at_most": -1}, "-1 is not a count"),
    ],
)
def test_answers_that_cannot_be_used_are_refused(change: dict[str, object], match: str) -> None:
    with pytest.raises(DoeError, match=match):
        study_text(replace(NEW, **change))  # type: ignore[arg-type]


def test_the_examples_of_a_study_in_inches_are_in_inches() -> None:
    text = study_text(replace(NEW, units="us", thickness="3/8 in", penetration_at_least="0.05 in", expect_scatter=""))
    for line in ('#job.wire_diameter = "0.035 in"', '#job.travel_speed = "12 in/min"', '#supply.curve = "UL"'):
        assert line in text
    assert "# e.g. from earlier work" in text
    assert re.search(r"#\s+expect_scatter = 0\.012 ", text)
    assert ' mm"' not in text.split("# more")[1].replace('"10 mm"', "")
