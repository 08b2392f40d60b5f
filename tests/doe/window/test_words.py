from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from doe.study.model import Claim, Factor, PlanWishes, Response
from doe.window import find_window, window_sentences
from doe.window.window import SettingBox
from doe.window.words import (
    LESSER_DENOMINATORS,
    assumed_in_short,
    at_least,
    box_words,
    claim_sentence,
    frequency,
    frequency_sentence,
    limit_sentences,
    narrow_sentences,
    setting_words,
)


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.9, "18 of 20"),
        (0.95, "19 of 20"),
        (0.8, "16 of 20"),
        (0.98, "49 of 50"),
        (0.99, "99 of 100"),
        (0.999, "99.9 %"),
    ],
)
def test_a_claims_frequency_is_exact(share, words):
    assert frequency(share) == words


@pytest.mark.parametrize(("share", "words"), [(0.8, "4 of 5"), (0.7, "7 of 10"), (0.85, "17 of 20"), (0.5, "5 of 10")])
def test_a_lesser_frequency_takes_the_smallest_denominator(share, words):
    assert frequency(share, LESSER_DENOMINATORS) == words


@pytest.mark.parametrize("p", [0.5, 0.899999, 0.994999, 0.9999999, 1.0 - 1e-12])
def test_a_probability_is_never_printed_larger_than_it_is(p):
    printed = at_least(p)
    assert printed != "100 %"
    if not printed.startswith("over"):
        assert int(printed.split()[0]) / 100 <= p
    else:
        assert p > 0.99


def test_the_sentence_of_the_claim_is_as_promised():
    assert frequency_sentence(Claim(0.9, 0.9), single=False) == (
        "In the long run at least 18 of 20 welds made in here meet every requirement; we are 90 % sure."
    )
    assert "at this setting" in frequency_sentence(Claim(), single=True)


def hinge_box(study):
    values = tuple(np.array(v) for v in ([18.4, 19.6, 21.1], [5.5, 6.0, 6.5], [70.0]))
    return SettingBox((18.4, 5.5, 70.0), (21.1, 6.5, 70.0), values, 0.1, 0.93)


def test_a_box_is_told_by_its_marks_first_and_units_next(hinge):
    assert box_words(hinge, hinge_box(hinge)) == "voltage 2 to 4 (18.4 to 21.1 V), feed 5.5 to 6.5 m/min, preheat 70 °C"
    assert setting_words(hinge, (19.6, 7.0, 20.0)) == "voltage 3 (19.6 V), feed 7 m/min, preheat 20 °C"


def test_marks_without_a_calibration_are_told_alone_and_kinds_by_name(bench):
    factors = (
        Factor("voltage", "voltage", "", (1.0, 2.0, 3.0), ("A", "B", "C"), calibrated=False),
        Factor("wire", kinds=("thin", "thick")),
    )
    study = bench.study(factors)
    box = SettingBox((1.0, 1.0), (3.0, 1.0), (np.array([1.0, 2.0, 3.0]), np.array([1.0])), 0.1, 0.93)
    assert box_words(study, box) == "voltage A to C, wire thick"
    assert setting_words(study, (2.0, 0.0)) == "voltage B, wire thin"


def test_a_found_window_is_told_setting_first_and_says_given_the_model(bench):
    study = bench.study(
        responses=(
            Response("penetration", "measure", "mm", at_least=1.0),
            Response("undercut", "measure", "mm", at_most=0.5),
        )
    )
    window = find_window(bench.fit(study, {"penetration": bench.hill(study)}))
    told = window_sentences(window, window.answer)
    assert told[0].startswith("Setting window: voltage 19 to 21 V, feed 6 to 8 m/min")
    assert "18 of 20" in told[1]
    assert told[2].startswith("Best setting: voltage 20 V, feed 7 m/min.")
    full = claim_sentence(window, window.answer)
    assert full.startswith("Given the model and the stated priors, the confidence is at least 90 %")
    assert "at every dial setting in this box a weld on a new plate" in full
    assert "undercut was not measured: its requirement is not part of this claim." in full
    assert told[-1].startswith("Not tested: any other joint")
    assert not any("% of windows" in text for text in told)


def test_a_single_setting_is_never_called_a_window(bench):
    factors = (
        Factor("voltage", "voltage", "V", (17.0, 20.0, 23.0), ("1", "2", "3")),
        Factor("feed", "feed", "m/min", (5.0, 6.0, 7.0, 8.0, 9.0)),
    )
    study = bench.study(factors)
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, drop=1.6)}))
    told = window_sentences(window, window.answer)
    assert told[0].startswith("A few settings can be claimed, too narrow to be called a window: voltage 2 (20 V)")
    assert "every dial setting in this box" in told[3]
    assert not any("etting window" in line for line in told)


def test_no_window_says_what_could_be_claimed_and_what_to_do(bench):
    study = bench.study()
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, top=1.36, drop=0.3, unsure=0.05)}))
    told = " ".join(window_sentences(window, window.answer))
    assert "no setting can be claimed: there is none where we are 90 % sure that at least 18 of 20 welds" in told
    assert "neither show nor exclude" in told
    assert "limits most there: penetration" in told
    assert "What can be claimed at that setting: at least 4 of 5 welds" in told
    assert "At least 4 of 5 welds can be claimed for voltage" in told
    assert "The next 6 welds should go near" in told


def test_data_that_speak_against_it_are_said_to(bench):
    study = bench.study()
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, top=0.5)}))
    assert "The data speak against any such setting in the region" in " ".join(window_sentences(window, window.answer))


def test_an_unsettled_fit_is_told_with_its_sentence(bench):
    study = bench.study()
    fit = bench.fit(study, {"penetration": bench.hill(study)}, settled=False)
    window = find_window(fit)
    assert "The fit of penetration did not settle; no claim." in window_sentences(window, window.answer)


def test_a_side_limited_by_the_region_is_not_called_a_failure(bench):
    study = bench.study()
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, top=4.0)}))
    told = limit_sentences(study, window.answer)
    assert told == [
        "Limited by the region, not by failure, towards lower voltage, higher voltage, lower feed, higher feed: "
        "beyond it nothing was tested."
    ]


def test_each_position_is_named_where_there_are_several(bench):
    study = bench.study(plan=PlanWishes(welds_per_plate=2, later_welds="warm"))
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, later_shift=-0.25)}))
    firsts = [window_sentences(window, answer)[0] for answer in window.answers]
    assert "for first and later welds alike" in firsts[0]
    assert "for first welds of a plate" in firsts[1]
    assert "for later welds, on a warm plate" in firsts[2]
    assert "a later weld on a new plate" in claim_sentence(window, window.answers[2])


def test_a_trip_that_bars_the_claim_leaves_the_box_not_contradicted(bench):
    responses = (Response("penetration", "measure", "mm", at_least=1.0), Response("trip", "trip", hold_s=30.0))
    study = bench.study(responses=responses)
    models = {"penetration": bench.hill(study, top=4.0), "trip": bench.hill(study)}
    window = find_window(bench.fit(study, models, conditions={"trip": {"load": "unknown"}}))
    told = " ".join(window_sentences(window, window.answer))
    assert "Not contradicted, and not claimed: voltage" in told
    assert "What can be claimed" not in told


def test_a_doubt_about_what_was_said_beforehand_goes_with_the_window(bench):
    study = bench.study()
    doubt = "The counts contradict the answers from experience."
    fit = bench.fit(study, {"penetration": bench.hill(study)}, findings=("Another.", doubt), prior_findings=(doubt,))
    window = find_window(fit)
    assert window.findings == (doubt,)
    assert doubt in window.to_dict()["findings"]


@pytest.mark.parametrize(
    ("response", "numbers", "conditions", "words"),
    [
        (Response("depth", "measure", "mm", at_least=1.0, expect_scatter=0.25), {}, {}, ("scatter of depth 0.25 mm",)),
        (Response("depth", "measure", "mm", at_least=1.0), {}, {}, ()),
        (Response("depth", "measure", "mm", expect_scatter=0.25), {}, {}, ()),
        (Response("pores", "count", at_most=2), {"prior": "informed"}, {}, ("pores as answered",)),
        (Response("pores", "count", at_most=2), {"prior": "cautious"}, {}, ("nothing known of pores",)),
        (Response("trip", "trip", hold_s=30.0), {}, {"load": "measured"}, ("16 A breaker, curve C",)),
        (Response("trip", "trip", hold_s=30.0), {}, {"load": "computed"}, ("16 A breaker, curve C, load computed",)),
        (Response("trip", "trip", hold_s=30.0), {}, {"load": "unknown"}, ("a typical time to trip",)),
        (Response("fused", "pass"), {}, {}, ("fused on 4 of 5 welds",)),
    ],
)
def test_what_was_assumed_is_named_in_few_words(bench, hinge, response, numbers, conditions, words):
    study = bench.study(responses=(response,), supply=hinge.supply)
    model = {response.name: bench.hill(study)}
    assert assumed_in_short(bench.fit(study, model, conditions={response.name: conditions}, numbers=numbers)) == words


def test_a_box_narrower_than_the_wander_is_told(hinge):
    narrow = replace(hinge_box(hinge), low=(19.6, 5.5, 70.0), high=(19.6, 6.5, 70.0))
    assert narrow_sentences(hinge, hinge_box(hinge)) == []
    assert narrow_sentences(hinge, narrow) == ["The window is narrower in voltage than the dial can be held (± 0.2 V)."]
