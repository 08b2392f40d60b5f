from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.bench.results import Results
from doe.coding import FloatArray
from doe.models.surface import (
    PLATE_TEMPERATURE,
    build_surface,
    count_levels,
    describe_start,
    find_start,
    kind_contrasts,
)
from doe.study.model import Factor, PlanWishes, Study
from doe.terms import generic_points, model_matrix, parse_term

MakeResults = Callable[..., Results]


def with_wire(study: Study, kinds: tuple[str, ...]) -> Study:
    return replace(study, factors=(*study.factors[:2], Factor("wire", kinds=kinds)))


def warm(study: Study) -> Study:
    return replace(study, plan=PlanWishes(welds_per_plate=2, later_welds="warm"))


def wire_settings(n_kinds: int) -> FloatArray:
    rng = np.random.default_rng(3)
    return np.column_stack([rng.uniform(-1, 1, (18, 2)), np.arange(18) % n_kinds])


def test_the_columns_are_those_of_the_method(
    lug_study: Study, lug_settings: FloatArray, make_results: MakeResults
) -> None:
    surface = build_surface(make_results(lug_study, lug_settings, {}))
    v, f, p = lug_settings.T
    expected = {
        "constant": 1 + 0 * v, "voltage": v, "feed": f, "preheat": p,
        "voltage*feed": v * f, "voltage*preheat": v * p, "feed*preheat": f * p,
        "voltage^2": v**2 - 0.5, "feed^2": f**2 - 0.5, "preheat^2": p**2 - 0.5,
        "voltage^3": v**3 - 0.8 * v, "feed^3": f**3 - 0.8 * f,
        "voltage^2*feed": (v**2 - 0.5) * f, "voltage^2*preheat": (v**2 - 0.5) * p,
        "voltage*feed^2": (f**2 - 0.5) * v, "feed^2*preheat": (f**2 - 0.5) * p,
        "voltage*preheat^2": (p**2 - 0.5) * v, "feed*preheat^2": (p**2 - 0.5) * f,
        "voltage*feed*preheat": v * f * p,
    }  # fmt: skip
    assert {str(column) for column in surface.columns} == set(expected)  # no preheat^3 at three preheats
    X = surface.matrix(lug_study.coding.to_natural(lug_settings))
    for column, values in zip(surface.columns, X.T, strict=True):
        assert_allclose(values, expected[str(column)], atol=1e-12)
        assert column.term_class == ["constant", "first", "second", "third"][column.term.order]


def test_lower_orders_are_cut_out_of_the_whole(
    lug_study: Study, lug_settings: FloatArray, make_results: MakeResults
) -> None:
    results = make_results(lug_study, lug_settings, {})
    surface = build_surface(results)
    assert len(surface.order("first").columns) == 4
    assert surface.order("second").columns == build_surface(results, highest="second").columns
    assert set(surface.order("second").classes) == {"constant", "first", "second"}


def test_role_tags_tell_squares_from_products(
    lug_study: Study, lug_settings: FloatArray, make_results: MakeResults
) -> None:
    columns = {str(c): c for c in build_surface(make_results(lug_study, lug_settings, {})).columns}
    assert columns["voltage^2"].is_square
    assert not columns["voltage^2"].is_product
    assert columns["voltage*feed"].is_product
    assert not columns["voltage^2*feed"].is_square
    assert not columns["voltage^2*feed"].is_product
    assert columns["voltage*feed"].factors == ("voltage", "feed")
    assert columns["constant"].factors == ()


def test_powers_that_too_few_levels_cannot_carry_are_left_out(
    lug_study: Study, lug_settings: FloatArray, make_results: MakeResults
) -> None:
    coded = lug_settings.copy()
    coded[:, 0] = np.where(coded[:, 0] > 0, 1.0, -1.0)
    coded[:, 1] = 0.5
    names = {str(c) for c in build_surface(make_results(lug_study, coded, {})).columns}
    assert not any("voltage^" in name or "feed^" in name for name in names)
    assert {"voltage", "feed", "voltage*feed", "voltage*feed*preheat", "voltage*preheat^2"} <= names


def test_only_the_welds_used_count_for_levels(
    lug_study: Study, lug_settings: FloatArray, make_results: MakeResults
) -> None:
    used = lug_settings[:, 2] == 0.0
    names = {str(c) for c in build_surface(make_results(lug_study, lug_settings, {}), used=used).columns}
    assert "preheat^2" not in names
    assert "preheat" in names


def test_settings_that_wander_about_a_level_are_one_level() -> None:
    wandering = np.array([-1.0, -0.97, -0.95, 0.01, 0.0, 1.0, 0.96])
    assert count_levels(wandering) == 3
    assert count_levels(np.array([np.nan, 0.5])) == 1
    assert count_levels(np.linspace(-1, 1, 100)) > 10


@pytest.mark.parametrize("n_kinds", [2, 3, 5])
def test_kind_contrasts_favour_no_kind(n_kinds: int) -> None:
    contrasts = kind_contrasts(n_kinds)
    assert_allclose(contrasts.sum(axis=0), 0.0, atol=1e-12)
    effects = contrasts @ contrasts.T  # covariance of the kinds' effects under unit priors
    assert_allclose(np.diag(effects), 1.0)
    assert_allclose(effects[~np.eye(n_kinds, dtype=bool)], -1.0 / (n_kinds - 1))


def test_two_kinds_have_plus_and_minus_one() -> None:
    assert_allclose(kind_contrasts(2), [[1.0], [-1.0]])


@pytest.mark.parametrize("kinds", [("A", "B"), ("A", "B", "C")])
def test_kinds_enter_in_products_with_first_order_terms_only(
    kinds: tuple[str, ...], lug_study: Study, make_results: MakeResults
) -> None:
    study = with_wire(lug_study, kinds)
    surface = build_surface(make_results(study, wire_settings(len(kinds)), {}))
    with_kind = [c for c in surface.columns if c.term.kinds]
    assert len(with_kind) == (len(kinds) - 1) * 3
    assert {c.term_class for c in with_kind} == {"first", "second"}


@pytest.mark.parametrize("kinds", [("A", "B"), ("A", "B", "C")])
def test_monomials_give_the_same_surface_with_differences_from_the_first_kind(
    kinds: tuple[str, ...], lug_study: Study, make_results: MakeResults
) -> None:
    study = with_wire(lug_study, kinds)
    surface = build_surface(make_results(study, wire_settings(len(kinds)), {}))
    b = np.random.default_rng(1).normal(size=len(surface.columns))
    names, T = surface.to_monomials()
    coded = generic_points(study.coding, 50)
    terms = [parse_term(name, study.coding, contrast="reference")[0] for name in names]
    by_monomials = model_matrix(terms, coded, study.coding, contrast="reference") @ (T @ b)
    assert_allclose(by_monomials, surface.matrix(study.coding.to_natural(coded)) @ b, atol=1e-9)
    corner = np.zeros((2, 3))
    corner[1, 2] = 1
    means = surface.matrix(study.coding.to_natural(corner)) @ b
    assert_allclose((T @ b)[names.index("wire=B")], means[1] - means[0], atol=1e-9)


def test_cooled_plates_have_no_position(lug_study: Study, lug_settings: FloatArray, make_results: MakeResults) -> None:
    surface = build_surface(make_results(lug_study, lug_settings, {}))
    natural = lug_study.coding.to_natural(lug_settings)
    assert surface.start.rule == "none"
    assert_allclose(surface.matrix(natural, later=True), surface.matrix(natural))
    assert describe_start(lug_study, surface.start) == ""


def test_one_weld_a_plate_has_no_position(
    lug_study: Study, lug_settings: FloatArray, make_results: MakeResults
) -> None:
    study = replace(lug_study, plan=PlanWishes(welds_per_plate=1, later_welds="warm"))
    assert find_start(make_results(study, lug_settings, {})).rule == "none"


def test_warm_plates_have_a_position_of_minus_and_plus_a_half(
    lug_study: Study, lug_settings: FloatArray, make_results: MakeResults
) -> None:
    study = warm(lug_study)
    results = make_results(study, lug_settings, {})
    surface = build_surface(results)
    natural = study.coding.to_natural(lug_settings)
    assert str(surface.columns[-1]) == "position"
    assert surface.classes[-1] == "first"
    assert_allclose(surface.welds(results)[:, -1], [-0.5, 0.5] * 8)
    assert_allclose(surface.matrix(natural)[:, -1], -0.5)
    assert_allclose(surface.matrix(natural, later=True)[:, -1], 0.5)
    names, T = surface.to_monomials()
    assert names[-1] == "position"
    assert_allclose(T[-1], np.eye(len(names))[-1])
    assert "one constant amount" in describe_start(study, surface.start)


def temperatures(study: Study, coded: FloatArray, *, first: float, later: float) -> FloatArray:
    planned = study.coding.to_natural(coded)[:, 2]
    return planned + np.where(np.arange(len(coded)) % 2, later, first)


def test_measured_plate_temperatures_take_the_place_of_preheat(
    lug_study: Study, lug_settings: FloatArray, make_results: MakeResults
) -> None:
    study = warm(lug_study)
    measured = temperatures(study, lug_settings, first=-2.0, later=45.0)
    results = make_results(study, lug_settings, {}, conditions={PLATE_TEMPERATURE: measured})
    surface = build_surface(results)
    at = [str(c) for c in surface.columns].index("preheat")
    assert "position" not in {str(c) for c in surface.columns}
    assert_allclose(surface.welds(results)[:, at], (measured - 70.0) / 50.0)
    setting = np.array([[20.0, 7.0, 70.0]])
    assert_allclose(surface.matrix(setting)[0, at], -2.0 / 50.0)
    assert_allclose(surface.matrix(setting, later=True)[0, at], 45.0 / 50.0)
    assert "-2 °C for a first weld, +45 °C for a later one" in describe_start(study, surface.start)


def test_plate_temperatures_are_turned_into_the_unit_of_preheat(
    lug_study: Study, lug_settings: FloatArray, make_results: MakeResults
) -> None:
    fahrenheit = Factor("preheat", "preheat", "degF", (68.0, 158.0, 248.0), hard_to_change=True)
    study = warm(replace(lug_study, factors=(*lug_study.factors[:2], fahrenheit)))
    celsius = temperatures(warm(lug_study), lug_settings, first=0.0, later=50.0)
    start = find_start(make_results(study, lug_settings, {}, conditions={PLATE_TEMPERATURE: celsius}))
    assert_allclose([start.first, start.later], [0.0, 90.0], atol=1e-9)  # a rise of 50 degC is one of 90 degF


def test_without_preheat_the_plate_temperature_is_a_column_of_its_own(
    lug_study: Study, lug_settings: FloatArray, make_results: MakeResults
) -> None:
    study = warm(replace(lug_study, factors=lug_study.factors[:2]))
    coded = lug_settings[:, :2]
    measured = np.where(np.arange(16) % 2, 80.0, 20.0)
    results = make_results(study, coded, {}, conditions={PLATE_TEMPERATURE: measured})
    surface = build_surface(results)
    assert str(surface.columns[-1]) == "plate temperature"
    assert_allclose(surface.welds(results)[:, -1], [-0.5, 0.5] * 8)  # equal groups stand where the position does
    natural = study.coding.to_natural(coded)
    assert_allclose(surface.matrix(natural, later=True)[:, -1], 0.5)
    assert surface.to_monomials()[0][-1] == "plate temperature"
    assert "mean plate temperatures" in describe_start(study, surface.start)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda t: np.where(np.arange(16) == 5, np.nan, t),  # one is missing
        lambda t: np.full(16, 60.0),  # all the same
    ],
)
def test_temperatures_that_cannot_serve_leave_the_position(
    spoil: Callable[[FloatArray], FloatArray], lug_study: Study, lug_settings: FloatArray, make_results: MakeResults
) -> None:
    study = warm(lug_study)
    measured = spoil(temperatures(study, lug_settings, first=0.0, later=50.0))
    results = make_results(study, lug_settings, {}, conditions={PLATE_TEMPERATURE: measured})
    assert find_start(results).rule == "position"


def test_a_weld_not_run_needs_no_temperature(
    lug_study: Study, lug_settings: FloatArray, make_results: MakeResults
) -> None:
    study = warm(lug_study)
    measured = temperatures(study, lug_settings, first=0.0, later=50.0)
    measured[3] = np.nan
    status = tuple("not run" if i == 3 else "done" for i in range(16))
    results = make_results(study, lug_settings, {}, conditions={PLATE_TEMPERATURE: measured}, status=status)
    assert find_start(results).rule == "preheat"


def test_without_any_later_weld_the_position_stays_and_only_its_prior_speaks(
    lug_study: Study, lug_settings: FloatArray, make_results: MakeResults
) -> None:
    study = warm(lug_study)
    measured = temperatures(study, lug_settings, first=0.0, later=3.0)
    position = np.ones(16, dtype=int)
    results = make_results(study, lug_settings, {}, conditions={PLATE_TEMPERATURE: measured}, position=position)
    assert find_start(results).rule == "position"


def test_a_range_of_its_own_for_each_kind_is_coded_within_the_kind(lug_study: Study, make_results: MakeResults) -> None:
    feed = Factor("feed", "feed", "m/min", (4.0, 9.0), ranges=(("A", 5.0, 9.0), ("B", 4.0, 7.0)), range_by="wire")
    study = replace(lug_study, factors=(lug_study.factors[0], feed, Factor("wire", kinds=("A", "B"))))
    surface = build_surface(make_results(study, wire_settings(2), {}))
    at = [str(c) for c in surface.columns].index("feed")
    X = surface.matrix(np.array([[20.0, 9.0, 0.0], [20.0, 7.0, 1.0]]))
    assert_allclose(X[:, at], 1.0)
