from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.bench.resolution import find_resolution
from doe.bench.results import Measurement
from doe.models.usable import has_repeats, number_groups, usable_readings


def test_cuts_are_averaged_and_give_a_scatter_of_reading_of_their_own() -> None:
    values = np.array([[1.0, 1.2], [2.0, np.nan], [np.nan, np.nan], [3.0, 3.4]])
    usable = usable_readings(Measurement(values, np.full(4, np.inf)))
    assert_allclose(usable.y, [1.1, 2.0, 3.2])
    assert usable.used.tolist() == [True, True, False, True]
    assert usable.cuts.tolist() == [2, 1, 2]
    assert usable.reading_df == 2
    assert usable.reading_sd is not None
    assert_allclose(usable.reading_sd, np.sqrt((0.02 + 0.08) / 2))
    assert usable.reading_variance == 0.0  # two degrees of freedom are too few to take anything off


def test_the_scatter_of_a_mean_of_cuts_counts_each_weld_by_its_own_number_of_cuts() -> None:
    values = np.array([[1.0, 1.2, np.nan], [2.0, 2.4, np.nan], [1.0, 1.1, 1.2]])
    usable = usable_readings(Measurement(values, np.full(3, np.inf)))
    pooled = (0.02 + 0.08 + 0.02) / 4
    assert usable.reading_df == 4
    assert_allclose(usable.reading_variance, pooled * (1 / 2 + 1 / 2 + 1 / 3) / 3)


def test_a_cut_that_went_through_makes_the_weld_a_lower_limit() -> None:
    usable = usable_readings(Measurement(np.array([[9.0, 11.0], [4.0, 5.0]]), np.array([10.0, np.inf])))
    assert usable.censored.tolist() == [True, False]
    assert_allclose(usable.y, [9.5, 4.5])
    assert usable.reading_df == 1


@pytest.mark.parametrize(
    ("values", "step"),
    [([1.0, 2.0, 5.0], 1.0), ([1.2, 1.25], 0.01), ([1.2, 1.5], 0.1), ([np.pi, np.e], 0.0)],
)
def test_the_resolution_is_the_coarsest_decimal_step(values: list[float], step: float) -> None:
    assert_allclose(find_resolution(np.array(values)), step)


def test_repeats_are_welds_made_alike_within_a_twentieth_of_the_range() -> None:
    assert has_repeats(np.array([[0.0, 1.0], [0.5, 0.5], [0.05, 0.95]]))
    assert not has_repeats(np.array([[0.0, 1.0], [0.0, 0.5], [0.5, 1.0]]))
    assert not has_repeats(np.array([[0.0, 1.0]]))


def test_a_weld_without_a_plate_is_on_a_plate_of_its_own() -> None:
    assert number_groups(("P1", "", "P1", "")).tolist() == [0, 1, 0, 2]
