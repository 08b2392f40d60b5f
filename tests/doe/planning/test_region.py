from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.planning.region import allowed, is_empty, is_reachable, reachable_settings
from doe.planning.search_space import cut_points, search_space, search_values
from doe.study.model import Factor, Limit, Response, Study


def long_range(n_steps: int = 101, name: str = "feed") -> Factor:
    return Factor(name, unit="m/min", values=tuple(np.round(np.linspace(5.0, 9.0, n_steps), 10)), is_continuous=True)


def study_of(*factors: Factor, limits: tuple[Limit, ...] = ()) -> Study:
    return Study("made for the test", factors, (Response("y", "measure", "mm"),), limits=limits)


def test_every_reachable_setting_is_listed_and_the_limit_is_exact(hinge):
    study = hinge()
    reachable = reachable_settings(study)
    assert [len(axis) for axis in reachable.axes] == [5, 9, 3]
    assert not reachable.thinned
    by_hand = [
        (v, f, p)
        for v in study.factors[0].values
        for f in study.factors[1].values
        for p in study.factors[2].values
        if round(10 * v) - round(9 * f) <= 150 + 1e-6
    ]
    assert sorted(map(tuple, reachable.points)) == sorted(by_hand)


def test_a_setting_on_the_limit_itself_is_allowed():
    # 0.1 + 0.2 is more than 0.3 in binary; on the dial it is the limit
    factors = (Factor("a", values=(0.1, 0.2)), Factor("b", values=(0.1, 0.2)))
    study = study_of(*factors, limits=(Limit((("a", 1.0), ("b", 1.0)), 0.3, "a + b <= 0.3"),))
    assert allowed(study, [[0.1, 0.2], [0.2, 0.2]]).tolist() == [True, False]


def test_too_many_settings_are_thinned_ranges_first_ends_kept():
    study = study_of(long_range(), long_range(name="speed"), Factor("volts", values=(1.0, 2.0, 4.0, 5.0)))
    reachable = reachable_settings(study, at_most=2_000)
    assert reachable.thinned
    assert reachable.allowed.size <= 2_000
    assert reachable.axes[2].tolist() == [1.0, 2.0, 4.0, 5.0]
    for axis in reachable.axes[:2]:
        assert (axis[0], axis[-1]) == (5.0, 9.0)
        assert set(axis) <= set(study.factors[0].values)


def test_levels_are_thinned_when_ranges_no_longer_suffice():
    study = study_of(*(Factor(f"x{j}", values=tuple(map(float, range(9)))) for j in range(6)))
    reachable = reachable_settings(study, at_most=20_000)
    assert reachable.allowed.size <= 20_000
    assert all((axis[0], axis[-1]) == (0.0, 8.0) for axis in reachable.axes)


def test_thinning_stops_at_three_values_a_factor_which_a_square_takes():
    study = study_of(*(Factor(f"x{j}", values=tuple(map(float, range(9)))) for j in range(3)))
    reachable = reachable_settings(study, at_most=1)
    assert [axis.tolist() for axis in reachable.axes] == [[0.0, 4.0, 8.0]] * 3


def test_a_limit_that_empties_the_region_is_seen(hinge):
    nowhere = Limit((("voltage", 1.0),), 16.0, "voltage <= 16")
    assert is_empty(replace(hinge(), limits=(nowhere,)))
    assert not is_empty(hinge())


def test_a_range_that_depends_on_the_kind_is_honoured(two_wires):
    study = two_wires()
    settings = [[0, 19.6, 9.0], [1, 19.6, 7.0], [1, 19.6, 7.1], [0, 19.6, 4.9]]
    assert allowed(study, settings).tolist() == [True, True, False, False]
    assert allowed(study, reachable_settings(study).points).all()
    assert is_reachable(study, [[0, 19.6, 9.0], [0, 19.6, 8.95], [0, 19.0, 9.0]]).tolist() == [True, False, False]


def test_few_steps_are_all_searched_and_marks_stay_as_they_are():
    few = np.linspace(5, 9, 11)
    assert_allclose(search_values(few, is_continuous=True, n_factors=2), few)
    marks = np.linspace(1, 20, 20) ** 1.5
    assert_allclose(search_values(marks, is_continuous=False, n_factors=6), marks)


@pytest.mark.parametrize(("n_factors", "wanted"), [(3, 9), (6, 5)])
def test_a_long_range_is_searched_at_reachable_eighths_or_quarters(n_factors, wanted):
    steps = np.round(np.arange(0, 1.0001, 0.03), 10)  # 34 steps: no step lies in the middle
    chosen = search_values(steps, is_continuous=True, n_factors=n_factors)
    assert len(chosen) == wanted
    assert set(chosen) <= set(steps)
    assert (chosen[0], chosen[-1]) == (steps[0], steps[-1])
    assert_allclose(chosen, np.linspace(0, steps[-1], wanted), atol=0.015 + 1e-12)


def test_uneven_marks_keep_their_spacing_in_coded_units(hinge):
    levels = search_space(hinge()).levels
    assert_allclose(levels[0], (np.array([17.0, 18.4, 19.6, 21.1, 22.3]) - 19.65) / 2.65)
    assert_allclose(levels[2], [-1, 0, 1])


def test_coded_limits_say_the_same_as_natural_ones(hinge):
    study = hinge()
    space = search_space(study)
    rng = np.random.default_rng(5)
    natural = np.column_stack([rng.uniform(17, 22.3, 500), rng.uniform(5, 9, 500), rng.uniform(20, 120, 500)])
    coded = study.coding.to_coded(natural)
    inside = np.all(coded @ space.limit_matrix.T <= space.limit_bound, axis=1)
    assert inside.any()
    assert not inside.all()
    assert inside.tolist() == allowed(study, natural).tolist()


def test_points_on_the_cut_go_as_far_as_the_limit_lets_them():
    volts = Factor("voltage", values=(17.0, 18.4, 19.6, 21.1, 22.3), marks=("1", "2", "3", "4", "5"))
    feed = long_range(401)  # steps of 0.01: no search value lies on the cut
    limit = Limit((("voltage", 1.0), ("feed", -0.9)), 15.0, "voltage - 0.9*feed <= 15")
    study = study_of(volts, feed, limits=(limit,))
    natural = study.coding.to_natural(cut_points(study))
    assert is_reachable(study, np.round(natural, 9)).all()
    for v in (19.6, 21.1, 22.3):
        lowest = min(f for f in feed.values if v - 0.9 * f <= 15 + 1e-9)
        assert any(np.allclose(row, (v, lowest)) for row in natural)


def test_a_cut_from_above_is_rounded_down():
    heat = Limit((("feed", 2.0), ("speed", 1.0)), 21.05, "2*feed + speed <= 21.05")
    study = study_of(long_range(41), long_range(41, "speed"), limits=(heat,))
    natural = study.coding.to_natural(cut_points(study))
    assert allowed(study, natural).all()
    assert any(np.allclose(row, (8.0, 5.0)) for row in natural)


def test_without_a_range_in_the_limit_there_is_no_cut():
    pair = (Factor("a", values=(0.0, 1.0, 2.0)), Factor("b", values=(0.0, 1.0)))
    study = study_of(*pair, limits=(Limit((("a", 1.0), ("b", 1.0)), 2.0, "a + b <= 2"),))
    assert cut_points(study).shape == (0, 2)
    assert search_space(study).extra_points.shape == (0, 2)


def test_kinds_with_their_own_range_are_listed_as_candidates_all_allowed(two_wires):
    study = two_wires()
    candidates = search_space(study).candidates
    assert candidates is not None
    natural = study.coding.to_natural(candidates)
    assert is_reachable(study, np.round(natural, 9)).all()
    for kind, low, high in ((0, 5.0, 9.0), (1, 4.0, 7.0)):
        feeds = natural[natural[:, 0] == kind, 2]
        assert_allclose((feeds.min(), feeds.max()), (low, high))
    # the limit cuts the coded regions of the two wires differently: both cuts are there
    slow_b = natural[(natural[:, 0] == 1) & np.isclose(natural[:, 1], 21.1), 2]
    assert_allclose(slow_b.min(), 6.8)
