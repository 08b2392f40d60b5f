"""What would be left of a claim under other priors: against the prior moved for good, and in words."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from doe.models.coded_trip import CodedTripModel
from doe.models.sampled import NormalPrior
from doe.models.surface import build_surface
from doe.models.weibull import TripTimes
from doe.report.answering import claim_lines, report_lines, terminal_lines
from doe.study.model import Response
from doe.window import box_confidence, find_window, prior_shift
from doe.window.box import pack
from doe.window.prior_shift import halved_sentences, shift_sentences, take_draws
from doe.window.window import SettingBox, ShiftedClaim

PENETRATION = Response("penetration", "measure", "mm", at_least=1.0)
TRIP = Response("trip", "trip", hold_s=30.0)
SLOWER = "the typical time to trip expected at 2.7 times the arc time to hold"
QUICKER = "the typical time to trip expected at 0.6 times the arc time to hold"


@pytest.fixture
def unseen(bench):
    """A fit whose trips rest on the prior alone: not one weld, the typical time to trip so many log units longer."""
    study = bench.study(responses=(PENETRATION, TRIP))
    results = bench.results(study, bench.corners(study))
    surface = build_surface(results, highest="first")
    nothing = TripTimes(np.empty(0), np.empty(0, bool), np.empty(0, bool))

    def fit(longer, *, slope_sd=0.3):
        n = len(surface.columns)
        mean = np.array([np.log(30.0) + longer, *[-0.3] * (n - 1), np.log(2.0)])
        prior = NormalPrior(mean, np.array([1.0, *[slope_sd] * (n - 1), 0.5]))
        trips = CodedTripModel(surface, np.empty((0, n)), nothing, np.log(30.0), prior, mean)
        known = {"trip": {"load": "unknown", "arc_time_ratio": 2.0}}
        models = {"penetration": bench.hill(study, drop=0.4), "trip": trips}
        return bench.fit(study, models, results=results, conditions=known)

    return fit


def with_prior_of(fit, shift):
    """The same fit with a prior moved for good."""
    made = tuple(replace(f, model=shift.model) if f.name == "trip" else f for f in fit.responses)
    return replace(fit, responses=made)


def test_the_confidence_is_that_of_the_same_box_fitted_anew(unseen):
    fit = unseen(3.3)
    answer = find_window(fit).answer
    shifts = fit.response("trip").model.shifts()
    assert [c.assumption for c in answer.shifted] == [s.assumption for s in shifts]
    assert {c.response for c in answer.shifted} == {"trip"}  # a measure has no such prior
    for claim, shift in zip(answer.shifted, shifts, strict=True):
        anew = box_confidence(with_prior_of(fit, shift), answer.box)
        error = np.sqrt(anew * (1 - anew) * (1 / claim.effective_draws + 1 / 1000))
        assert claim.confidence == pytest.approx(anew, abs=3 * error + 0.002)
    by = {c.assumption: c.confidence for c in answer.shifted}
    assert by[QUICKER] < answer.box.confidence - 0.05 < answer.box.confidence < by[SLOWER]


def test_the_window_that_would_be_left_is_that_of_the_prior_moved_for_good(unseen):
    fit = unseen(3.3)
    answer = find_window(fit).answer
    quicker = next(s for s in fit.response("trip").model.shifts() if s.assumption == QUICKER)
    left = next(c for c in answer.shifted if c.assumption == QUICKER)
    anew = find_window(with_prior_of(fit, quicker)).answer
    share = 0.0 if anew.box is None else anew.box.share
    assert left.size_left == pytest.approx(share / answer.box.share, abs=0.15)
    assert next(c for c in answer.shifted if c.assumption == SLOWER).size_left == 1.0


def test_less_than_half_left_is_said_plainly_and_where_it_is_read(unseen):
    window = find_window(unseen(2.9, slope_sd=0.05))
    assert window.found
    halved = [c for c in window.answer.shifted if c.is_halved]
    assert QUICKER in [c.assumption for c in halved]
    said = f"The claim leans on what was taken beforehand about trip: with {QUICKER}, "
    for lines in (terminal_lines(window), report_lines(window)):
        assert any(line.startswith(said) for line in lines)
    range_said = "Had something else been taken beforehand about trip: with the typical time to trip expected at 0.6 to"
    for lines in (terminal_lines(window), claim_lines(window)):
        assert any(line.startswith(range_said) for line in lines)
    printed = json.loads(json.dumps(window.to_dict(), allow_nan=False))
    assert [p["assumption"] for p in printed["prior_shifts"]] == [c.assumption for c in window.answer.shifted]
    assert set(printed["prior_shifts"][0]) == {
        "response", "assumption", "confidence", "effective_draws", "size_left", "window"
    }  # fmt: skip


def test_nothing_is_said_of_a_claim_that_hardly_leans_on_the_prior(unseen):
    window = find_window(unseen(30.0))
    assert not any(c.is_halved for c in window.answer.shifted)
    assert not any("leans on" in line for line in terminal_lines(window))
    assert any("would stay at" in line for line in window.answer.prior_lines)


def test_too_few_draws_are_told_as_such(unseen, monkeypatch):
    monkeypatch.setattr(prior_shift, "LEAST_EFFECTIVE", 1e9)
    window = find_window(unseen(3.3))
    assert all(c.confidence is None and c.size_left is None for c in window.answer.shifted)
    (line,) = window.answer.prior_lines
    assert line.startswith(f"What the confidence would be with {SLOWER}, with ")
    assert line.endswith("cannot be told for trip: too few of the draws speak for it.")


def test_without_a_claim_there_is_nothing_to_shift(unseen):
    window = find_window(unseen(-3.0))
    assert not window.found
    assert window.to_dict()["prior_shifts"] == []


def test_drawn_bits_are_those_of_the_draws_chosen():
    rng = np.random.default_rng(1)
    held = rng.random((12, 150)) < 0.6
    held[5] = False
    chosen = rng.integers(0, 150, 90)
    taken = take_draws(pack(held, (3, 4)), chosen)
    assert taken.n_draws == 90
    np.testing.assert_array_equal(taken.words, pack(held[:, chosen], (3, 4)).words)


def test_the_sentence_tells_each_assumption_and_the_range_either_way(bench):
    study = bench.study()
    box = SettingBox((19.0, 6.0), (21.0, 8.0), (np.array([19.0, 20.0, 21.0]), np.array([6.0, 7.0, 8.0])), 0.2, 0.914)

    def shift(assumption, supposing, confidence, size_left=1.0, left=None):
        return ShiftedClaim("trip", assumption, supposing, 2000.0, confidence, size_left, left)

    quick = shift("a quicker one", "a quicker or slower one", 0.849, 0.3, box)
    slow, steep = shift("a slower one", "a quicker or slower one", 0.957), shift("a steep one", "a steep one", 0.9145)
    assert shift_sentences(study, box, (quick, slow, steep)) == (
        "Had something else been taken beforehand about trip: with a quicker or slower one, the confidence in this "
        "window would be 84 to 95 % instead of 91 %; with a steep one, it would stay at 91 %.",
    )
    none = shift("a worn one", "a worn one", 0.2, 0.0)
    assert halved_sentences(study, (quick, slow, none)) == (
        "The claim leans on what was taken beforehand about trip: with a worn one, nothing could be claimed. Less than "
        "half would be left also with a quicker one.",
    )
    assert halved_sentences(study, (quick,))[0].endswith(
        "the largest window would be less than half as large: voltage 19 to 21 V, feed 6 to 8 m/min."
    )
