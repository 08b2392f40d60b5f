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
    true_assurance,
    true_pass,
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
    depth = mean_penetration_mm(welder, hinge, many)
    depth = depth + rng.normal(0, np.hypot(welder.weld.weld_sd, welder.weld.plate_sd), n)
    mean = np.exp(
        sum(
            c * np.prod([{"1": 1.0, "v": 0.35 / 2.65, "f": 0.25, "p": 0.0}[letter] for letter in letters])
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


def test_a_response_without_a_truth_is_refused(hinge: Study):
    with pytest.raises(ValueError, match="no truth"):
        true_pass(WELDERS["no pores"], hinge, Response("root fused", "pass"), setting(19.6, 7.0))


def test_a_study_without_preheat_counts_as_its_middle(hinge: Study):
    bare = replace(hinge, factors=hinge.factors[:2])
    welder = WELDERS["hinge lugs"]
    assert_allclose(
        mean_penetration_mm(welder, bare, np.array([[19.6, 7.0]])),
        mean_penetration_mm(welder, hinge, setting(19.6, 7.0)),
    )
