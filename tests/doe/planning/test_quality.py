from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from doe.errors import CannotAnswerError, StudyError
from doe.models.grid import PRIOR_WELDS
from doe.planning.making import plan_welds
from doe.planning.plan import Plan, PlannedWeld
from doe.planning.quality import score_plan
from doe.study.model import Blocks, Factor, PlanWishes, Response, Study

CORNERS = [(-1, -1), (-1, 1), (1, -1), (1, 1)]


@pytest.fixture
def detents() -> Study:
    """Give the problem "voltage 5 uneven taps, feed 11 dial marks" of the planning checks."""
    volts = Factor("voltage", "voltage", "V", (17.0, 18.2, 19.9, 22.1, 25.0), ("1", "2", "3", "4", "5"))
    feed = Factor("feed", "feed", "m/min", tuple(np.arange(6, 17) / 2.0), is_continuous=True)
    response = Response("penetration", "measure", "mm", expect_scatter=0.3)
    return Study("detents", (volts, feed), (response,), plan=PlanWishes(welds=10, repeats=0, stages=(10,)))


BEST_OF_DETENTS = [
    (17, 3), (17, 8), (19.9, 5.5), (19.9, 5.5), (19.9, 5.5), (22.1, 3), (22.1, 8), (25, 3), (25, 5.5), (25, 8),
]  # fmt: skip
"""The best known I design of that problem, natural units. From the project's planning checks (not published)."""

SPLIT_PLOT = [
    [(1, 0.5), (-0.5, 1), (-1, -0.5), (0.5, -1)],
    [(0, 0), (-1, 1), (1, -1), (0, 0)],
    [(-0.5, -1), (1, -0.5), (-1, 0.5), (0.5, 1)],
    [(1, 1), (0, 0), (0, 0), (-1, -1)],
]
"""The best known I design of the check "three factors, four plates of four, plate ratio 1": preheat -1, 0, 1, 0."""


def split_plot_study() -> Study:
    levels = (-1.0, -0.5, 0.0, 0.5, 1.0)
    factors = (
        Factor("preheat", "preheat", values=levels, hard_to_change=True),
        Factor("x1", values=levels),
        Factor("x2", values=levels),
    )
    wishes = PlanWishes(welds=16, welds_per_plate=4, repeats=0, plate_ratio=1.0, stages=(16,))
    return Study("split", factors, (Response("y", "measure", "mm"),), plan=wishes)


def split_plot_rows():
    return [(p, *row) for p, rows in zip((-1, 0, 1, 0), SPLIT_PLOT, strict=True) for row in rows]


def test_the_check_design_with_uneven_marks_has_its_known_values(detents):
    # values of the planning checks, worked out there by plain numpy from the same definitions
    quality = score_plan(detents, BEST_OF_DETENTS)
    assert (quality.parameters, quality.residual_df, quality.welds) == (6, 4, 10)
    assert_allclose(quality.average_variance, 0.37970353442435084, rtol=1e-10)
    assert_allclose(quality.d_value, 0.4190776105989422, rtol=1e-10)
    # certified bounds of the checks: 0.36753243 (I), 0.46603384 (D), each with a gap below 2e-5
    assert_allclose(quality.i_efficiency, 0.36753243207801367 / 0.37970353442435084, rtol=1e-3)
    assert_allclose(quality.d_efficiency, 0.4190776105989422 / 0.466033842433508, rtol=1e-3)
    assert quality.i_efficiency <= 1


def test_the_check_design_on_plates_has_its_known_values():
    plates = np.repeat(["a", "b", "c", "d"], 4)
    quality = score_plan(split_plot_study(), split_plot_rows(), plate=list(plates))
    assert_allclose(quality.average_variance, 0.894561938832772, rtol=1e-10)
    assert_allclose(quality.d_value, 0.22260147282769738, rtol=1e-10)
    assert quality.plate_terms == ("constant", "preheat", "preheat^2")
    assert (quality.plates, quality.plate_df) == (4, 1)


def test_the_same_welds_on_plates_of_their_own_tell_more():
    shared = score_plan(split_plot_study(), split_plot_rows(), plate=list(np.repeat(["a", "b", "c", "d"], 4)))
    alone = score_plan(split_plot_study(), split_plot_rows())
    assert alone.average_variance < shared.average_variance
    assert alone.plate_df is None
    assert alone.plate_terms == ()


def test_the_two_by_two_factorial_agrees_with_hand_arithmetic(cube):
    # first order, four corners: variance (1 + x1^2 + x2^2)/4; average over the square (1 + 1/3 + 1/3)/4
    study = cube(2, n_levels=21, welds=4, model="first order")
    quality = score_plan(study, CORNERS)
    assert_allclose(quality.average_variance, 5 / 12)
    assert_allclose(quality.worst_variance, 3 / 4)
    assert_allclose(quality.d_value, 1.0)
    assert_allclose(quality.d_efficiency, 1.0, rtol=1e-6)
    assert_allclose(quality.leverage, 3 / 4)
    grid = (1 + np.add.outer(np.linspace(-1, 1, 21) ** 2, np.linspace(-1, 1, 21) ** 2)) / 4
    assert_allclose(quality.median_variance, np.median(grid))
    assert_allclose(dict(quality.share_below)[0.5], np.mean(grid < 0.5))
    assert_allclose(quality.half_width, stats.t.ppf(0.95, 1) * np.sqrt(grid).mean())


def test_the_half_width_in_millimetres_counts_the_known_scatter_as_the_fit_does(detents):
    quality = score_plan(detents, BEST_OF_DETENTS)
    ratio = stats.t.ppf(0.95, 4 + PRIOR_WELDS) / stats.t.ppf(0.95, 4)
    assert_allclose(dict(quality.half_widths)["penetration"], 0.3 * quality.half_width * ratio)


def test_without_a_weld_to_spare_there_is_no_half_width_but_with_known_scatter(detents):
    six = [(17, 3), (17, 8), (25, 3), (25, 8), (19.9, 5.5), (22.1, 3)]
    quality = score_plan(detents, six)
    assert quality.residual_df == 0
    assert quality.half_width is None
    assert quality.to_dict()["half_width"] is None
    assert quality.half_widths[0][1] > 0
    assert all(p.power is None for p in quality.power)


def test_blocks_cost_a_number_each_but_one(cube):
    study = cube(2, welds=8, model="first order")
    quality = score_plan(study, CORNERS * 2, block=["a"] * 4 + ["b"] * 4)
    assert (quality.parameters, quality.residual_df) == (4, 4)
    # blocks are orthogonal here: the average variance is that without blocks
    assert_allclose(quality.average_variance, score_plan(study, CORNERS * 2).average_variance)


def test_a_warm_position_counts_as_a_number_and_is_averaged_over(cube):
    study = cube(2, welds=8, model="first order", welds_per_plate=2, later_welds="warm", plate_ratio=0.0)
    plates = [p for p in "abcd" for _ in range(2)]
    rows = [CORNERS[i] for i in (0, 3, 3, 0, 1, 2, 2, 1)]
    quality = score_plan(study, rows, plate=plates)
    assert quality.parameters == 4
    cooled = replace(study, plan=replace(study.plan, later_welds="cooled"))
    assert_allclose(quality.average_variance, score_plan(cooled, rows, plate=plates).average_variance)
    backwards = score_plan(study, rows, plate=plates, position=[2, 1] * 4)
    assert_allclose(backwards.average_variance, quality.average_variance)


def test_a_plan_that_cannot_estimate_the_model_is_refused_by_name_of_term(cube):
    with pytest.raises(CannotAnswerError, match=r"x1\^2, x2\^2 cannot be told") as refusal:
        score_plan(cube(2, welds=8), CORNERS * 2)
    assert refusal.value.exit_code == 4


@pytest.mark.parametrize("table", [[[1.0, 2.0, 3.0]], np.empty((0, 2))])
def test_a_table_of_the_wrong_shape_is_refused(cube, table):
    with pytest.raises(StudyError, match="has 2 columns of settings"):
        score_plan(cube(2), table)


def test_a_plan_of_ours_counts_with_the_welds_before_it(cube):
    study = cube(2, welds=10)
    settings = [(-1.0, -1.0), (-1.0, 1.0), (1.0, -1.0), (1.0, 1.0), (0.0, 0.0), (0.0, 1.0), (1.0, 0.0), (0.0, -1.0)]
    welds = [PlannedWeld(f"W{i:02d}", f"P{i:02d}", 1, i, s) for i, s in enumerate(settings, start=1)]
    plan = Plan(study, tuple(welds[4:]), seed=1, stage=2, earlier=tuple(welds[:4]))
    ours, table = score_plan(study, plan), score_plan(study, settings)
    assert ours.welds == 8
    assert_allclose(ours.average_variance, table.average_variance)


def test_a_first_stage_is_scored_for_the_model_it_was_planned_for(hinge):
    study = hinge(welds=14, welds_per_plate=1)
    plan = plan_welds(study, seed=1, starts=2)
    quality = score_plan(study, plan)
    assert (quality.model, quality.parameters) == ("first order with products", 7)


def test_the_textbook_design_of_the_same_size_is_the_yardstick(cube):
    study = cube(3, welds=15, n_levels=3)
    composite = [
        row for row in np.array(np.meshgrid(*[[-1, 0, 1]] * 3)).reshape(3, -1).T if abs(row).sum() in {0, 1, 3}
    ]
    quality = score_plan(study, composite)
    assert quality.yardstick is not None
    assert_allclose(quality.yardstick.efficiency, 1.0)
    assert quality.yardstick.name == "face-centred central composite with 1 centre run"
    assert score_plan(study, composite[:-1]).yardstick.average_variance > quality.yardstick.average_variance


def test_the_quality_is_written_under_the_names_of_the_interface(detents):
    written = score_plan(detents, BEST_OF_DETENTS).to_dict()
    assert list(written)[:8] == [
        "parameters",
        "residual_df",
        "d_value",
        "d_efficiency",
        "average_variance",
        "i_efficiency",
        "worst_variance",
        "half_width",
    ]
    assert json.loads(json.dumps(written, allow_nan=False)) == written
    assert {entry["omitted"] for entry in written["aliases"]} <= {
        "voltage^3",
        "voltage^2*feed",
        "voltage*feed^2",
        "feed^3",
    }


def test_blocks_of_a_plan_of_ours_are_scored_as_blocks(hinge):
    study = hinge(blocks=Blocks("day", (8, 10)))
    quality = score_plan(study, plan_welds(study, seed=1, starts=2))
    assert (quality.parameters, quality.residual_df) == (11, 7)
    assert quality.plate_df == quality.plates - 3 - 1
