"""Separation of yes and no by a plane."""

from __future__ import annotations

import numpy as np
import pytest

from doe.models.separation import find_separation


def with_constant(*columns):
    return np.column_stack([np.ones(len(columns[0])), *columns])


@pytest.mark.parametrize(
    ("x", "yes", "expected"),
    [
        ([-1, 0, 1, 2], [0, 0, 1, 1], "complete"),
        ([-1, 0, 0, 2], [0, 0, 1, 1], "partial"),
        ([-1, 0, 1, 2], [0, 1, 0, 1], "none"),
        ([-1, 0, 1, 2], [0, 0, 0, 0], "complete"),
        ([-1, 0, 1, 2], [1, 1, 1, 1], "complete"),
    ],
)
def test_separation_on_a_line(x, yes, expected):
    assert find_separation(with_constant(np.array(x, dtype=float)), np.array(yes, dtype=bool)) == expected


def test_separation_by_a_slanted_plane_is_found():
    rng = np.random.default_rng(1)
    x = rng.uniform(-1, 1, (60, 3))
    yes = x @ [1.0, -2.0, 0.5] > 0.1
    assert find_separation(with_constant(*x.T), yes) == "complete"
    yes[np.argmax(x @ [1.0, -2.0, 0.5])] = False
    assert find_separation(with_constant(*x.T), yes) == "none"


def test_two_by_two_table_with_an_empty_cell_is_partly_separated():
    # Heinze and Schemper's kind of table (2002, Statistics in Medicine 21): one cell of four empty; from memory
    x = np.repeat([0.0, 1.0], 10)
    yes = np.r_[np.zeros(10), np.zeros(6), np.ones(4)].astype(bool)
    assert find_separation(with_constant(x), yes) == "partial"
