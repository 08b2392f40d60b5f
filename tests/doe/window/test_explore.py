"""Asking for any setting: the same numbers as the window's, from the same draws, in little room."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from doe.models import fit_responses
from doe.models.fit import Fit, Points
from doe.planning.plan import Plan, PlannedWeld
from doe.study.model import Study
from doe.virtual import WELDERS, weld_plan
from doe.window import find_window
from doe.window.compact import compact
from doe.window.explore import Explorer, expect_setting, open_explorer
from doe.window.hull import MOST_FACTORS, find_hull, hulls_of, inside_hulls
from doe.window.welded import outside_hull
from doe.window.window import Window


def lug_plan(study: Study) -> Plan:
    rng = np.random.default_rng(3)
    welds = []
    for i in range(18):
        at = [float(rng.choice(f.positions[[0, len(f.positions) // 2, -1]])) for f in study.factors]
        welds.append(PlannedWeld(f"W{i + 1:02d}", f"P{i // 2 + 1:02d}", i % 2 + 1, i + 1, tuple(at)))
    return Plan(study, tuple(welds), seed=3)


MADE: dict[str, tuple[tuple[Fit, Window], Explorer]] = {}


def made_once(study: Study) -> tuple[tuple[Fit, Window], Explorer]:
    if not MADE:
        results = weld_plan(lug_plan(study), WELDERS["hinge lugs"], rng=np.random.default_rng(4))
        fit = fit_responses(results, seed=2)
        window = find_window(fit, seed=2)
        found = open_explorer(fit, window)
        assert found is not None
        MADE["lugs"] = (fit, window), found
    return MADE["lugs"]


@pytest.fixture
def answered(hinge: Study) -> tuple[Fit, Window]:
    return made_once(hinge)[0]


@pytest.fixture
def explorer(hinge: Study) -> Explorer:
    return made_once(hinge)[1]


def test_the_windows_own_numbers_come_out_again(answered: tuple[Fit, Window], explorer: Explorer):
    answer = answered[1].answer
    if answer.best is not None:
        chance, numbers = expect_setting(explorer, answer.best.settings)
        assert chance.expected == pytest.approx(answer.best.assurance.expected, rel=1e-12)
        assert chance.low == pytest.approx(answer.best.assurance.low, rel=1e-12)
        for name, number in answer.best.responses.items():
            assert numbers[name].weld_low == pytest.approx(number.weld_low, rel=1e-12, abs=1e-12)
            assert numbers[name].mean == pytest.approx(number.mean, rel=1e-12)
    else:
        chance, _ = expect_setting(explorer, answer.nearest.settings)
        assert chance.expected == pytest.approx(answer.nearest.assurance.expected, rel=1e-12)


def test_draws_come_back_from_sixteen_bits_as_they_were(explorer: Explorer):
    for posterior in explorer.posteriors.values():
        small = compact(posterior)
        assert small.codes.dtype == np.uint16
        assert small.codes.shape == (len(small.lows), explorer.n_draws)
    depth = explorer.posteriors["penetration"]
    back = compact(depth).draws
    step = np.ptp(depth.coefficients, axis=0) / 65_535
    assert (np.abs(back[:, :-1] - depth.coefficients) <= 0.5001 * step).all()
    np.testing.assert_allclose(np.exp(back[:, -1]), depth.new_weld_sd, rtol=1e-3)


def test_a_parameter_that_does_not_vary_comes_back_exactly(explorer: Explorer):
    depth = explorer.posteriors["penetration"]
    flat = depth.coefficients.copy()
    flat[:, 1] = 0.25
    assert (compact(replace(depth, coefficients=flat)).draws[:, 1] == 0.25).all()


def test_what_is_not_known_is_not_packed():
    with pytest.raises(TypeError, match="no compact form is known for dict"):
        compact({})


def test_less_room_means_fewer_draws_and_nearly_the_same_answer(answered: tuple[Fit, Window], explorer: Explorer):
    small = open_explorer(*answered, room=80_000)
    assert small.n_draws < explorer.n_draws == 4_000
    at = tuple(answered[0].results.planned[0].tolist())
    few, many = expect_setting(small, at)[0], expect_setting(explorer, at)[0]
    # 4.5 standard errors of the smaller sample: p_d lies between 0 and 1
    assert few.expected == pytest.approx(many.expected, abs=4.5 * 0.5 / np.sqrt(small.n_draws))


def test_a_fit_that_did_not_settle_cannot_be_explored(answered: tuple[Fit, Window]):
    fit, window = answered
    shaken = replace(fit, responses=(replace(fit.responses[0], settled=False), *fit.responses[1:]))
    assert open_explorer(shaken, window) is None
    assert open_explorer(replace(fit, textbook=True), window) is None


def test_every_response_is_told_in_the_studys_order(explorer: Explorer):
    _, numbers = expect_setting(explorer, (19.6, 7.0, 70.0))
    assert list(numbers) == ["penetration", "porosity", "trip"]
    assert explorer.posteriors["trip"].mean(Points(np.array([[19.6, 7.0, 70.0]]))).shape == (4_000, 1)


# --- the hull, against the linear programme of ``outside_hull``


@pytest.mark.parametrize("n_levels", [2, 4])
def test_the_hull_holds_the_settings_that_are_means_of_welds(answered: tuple[Fit, Window], n_levels: int):
    fit = answered[0]
    results = replace(fit.results, planned=fit.results.planned[:6].repeat(3, axis=0))
    results = replace(results, settings=results.planned)
    grid = np.stack([g.ravel() for g in np.meshgrid(*[f.positions for f in results.study.factors])], axis=1)
    some = grid[np.random.default_rng(n_levels).permutation(len(grid))[:60]]
    np.testing.assert_array_equal(inside_hulls(results, some), ~outside_hull(results, some))


def test_welds_on_one_plane_have_a_flat_hull(answered: tuple[Fit, Window]):
    planned = answered[0].results.planned.copy()
    planned[:, 2] = 70.0
    results = replace(answered[0].results, planned=planned, settings=planned)
    asked = np.array([[19.6, 7.0, 70.0], [19.6, 7.0, 120.0]])
    np.testing.assert_array_equal(inside_hulls(results, asked), [True, False])


def test_one_weld_and_welds_on_a_line_have_a_hull():
    one = find_hull(np.array([[0.5, -0.5]]))
    assert one.contains(np.array([[0.5, -0.5], [0.5, -0.4]])).tolist() == [True, False]
    line = find_hull(np.array([[0.0, 0.0], [1.0, 1.0], [0.5, 0.5]]))
    asked = np.array([[0.25, 0.25], [1.1, 1.1], [0.5, 0.4]])
    assert line.contains(asked).tolist() == [True, False, False]


def test_with_many_factors_there_is_no_hull(answered: tuple[Fit, Window]):
    results = answered[0].results
    factors = tuple(replace(results.study.factors[0], name=f"dial {i}") for i in range(MOST_FACTORS + 1))
    assert hulls_of(replace(results, study=replace(results.study, factors=factors))) is None
    assert inside_hulls(replace(results, study=replace(results.study, factors=factors)), results.planned) is None


def test_a_kind_that_was_not_welded_is_outside(answered: tuple[Fit, Window]):
    results = answered[0].results
    factors = (replace(results.study.factors[0], name="wire", values=(), marks=(), kinds=("A", "B")),)
    study = replace(results.study, factors=(*factors, *results.study.factors[1:]))
    planned = results.planned.copy()
    planned[:, 0] = 0.0
    kinds = replace(results, study=study, planned=planned, settings=planned)
    asked = planned[:2].copy()
    asked[1, 0] = 1.0
    np.testing.assert_array_equal(inside_hulls(kinds, asked), [True, False])
