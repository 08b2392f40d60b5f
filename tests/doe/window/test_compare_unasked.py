"""Comparing where nothing is asked, or nothing of that was measured: the differences are told all the same."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import special

from doe.errors import CannotAnswerError
from doe.study.model import Factor, Limit, Response
from doe.window import compare_kinds, compare_studies
from doe.window.compare_words import comparison_sentences
from doe.window.landmarks import find_landmarks
from doe.window.sides import find_shared_ground, study_sides

VOLTS = tuple(float(v) for v in np.linspace(17.0, 23.0, 7))
STEPS = tuple(float(v) for v in np.linspace(5.0, 9.0, 9))
VOLTAGE, FEED = Factor("voltage", "voltage", "V", VOLTS), Factor("feed", "feed", "m/min", STEPS)
WIRE = Factor("wire", kinds=("A", "B"))
WIDTH = Response("width", "measure", "mm")


def test_without_any_requirement_the_difference_is_told_and_the_card_is_not_asked_for(bench):
    study = bench.study(responses=(WIDTH,))
    other = replace(study, title="the other")
    first, second = (bench.fit(s, {"width": bench.hill(s, top=top)}) for s, top in ((study, 2.0), (other, 2.3)))
    comparison = compare_studies(first, second, seed=3)
    middle = comparison.places[0]
    assert (middle.settings, middle.why) == ((20.0, 7.0), "the middle of what was welded on both")
    half = special.ndtri(0.95) * 0.1 * np.sqrt(2.0)  # as with a requirement: each constant is known to 0.1
    (change,) = middle.differences
    assert change.difference == pytest.approx(0.3, abs=0.01)
    assert change.high - change.low == pytest.approx(2 * half, abs=0.02)
    assert [place.settings for place in comparison.places[1:]] == [(17.0, 5.0), (23.0, 9.0)]
    assert (comparison.card, comparison.verdict) == (None, "no requirement")
    answer = comparison.to_dict()
    assert answer["one_card"]["if_not"] == {"reason": "no requirement"}
    assert [side["if_not"] for side in answer["sides"]] == [{"reason": "no requirement"}] * 2
    assert [side["best"] for side in answer["sides"]] == [None, None]
    lines = comparison_sentences(comparison)
    assert lines[0].startswith("No requirement is set on any response, so there is no window to ask for")
    assert "the other: 4 welds, and no requirement to meet." in lines
    assert not any("can be claimed" in line for line in lines)


def test_where_one_study_asks_and_the_other_does_not_the_one_without_is_named(bench):
    asked = bench.study(responses=(replace(WIDTH, at_least=1.0),))
    unasked = replace(asked, responses=(WIDTH,), title="the other")
    comparison = compare_studies(*(bench.fit(s, {"width": bench.hill(s)}) for s in (asked, unasked)))
    assert [side.box is not None for side in comparison.sides] == [True, False]
    assert comparison.verdict == "no requirement"
    assert "on any response of the other, so it cannot be asked" in comparison_sentences(comparison)[0]
    assert "best setting of Made for a test" in comparison.places[0].why
    assert comparison.to_dict()["sides"][0]["if_not"] is None


def test_kinds_are_compared_without_any_requirement(bench):
    study = bench.study(factors=(VOLTAGE, FEED, WIRE), responses=(WIDTH,))

    def basis(natural):
        return np.column_stack([np.ones(len(natural)), natural[:, 2] == 1])

    # what the wires share is known to 0.3 only, and falls out of the difference
    model = bench.NormalModel(basis, np.array([2.0, 0.3]), np.diag([0.3**2, 0.1**2]), 0.3, 1.0)
    comparison = compare_kinds(bench.fit(study, {"width": model}), seed=1)
    (change,) = comparison.places[0].differences
    assert (change.label, len(comparison.places)) == ("B", 3)
    assert change.difference == pytest.approx(0.3, abs=0.01)
    assert change.high - change.low == pytest.approx(2 * special.ndtri(0.95) * 0.1, rel=0.06)
    assert comparison_sentences(comparison)[1:3] == (
        "A: 4 welds, and no requirement to meet.",
        "B: 4 welds, and no requirement to meet.",
    )
    assert "wire" not in " ".join(comparison_sentences(comparison))


def test_a_requirement_that_was_not_measured_leaves_the_other_differences(bench):
    study = bench.study(responses=(Response("penetration", "measure", "mm", at_least=1.0), WIDTH))
    fit = bench.fit(study, {"width": bench.hill(study)})
    comparison = compare_studies(fit, fit)
    assert {d.response.name for p in comparison.places for d in p.differences} == {"width"}
    assert comparison.verdict == "cannot say yet"
    assert any("penetration cannot be judged, so nothing is claimed" in line for line in comparison.findings)


def test_where_nothing_is_asked_and_nothing_measured_there_is_nothing_to_compare(bench):
    study = bench.study(responses=(WIDTH,))
    fit = bench.fit(study, {})
    with pytest.raises(CannotAnswerError, match="nothing can be compared: width is not compared: it was not measured"):
        compare_studies(fit, fit)


def test_the_ends_stay_within_the_limits_and_within_one_kind(bench):
    gas = Factor("gas", kinds=("mixed", "plain"))
    limit = Limit((("voltage", 1.0), ("feed", 1.0)), 30.0, "voltage + feed <= 30")
    study = bench.study(factors=(VOLTAGE, FEED, gas), responses=(WIDTH,), limits=(limit,))
    settings = bench.corners(study)
    fit = bench.fit(study, {"width": bench.hill(study)}, results=bench.results(study, settings))
    sides = study_sides((fit, fit), seed=1)
    found = [setting for setting, _ in find_landmarks(sides, find_shared_ground(sides))]
    assert found[:2] == [(20.0, 7.0, 0.0), (17.0, 5.0, 0.0)]
    assert found[2][0] + found[2][1] == 30.0
    assert {setting[2] for setting in found} == {0.0}
