from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.planning.sizes import how_many, knee


def test_the_knee_is_the_point_furthest_below_the_chord():
    x = np.arange(8.0, 17.0)
    y = np.where(x <= 11, 20 - 2 * (x - 8), 14 - 0.2 * (x - 11))
    assert x[knee(x, y)] == 11


@pytest.mark.parametrize("y", [[3.0, 2.0], [3.0, 2.0, 1.0], [1.0, 3.0, 1.0]])
def test_a_straight_or_short_curve_has_no_knee(y):
    assert knee(np.arange(len(y), dtype=float), np.array(y)) is None


def test_more_welds_tell_more_and_cost_more(hinge):
    seen = []
    rows = how_many(hinge(), (9, 12, 16, 20), seed=1, progress=lambda done, total: seen.append((done, total)))
    assert seen == [(1, 4), (2, 4), (3, 4), (4, 4)]
    assert [row.welds for row in rows] == [9, 12, 16, 20]
    assert "takes at least 10 welds" in rows[0].refused
    assert rows[0].half_width is None
    widths = [row.half_width for row in rows[1:]]
    assert widths == sorted(widths, reverse=True)
    powers = [row.power for row in rows[1:]]
    assert powers == sorted(powers)
    assert [row.cost.plates for row in rows[1:]] == [6, 8, 10]
    assert sum(row.is_knee for row in rows) == 1


def test_without_a_known_scatter_the_knee_is_sought_from_three_welds_to_spare(cube):
    rows = how_many(cube(2), (6, 7, 8, 9, 10, 11, 14), seed=1)
    assert [row.residual_df for row in rows] == [0, 1, 2, 3, 4, 5, 8]
    (at,) = (row.welds for row in rows if row.is_knee)
    assert at in {10, 11}


def test_a_row_is_written_with_null_for_what_is_not_known(cube):
    rows = how_many(cube(2), (6, 8), seed=1)
    saturated, full = (row.to_dict() for row in rows)
    assert saturated["half_width"] is None
    assert saturated["power"] is None
    assert saturated["refused"] is None
    assert full["half_width"] > 0
    assert full["cost"]["plates"] == 8
    assert how_many(cube(2), (3,), seed=1)[0].to_dict()["cost"] is None
    assert_allclose(rows[1].half_width, full["half_width"], rtol=1e-5)
