from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from doe.coding import Coding, FactorCoding

WIRED = Coding(
    (
        FactorCoding("voltage", 19.65, 2.65),
        FactorCoding("wire", kinds=("A", "B")),
        FactorCoding("feed", 6.5, 2.5, by="wire", centres=(7.0, 5.5), halves=(2.0, 1.5)),
    )
)


def test_the_ends_of_a_range_are_minus_one_and_one():
    coded = WIRED.to_coded([[17.0, 0, 5.0], [22.3, 0, 9.0]])
    assert_allclose(coded, [[-1, 0, -1], [1, 0, 1]], atol=1e-12)


def test_a_range_of_its_own_kind_is_coded_within_the_kind():
    coded = WIRED.to_coded([[19.65, 1, 4.0], [19.65, 1, 7.0]])
    assert_allclose(coded[:, 2], [-1, 1])


def test_kinds_keep_their_index_and_the_input_is_left_alone():
    natural = np.array([[19.65, 1.0, 5.5]])
    assert WIRED.to_coded(natural)[0, 1] == 1
    assert natural[0, 0] == 19.65


@given(st.lists(st.tuples(st.floats(10, 30), st.integers(0, 1), st.floats(1, 20)), min_size=1, max_size=8))
def test_natural_and_coded_lead_back_to_each_other(rows: list[tuple[float, int, float]]):
    natural = np.array(rows, dtype=float)
    assert_allclose(WIRED.to_natural(WIRED.to_coded(natural)), natural, rtol=1e-12)


def test_a_single_setting_is_a_table_of_one_row():
    assert WIRED.to_coded([19.65, 0, 7.0]).shape == (1, 3)


def test_a_coding_is_found_by_name_and_described():
    assert WIRED["voltage"].half == 2.65
    assert WIRED.names == ("voltage", "wire", "feed")
    assert WIRED.to_dict() == {
        "voltage": {"centre": 19.65, "half": 2.65},
        "wire": {"kinds": ["A", "B"]},
        "feed": {"by": "wire", "centre": [7.0, 5.5], "half": [2.0, 1.5]},
    }
