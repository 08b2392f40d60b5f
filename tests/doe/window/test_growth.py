from __future__ import annotations

import numpy as np
import pytest

from doe.window.box import Box, box_words, count_bits, largest_box, pack
from doe.window.growth import find_box, grow_from, grown_box


def blob(shape, *, seed, n_draws=400, radius=0.9):
    """Draws that hold inside a tilted ellipsoid whose centre is uncertain."""
    rng = np.random.default_rng(seed)
    axes = [np.linspace(-1, 1, n) for n in shape]
    x = np.stack(np.meshgrid(*axes, indexing="ij"), -1).reshape(-1, len(shape))
    centre = rng.normal(0, 0.1, (n_draws, len(shape))) + rng.uniform(-0.3, 0.3, len(shape))
    weight = rng.uniform(0.6, 2.0, len(shape))
    distance = ((x[:, None] - centre) ** 2 * weight).sum(-1) + 0.5 * x[:, None, 0] * x[:, None, -1]
    return pack(distance < radius**2, shape)


@pytest.mark.parametrize("shape", [(14, 15), (7, 8, 6), (5, 4, 4, 5)])
@pytest.mark.parametrize("seed", range(4))
def test_a_grown_box_passes_and_is_nearly_as_large_as_the_largest(shape, seed):
    bits = blob(shape, seed=seed)
    exact, grown = largest_box(bits, 360), grown_box(bits, 360)
    assert (exact is None) == (grown is None)
    if exact is not None and grown is not None:
        assert int(count_bits(box_words(bits, grown))) == grown.count >= 360
        assert 0.85 * exact.size <= grown.size <= exact.size


def test_a_grown_box_keeps_to_the_mean_cost():
    bits = blob((10, 10), seed=1)
    cost = 1.0 - count_bits(bits.words) / bits.n_draws
    grown = grown_box(bits, 200, cost=cost, limit=0.1)
    exact = largest_box(bits, 200, cost=cost, limit=0.1)
    assert grown is not None
    assert exact is not None
    assert cost[grown.slices].mean() <= 0.1 + 1e-9
    assert grown.size <= exact.size


def test_growing_finds_nothing_where_nothing_holds():
    assert grown_box(pack(np.zeros((9, 20), dtype=bool), (3, 3)), 1) is None
    assert find_box(pack(np.zeros((9, 20), dtype=bool), (3, 3)), 1) == (None, True)


def test_a_grown_box_cannot_be_extended():
    bits = blob((20, 20), seed=2)
    grown = grown_box(bits, 360)
    assert grown is not None
    assert grow_from(bits, 360, grown) == grown


def test_growing_from_a_setting_only_takes_what_passes():
    holds = np.zeros((7, 10), dtype=bool)
    holds[2:5] = True
    holds[5, :4] = True
    assert grow_from(pack(holds), 9, Box((3,), (3,), 10)) == Box((2,), (4,), 10)


def test_the_search_is_exact_where_the_live_part_of_a_large_grid_is_small():
    holds = np.zeros((200, 200, 64), dtype=bool)
    holds[50:70, 90:93] = True
    box, proven = find_box(pack(holds.reshape(-1, 64), (200, 200)), 60)
    assert proven
    assert box == Box((50, 90), (69, 92), 64)


def test_a_box_that_was_grown_is_not_said_to_be_the_largest():
    holds = np.ones((100 * 100, 10), dtype=bool)
    box, proven = find_box(pack(holds, (100, 100)), 9)
    assert not proven
    assert box == Box((0, 0), (99, 99), 10)


def test_a_coarse_box_with_a_hole_between_is_shrunk_until_it_holds():
    holds = np.ones((60, 60, 64), dtype=bool)
    holds[31, 31] = False  # between the values that the thinned grid looks at
    grown = grown_box(pack(holds.reshape(-1, 64), (60, 60)), 60)
    assert grown is not None
    assert grown.count == 64
    assert not (grown.low[0] <= 31 <= grown.high[0] and grown.low[1] <= 31 <= grown.high[1])
    assert grown.size >= 60 * 28 * 0.9
