from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import replace

import html5lib
import pytest

from doe.bench.headings import meaning_of
from doe.errors import StudyError
from doe.planning.plan import Plan, PlannedWeld
from doe.report.macro_measures import JOINTS, LABELS, likely_joint, likely_measure
from doe.report.macro_page import MOST_CUTS, macro_data, macro_page, write_macro_page
from doe.report.page import policy_hash
from doe.study.model import Job, Response, Study
from doe.units import convert

SVG = "{http://www.w3.org/2000/svg}"


def make_plan(study: Study, names: Sequence[str] = ("W01", "W02"), stage: int = 1) -> Plan:
    settings = tuple(float(factor.positions[0]) for factor in study.factors)
    welds = tuple(PlannedWeld(name, f"P0{i}", 1, i, settings) for i, name in enumerate(names, 1))
    return Plan(study, welds, seed=3, stage=stage)


def test_readings_go_to_the_columns_of_results_csv_cut_by_cut(hinge: Study):
    (penetration,) = macro_data(make_plan(hinge))["responses"]
    assert penetration["headings"][:3] == ["penetration [mm]", "penetration 2 [mm]", "penetration 3 [mm]"]
    assert (penetration["guess"], penetration["mm"], penetration["full"]) == ("penetration", 1.0, True)
    cuts = [meaning_of(heading, hinge) for heading in penetration["headings"]]
    assert [(c.what, c.name, c.cut) for c in cuts if c] == [("reading", "penetration", i + 1) for i in range(MOST_CUTS)]


@pytest.mark.parametrize(
    ("response", "measure"),
    [
        (Response("root penetration", "measure", "in"), "penetration"),
        (Response("side-wall fusion", "measure", "mm"), "penetration"),
        (Response("leg", "measure", "mm"), "shorterLeg"),
        (Response("Throat", "measure", "mm"), "throat"),
        (Response("undercut", "measure", "mm"), "undercut"),
        (Response("largest pore", "measure", "mm"), "poreLargest"),
        (Response("hardness", "measure", ""), ""),
        (Response("penetration speed", "measure", "mm/s"), ""),
        (Response("spatter", "measure", "mm"), ""),
        (Response("penetration", "pass"), ""),
    ],
)
def test_a_response_is_guessed_by_its_name_and_only_where_it_is_a_length(response: Response, measure: str):
    assert likely_measure(response) == measure


def test_only_lengths_are_offered_and_in_their_own_unit(hinge: Study):
    inches = Response("throat", "measure", "in")
    study = replace(hinge, responses=(*hinge.responses, inches, Response("bend angle", "measure", "deg")))
    found = {response["name"]: response for response in macro_data(make_plan(study))["responses"]}
    assert set(found) == {"penetration", "throat"}
    assert found["throat"]["mm"] == convert(1.0, "in", "mm")


@pytest.mark.parametrize(
    ("words", "joint"),
    [("lap fillet", "lap"), ("T fillet", "tee"), ("square butt", "butt"), ("Bead on plate", "bead"), ("", "tee")],
)
def test_the_joint_is_taken_from_the_job(hinge: Study, words: str, joint: str):
    assert macro_data(make_plan(replace(hinge, job=Job(joint=words))))["joint"] == joint
    assert likely_joint(words) in {known.id for known in JOINTS}


def test_the_page_s_own_columns_are_never_taken_for_the_study_s(hinge: Study):
    named = [Response(f"section {label}", "measure", "mm") for label in ("leg A", "throat")]
    for responses in (hinge.responses, named):
        study = replace(hinge, responses=tuple(responses))
        own = macro_data(make_plan(study))["own"]
        headings = [heading for columns in own.values() for heading in columns]
        assert len(headings) == len(set(headings))
        assert [heading for heading in headings if meaning_of(heading, study) is not None] == []
    assert own["legA"][:2] == ["macro section leg A [mm]", "macro section 2 leg A [mm]"]


def test_a_study_that_uses_every_word_of_the_page_is_told_so(hinge: Study):
    prefixes = ("section", "macro section", "section as measured")
    named = tuple(Response(f"{prefix} throat", "measure", "mm") for prefix in prefixes)
    with pytest.raises(StudyError, match="are kept for the macro page: rename the responses"):
        macro_data(make_plan(replace(hinge, responses=named)))


def test_customary_units_head_the_page_s_own_columns(hinge: Study):
    data = macro_data(make_plan(replace(hinge, units="us")))
    assert data["unit"] == "in"
    assert data["own"]["throat"][0] == "section throat [in]"
    assert data["own"]["pores"][0] == "section pores"
    assert data["mmPerUnit"] == {"mm": 1.0, "in": 25.4}


def test_the_page_knows_no_setting_so_that_the_reader_is_blind(hinge: Study):
    text = json.dumps(macro_data(make_plan(hinge)))
    assert not any(words in text for words in ("17.0", "V]", "feed", "preheat", "position"))


def test_every_joint_defines_each_of_its_measures_and_has_its_figure(hinge: Study):
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(macro_page(make_plan(hinge)))
    figures = {figure.get("data-joint"): figure for figure in tree.findall(f".//{SVG}svg")}
    for joint in JOINTS:
        drawn = {group.get("data-point") for group in figures[joint.id].findall(f".//{SVG}g")}
        assert drawn == {point.id for point in joint.points}
        assert figures[joint.id].get("aria-label")
        assert set(joint.measures) <= set(LABELS)
    words = " ".join("".join(tree.find(".//*[@id='definitions']").itertext()).split())
    for joint in JOINTS:
        for said in (*joint.measures.values(), *(point.where for point in joint.points)):
            assert said in words


def definitions(study: Study) -> str:
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(macro_page(make_plan(study)))
    return " ".join("".join(tree.find(".//*[@id='definitions']").itertext()).split())


def test_penetration_of_a_fillet_is_past_the_root_and_of_a_bead_below_the_toes(hinge: Study):
    of = {joint.id: (joint.measures["penetration"], {p.letter: p.where for p in joint.points}) for joint in JOINTS}
    for fillet in ("tee", "lap"):
        how, points = of[fillet]
        assert how.startswith("How far D lies past R, along the line that halves the angle between the plates")
        assert points["R"].startswith("The corner where")
    how, points = of["bead"]
    assert "R" not in points
    assert how == "How far D lies below the line from A to B."
    assert "in how root penetration is counted most of all: keep to one, and say which" in definitions(hinge)


def test_a_cut_out_of_square_is_said_to_stretch_what_is_measured(hinge: Study):
    words = definitions(hinge)
    assert "Nothing is corrected for a cut that is not square to the weld" in words
    assert "it stretches every length across the cut (by 1/cos of the angle)" in words


def test_the_policy_admits_the_page_s_own_style_and_script_and_the_chosen_picture(hinge: Study):
    page = macro_page(make_plan(hinge))
    style = re.search(r"<style>(.*?)</style>", page, re.DOTALL)
    script = re.search(r"<script>(.*?)</script>", page, re.DOTALL)
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)
    assert style is not None
    assert script is not None
    assert policy is not None
    assert policy[1] == (
        f"default-src 'none'; style-src '{policy_hash(style[1])}'; script-src '{policy_hash(script[1])}'; "
        "img-src blob:; base-uri 'none'; form-action 'none'"
    )
    assert not re.findall(r"https?:(?!//www\.w3\.org/2000/svg)", page)


def test_nothing_of_the_page_can_send_or_copy_a_picture(hinge: Study):
    script = macro_page(make_plan(hinge)).split("<script>", 1)[1]
    ways = ("fetch(", "XMLHttpRequest", "sendBeacon", "WebSocket", "toDataURL", "toBlob", "indexedDB", "caches")
    assert [way for way in ways if way in script] == []


def test_titles_and_names_stay_text(hinge: Study):
    bad = "</script><b>10 mm</b> \u2028"
    study = replace(hinge, title=bad, responses=(Response(f"depth {bad}", "measure", "mm"),))
    plan = make_plan(study, ("W01", "=W02"))
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(macro_page(plan))
    scripts = tree.findall(".//script")
    assert json.loads(scripts[0].text) == json.loads(json.dumps(macro_data(plan)))
    assert tree.find(".//h1").text == f"Macro page: {bad}"
    assert tree.findall(".//b") == []


def test_each_stage_has_its_page_and_the_same_plan_the_same_bytes(hinge: Study):
    assert macro_page(make_plan(hinge)) == macro_page(make_plan(hinge))
    files = [write_macro_page(make_plan(hinge, stage=stage))[0] for stage in (1, 2)]
    assert [file.name for file in files] == ["macro.html", "macro-2.html"]
    assert macro_data(make_plan(hinge))["key"] != macro_data(make_plan(hinge, stage=2))["key"]


def test_cautions_defer_to_the_data_sheet_and_give_no_recipe(hinge: Study):
    page = macro_page(make_plan(hinge))
    assert "the supplier’s data sheet and your local rules come first" in page
    assert "Cut and grind only what has gone cold" in page
    body = page.split("<body>")[1].split("<script")[0].casefold()
    recipes = ("nital", "nitric", "hydrochloric", "persulf", "persulph", "alcohol", "per cent", "%", " ml")
    assert [word for word in recipes if word in body] == []
