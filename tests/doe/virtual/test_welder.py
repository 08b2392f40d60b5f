from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.study.model import Response, Study
from doe.virtual.welder import (
    WELDERS,
    PorePart,
    TripPart,
    VirtualWelder,
    WeldPart,
    draw_trip_time_s,
    load_ratio,
    mean_penetration_mm,
    mean_pores,
    true_assurance,
    true_mean,
    true_pass,
    true_share_between,
)


def setting(voltage: float, feed: float, preheat: float = 70.0) -> np.ndarray:
    return np.array([[voltage, feed, preheat]])


def test_a_later_weld_on_a_warm_plate_fuses_deeper(hinge: Study):
    # common practice, no source
    welder = WELDERS["warm second sides"]
    grid = np.array(list(itertools.product([17.0, 19.6, 22.3], [5.0, 7.0, 9.0], [20.0, 120.0])))
    first = mean_penetration_mm(welder, hinge, grid)
    later = mean_penetration_mm(welder, hinge, grid, later=True)
    assert (later > first).all()


def test_past_a_point_a_hotter_setting_does_not_fuse_deeper(hinge: Study):
    # common practice, no source: past a point hotter settings widen the bead instead of fusing deeper
    welder = WELDERS["hinge lugs"]
    feeds = np.linspace(5.0, 9.0, 33)
    depth = mean_penetration_mm(welder, hinge, np.column_stack([np.full(33, 22.3), feeds, np.full(33, 70.0)]))
    assert depth.argmax() < 32
    assert depth[-1] < depth.max() - 0.02


def test_more_feed_loads_the_supply_more(hinge: Study):
    # common practice, no source: feed up, current up, breaker load up
    ratios = load_ratio(WELDERS["hinge lugs"], hinge, np.vstack([setting(19.6, f) for f in (5, 6, 7, 8, 9)]))
    assert (np.diff(ratios) > 0).all()


def test_trip_times_drawn_have_the_stated_median(hinge: Study):
    welder = VirtualWelder("x", WeldPart({"1": 1.0}), PorePart({"1": 0.0}), TripPart(middle_ratio=1.9))
    rng = np.random.default_rng(5)
    middle = np.repeat(setting(19.65, 7.0), 20_000, axis=0)
    times = draw_trip_time_s(welder, hinge, middle, rng)
    assert_allclose(np.median(times), 90.0, rtol=0.02)
    holds = true_pass(welder, hinge, Response("trip", "trip", hold_s=60.0), middle[:1])
    assert_allclose((times > 60.0).mean(), holds, atol=0.01)


def test_a_supply_that_never_trips_always_holds(hinge: Study):
    welder = WELDERS["never trips"]
    assert true_pass(welder, hinge, hinge.response("trip"), setting(22.3, 9.0))[0] == 1.0
    assert np.isinf(draw_trip_time_s(welder, hinge, setting(22.3, 9.0), np.random.default_rng(1))).all()


def test_true_assurance_is_the_share_of_welds_that_meet_everything(hinge: Study):
    rng, welder, n = np.random.default_rng(3), WELDERS["hinge lugs"], 40_000
    at = setting(20.0, 7.5)
    many = np.repeat(at, n, axis=0)
    many[:, 0] += rng.normal(0, hinge.factor("voltage").set_within, n)
    v = (many[:, 0] - 19.65) / 2.65
    depth = mean_penetration_mm(welder, hinge, many)
    depth = depth + rng.normal(0, np.hypot(welder.weld.weld_sd, welder.weld.plate_sd), n)
    mean = np.exp(
        sum(
            c * np.prod([{"1": np.ones(n), "v": v, "f": np.full(n, 0.25), "p": 0.0 * v}[x] for x in letters], axis=0)
            for letters, c in welder.pores.coefficients.items()
        )
    )
    pores = rng.poisson(mean * rng.gamma(welder.pores.size, 1 / welder.pores.size, n))
    holds = draw_trip_time_s(welder, hinge, many, rng) > 30.0
    share = ((depth >= 1.2) & (pores <= 2) & holds).mean()
    assert_allclose(true_assurance(welder, hinge, at)[0], share, atol=0.008)


def test_a_two_sided_requirement_counts_both_sides(hinge: Study):
    welder = VirtualWelder("x", WeldPart({"1": 2.0}, weld_sd=0.3, plate_sd=0.4), PorePart({"1": 0.0}))
    both = Response("penetration", "measure", "mm", at_least=1.5, at_most=2.5)
    assert_allclose(true_pass(welder, hinge, both, setting(19.65, 7.0)), 0.6826895, atol=1e-6)


def test_a_response_without_a_requirement_is_refused(hinge: Study):
    with pytest.raises(ValueError, match="no requirement"):
        true_pass(WELDERS["no pores"], hinge, Response("porosity", "count", per_mm=100.0), setting(19.6, 7.0))


def test_a_pass_is_a_depth_that_reaches_far_enough(hinge: Study):
    welder = VirtualWelder("x", WeldPart({"1": 1.0}, weld_sd=0.3, plate_sd=0.4, passes_at=0.5), PorePart({"1": 0.0}))
    chance = true_pass(welder, hinge, Response("root fused", "pass"), setting(19.65, 7.0))
    assert_allclose(chance, 0.8413447, atol=1e-6)  # one standard deviation of .5


def test_dirty_plates_are_averaged_over(hinge: Study):
    rng = np.random.default_rng(4)
    pores = PorePart({"1": 0.3}, size=2.0, plate_sd=0.6)
    welder = VirtualWelder("x", WeldPart({"1": 1.0}), pores)
    rates = np.exp(0.3 + rng.normal(0.0, 0.6, 200_000))
    share = (rng.poisson(rates * rng.gamma(2.0, 0.5, 200_000)) <= 2).mean()
    assert_allclose(true_pass(welder, hinge, hinge.response("porosity"), setting(19.65, 7.0)), share, atol=0.004)


def test_days_that_differ_count_in_the_chance_of_a_new_day(hinge: Study):
    steady = WeldPart({"1": 1.6}, weld_sd=0.2, plate_sd=0.1)
    still, moved = (VirtualWelder("x", p, PorePart({"1": 0.0})) for p in (steady, replace(steady, block_sd=0.3)))
    wanted = hinge.response("penetration")
    chances = [true_pass(welder, hinge, wanted, setting(19.65, 7.0))[0] for welder in (still, moved)]
    assert_allclose(chances, [0.9631809, 0.8575], atol=2e-4)  # Phi(.4/.2236), Phi(.4/.3742)


def test_the_true_mean_is_that_of_many_welds(hinge: Study):
    rng, welder, n = np.random.default_rng(6), WELDERS["sharp ridge"], 40_000
    at = setting(20.6, 7.5)
    many = np.repeat(at, n, axis=0)
    many[:, 0] += rng.normal(0, hinge.factor("voltage").set_within, n)
    assert_allclose(
        true_mean(welder, hinge, hinge.response("penetration"), at),
        mean_penetration_mm(welder, hinge, many).mean(),
        atol=0.005,
    )
    assert_allclose(
        true_mean(welder, hinge, hinge.response("porosity"), at), mean_pores(welder, hinge, many).mean(), rtol=0.01
    )


def test_a_band_of_known_width_holds_a_known_share(hinge: Study):
    bare = replace(hinge, factors=tuple(replace(f, set_within=0.0) for f in hinge.factors))
    welder = VirtualWelder("x", WeldPart({"1": 2.0}, weld_sd=0.3, plate_sd=0.4), PorePart({"1": 0.0}))
    ends = (np.array([1.5]), np.array([2.5]))
    share = true_share_between(welder, bare, hinge.response("penetration"), setting(19.65, 7.0), ends)
    assert_allclose(share, 0.6826895, atol=1e-6)


def test_a_study_without_preheat_counts_as_its_middle(hinge: Study):
    bare = replace(hinge, factors=hinge.factors[:2])
    welder = WELDERS["hinge lugs"]
    assert_allclose(
        mean_penetration_mm(welder, bare, np.array([[19.6, 7.0]])),
        mean_penetration_mm(welder, hinge, setting(19.6, 7.0)),
    )


def test_a_coding_of_the_studys_own_does_not_move_the_truth(hinge: Study):
    own = replace(hinge, plan=replace(hinge.plan, coding=(("voltage", 0.0, 1.0), ("feed", 0.0, 1.0))))
    at = setting(21.1, 8.0)
    assert_allclose(mean_pores(WELDERS["hinge lugs"], own, at), mean_pores(WELDERS["hinge lugs"], hinge, at))


def test_a_study_in_inches_meets_the_same_truth(hinge: Study):
    welder, at = WELDERS["hinge lugs"], setting(19.65, 7.0)
    depth = hinge.response("penetration")
    inches = replace(depth, unit="in", at_least=depth.at_least / 25.4)
    assert_allclose(true_pass(welder, hinge, inches, at), true_pass(welder, hinge, depth, at))
    assert_allclose(true_mean(welder, hinge, inches, at) * 25.4, true_mean(welder, hinge, depth, at))
    ends = (np.array([1.5]), np.array([2.5]))
    shares = [
        true_share_between(welder, hinge, response, at, tuple(end / scale for end in ends))
        for response, scale in ((depth, 1.0), (inches, 25.4))
    ]
    assert_allclose(shares[0], shares[1])
    # a measure that is no length keeps the truth's own number
    hard = replace(depth, unit="")
    assert_allclose(true_mean(welder, hinge, hard, at), true_mean(welder, hinge, depth, at))
