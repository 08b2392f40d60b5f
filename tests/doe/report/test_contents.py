"""What the report says: reasons, the engineer's part, the calibration, the printed header."""

from __future__ import annotations

import re
from dataclasses import replace
from importlib.metadata import version

import numpy as np
import pytest

from doe.models import fit_responses
from doe.models.diagnostics import diagnose
from doe.report.calibration import calibration_table
from doe.report.contents import job_line, reading_text
from doe.report.formatting import requirement_words, shown_reading
from doe.report.model_parts import model_part
from doe.report.page import running_header
from doe.report.reasons import amount_in_both, in_both_units, setting_reasons
from doe.report.try_setting import try_data, try_setting
from doe.report.written_down import written_down
from doe.study.model import Factor, Response
from doe.window.explore import expect_setting, open_explorer
from doe.window.words import standing_assumptions

# --- what was written down


def test_notes_and_columns_of_ones_own_are_shown_with_what_was_read_beside(answered):
    results = answered.fit.results
    n = results.n_welds
    nothing = ("",) * n
    current = np.full(n, np.nan)
    current[2] = 23.5
    speed = np.full(n, np.nan)
    speed[2] = 5.0
    noted = replace(
        results,
        conditions={"line current [A]": current, "travel speed [mm/s]": speed, "gap [mm]": np.full(n, np.nan)},
        remarks={"notes": ("a wormhole", *nothing[1:]), "gas bottle": ("", "half full", *nothing[2:]), "cord": nothing},
    )
    first, second, third = results.weld[:3]
    assert written_down(noted) == (  # empty columns are left out
        ("line current", f"{third} 23.5 A"),
        ("travel speed", f"{third} 300 mm/min"),
        ("notes", f"{first} a wormhole"),
        ("gas bottle", f"{second} half full"),
    )
    assert written_down(replace(results, conditions={}, remarks={"cord": nothing})) == ()
    alike = replace(results, conditions={}, remarks={"outlet": ("by the door",) * n})
    assert written_down(alike) == (("outlet", "by the door at every weld"),)


# --- why this setting


def test_each_dial_has_its_reason_in_both_unit_systems(answered):
    explorer = open_explorer(answered.fit, answered.window)
    reasons = setting_reasons(answered.fit.results, explorer)
    assert [reason.name for reason in reasons] == ["voltage", "feed", "preheat"]
    feed, heat = reasons[1].text, reasons[2].text
    assert "m/min [" in feed
    assert " in/min]" in feed
    assert " °F]" in heat
    assert all("Your own welds" in reason.text for reason in reasons)


def test_reasons_count_the_users_own_welds(answered):
    explorer = open_explorer(answered.fit, answered.window)
    text = setting_reasons(answered.fit.results, explorer)[2].text
    heat = answered.fit.results.settings[:, 2]
    made = int((heat == 20.0).sum())
    assert "20 °C [68 °F]: " in text
    assert f" of {made} good" in text.split("20 °C [68 °F]: ")[1]


def test_a_turned_dial_tells_what_is_expected_there(answered):
    explorer = open_explorer(answered.fit, answered.window)
    text = setting_reasons(answered.fit.results, explorer)[2].text
    at = answered.window.answer.best or answered.window.answer.nearest
    other = {20.0: 70.0, 70.0: 120.0, 120.0: 70.0}[at.settings[2]]
    share = expect_setting(explorer, (*at.settings[:2], other))[0].expected
    words = f"about {int(share * 100)} of 100" if share <= 0.99 else "over 99 of 100"
    assert f"{other:g} °C [{other * 1.8 + 32:g} °F]: {words}" in text  # F = 1.8 C + 32, exact


@pytest.mark.parametrize(
    ("factor", "value", "words"),
    [
        (Factor("feed", "feed", "in/min", (200.0, 300.0)), 300.0, "300 in/min [7.62 m/min]"),
        (Factor("voltage", "voltage", "V", (17.0, 18.4), ("1", "2")), 18.4, "2 (18.4 V)"),
        (Factor("voltage", values=(1.0, 2.0), marks=("A", "B"), calibrated=False), 2.0, "B"),
        (Factor("wire", kinds=("thin", "thick")), 1.0, "thick"),
    ],
)
def test_settings_are_told_in_both_units_the_dials_own_first(factor, value, words):
    assert in_both_units(factor, value) == words


def test_readings_are_told_in_both_units_the_shown_one_first():
    depth = Response("penetration", "measure", "in")
    assert amount_in_both(0.05, 0.1, depth, "metric") == "1.27 to 2.54 mm [0.05 to 0.1 in]"
    assert amount_in_both(0.05, 0.1, depth, "us") == "0.05 to 0.1 in [1.27 to 2.54 mm]"
    assert amount_in_both(1.0, 2.0, Response("hardness", "measure", "HV"), "us") == "1 to 2 HV"


# --- the engineer's part


def test_the_engineer_finds_terms_influence_sensitivity_and_the_handbook(answered):
    checks = {d.response: d for d in diagnose(answered.fit)}
    depth = model_part(answered.fit.response("penetration"), answered.fit.results, checks["penetration"])
    words = [table.words for table in depth.tables]
    assert words[0].startswith("Terms of the coded factors (voltage: −1 at 17, 1 at 22.3 V; feed: −1 at 5")
    assert any(text.startswith("Influence") for text in words)
    assert any("analysis of variance" in text for text in words)
    assert any("Lack of fit" in note for note in depth.notes)
    assert any("Scatter by source" in note for note in depth.notes)
    assert depth.figures
    pores = model_part(answered.fit.response("porosity"), answered.fit.results, checks["porosity"])
    assert any(table.words.startswith("Prior sensitivity") for table in pores.tables)
    assert any(re.fullmatch(r"Length inspected in all: \d+ mm\.", note) for note in pores.notes)


def test_the_engineers_part_keeps_to_one_unit_of_each_kind(answered):
    results = answered.fit.results
    us = replace(results, study=replace(results.study, units="us"))
    depth = model_part(answered.fit.response("penetration"), us, None)
    assert "on the scale of: penetration, mm" in depth.tables[0].words
    assert any(re.search(r"between welds 0\.\d+ mm", note) for note in depth.notes)
    assert not any(" in" in note.split("between welds")[-1].split(",")[0] for note in depth.notes if "Scatter" in note)
    pores = model_part(answered.fit.response("porosity"), us, None)
    assert any(re.fullmatch(r"Length inspected in all: [\d.]+ in\.", note) for note in pores.notes)


def test_what_the_hand_did_is_told_to_the_engineer_and_with_the_claim(answered):
    results = answered.fit.results
    rng, n = np.random.default_rng(4), results.n_welds
    hand = {"travel speed [mm/s]": 5 + 0.4 * rng.normal(size=n), "stick-out [mm]": 16 + rng.normal(size=n)}
    study = replace(results.study, job=replace(results.study.job, covariates=("travel speed", "stick-out")))
    fit = fit_responses(replace(results, study=study, conditions={**results.conditions, **hand}), seed=3)
    part = model_part(fit.response("penetration"), fit.results, diagnose(fit)[0])
    last = [row[0] for row in part.tables[0].rows[-2:]]
    assert last == ["travel speed, per sd", "stick-out, per sd"]
    assert any(
        re.search("Within the scatter between welds: .* mm from travel speed, .* stick-out", n) for n in part.notes
    )
    claimed = [text for text in standing_assumptions(fit) if "travel speed and stick-out of each weld" in text]
    assert len(claimed) == 1
    assert claimed[0] not in standing_assumptions(answered.fit)


def test_lack_of_fit_is_told_where_there_is_pure_error(answered):
    results = answered.fit.results
    alone = replace(
        results,
        plate=tuple(f"P{i:02d}" for i in range(results.n_welds)),
        position=np.ones(results.n_welds, dtype=np.int64),
        planned=results.planned.round(0),
    )
    settings = np.vstack([alone.settings[:12], alone.settings[:12]])  # every setting welded twice
    twice = replace(alone, settings=settings, planned=settings)
    notes = model_part(answered.fit.response("penetration"), twice, None).notes
    assert any("against pure error, the handbook’s test: F = " in note for note in notes)


def test_a_fit_that_cannot_be_made_by_the_handbook_says_so(answered):
    results = answered.fit.results
    same = replace(results, settings=np.tile(results.settings[:1], (results.n_welds, 1)))
    notes = model_part(answered.fit.response("penetration"), same, None).notes
    assert any("The handbook’s fit of penetration cannot be made" in note for note in notes)


def test_the_calibration_is_the_committed_one():
    table = calibration_table()
    assert "wrong a claim, %" in table.heads
    assert len(table.rows) >= 2
    assert all(len(row) == len(table.heads) for row in table.rows)
    assert table.made[0].startswith("Made by python -m doe.rehearsal")


def test_a_calibration_without_its_table_is_noticed():
    with pytest.raises(ValueError, match="has no heading"):
        calibration_table("# Calibration\n\n| a |\n|---|\n| 1 |\n")


def test_the_report_says_how_to_repeat_it_and_with_which_versions(answered):
    contents = answered.contents
    told = " ".join(contents.repeat)
    assert f"numpy {version('numpy')}" in told
    assert "--seed 3" in told
    assert answered.window.study.fingerprint in told
    assert contents.reasons_heading == "Why this setting"


def test_without_a_window_the_best_candidate_is_explained(answered_none):
    contents = answered_none.contents
    assert contents.reasons_heading == "Why the best candidate is where it is"
    assert any("the best candidate is voltage 1 (17 V)" in line for line in contents.answer)
    assert any("not even 1 of 2" in line for line in contents.answer)


def test_doubts_of_the_checks_are_asked_about_in_front(answered):
    contents = answered.contents
    doubts = [doubt for section in contents.models for doubt in section.part.findings]
    checks = [doubt for check in diagnose(answered.fit) for doubt in check.findings if "drift" in doubt]
    assert all(doubt in contents.questions for doubt in checks)
    assert set(contents.questions) - set(answered.fit.results.questions) <= set(doubts)


# --- units, requirements, paper


def test_readings_are_shown_in_the_studys_units():
    depth = Response("penetration", "measure", "mm")
    assert shown_reading(depth, "us") == (pytest.approx(1 / 25.4), "in")
    assert shown_reading(depth, "metric") == (1.0, "mm")
    assert shown_reading(Response("interpass", "measure", "degC"), "us") == (1.0, "degC")
    assert shown_reading(Response("porosity", "count", per_mm=100.0), "us") == (1.0, "")


def test_thickness_is_told_in_the_studys_units(hinge):
    thick = replace(hinge, job=replace(hinge.job, thickness_mm=9.525), units="us")
    assert "0.375 in thick" in job_line(thick)


def test_the_job_is_named_with_stick_out_and_travel(hinge):
    job = replace(hinge.job, stickout_mm=16.0, travel_speed_mm_s=5.0)
    assert "16 mm stick-out, travel 300 mm/min" in job_line(replace(hinge, job=job))
    assert "travel 11.8 in/min" in job_line(replace(hinge, job=job, units="us"))
    bare = replace(job, stickout_mm=None, travel_speed_mm_s=None)
    assert "stick-out" not in job_line(replace(hinge, job=bare))
    assert "travel" not in job_line(replace(hinge, job=bare))


def test_a_depth_read_in_millimetres_is_printed_in_inches(answered):
    results = answered.fit.results
    text = reading_text(results.study.responses[0], results.readings["penetration"], 0, "us")
    assert text == f"{results.readings['penetration'].values[0, 0] / 25.4:.3g} in"


@pytest.mark.parametrize(
    ("response", "words"),
    [
        (Response("penetration", "measure", "mm", at_least=1.2), "at least 1.2 mm"),
        (Response("leg", "measure", "mm", at_least=5.0, at_most=7.0), "at least 5 mm and at most 7 mm"),
        (Response("porosity", "count", at_most=2, per_mm=100.0, per_text="100 mm"), "at most 2 over 100 mm"),
        (Response("trip", "trip", hold_s=30.0), "holds for 30 s"),
        (Response("root fused", "pass"), "yes"),
        (Response("hardness", "measure", "HV"), "no requirement"),
    ],
)
def test_requirements_are_told_in_words(hinge, response, words):
    assert requirement_words(response, hinge) == words


def test_no_text_of_the_study_ends_the_printed_header(answered):
    contents = replace(answered.contents, title='</style>"} body {} ' + "x" * 80)
    style = running_header(contents)
    assert "</style>" not in style
    assert style.count('"') == 8
    assert "\\002026" in style  # cut short, with an ellipsis


def test_the_page_part_is_escaped_and_small(answered):
    fit = answered.fit
    explorer = open_explorer(fit, answered.window)
    study = answered.window.study
    hostile = replace(study.factors[0], name="</script>")
    window = replace(answered.window, study=replace(study, factors=(hostile, *study.factors[1:])))
    assert "</script>" not in try_setting(fit, replace(explorer, window=window)).data
    data = try_data(fit, explorer)
    assert data["factors"][0]["stops"][1]["label"] == "2 (18.4 V)"
    assert data["rank"] == 400  # 4,000 draws at 90 %: the bound is the 401st smallest
    assert len(data["draws"]) < 600_000
