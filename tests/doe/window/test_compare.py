"""Comparing studies and kinds: the difference with its band, and the card that serves all."""

from __future__ import annotations

import itertools
import json
from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy import special

from doe.bench.results import Measurement
from doe.coding import FloatArray
from doe.errors import CannotAnswerError, StudyError
from doe.study.model import Claim, Factor, Limit, Response
from doe.window import compare_kinds, compare_studies, find_window
from doe.window.compare_words import comparison_sentences
from doe.window.one_card import find_card
from doe.window.sides import all_hold, find_shared_ground, kind_sides, study_sides

VOLTS = tuple(float(v) for v in np.linspace(17.0, 23.0, 7))
STEPS = tuple(float(v) for v in np.linspace(5.0, 9.0, 9))
VOLTAGE, FEED = Factor("voltage", "voltage", "V", VOLTS), Factor("feed", "feed", "m/min", STEPS)
WIRE = Factor("wire", kinds=("A", "B", "C"))


def made_fit(bench, study, *, settings=None, **hill):
    """A fit whose one response is known to within ``unsure``."""
    results = bench.results(study, bench.corners(study) if settings is None else settings)
    return bench.fit(study, {"penetration": bench.hill(study, **hill)}, results=results)


@pytest.fixture
def pair(bench, tmp_path):
    """Two studies of the same dials: the second is 0.3 mm deeper."""
    first, second = bench.study(), replace(bench.study(), title="With the other wire", folder=tmp_path / "b")
    return made_fit(bench, first, top=2.0), made_fit(bench, second, top=2.3)


# --- the difference


def test_the_difference_of_two_studies_is_known_no_better_than_both_together(pair):
    comparison = compare_studies(*pair, seed=3)
    (place,) = [p for p in comparison.places if p.settings == (20.0, 7.0)]
    (change,) = place.differences
    # in the middle only the constant counts: each study's is known to 0.1, their difference to 0.1 sqrt(2)
    half = special.ndtri(0.95) * 0.1 * np.sqrt(2.0)
    assert change.difference == pytest.approx(0.3, abs=0.01)
    assert change.low == pytest.approx(0.3 - half, abs=0.015)
    assert change.high == pytest.approx(0.3 + half, abs=0.015)
    assert change.is_shown
    assert (change.first, change.other) == (pytest.approx(2.0, abs=0.01), pytest.approx(2.3, abs=0.01))


def test_the_same_study_twice_shows_no_difference(bench):
    fit = made_fit(bench, bench.study())
    comparison = compare_studies(fit, fit, seed=1)
    assert not any(d.is_shown for place in comparison.places for d in place.differences)
    words = " ".join(comparison_sentences(comparison))
    assert "no difference is shown" in words
    assert "day, hand, spool, outlet and cord" in words


def test_studies_of_one_title_are_told_by_their_folders_or_as_first_and_second(bench, pair, tmp_path):
    first, second = pair
    alike = replace_title(second, first.results.study.title)
    assert [side.label for side in compare_studies(first, alike).sides] == [tmp_path.name, "b"]
    assert [side.label for side in compare_studies(first, first).sides] == ["the first", "the second"]


def test_the_order_of_the_factors_does_not_matter(bench, pair):
    first, second = pair
    turned = bench.study(factors=(FEED, VOLTAGE), responses=second.results.study.responses)
    turned = replace(turned, title=second.results.study.title, folder=second.results.study.folder)
    swapped = made_fit(bench, turned, top=2.3)
    straight, crossed = compare_studies(first, second, seed=1), compare_studies(first, swapped, seed=1)
    assert straight.card is not None
    assert (crossed.card.box.low, crossed.card.box.high) == (straight.card.box.low, straight.card.box.high)
    assert crossed.sides[1].best == straight.sides[1].best[::-1]


def test_the_same_fits_and_seed_give_the_same_bytes(pair):
    once, twice = (json.dumps(compare_studies(*pair, seed=2).to_dict(), allow_nan=False) for _ in range(2))
    assert once == twice


# --- one card


def brute_force(sides, ground, *, level):
    """Look at every box: the most settings that hold on every side at once, in enough draws."""
    held = np.zeros((*ground.claimable.shape, 4000), dtype=bool)
    held[ground.claimable] = all_hold(sides, ground.settings(ground.claimable), reliability=0.9, stage=1, n_draws=4000)
    best = 0
    ranges = [[(a, b) for a in range(n) for b in range(a, n)] for n in ground.claimable.shape]
    for box in itertools.product(*ranges):
        part = held[tuple(slice(a, b + 1) for a, b in box)].reshape(-1, 4000)
        if part.all(axis=0).mean() >= level:
            best = max(best, len(part))
    return best


def test_the_card_is_the_largest_box_that_holds_on_both_at_once(bench, pair):
    first, _ = pair
    shifted = bench.hill(first.results.study, top=2.05)
    lean = replace(shifted, mean=shifted.mean + np.array([0.0, 0.25, -0.15, 0.0, 0.0]))
    second = replace(first.results.study, title="leaning")
    other = bench.fit(second, {"penetration": lean})
    sides = study_sides((first, other), seed=1)
    ground = find_shared_ground(sides)
    card, _ = find_card(sides, ground, Claim())
    assert card is not None
    assert card.box.n_settings == brute_force(sides, ground, level=0.9)
    assert card.box.confidence >= 0.9
    alone = [find_window(fit, seed=1).answer.box.n_settings for fit in (first, other)]
    assert card.box.n_settings < min(alone)
    assert card.box.contains(card.best)


def test_two_that_are_known_exactly_share_what_both_have(bench):
    wide, narrow = (made_fit(bench, bench.study(), top=top, unsure=1e-4) for top in (2.3, 1.9))
    comparison = compare_studies(wide, narrow, seed=1)
    own = find_window(narrow, seed=1).answer.box
    assert (comparison.card.box.low, comparison.card.box.high) == (own.low, own.high)
    assert comparison.verdict == "one card serves both"
    assert "One card serves both" in comparison_sentences(comparison)[0]


def test_windows_apart_need_a_card_each(bench):
    study = bench.study()
    model = bench.hill(study, top=1.1, drop=1.6, unsure=0.02)
    left, right = (replace(model, mean=model.mean + np.array([0.0, lean, 0.0, 0.0, 0.0])) for lean in (-2.6, 2.6))
    comparison = compare_studies(bench.fit(study, {"penetration": left}), bench.fit(study, {"penetration": right}))
    assert [side.box is not None for side in comparison.sides] == [True, True]
    assert comparison.card is None
    assert comparison.verdict == "each needs its own card"
    assert comparison_sentences(comparison)[0] == "No one card serves both; each has a card of its own."
    assert comparison.to_dict()["one_card"] == {
        "found": False,
        "window": None,
        "confidence": None,
        "share": None,
        "best": None,
        "if_not": None,
    }


def test_where_one_or_none_has_a_window_the_verdict_says_so(bench):
    study = bench.study()
    good, poor = made_fit(bench, study), made_fit(bench, study, top=1.1)
    one, none = compare_studies(good, poor), compare_studies(poor, poor)
    assert (one.verdict, none.verdict) == ("only one has a card", "cannot say yet")
    assert any("no window of its own can be claimed yet" in line for line in comparison_sentences(one))
    assert "cannot be said yet" in comparison_sentences(none)[0]
    assert any("most promising setting" in place.why for place in none.places)


def test_a_small_card_is_asked_for_more_confidence(bench):
    study = bench.study()
    fit = made_fit(bench, study, top=1.5, drop=2.5, unsure=0.01)
    comparison = compare_studies(fit, fit, seed=1)
    assert comparison.card is not None
    assert comparison.card.box.share < 0.04
    assert comparison.card.searched_at == pytest.approx(0.95)
    assert any("easily wrong" in finding for finding in comparison.findings)
    assert "One setting serves" in comparison_sentences(comparison)[0]


def test_the_confidence_asked_for_is_told_in_tenths(pair):
    comparison = compare_studies(*pair)
    asked = replace(comparison, card=replace(comparison.card, searched_at=0.9388888888888889))
    assert "(93.9 % was asked)." in comparison_sentences(asked)[1]
    whole = replace(comparison, card=replace(comparison.card, searched_at=0.9))
    assert "(90 % was asked)." in comparison_sentences(whole)[1]


def test_the_stricter_claim_counts(bench):
    study = bench.study()
    mild, strict = (made_fit(bench, replace(study, claim=c)) for c in (Claim(0.8, 0.9), Claim(0.95, 0.8)))
    comparison = compare_studies(mild, strict)
    assert comparison.claim == Claim(0.95, 0.9)
    assert comparison.card.box.n_settings <= find_window(strict, seed=1).answer.box.n_settings


def test_an_unproven_trip_that_limits_forbids_the_card(bench):
    study = bench.study(responses=(Response("trip", "trip", hold_s=30.0),))

    def fit(ratio):
        facts = {"trip": {"load": "unknown", "arc_time_ratio": ratio}}
        return bench.fit(study, {"trip": bench.hill(study)}, conditions=facts)

    barred = compare_studies(fit(2.5), fit(1.0))
    assert barred.card is None
    assert any("not contradicted, but it cannot be claimed" in finding for finding in barred.findings)
    assert compare_studies(fit(2.5), fit(2.5)).card is not None


def test_a_response_that_did_not_settle_claims_nothing(bench):
    good = made_fit(bench, bench.study())
    doubtful = replace(good, responses=(replace(good.responses[0], settled=False),))
    comparison = compare_studies(good, doubtful)
    assert comparison.card is None
    assert comparison.sides[1].blocked == ("penetration",)
    assert any("penetration cannot be judged" in finding for finding in comparison.findings)
    assert comparison.places[0].differences


# --- the ground they share


def test_only_what_both_can_be_set_to_is_compared(bench):
    half = tuple(v for v in STEPS if v <= 7.0)
    limit = Limit((("voltage", 1.0),), 21.0, "voltage <= 21")
    first = bench.study(limits=(limit,))
    second = bench.study(factors=(VOLTAGE, replace(FEED, values=half)))
    sides = study_sides((made_fit(bench, first), made_fit(bench, second)), seed=1)
    ground = find_shared_ground(sides)
    shared = ground.settings(ground.claimable)
    assert shared[:, 0].max() == 21.0
    assert shared[:, 1].max() == 7.0
    assert shared.min(axis=0).tolist() == [17.0, 5.0]


def test_where_neither_best_can_be_set_on_both_a_shared_setting_is_looked_at(bench):
    cool = bench.study(limits=(Limit((("voltage", 1.0),), 19.0, "voltage <= 19"),))
    fast = bench.study(limits=(Limit((("feed", -1.0),), -8.0, "feed >= 8"),))
    comparison = compare_studies(*(made_fit(bench, study, top=1.6) for study in (cool, fast)))
    (place,) = comparison.places
    assert place.settings == (19.0, 8.0)  # of those that both can be set to, the nearest to the top in the middle
    assert "promises most" in place.why


def test_what_lies_between_the_steps_of_one_study_must_hold_there_too(bench):
    coarse = bench.study(factors=(VOLTAGE, replace(FEED, values=(5.0, 7.0, 9.0))))
    first, second = made_fit(bench, coarse, top=2.6, drop=0.3), made_fit(bench, bench.study(), top=2.6, drop=0.3)
    sides = study_sides((first, second), seed=1)
    card, _ = find_card(sides, find_shared_ground(sides), Claim())
    assert card.box.high[1] > card.box.low[1]
    own = sides[1].box(np.array(card.box.low), np.array(card.box.high))
    assert len(own.dials[1]) > len(card.box.dials[1])


def test_dials_without_a_common_value_are_refused(bench):
    other = bench.study(factors=(replace(VOLTAGE, values=tuple(v + 0.3 for v in VOLTS)), FEED))
    with pytest.raises(CannotAnswerError, match="no value of voltage can be set on both"):
        compare_studies(made_fit(bench, bench.study()), made_fit(bench, other))


def test_ground_that_was_welded_on_one_side_only_is_no_ground(bench):
    study = bench.study()
    low, high = np.array([[17.0, 5.0], [18.0, 6.0]]), np.array([[22.0, 8.0], [23.0, 9.0]])
    with pytest.raises(CannotAnswerError, match="within what was welded on every side"):
        compare_studies(made_fit(bench, study, settings=low), made_fit(bench, study, settings=high))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda f: replace(f, name="speed"), "only the first study has this factor"),
        (lambda f: replace(f, unit="in/min"), "its unit is m/min in the first study and in/min in the second"),
        (lambda f: Factor("feed", kinds=("slow", "fast")), "it has kinds in one study and numbers in the other"),
        (lambda f: replace(f, calibrated=False), "its dial is calibrated in one study only"),
    ],
)
def test_factors_that_are_not_the_same_are_refused(bench, change, words):
    other = bench.study(factors=(VOLTAGE, change(FEED)))
    with pytest.raises(StudyError, match="factors are not the same, in the same units") as caught:
        compare_studies(made_fit(bench, bench.study()), made_fit(bench, other))
    assert any(words in fault.message for fault in caught.value.faults)


def test_every_difference_between_factors_is_told_at_once(bench):
    other = bench.study(factors=(replace(VOLTAGE, unit="kV"), replace(FEED, name="speed"), WIRE))
    with pytest.raises(StudyError) as caught:
        compare_studies(made_fit(bench, bench.study()), made_fit(bench, other))
    assert len(caught.value.faults) == 4
    kinds = (
        bench.study(factors=(VOLTAGE, FEED, WIRE)),
        bench.study(factors=(VOLTAGE, FEED, replace(WIRE, kinds=("A", "B")))),
    )
    with pytest.raises(StudyError) as caught:
        compare_studies(*(made_fit(bench, study) for study in kinds))
    assert "A, B, C in the first study and A, B in the second" in caught.value.faults[0].message


def test_responses_that_do_not_mean_the_same_are_named_and_left_out(bench):
    names = ("penetration", "leg", "pores", "depth", "throat")
    requirement = {"at_least": 1.0}
    first = tuple(Response(n, "measure", "mm", **requirement) for n in names[:4])
    second = (
        Response("penetration", "measure", "mm", **requirement),
        Response("leg", "measure", "in", **requirement),
        Response("pores", "count", per_mm=100.0, at_most=2),
        Response("throat", "measure", "mm", **requirement),
    )

    def fit(responses):
        study = bench.study(responses=responses)
        return bench.fit(study, {r.name: bench.hill(study) for r in responses})

    comparison = compare_studies(fit(first), replace_title(fit(second), "the second"))
    assert {d.response.name for p in comparison.places for d in p.differences} == {"penetration"}
    said = " ".join(comparison.not_compared)
    assert "leg is not compared: it is another kind of reading, or in another unit, on the second." in said
    assert "pores is not compared" in said
    assert "depth is not compared: the second does not have it." in said
    assert "throat is not compared: only the second has it." in said


def replace_title(fit, title):
    return replace(fit, results=replace(fit.results, study=replace(fit.results.study, title=title)))


def test_a_response_that_was_not_measured_on_one_side_is_not_compared(bench):
    responses = tuple(Response(n, "measure", "mm", at_least=1.0) for n in ("penetration", "leg"))
    study = bench.study(responses=responses)
    both = bench.fit(study, {r.name: bench.hill(study) for r in responses})
    one = bench.fit(study, {"penetration": bench.hill(study)})
    comparison = compare_studies(both, one)
    assert any("leg is not compared: it was not measured" in line for line in comparison.not_compared)


# --- kinds inside one study


@dataclass(frozen=True)
class KindBasis:
    """A bend in voltage and feed, and one shift a kind."""

    coding: object

    def __call__(self, natural: FloatArray) -> FloatArray:
        coded = self.coding.to_coded(natural)
        kinds = np.eye(3)[coded[:, 2].astype(int)]
        return np.column_stack([coded[:, :2], coded[:, :2] ** 2, kinds])


def kind_fit(bench, *, tops=(2.0, 2.3, 1.6), shared=0.3, own=0.05, factors=(VOLTAGE, FEED, WIRE)):
    """Kinds whose tops are uncertain together (``shared``) and apart (``own``)."""
    study = bench.study(factors=factors)
    covariance = np.diag([0.05**2] * 4 + [own**2] * 3)
    covariance[4:, 4:] += shared**2
    mean = np.array([0.0, 0.0, -1.0, -1.0, *tops])
    model = bench.NormalModel(KindBasis(study.coding), mean, covariance, 0.3, 1.0)
    settings = np.vstack([bench.corners(study), bench.corners(study)])
    return bench.fit(study, {"penetration": model}, results=bench.results(study, settings))


def test_kinds_are_compared_by_the_draws_they_share(bench):
    comparison = compare_kinds(kind_fit(bench), seed=1)
    assert comparison.by == "wire"
    assert [side.label for side in comparison.sides] == ["A", "B", "C"]
    place = comparison.places[0]
    assert [d.label for d in place.differences] == ["B", "C"]
    half = special.ndtri(0.95) * 0.05 * np.sqrt(2.0)  # what the kinds share falls out of the difference
    assert place.differences[0].difference == pytest.approx(0.3, abs=0.01)
    assert place.differences[0].high - place.differences[0].low == pytest.approx(2 * half, rel=0.06)
    assert place.differences[1].difference == pytest.approx(-0.4, abs=0.01)


def test_each_kind_has_its_own_window_and_one_card_is_no_larger_than_the_smallest(bench):
    fit = kind_fit(bench, tops=(2.3, 2.6, 2.0), shared=0.05)
    comparison = compare_kinds(fit, seed=1)
    sizes = [side.box.n_settings for side in comparison.sides]
    assert sizes[2] < sizes[0] < sizes[1]
    assert [round(side.box.low[2]) for side in comparison.sides] == [0, 1, 2]
    assert comparison.card.box.n_settings <= sizes[2]
    assert comparison.verdict == "one card serves both"
    answer = comparison.to_dict()
    assert "wire" not in answer["one_card"]["window"]
    assert "wire" not in answer["differences"][0]["settings"]
    words = " ".join(comparison_sentences(comparison))
    assert "One card serves all" in words
    assert "wire" not in words
    assert "day, hand" not in words
    sides = kind_sides(fit, factor="wire", seed=1)
    ground = find_shared_ground(sides)
    assert comparison.card.box.n_settings == brute_force(sides, ground, level=comparison.card.searched_at)


def test_kinds_with_ranges_of_their_own_share_what_lies_in_all(bench):
    feed = replace(FEED, ranges=(("A", 5.0, 8.0), ("B", 6.0, 9.0)), range_by="wire")
    wire = replace(WIRE, kinds=("A", "B"))
    study = bench.study(factors=(VOLTAGE, feed, wire))
    settings = np.array(
        [[v, f, k] for v in (17.0, 23.0) for k, ends in ((0.0, (5.0, 8.0)), (1.0, (6.0, 9.0))) for f in ends]
    )
    model = bench.hill(study)
    fit = bench.fit(study, {"penetration": model}, results=bench.results(study, settings))
    sides = kind_sides(fit, factor=None, seed=1)
    ground = find_shared_ground(sides)
    shared = ground.settings(ground.claimable)
    assert (shared[:, 1].min(), shared[:, 1].max()) == (6.0, 8.0)
    comparison = compare_kinds(fit, seed=1)
    assert all(6.0 <= place.settings[1] <= 8.0 for place in comparison.places)


def test_a_kind_that_was_not_welded_is_left_out(bench):
    fit = kind_fit(bench)
    results = fit.results
    two = results.planned[results.planned[:, 2] < 2]
    comparison = compare_kinds(replace(fit, results=bench.results(results.study, two)), factor="wire")
    assert [side.label for side in comparison.sides] == ["A", "B"]
    one = results.planned[results.planned[:, 2] < 1]
    with pytest.raises(CannotAnswerError, match="only one kind of wire was welded"):
        compare_kinds(replace(fit, results=bench.results(results.study, one)))


@pytest.mark.parametrize("factor", [None, "gas"])
def test_without_kinds_there_is_nothing_to_compare_inside(bench, factor):
    with pytest.raises(CannotAnswerError, match="it has no factor of kinds; name a second study"):
        compare_kinds(made_fit(bench, bench.study()), factor=factor)


def test_another_factor_of_kinds_is_named(bench):
    with pytest.raises(CannotAnswerError, match="its factors of kinds are wire"):
        compare_kinds(kind_fit(bench), factor="gas")


def test_a_second_factor_of_kinds_is_searched_kind_by_kind(bench):
    gas = Factor("gas", kinds=("mixed", "plain"))
    study = bench.study(factors=(VOLTAGE, FEED, gas, replace(WIRE, kinds=("A", "B"))))
    fit = bench.fit(study, {"penetration": bench.hill(study)}, results=bench.results(study, bench.corners(study)))
    comparison = compare_kinds(fit, factor="wire")
    assert comparison.card is not None
    assert comparison.card.box.low[2] == comparison.card.box.high[2]
    assert "gas" in comparison.to_dict()["one_card"]["window"]


# --- words


def test_counts_chances_and_measures_are_told_in_their_own_words(bench):
    responses = (
        Response("penetration", "measure", "mm", at_least=1.0),
        Response("porosity", "count", per_mm=100.0, per_text="100 mm", at_most=2),
        Response("trip", "trip", hold_s=30.0),
        Response("thermal cut-out", "trip", hold_s=30.0),
        Response("root fused", "pass"),
    )
    study = bench.study(responses=responses)

    def fit(top):
        facts = {"trip": {"load": "measured", "arc_time_ratio": 2.5}}
        return bench.fit(study, {r.name: bench.hill(study, top=top) for r in responses}, conditions=facts)

    words = " ".join(comparison_sentences(compare_studies(fit(2.0), replace_title(fit(1.5), "the other"))))
    assert "penetration: 0.50 mm less with the other than with" in words
    assert "mean count of porosity over 100 mm: 0.50 less with the other" in words
    assert "chance that the supply holds (trip): 50 points of 100 less" in words
    assert "chance of no thermal cut-out: 50 points of 100 less" in words
    assert "chance of root fused: 50 points of 100 less" in words
    assert "-0" not in words


def test_measured_readings_are_not_needed_to_compare(bench, pair):
    first, second = pair
    assert not isinstance(first.results.readings.get("penetration"), Measurement)
    assert compare_studies(first, second).sides[0].n_welds == 4
