from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from doe.models.textbook.canonical import Surface, region_limits, second_order_surface
from doe.models.textbook.least_squares import least_squares
from doe.terms import CONSTANT, Term

TERMS = (
    CONSTANT,
    Term((("x1", 1),)),
    Term((("x2", 1),)),
    Term((("x1", 2),)),
    Term((("x2", 2),)),
    Term((("x1", 1), ("x2", 1))),
)


def surface_of(x1: Any, x2: Any, y: Any) -> tuple[Surface, int]:
    u, v = np.asarray(x1, dtype=float), np.asarray(x2, dtype=float)
    fit = least_squares(np.column_stack([np.ones(len(u)), u, v, u * u, v * v, u * v]), y)
    surface = second_order_surface(TERMS, fit.coefficients, fit.residual_sd**2 * fit.unscaled_covariance)
    assert surface is not None
    return surface, fit.residual_df


def published(name: str, case: Callable[[str], Any]) -> tuple[Surface, int]:
    if name == "rsm_ccd13_conversion":
        data = case(name).data
        return surface_of(data.x1_time, data.x2_temp, data.conversion)
    data = case("rsm_ccd13_chemical_process").data
    axial = {1.414: math.sqrt(2.0), -1.414: -math.sqrt(2.0)}
    return surface_of([axial.get(v, v) for v in data.x1], [axial.get(v, v) for v in data.x2], data.yield_pct)


def test_the_region_of_the_stationary_point_holds_the_same_points_as_the_reference(case: Callable[[str], Any]) -> None:
    # stationary_point_region: Box & Hunter's statistic computed with other software (no published numbers are known)
    table = case("stationary_point_region").data
    for name, rows in table.groupby("dataset"):
        surface, df = published(str(name).split()[0], case)
        assert df == rows.df.iloc[0]
        for row in rows.itertuples():
            point = np.array([float(v) for v in row.x.split(",")])
            # the stationary point itself is given to six digits only
            assert surface.statistic(point) == pytest.approx(row.stat, rel=1e-6, abs=1e-8)
            assert (surface.statistic(point) <= row.F95) == row.inside95


def test_the_extent_of_the_region_is_where_the_statistic_meets_the_f_quantile(case: Callable[[str], Any]) -> None:
    surface, df = published("rsm_ccd13_chemical_process", case)
    low, high = region_limits(surface, residual_df=df, level=0.95)
    grid = np.array([[a, b] for a in np.linspace(0.2, 0.7, 51) for b in np.linspace(0.0, 0.7, 71)])
    inside = grid[[surface.statistic(x) <= 4.737414127775881 for x in grid]]
    assert low == pytest.approx(inside.min(axis=0), abs=0.011)
    assert high == pytest.approx(inside.max(axis=0), abs=0.011)


def test_an_open_region_is_said_to_be_open(case: Callable[[str], Any]) -> None:
    surface, df = published("rsm_ccd13_conversion", case)
    low, high = region_limits(surface, residual_df=df, level=0.9999)
    assert np.isinf(low).any() or np.isinf(high).any()


def test_the_slope_of_the_statistic_is_its_derivative(case: Callable[[str], Any]) -> None:
    surface, _ = published("rsm_ccd13_conversion", case)
    x, step = np.array([0.3, -0.4]), 1e-6
    _, slope = surface.statistic_and_slope(x)
    numerical = [(surface.statistic(x + e) - surface.statistic(x - e)) / (2 * step) for e in step * np.eye(2)]
    assert slope == pytest.approx(numerical, rel=1e-5)


@pytest.mark.parametrize(
    ("bend", "nature"), [((-1.0, -2.0), "maximum"), ((1.0, 2.0), "minimum"), ((-1.0, 2.0), "saddle")]
)
def test_a_made_surface_gives_back_its_point_value_and_nature(bend: tuple[float, float], nature: str) -> None:
    x = np.array([(a, b) for a in (-1.0, 0.0, 1.0) for b in (-1.0, 0.0, 1.0)])
    y = 5.0 + bend[0] * (x[:, 0] - 0.3) ** 2 + bend[1] * (x[:, 1] + 0.5) ** 2
    surface, _ = surface_of(x[:, 0], x[:, 1], y)
    assert surface.stationary == pytest.approx([0.3, -0.5])
    assert surface.value(np.array([0.3, -0.5])) == pytest.approx(5.0)
    assert surface.eigenvalues == pytest.approx(sorted(bend, reverse=True))
    assert surface.nature == nature


def test_a_plane_a_ridge_and_a_cubic_have_no_stationary_point() -> None:
    plane = second_order_surface(TERMS[:3], np.array([1.0, 2.0, 3.0]), np.eye(3))
    assert plane is None
    ridge = second_order_surface(TERMS[:4], np.array([1.0, 2.0, 3.0, -1.0]), np.eye(4))
    assert ridge is not None
    assert ridge.stationary is None
    cubic = second_order_surface((CONSTANT, Term((("x1", 1),)), Term((("x1", 3),))), np.ones(3), np.eye(3))
    assert cubic is None
    assert second_order_surface((CONSTANT,), np.ones(1), np.eye(1)) is None


def test_one_factor_has_a_region_too() -> None:
    x = np.array([-1.0, -0.5, 0.0, 0.5, 1.0, 0.0])
    y = np.array([1.0, 1.8, 2.05, 1.7, 1.0, 1.95])
    fit = least_squares(np.column_stack([np.ones(6), x, x * x]), y)
    terms = (CONSTANT, Term((("x", 1),)), Term((("x", 2),)))
    surface = second_order_surface(terms, fit.coefficients, fit.residual_sd**2 * fit.unscaled_covariance)
    assert surface is not None
    low, high = region_limits(surface, residual_df=3, level=0.9)
    centre = surface.stationary
    assert centre is not None
    assert low[0] < centre[0] < high[0]
    for edge in (
        low,
        high,
    ):  # Fieller's limits of -b1/(2 b2): the t test of the gradient at the edge is just significant
        gradient = fit.coefficients[1] + 2 * edge[0] * fit.coefficients[2]
        at = np.array([0.0, 1.0, 2 * edge[0]])
        t = gradient / math.sqrt(at @ surface.covariance @ at)
        assert abs(t) == pytest.approx(2.3533634348, rel=1e-4)  # t(0.95; 3), tables
