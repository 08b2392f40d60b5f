from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from scipy import special

from doe.errors import CannotAnswerError
from doe.study.model import Claim, Factor, Limit, PlanWishes, Response
from doe.window import box_confidence, find_window, next_welds, posing
from doe.window.window import describe_box
from doe.window.words import window_sentences

PENETRATION = Response("penetration", "measure", "mm", at_least=1.0)
TRIP = Response("trip", "trip", hold_s=30.0)


def truth_inside(bench, study, model, box, reliability):
    """Whether the surface at its mean reaches the reliability at every setting of a box."""
    settings = np.column_stack([g.ravel() for g in np.meshgrid(*box.dials, indexing="ij")])
    margin = (model.basis(settings) @ model.mean - model.at_least) / model.scatter
    return (special.ndtr(margin) >= reliability).all()


def test_a_window_is_found_and_every_setting_in_it_is_good(bench):
    study = bench.study()
    model = bench.hill(study)
    window = find_window(bench.fit(study, {"penetration": model}))
    box = window.answer.box
    assert window.found
    assert box is not None
    assert box.confidence >= 0.9
    assert truth_inside(bench, study, model, box, 0.9)
    assert window.answer.best.assurance.low >= 0.9
    assert box.contains(window.answer.best.settings)
    assert box.share == pytest.approx(box.n_settings / 63)
    assert not window.answer.single_setting
    assert box.proven_largest


def test_the_whole_region_is_claimed_where_everything_is_good_and_the_region_limits(bench):
    study = bench.study()
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, top=4.0)}))
    assert window.answer.box.share == 1.0
    assert set(window.answer.limited_by.values()) == {"region"}


def test_the_answer_does_not_depend_on_the_draws_kept_at_hand(bench, monkeypatch):
    study = bench.study(plan=PlanWishes(welds=20, welds_per_plate=2, later_welds="warm"))
    fit, asked = bench.fit(study, {"penetration": bench.hill(study)}), []
    whole = find_window(fit)
    monkeypatch.setattr(posing, "KEPT_BYTES", 0)
    draw = type(fit.responses[0].model).draw
    monkeypatch.setattr(
        type(fit.responses[0].model), "draw", lambda model, n, rng: asked.append(n) or draw(model, n, rng)
    )
    again = find_window(fit)
    assert again.to_dict() == whole.to_dict()
    assert asked.count(1000) > 1, "the exploring draws were made anew for each position"


def test_the_best_setting_is_where_the_bound_is_highest(bench):
    study = bench.study()
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, unsure=0.05)}))
    assert window.answer.best.settings == (20.0, 7.0)


def test_what_limits_a_side_is_the_response_that_fails_beyond_it(bench):
    responses = (PENETRATION, Response("leg", "measure", "mm", at_least=1.0))
    study = bench.study(responses=responses)
    deep, leg = bench.hill(study, drop=0.0), bench.hill(study, drop=0.0)
    deep = replace(deep, mean=np.array([2.0, 1.0, 0.0, 0.0, 0.0]))  # too shallow at low voltage
    leg = replace(leg, mean=np.array([2.0, 0.0, -1.0, 0.0, 0.0]))  # too small at high feed
    limited = find_window(bench.fit(study, {"penetration": deep, "leg": leg})).answer.limited_by
    assert limited == {
        "voltage.low": "penetration",
        "voltage.high": "region",
        "feed.low": "region",
        "feed.high": "leg",
    }


def test_a_limit_of_the_region_is_no_failure(bench):
    limit = Limit((("voltage", 1.0),), 21.0, "voltage <= 21")
    study = bench.study(limits=(limit,))
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, top=4.0)}))
    assert window.answer.box.high[0] == 21.0
    assert window.answer.limited_by["voltage.high"] == "region"


@pytest.mark.parametrize(
    ("top", "reason", "claimable"), [(1.3, "cannot say yet", 0.7), (0.5, "data speak against", None)]
)
def test_no_window_says_whether_that_is_knowledge_or_ignorance(bench, top, reason, claimable):
    study = bench.study()
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, top=top)}))
    nearest = window.answer.nearest
    assert not window.found
    assert nearest.reason == reason
    assert nearest.reliability_claimable == claimable
    assert nearest.settings == (20.0, 7.0)
    assert nearest.limiting == "penetration"
    assert nearest.more_welds == 6


@pytest.mark.parametrize(("affordable", "more"), [(5, "next weld should"), (7, "next 3 welds should")])
def test_as_many_more_are_spoken_of_as_next_would_plan(bench, affordable, more):
    study = bench.study(plan=PlanWishes(welds=affordable, stages=(affordable,)))
    fit = bench.fit(study, {"penetration": bench.hill(study, top=1.3)})
    window = find_window(fit)
    assert window.answer.nearest.reason == "cannot say yet"
    assert more in " ".join(window_sentences(window, window.answer))
    assert window.answer.nearest.more_welds == len(next_welds(fit, machines=0).welds)


def test_what_is_claimable_at_the_best_candidate_is_held_there(bench):
    study = bench.study()
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, top=1.35)}))
    nearest = window.answer.nearest
    assert nearest.reliability_claimable <= nearest.assurance.low < nearest.reliability_claimable + 0.05


def test_the_largest_window_at_four_of_five_is_told_where_nine_of_ten_cannot_be_had(bench):
    study = bench.study()
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, top=1.36, drop=0.3, unsure=0.05)}))
    assert not window.found
    assert window.answer.lesser is not None
    assert window.answer.lesser.confidence >= 0.9


def test_a_small_box_is_searched_again_and_refused_where_more_confidence_is_not_there(bench):
    study = bench.study()
    model = bench.hill(study, unsure=0.4)  # one setting passes at 90 %, none at 95 %
    window = find_window(bench.fit(study, {"penetration": model}))
    assert not window.found
    assert window.answer.searched_at == pytest.approx(0.95)
    assert 0.9 < window.answer.nearest.chance < 0.95
    assert window.answer.nearest.reliability_claimable < 0.9


def trip_fit(bench, study, conditions, **how):
    """Depth is fine all over; what is called trip fails at the edges."""
    models = {"penetration": bench.hill(study, top=4.0), "trip": bench.hill(study, **how)}
    return bench.fit(study, models, conditions={"trip": conditions})


@pytest.mark.parametrize(
    ("load", "held", "level"), [("measured", 2.0, 0.9), ("measured", 1.0, 0.95), ("computed", 2.0, 0.95)]
)
def test_a_computed_load_or_a_short_arc_that_limits_asks_for_more_confidence(bench, load, held, level):
    study = bench.study(responses=(PENETRATION, TRIP))
    window = find_window(trip_fit(bench, study, {"load": load, "arc_time_ratio": held}))
    assert "trip" in window.answer.limited_by.values()
    assert window.answer.searched_at == pytest.approx(level)
    assert window.answer.box.confidence >= level


def test_a_computed_load_that_does_not_limit_asks_for_no_more(bench):
    study = bench.study(responses=(PENETRATION, TRIP))
    models = {"penetration": bench.hill(study), "trip": bench.hill(study, top=6.0)}
    computed, measured = (
        find_window(bench.fit(study, models, conditions={"trip": {"load": load}})) for load in ("computed", "measured")
    )
    assert computed.answer.searched_at == measured.answer.searched_at < 0.95


@pytest.mark.parametrize("conditions", [{"load": "unknown", "arc_time_ratio": 1.5}, {"load": "unknown"}, {}])
def test_trips_with_an_unknown_load_and_a_short_arc_carry_no_claim_where_they_limit(bench, conditions):
    study = bench.study(responses=(PENETRATION, TRIP))
    window = find_window(trip_fit(bench, study, conditions))
    assert not window.found
    assert window.answer.not_contradicted is not None
    assert window.answer.nearest.reliability_claimable is None
    assert "not contradicted" in " ".join(window.answer.findings)


def test_trips_with_an_unknown_load_carry_a_claim_after_twice_the_hold(bench):
    study = bench.study(responses=(PENETRATION, TRIP))
    assert find_window(trip_fit(bench, study, {"load": "unknown", "arc_time_ratio": 2.0})).found


def test_trips_that_do_not_limit_bar_nothing(bench):
    study = bench.study(responses=(PENETRATION, TRIP))
    assert find_window(trip_fit(bench, study, {"load": "unknown", "arc_time_ratio": 1.0}, top=6.0)).found


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"settled": False}, "did not settle; no claim"),
        ({"can_claim": False}, "cannot be judged"),
        ({"model": None}, ""),
    ],
)
def test_a_response_that_cannot_be_trusted_means_no_claim(bench, changes, words):
    study = bench.study()
    fit = bench.fit(study, {"penetration": bench.hill(study)})
    broken = replace(fit.responses[0], findings=("Because.",), **changes)
    window = find_window(replace(fit, responses=(broken,)))
    assert not window.found
    assert words in window.findings[0]
    assert "Because." in window.findings
    printed = window.to_dict()["if_not"]
    assert printed["limiting"] == "penetration"
    assert printed["nearest"] is None


def test_a_requirement_that_was_not_measured_is_named_and_left_out(bench):
    study = bench.study(
        responses=(PENETRATION, Response("undercut", "measure", "mm", at_most=0.5), Response("look", "measure"))
    )
    window = find_window(bench.fit(study, {"penetration": bench.hill(study)}))
    assert window.found
    assert window.left_out == ("undercut",)


def test_a_response_without_a_requirement_is_told_and_does_not_limit(bench):
    study = bench.study(responses=(PENETRATION, Response("width", "measure", "mm")))
    models = {"penetration": bench.hill(study), "width": bench.hill(study, top=-5.0)}
    window = find_window(bench.fit(study, models))
    numbers = window.answer.best.responses
    assert list(numbers) == ["penetration", "width"]
    assert numbers["width"].passes is None
    assert numbers["width"].mean == pytest.approx(-5.0, abs=0.2)


def test_bands_at_the_best_setting_are_two_sided_at_the_confidence(bench):
    study = bench.study()
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, unsure=0.1)}))
    numbers = window.answer.best.responses["penetration"]
    # the mean at the middle is known to within 0.1: 90 % two-sided is 1.645 sd (normal table), scatter 0.3 on top
    assert numbers.mean_high - numbers.mean_low == pytest.approx(2 * 1.645 * 0.1, rel=0.06)
    assert numbers.weld_high - numbers.weld_low == pytest.approx(2 * 1.645 * np.hypot(0.1, 0.3), rel=0.02)
    assert numbers.passes.low <= numbers.passes.expected


def test_without_any_ground_between_the_welds_the_question_is_refused(bench):
    limit = Limit((("voltage", 1.0),), 18.0, "voltage <= 18")
    study = bench.study(limits=(limit,))
    results = bench.results(study, np.array([[20.0, 7.0], [22.0, 8.0]]))
    with pytest.raises(CannotAnswerError, match="no setting within the limits"):
        find_window(bench.fit(study, {"penetration": bench.hill(study)}, results=results))


def test_warm_later_welds_get_answers_of_their_own_and_one_for_both(bench):
    study = bench.study(plan=PlanWishes(welds_per_plate=2, later_welds="warm"))
    model = bench.hill(study, later_shift=-0.25)
    window = find_window(bench.fit(study, {"penetration": model}))
    both, first, later = window.answers
    assert [a.position for a in window.answers] == ["any", 1, 2]
    assert first.box.share > later.box.share
    assert both.box.share <= later.box.share
    printed = window.to_dict()
    assert printed["position"] == "any"
    assert set(printed["positions"]) == {"1", "2"}
    assert printed["positions"]["1"]["position"] == 1
    assert printed["positions"]["1"]["window"] != printed["positions"]["2"]["window"]
    numbers = both.best.responses["penetration"]
    assert numbers.mean_low < numbers.mean - 0.125 < numbers.mean_high


def test_later_welds_that_were_never_made_are_said_to_be_assumed(bench):
    study = bench.study(plan=PlanWishes(welds_per_plate=2, later_welds="warm"))
    results = bench.results(study, bench.corners(study))
    results = replace(results, position=np.ones(results.n_welds, dtype=np.int64))
    window = find_window(bench.fit(study, {"penetration": bench.hill(study)}, results=results))
    assert "No later weld" in window.findings[0]


def test_cooled_later_welds_need_one_answer(bench):
    study = bench.study(plan=PlanWishes(welds_per_plate=2, later_welds="cooled"))
    window = find_window(bench.fit(study, {"penetration": bench.hill(study)}))
    assert len(window.answers) == 1
    assert "positions" not in window.to_dict()


def test_one_kind_a_window_and_the_better_one_is_taken(bench):
    factors = (
        Factor("voltage", "voltage", "V", tuple(float(v) for v in range(17, 24))),
        Factor("wire", kinds=("A", "B")),
    )
    study = bench.study(factors)
    model = bench.hill(study)

    def basis(natural):
        coded = study.coding.to_coded(natural)
        return np.column_stack([np.ones(len(coded)), coded[:, 0] ** 2, coded[:, 1]])

    model = replace(model, basis=basis, mean=np.array([1.5, -1.0, 1.0]), covariance=0.01 * np.eye(3))
    window = find_window(bench.fit(study, {"penetration": model}))
    assert window.to_dict()["window"]["wire"] == {"kind": "B"}
    assert window.to_dict()["best"]["settings"]["wire"] == "B"
    assert window.answer.box.share == pytest.approx(window.answer.box.n_settings / 7)


def test_a_study_of_kinds_alone_is_answered(bench):
    study = bench.study((Factor("wire", kinds=("A", "B", "C")),))

    def basis(natural):
        return np.column_stack([np.ones(len(natural)), natural[:, 0]])

    model = replace(bench.hill(bench.study()), basis=basis, mean=np.array([1.0, 0.4]), covariance=0.001 * np.eye(2))
    window = find_window(bench.fit(study, {"penetration": model}))
    assert window.to_dict()["window"] == {"wire": {"kind": "C"}}


def test_long_ranges_are_answered_in_the_dials_own_steps(bench):
    steps = tuple(np.round(np.linspace(5.0, 9.0, 101), 6).tolist())
    volts = tuple(np.round(np.linspace(17.0, 23.0, 101), 6).tolist())
    factors = (
        Factor("voltage", "voltage", "V", volts, is_continuous=True),
        Factor("feed", "feed", "m/min", steps, is_continuous=True),
    )
    study = bench.study(factors)
    model = bench.hill(study, unsure=0.05)
    window = find_window(bench.fit(study, {"penetration": model}))
    box = window.answer.box
    assert set(box.low + box.high) <= set(volts) | set(steps)
    assert truth_inside(bench, study, model, box, 0.9)
    assert not box.proven_largest
    assert box.confidence >= 0.9
    # one dial step further out on every side the box no longer holds: the sides were moved as far as they go
    assert "region" not in window.answer.limited_by.values()


def test_sides_are_moved_on_to_the_dials_own_steps(bench):
    volts = tuple(np.round(np.linspace(17.0, 23.0, 101), 6).tolist())
    steps = tuple(np.round(np.linspace(5.0, 9.0, 101), 6).tolist())
    study = bench.study(
        (
            Factor("voltage", "voltage", "V", volts, is_continuous=True),
            Factor("feed", "feed", "m/min", steps, is_continuous=True),
        )
    )
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, unsure=0.1)}))
    coarse = {round(float(v), 6) for axis in window.axes for v in axis}
    assert any(round(end, 6) not in coarse for end in window.answer.box.low + window.answer.box.high)
    everywhere = find_window(bench.fit(study, {"penetration": bench.hill(study, top=5.0)}))
    assert everywhere.answer.box.share == 1.0


class Fickle:
    """Draws that turn bad after some calls: what a search must not rely on."""

    def __init__(self, good, bad, n_good):
        self.good, self.bad, self.left = good, bad, n_good

    def draw(self, n_draws, rng):
        self.left -= 1
        return (self.good if self.left >= 0 else self.bad).draw(n_draws, rng)


def test_a_box_that_fresh_draws_do_not_bear_out_is_not_claimed(bench):
    study = bench.study()
    fickle = Fickle(bench.hill(study), bench.hill(study, top=1.2), 2)
    window = find_window(bench.fit(study, {"penetration": fickle}))
    assert not window.found
    assert "fresh draws" in " ".join(window.answer.findings)


def test_a_box_that_only_just_fails_on_fresh_draws_is_searched_again_for_more(bench):
    study = bench.study()
    claims = []
    for seed in range(40):
        box = find_window(bench.fit(study, {"penetration": bench.hill(study, unsure=0.145)}), seed=seed).answer.box
        claims.append(box.confidence)
    assert min(claims) >= 0.9
    assert len(set(claims)) > 10


def test_where_four_of_five_was_asked_no_lesser_window_is_looked_for(bench):
    study = bench.study(claim=Claim(0.8, 0.9))
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, top=1.25)}))
    assert not window.found
    assert window.answer.lesser is None
    assert window.answer.nearest.reliability_claimable < 0.8


def test_ground_that_was_not_welded_limits_as_the_region_does(bench):
    study = bench.study()
    results = bench.results(study, np.array([[18.0, 6.0], [21.0, 8.0], [18.0, 8.0], [21.0, 6.0]]))
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, top=4.0)}, results=results))
    assert (window.answer.box.low, window.answer.box.high) == ((18.0, 6.0), (21.0, 8.0))
    assert set(window.answer.limited_by.values()) == {"region"}


def test_a_slanting_limit_is_the_region_where_only_it_stops_the_box(bench):
    limit = Limit((("voltage", 1.0), ("feed", 1.0)), 29.0, "voltage + feed <= 29")
    study = bench.study(limits=(limit,))
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, top=4.0)}))
    assert set(window.answer.limited_by.values()) == {"region"}


def test_a_window_of_one_mark_is_called_a_setting(bench):
    factors = (
        Factor("voltage", "voltage", "V", (17.0, 20.0, 23.0), ("1", "2", "3")),
        Factor("feed", "feed", "m/min", (5.0, 6.0, 7.0, 8.0, 9.0)),
    )
    study = bench.study(factors)
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, drop=1.6)}))
    assert window.answer.single_setting
    assert window.to_dict()["window"]["voltage"] == {"low": 20.0, "high": 20.0, "marks": ["2"]}


def test_the_working_region_keeps_its_two_promises_and_is_no_smaller(bench):
    study = bench.study()
    window = find_window(bench.fit(study, {"penetration": bench.hill(study, unsure=0.2, drop=0.6)}))
    working = window.answer.working
    assert working.expected_bad_share <= 0.1
    assert working.box.confidence >= 0.9
    assert working.floor == pytest.approx(0.75)
    assert working.box.n_settings >= window.answer.box.n_settings


def test_the_same_seed_gives_the_same_bytes_and_another_seed_nearly_the_same(bench):
    study = bench.study()
    fit = bench.fit(study, {"penetration": bench.hill(study)})
    once, twice = (json.dumps(find_window(fit, seed=4).to_dict()) for _ in range(2))
    assert once == twice
    other = find_window(fit, seed=5)
    assert other.answer.box.confidence == pytest.approx(find_window(fit, seed=4).answer.box.confidence, abs=0.03)


def test_a_corner_beyond_the_welds_is_told(bench):
    study = bench.study()
    cross = np.array([[17.0, 7.0], [23.0, 7.0], [20.0, 5.0], [20.0, 9.0]])
    fit = bench.fit(study, {"penetration": bench.hill(study, top=4.0)}, results=bench.results(study, cross))
    window = find_window(fit)
    assert window.answer.box.share == 1.0
    assert "4 corners of the window lie inside the planned region but outside" in " ".join(window.answer.findings)


def test_a_window_narrower_than_the_dial_can_be_held_is_told(bench):
    factors = (
        Factor("voltage", "voltage", "V", tuple(float(v) for v in range(17, 24)), set_within=2.0),
        Factor("feed", "feed", "m/min", (5.0, 6.0, 7.0, 8.0, 9.0)),
    )
    study = bench.study(factors)
    window = find_window(bench.fit(study, {"penetration": bench.hill(study)}))
    assert "narrower in voltage than the dial can be held" in " ".join(window.answer.findings)


def test_the_json_has_every_name_of_the_interface(bench):
    study = bench.study(claim=Claim(0.9, 0.9))
    printed = find_window(bench.fit(study, {"penetration": bench.hill(study)})).to_dict()
    assert {
        "schema", "claim", "found", "window", "single_setting", "position", "confidence", "share",
        "working_region", "limited_by", "assumptions", "best", "if_not",
    } <= set(printed)  # fmt: skip
    assert set(printed["best"]) == {"settings", "marks", "assurance", "responses"}
    assert set(printed["best"]["assurance"]) == {"expected", "low"}
    assert set(printed["best"]["responses"]["penetration"]) == {
        "mean", "mean_low", "mean_high", "weld_low", "weld_high", "pass",
    }  # fmt: skip
    assert printed["if_not"] is None
    none = find_window(bench.fit(study, {"penetration": bench.hill(study, top=1.2)})).to_dict()
    assert set(none["if_not"]) == {
        "nearest", "assurance", "reliability_claimable", "limiting", "reason", "more_welds",
    }  # fmt: skip
    assert none["window"] is None
    json.dumps(none, allow_nan=False)


def test_maps_cover_every_reachable_setting_and_no_other(bench):
    limit = Limit((("voltage", 1.0), ("feed", 1.0)), 29.0, "voltage + feed <= 29")
    study = bench.study(limits=(limit,))
    window = find_window(bench.fit(study, {"penetration": bench.hill(study)}))
    shown = window.maps[0]
    np.testing.assert_array_equal(np.isfinite(shown.low), window.reachable)
    assert np.nanmax(shown.chance) <= 1.0
    assert (shown.low[window.reachable] <= 1.0).all()
    frame = window.to_frame()
    assert len(frame) == window.reachable.sum()
    assert list(frame.columns) == ["voltage", "feed", "expected assurance", "assurance held", "claimable"]
    assert describe_box(study, window.answer.box)["feed"]["settings"]


def test_the_same_box_is_judged_again_under_another_fit(bench):
    study = bench.study()
    fit = bench.fit(study, {"penetration": bench.hill(study)})
    box = find_window(fit).answer.box
    assert box_confidence(fit, box) == pytest.approx(box.confidence, abs=0.03)
    surer = bench.fit(study, {"penetration": bench.hill(study, unsure=0.02)})
    assert box_confidence(surer, box) > box.confidence
    worse = bench.fit(study, {"penetration": bench.hill(study, top=1.6)})
    assert box_confidence(worse, box) < 0.2
