"""Each named welder is what its name says, by its true chances over the region of the lug study."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from doe.study.model import Study
from doe.virtual import WELDERS, true_assurance, true_pass
from doe.virtual.welder import mean_penetration_mm, mean_pores


def region(study: Study) -> np.ndarray:
    return np.array(list(itertools.product(*(f.positions for f in study.factors))))


def passes(study: Study, name: str) -> dict[str, np.ndarray]:
    return {r.name: true_pass(WELDERS[name], study, r, region(study)) for r in study.responses}


def test_there_are_more_than_ten_and_each_says_what_it_is():
    assert len(WELDERS) >= 18
    assert all(welder.about for welder in WELDERS.values())
    assert all(name == welder.name for name, welder in WELDERS.items())


@pytest.mark.parametrize(
    ("name", "limiting"),
    [
        ("just short of depth", "penetration"),
        ("just too many pores", "porosity"),
        ("trips just too soon", "trip"),
        ("trips alike everywhere", "trip"),
    ],
)
def test_only_just_no_window_is_short_by_the_response_it_names(hinge: Study, name: str, limiting: str):
    assurance = true_assurance(WELDERS[name], hinge, region(hinge))
    assert 0.875 < assurance.max() < 0.89
    best = int(assurance.argmax())
    chances = {response: chance[best] for response, chance in passes(hinge, name).items()}
    assert chances.pop(limiting) < 0.895
    assert min(chances.values()) > 0.99


def test_a_good_setting_exists_wherever_a_window_is_to_be_found(hinge: Study):
    without = {
        "no window",
        "just short of depth",
        "just too many pores",
        "trips just too soon",
        "trips alike everywhere",
    }
    for name, welder in WELDERS.items():
        good = (true_assurance(welder, hinge, region(hinge)) >= 0.9).mean()
        assert (good == 0) if name in without else (0.2 < good < 0.8), name


def test_the_interior_ridge_is_good_inside_and_bad_at_both_ends(hinge: Study):
    good = true_assurance(WELDERS["interior ridge"], hinge, region(hinge)) >= 0.9
    feed = region(hinge)[:, 1]
    assert not good[(feed == 5.0) | (feed == 9.0)].any()
    assert good[(feed == 7.0)].any()


def test_the_edge_window_touches_the_hot_edge(hinge: Study):
    good = true_assurance(WELDERS["edge window"], hinge, region(hinge)) >= 0.9
    at = region(hinge)
    assert good[(at[:, 1] == 9.0) & (at[:, 2] == 120.0)].all()
    assert not good[at[:, 1] == 5.0].any()


def test_the_corner_always_trips_and_the_cold_half_does_not(hinge: Study):
    at, holds = region(hinge), passes(hinge, "always trips in a corner")["trip"]
    assert holds[(at[:, 0] == 22.3) & (at[:, 1] == 9.0)].max() < 0.01
    assert holds[at[:, 1] <= 7.0].min() > 0.8


def test_without_pores_and_without_trips_those_requirements_are_always_met(hinge: Study):
    assert passes(hinge, "no pores")["porosity"].min() > 0.9999
    assert passes(hinge, "never trips")["trip"].min() == 1.0


@pytest.mark.parametrize(("name", "least"), [("sharp ridge", 0.05), ("hinge lugs", 0.02)])
def test_the_ridge_is_not_a_quadratic(hinge: Study, name: str, least: float):
    at = region(hinge)
    coded = hinge.coding.to_coded(at)
    columns = [np.ones(len(at)), *coded.T, *(coded[:, i] * coded[:, j] for i in range(3) for j in range(i, 3))]
    depth = mean_penetration_mm(WELDERS[name], hinge, at)
    X = np.column_stack(columns)
    left = depth - X @ np.linalg.lstsq(X, depth, rcond=None)[0]
    assert left.std() > least


def test_pores_come_all_at_once_beyond_the_step(hinge: Study):
    welder = WELDERS["pores at a step"]
    arcs = np.column_stack([np.linspace(17.0, 22.3, 40), np.full(40, 5.0), np.full(40, 70.0)])
    rise = np.diff(np.log(mean_pores(welder, hinge, arcs)))
    assert rise.max() > 6 * np.median(np.abs(rise))


def test_plates_differ_more_than_welds_where_that_is_the_point():
    part = WELDERS["plate-heavy scatter"].weld
    assert part.plate_sd >= 2 * part.weld_sd


def test_the_answers_that_do_not_hold_are_the_opposite_of_what_was_said(hinge: Study):
    # said: worse towards both ends of voltage and feed, and corners within a factor of ten
    welder, at = WELDERS["answers that do not hold"], region(hinge)
    middle = np.array([[19.65, 7.0, 70.0]])
    ends = np.array([[17.0, 7.0, 70.0], [22.3, 7.0, 70.0]])
    assert np.log(mean_pores(welder, hinge, ends)).mean() < np.log(mean_pores(welder, hinge, middle))[0]
    rates = mean_pores(welder, hinge, at)
    assert rates.max() / rates.min() > 10
