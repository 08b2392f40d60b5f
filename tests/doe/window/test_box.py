from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from doe.window.box import Box, box_words, count_bits, count_boxes, enough, largest_box, pack


def every_box(shape):
    """All boxes of a small grid."""
    spans = [[(a, b) for a in range(n) for b in range(a, n)] for n in shape]
    for ranges in itertools.product(*spans):
        yield Box(tuple(a for a, _ in ranges), tuple(b for _, b in ranges), 0)


def checked_one_by_one(holds, shape, need, cost=None, limit=0.0):
    """The best size and count by looking at every box, draw by draw."""
    grid = holds.reshape(*shape, -1)
    best = (0, 0)
    for box in every_box(shape):
        inside = grid[box.slices].reshape(box.size, -1)
        count = int(inside.all(axis=0).sum())
        cheap = cost is None or cost.reshape(shape)[box.slices].mean() <= limit + 1e-12
        if count >= need and cheap:
            best = max(best, (box.size, count))
    return best


@st.composite
def grids(draw):
    shape = tuple(draw(st.lists(st.integers(1, 4), min_size=1, max_size=4)))
    n_draws = draw(st.sampled_from([3, 64, 70]))
    # whole runs of draws hold in a box around a draw's own centre, as posterior draws do; some settings are flipped
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    points = np.stack(np.meshgrid(*map(np.arange, shape), indexing="ij"), -1).reshape(-1, len(shape))
    centre = rng.uniform(0, 3, (n_draws, len(shape)))
    near = (np.abs(points[:, None] - centre) < rng.uniform(1, 3.5, (n_draws, len(shape)))).all(-1)
    flipped = rng.random(near.shape) < draw(st.sampled_from([0.0, 0.05]))
    return shape, near ^ flipped, draw(st.integers(1, n_draws))


@settings(max_examples=150, deadline=None)
@given(grids())
def test_the_search_gives_what_checking_every_box_gives(grid):
    shape, holds, need = grid
    found = largest_box(pack(holds, shape), need)
    expected = checked_one_by_one(holds, shape, need)
    assert expected == (0, 0) if found is None else (found.size, found.count) == expected


@settings(max_examples=100, deadline=None)
@given(grids(), st.floats(0.0, 0.6))
def test_the_search_under_a_mean_cost_gives_what_checking_every_box_gives(grid, limit):
    shape, holds, need = grid
    cost = 1.0 - holds.mean(axis=1)
    found = largest_box(pack(holds, shape), need, cost=cost.reshape(shape), limit=limit)
    expected = checked_one_by_one(holds, shape, need, cost, limit)
    if found is None:
        assert expected == (0, 0)
    else:
        assert found.size == expected[0]
        assert cost.reshape(shape)[found.slices].mean() <= limit + 1e-9


@settings(max_examples=60, deadline=None)
@given(grids())
def test_the_found_box_holds_in_the_draws_it_says(grid):
    shape, holds, need = grid
    found = largest_box(pack(holds, shape), need)
    if found is not None:
        inside = holds.reshape(*shape, -1)[found.slices].reshape(found.size, -1)
        assert inside.all(axis=0).sum() == found.count >= need


@given(arrays(bool, st.tuples(st.integers(1, 5), st.integers(1, 200))))
def test_packed_bits_count_as_the_draws_do(holds):
    bits = pack(holds)
    assert bits.n_draws == holds.shape[1]
    np.testing.assert_array_equal(count_bits(bits.words), holds.sum(axis=1))


def test_a_box_contains_no_setting_that_is_not_allowed():
    holds = np.ones((5 * 5, 100), dtype=bool)
    holds[2 * 5 + 2] = False  # a hole in the middle: the largest boxes are the 2 x 5 sides
    found = largest_box(pack(holds, (5, 5)), 90)
    assert found is not None
    assert found.size == 10
    assert not (found.low[0] <= 2 <= found.high[0] and found.low[1] <= 2 <= found.high[1])


def test_among_boxes_of_one_size_the_one_that_holds_in_most_draws_is_taken():
    holds = np.zeros((3, 10), dtype=bool)
    holds[0, :8] = holds[2, :9] = True
    found = largest_box(pack(holds), 8)
    assert found == Box((2,), (2,), 9)


def test_nothing_is_found_where_no_setting_holds_in_enough_draws():
    assert largest_box(pack(np.zeros((4, 10), dtype=bool), (2, 2)), 1) is None


def test_three_factors_have_as_many_boxes_as_method_says():
    assert count_boxes((12, 20, 6)) == 343_980  # METHOD 7.4


@pytest.mark.parametrize(("level", "n", "need"), [(0.9, 1000, 900), (0.95, 4000, 3800), (0.9, 11, 10), (1.0, 7, 7)])
def test_enough_draws_are_rounded_up(level, n, need):
    assert enough(level, n) == need


def test_the_words_of_a_box_are_the_draws_that_hold_all_over_it():
    rng = np.random.default_rng(3)
    holds = rng.random((12, 130)) < 0.8
    bits = pack(holds, (3, 4))
    box = Box((0, 1), (1, 2), 0)
    expected = holds.reshape(3, 4, 130)[0:2, 1:3].reshape(4, 130).all(axis=0)
    assert int(count_bits(box_words(bits, box))) == expected.sum()


def test_the_largest_box_of_a_full_study_is_found():
    rng = np.random.default_rng(0)
    shape, n_draws = (12, 20, 6), 4_000
    axes = np.meshgrid(*[np.linspace(-1, 1, n) for n in shape], indexing="ij")
    x = np.stack(axes, -1).reshape(-1, 3)
    radius = 1.0 + rng.normal(0, 0.05, n_draws)
    holds = ((x[:, None] - rng.normal(0, 0.05, (n_draws, 3))) ** 2).sum(-1) < 1.5 * radius**2
    bits = pack(holds, shape)
    found = largest_box(bits, 3_600)
    assert found is not None
    assert found.size > 300
