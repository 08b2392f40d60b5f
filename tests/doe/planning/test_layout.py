from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.errors import StudyError
from doe.planning.layout import (
    Layout,
    draw_order,
    draw_positions,
    equal_neighbours,
    join,
    lay_out,
    layout_of,
    numbered,
    position_column,
)
from doe.planning.plan import PlannedWeld
from doe.study.model import Blocks


def test_plates_are_filled_and_the_last_takes_what_is_left():
    layout = lay_out(7, per_plate=3)
    assert layout.plate.tolist() == [0, 0, 0, 1, 1, 1, 2]
    assert layout.position.tolist() == [1, 2, 3, 1, 2, 3, 1]
    assert layout.block is None


def test_plates_of_listed_sizes_are_taken_in_turn_by_blocks_and_stages():
    sizes = (3, 1, 2, 2)
    assert lay_out(8, per_plate=3, plates=sizes).plate.tolist() == [0, 0, 0, 1, 2, 2, 3, 3]
    assert lay_out(4, per_plate=3, plates=sizes, before=4).plate.tolist() == [0, 0, 1, 1]
    in_blocks = lay_out(8, per_plate=3, plates=sizes, blocks=Blocks("day", (4, 4)))
    assert in_blocks.plate.tolist() == [0, 0, 0, 1, 2, 2, 3, 3]
    assert in_blocks.block.tolist() == [0, 0, 0, 0, 1, 1, 1, 1]
    # welds beyond the listed plates fill plates of the largest size
    assert lay_out(5, per_plate=3, plates=sizes, before=7).plate.tolist() == [0, 1, 1, 1, 2]


def test_a_plate_lies_in_one_block():
    layout = lay_out(18, per_plate=2, blocks=Blocks("day", (9, 9)))
    assert layout.n_plates == 10
    assert all(len(set(layout.block[layout.plate == p])) == 1 for p in range(10))
    assert np.bincount(layout.block).tolist() == [9, 9]


def test_a_later_stage_takes_the_places_left_in_the_blocks():
    layout = lay_out(6, per_plate=2, blocks=Blocks("day", (9, 9)), before=8)
    assert layout.block.tolist() == [0, 1, 1, 1, 1, 1]


def test_a_later_stage_that_finds_the_blocks_full_makes_one_more():
    layout = lay_out(4, per_plate=2, blocks=Blocks("day", (4, 4)), before=8)
    assert layout.block.tolist() == [2, 2, 2, 2]


def test_blocks_without_room_are_refused():
    with pytest.raises(StudyError, match="8 places, but there are 10 welds"):
        lay_out(10, per_plate=2, blocks=Blocks("day", (4, 4)))


@given(st.integers(1, 40), st.integers(1, 4), st.integers(0, 1000))
def test_the_order_counts_all_welds_and_keeps_plates_together(n, per_plate, seed):
    layout = lay_out(n, per_plate=per_plate)
    order = draw_order(layout, np.random.default_rng(seed))
    assert sorted(order) == list(range(1, n + 1))
    for plate in range(layout.n_plates):
        places = order[layout.plate == plate]
        assert places.tolist() == list(range(places[0], places[0] + len(places)))


def test_blocks_follow_one_another_in_the_order():
    layout = lay_out(12, per_plate=2, blocks=Blocks("day", (6, 6)))
    order = draw_order(layout, np.random.default_rng(3))
    assert order[layout.block == 0].max() < order[layout.block == 1].min()


def test_the_order_of_plates_depends_on_the_seed_only():
    layout = lay_out(18, per_plate=2)
    orders = [draw_order(layout, np.random.default_rng(seed)).tolist() for seed in (1, 1, 2)]
    assert orders[0] == orders[1] != orders[2]


def test_positions_are_drawn_within_plates_and_nearly_balance_every_factor():
    rng = np.random.default_rng(8)
    layout = lay_out(20, per_plate=2)
    columns = rng.choice([-1.0, 0.0, 1.0], size=(20, 3))
    rows = draw_positions(columns, layout, rng)
    assert sorted(rows) == list(range(20))
    assert np.array_equal(layout.plate[rows], layout.plate)
    placed = columns[rows]
    later = layout.position > 1
    assert np.abs(placed[later].mean(axis=0) - placed[~later].mean(axis=0)).max() < 0.35


def test_one_weld_a_plate_needs_no_positions():
    layout = lay_out(5, per_plate=1)
    assert not layout.shares_plates
    assert draw_positions(np.ones((5, 1)), layout, np.random.default_rng(0)).tolist() == [0, 1, 2, 3, 4]


def test_the_position_column_tells_the_first_weld_from_all_later_ones():
    assert position_column(lay_out(5, per_plate=3)).tolist() == [-0.5, 0.5, 0.5, -0.5, 0.5]


def test_joined_layouts_have_plates_of_their_own():
    both = join(lay_out(3, per_plate=2), lay_out(2, per_plate=2))
    assert both.plate.tolist() == [0, 0, 1, 2, 2]
    assert join(Layout(np.array([], int), np.array([], int)), lay_out(2, per_plate=1)).n_welds == 2


def test_blocks_are_joined_only_where_both_have_them():
    with_blocks = lay_out(2, per_plate=1, blocks=Blocks("day", (2,)))
    assert join(with_blocks, with_blocks).block.tolist() == [0, 0, 0, 0]
    assert join(with_blocks, lay_out(2, per_plate=1)).block is None


def test_equal_settings_in_a_row_are_found():
    settings = np.array([[1.0], [2.0], [1.0], [1.0]])
    assert equal_neighbours(settings, np.array([1, 2, 3, 4])) == ((2, 3),)
    assert equal_neighbours(settings, np.array([2, 1, 4, 3])) == ((0, 3), (3, 2))


def test_labels_are_numbered_as_they_appear_and_a_layout_is_read_from_welds():
    assert numbered(["b", "a", "b"]).tolist() == [0, 1, 0]
    welds = [PlannedWeld("W01", "P02", 1, 1, (0.0,), "2"), PlannedWeld("W02", "P02", 2, 2, (0.0,), "2")]
    layout = layout_of(welds)
    assert layout.plate.tolist() == [0, 0]
    assert layout.block.tolist() == [0, 0]
    assert layout_of([PlannedWeld("W01", "P01", 1, 1, (0.0,))]).block is None
