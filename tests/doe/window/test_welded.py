from __future__ import annotations

from dataclasses import replace

import numpy as np

from doe.study.model import Factor, Limit
from doe.window.welded import corners, find_welded_region, outside_hull

RANGES = (("A", 5.0, 9.0), ("B", 4.0, 7.0))
WIRES = (
    Factor("feed", "feed", "m/min", tuple(float(v) for v in range(4, 10)), ranges=RANGES, range_by="wire"),
    Factor("wire", kinds=("A", "B", "C")),
)


def test_the_whole_region_is_claimable_where_its_corners_were_welded(bench):
    study = bench.study()
    region = find_welded_region(bench.results(study, bench.corners(study)))
    assert region.claimable.all()
    assert region.count(()) == 7 * 9


def test_nothing_beyond_the_welds_is_claimable(bench):
    study = bench.study()
    region = find_welded_region(bench.results(study, np.array([[18.0, 6.0], [21.0, 8.0]])))
    settings = region.settings(region.claimable)
    assert settings.min(axis=0).tolist() == [18.0, 6.0]
    assert settings.max(axis=0).tolist() == [21.0, 8.0]


def test_welds_that_were_not_run_open_no_ground(bench):
    study = bench.study()
    results = bench.results(study, np.array([[18.0, 6.0], [21.0, 8.0], [23.0, 9.0]]))
    region = find_welded_region(replace(results, status=("done", "aborted", "not run")))
    assert region.settings(region.claimable).max(axis=0).tolist() == [21.0, 8.0]


def test_actual_settings_do_not_shut_out_a_mark_that_was_welded(bench):
    study = bench.study()
    planned = bench.corners(study)
    region = find_welded_region(bench.results(study, planned, actual=planned * 0.99))
    assert region.claimable.all()


def test_settings_beyond_a_limit_are_neither_reachable_nor_claimable(bench):
    limit = Limit((("voltage", 1.0), ("feed", 1.0)), 27.0, "voltage + feed <= 27")
    study = bench.study(limits=(limit,))
    region = find_welded_region(bench.results(study, bench.corners(study)))
    beyond = np.add.outer(region.axes[0], region.axes[1]) > 27.0 + 1e-9
    assert not region.reachable[beyond].any()
    assert not region.claimable[beyond].any()
    assert region.count(()) == int((~beyond).sum())


def test_each_kind_has_its_own_range_and_one_that_was_not_welded_has_none(bench):
    study = bench.study((WIRES[0], Factor("wire", kinds=("A", "B"))))
    region = find_welded_region(bench.results(study, np.array([[5.0, 0], [9.0, 0], [4.0, 1], [6.0, 1]])))
    assert region.axes[0][region.claimable[:, 0]].tolist() == [5.0, 6.0, 7.0, 8.0, 9.0]
    assert region.axes[0][region.claimable[:, 1]].tolist() == [4.0, 5.0, 6.0]
    assert (region.count((0,)), region.count((1,))) == (5, 4)
    free = bench.study((replace(WIRES[0], ranges=(), range_by=""), WIRES[1]))
    unwelded = find_welded_region(bench.results(free, np.array([[4.0, 0], [9.0, 1]])))
    assert unwelded.reachable[:, 2].all()
    assert not unwelded.claimable[:, 2].any()


def test_a_thinned_grid_still_counts_every_step(bench):
    steps = tuple(float(v) for v in np.linspace(0, 1, 101))
    study = bench.study((Factor("a", values=steps, is_continuous=True), Factor("b", values=steps, is_continuous=True)))
    region = find_welded_region(bench.results(study, bench.corners(study)))
    assert region.thinned
    assert region.claimable.size <= 2_200
    assert region.count(()) == 101 * 101


def test_corners_are_given_once():
    assert corners((1.0, 2.0), (1.0, 3.0)).tolist() == [[1.0, 2.0], [1.0, 3.0]]


def test_a_corner_between_the_welds_is_inside_the_hull_and_one_beyond_them_is_not(bench):
    study = bench.study()
    cross = np.array([[17.0, 7.0], [23.0, 7.0], [20.0, 5.0], [20.0, 9.0]])
    outside = outside_hull(bench.results(study, cross), np.array([[20.0, 7.0], [18.0, 7.5], [23.0, 9.0]]))
    assert outside.tolist() == [False, False, True]


def test_the_hull_is_that_of_the_same_kind(bench):
    study = bench.study((replace(WIRES[0], ranges=(), range_by=""), WIRES[1]))
    results = bench.results(study, np.array([[4.0, 0], [9.0, 0], [5.0, 1]]))
    asked = np.array([[6.0, 0], [6.0, 1], [6.0, 2]])
    assert outside_hull(results, asked).tolist() == [False, True, True]


def test_five_factors_at_five_levels_are_not_thinned(bench):
    levels = tuple(float(v) for v in range(5))
    study = bench.study(tuple(Factor(name, values=levels) for name in "abcde"))
    region = find_welded_region(bench.results(study, bench.corners(study)))
    assert not region.thinned
    assert region.claimable.size == 5**5
