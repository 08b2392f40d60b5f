"""How welds are laid out: kinds, blocks, positions, plates, cuts, missing readings."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from doe.bench.results import Measurement, Results
from doe.models.textbook import fit_textbook
from doe.models.textbook.anova import analysis_of_variance
from doe.models.textbook.columns import model_columns, source_name
from doe.models.textbook.exact import as_exact
from doe.study.model import Factor, PlanWishes, Response, Study
from doe.terms import Term


def named(fit: Any) -> dict[str, Any]:
    return {t.term: t for t in fit.terms}


def rows(fit: Any) -> dict[str, Any]:
    return {row["source"]: row for row in fit.numbers["anova"]}


def test_a_kind_is_the_difference_from_the_first_kind(experiment: Any) -> None:
    fit = experiment({"wire": ["A", "A", "B", "B", "C", "C"]}, ("constant", "wire")).measure(
        [1.0, 1.2, 2.0, 2.2, 0.4, 0.6]
    )
    estimates = [t.estimate for t in fit.terms]
    assert [t.term for t in fit.terms] == ["constant", "wire=B", "wire=C"]
    assert estimates == pytest.approx([1.1, 1.0, -0.6])
    assert rows(fit)["wire"]["df"] == 2


def test_a_single_contrast_without_the_others_keeps_its_own_column(experiment: Any) -> None:
    fit = experiment({"wire": ["A", "A", "B", "B", "C", "C"]}, ("constant", "wire=B")).measure(
        [1.0, 1.2, 2.0, 2.2, 0.4, 0.6]
    )
    assert rows(fit)["wire"]["df"] == 1
    assert named(fit)["constant"].estimate == pytest.approx(0.8)


def test_the_sources_of_an_analysis_leave_the_kinds_out() -> None:
    assert source_name(Term((("feed", 2),), (("wire", "B"),))) == "wire*feed^2"
    assert source_name(Term()) == "constant"


def test_the_constant_is_the_average_over_blocks(experiment: Any) -> None:
    runs = {"v": [-1.0, 1.0, -1.0, 1.0]}
    fit = experiment(runs, ("constant", "v"), block=["mon", "mon", "tue", "tue"]).measure([1.0, 2.0, 4.0, 5.2])
    assert [t.term for t in fit.terms] == ["constant", "v"]
    assert fit.terms[0].estimate == pytest.approx(3.05)
    assert rows(fit)["block"]["ss"] == pytest.approx(3.1**2)
    assert fit.numbers["residual_df"] == 1


def test_repeats_in_two_blocks_are_not_repeats(experiment: Any) -> None:
    runs = {"v": [-1.0, 0.0, 1.0, -1.0, 0.0, 1.0]}
    y = [1.0, 2.0, 3.1, 1.2, 2.3, 3.0]
    assert experiment(runs, ("constant", "v"), block=["a"] * 3 + ["b"] * 3).measure(y).numbers["lack_of_fit"] is None
    assert experiment(runs, ("constant", "v")).measure(y).numbers["lack_of_fit"]["df"] == [1, 3]


def test_later_welds_on_a_warm_plate_have_a_term_of_their_own(experiment: Any) -> None:
    runs = {"v": [-1.0, 1.0, 1.0, -1.0, -1.0, 1.0, 1.0, -1.0]}
    plates, positions = ["P1", "P1", "P2", "P2", "P3", "P3", "P4", "P4"], [1, 2] * 4
    y = [1.0, 2.4, 1.9, 1.5, 1.1, 2.5, 2.1, 1.4]
    layout = {"plate": plates, "position": positions}
    warm = experiment(runs, ("constant", "v"), wishes={"later_welds": "warm"}, **layout).measure(y)
    assert [t.term for t in warm.terms] == ["constant", "v", "position"]
    assert named(warm)["position"].estimate == pytest.approx(np.mean(y[1::2]) - np.mean(y[::2]))  # later less first
    assert rows(warm)["position"]["df"] == 1
    cooled = experiment(runs, ("constant", "v"), wishes={"later_welds": "cooled"}, **layout).measure(y)
    assert [t.term for t in cooled.terms] == ["constant", "v"]


def test_a_missing_reading_drops_its_weld_only(experiment: Any) -> None:
    runs = {"v": [-1.0, 0.0, 1.0, 0.5]}
    fit = experiment(runs, ("constant", "v")).measure([1.0, np.nan, 3.0, 2.6])
    assert fit.n == 3
    assert named(fit)["v"].estimate == pytest.approx(np.polyfit([-1, 1, 0.5], [1, 3, 2.6], 1)[0])


def test_without_terms_the_named_model_is_fitted_whole(experiment: Any) -> None:
    runs = {"v": [-1.0, -1.0, 1.0, 1.0, 0.0, 0.0], "f": [-1.0, 1.0, -1.0, 1.0, 0.0, 0.5]}
    fit = experiment(runs, (), wishes={"model": "first order with products"}).measure([1, 2, 3, 4.5, 2.5, 2.7])
    assert [t.term for t in fit.terms] == ["constant", "v", "f", "v*f"]


def test_natural_settings_are_coded_as_the_study_says(experiment: Any) -> None:
    coding = {"v": (20.0, 3.0)}
    fit = experiment({"v": [17.0, 20.0, 23.0, 20.0]}, ("constant", "v"), coding=coding).measure([1.0, 2.0, 3.0, 2.1])
    assert named(fit)["v"].estimate == pytest.approx(1.0)


def test_a_kinds_own_stationary_point_is_that_of_the_first_kind(experiment: Any) -> None:
    v = np.array([-1.0, -0.5, 0.0, 0.5, 1.0] * 2)
    wire = ["A"] * 5 + ["B"] * 5
    y = np.where(np.arange(10) < 5, -((v - 0.25) ** 2), -((v + 0.5) ** 2)) + 3.0
    fit = experiment({"v": v.tolist(), "wire": wire}, ("constant", "v", "v^2", "wire", "wire*v")).measure(y.round(6))
    point = fit.numbers["stationary"]
    assert point["settings"]["v"] == pytest.approx(0.25)
    assert point["settings"]["wire"] == "A"


def split_plot(rng: np.random.Generator, sizes: list[int]) -> tuple[dict[str, list[float]], list[str], Any]:
    plate = np.repeat(np.arange(len(sizes)), sizes)
    whole = rng.choice([-1.0, 1.0], len(sizes))
    whole[:2] = (-1.0, 1.0)
    sub = rng.uniform(-1, 1, len(plate)).round(2)
    y = (
        2
        + 0.5 * whole[plate]
        + 0.3 * sub
        + rng.normal(size=len(sizes))[plate] * 0.4
        + rng.normal(size=len(plate)) * 0.3
    )
    return {"p": whole[plate].tolist(), "v": sub.tolist()}, [f"P{i}" for i in plate], y.round(2)


def test_plates_of_unequal_size_are_tested_with_satterthwaites_degrees_of_freedom(experiment: Any) -> None:
    runs, plates, y = split_plot(np.random.default_rng(21), [2, 3, 2, 3, 1, 2, 3, 2])
    fit = experiment(runs, ("constant", "p", "v"), plate=plates).measure(y)
    whole, sub = rows(fit)["p"], rows(fit)["v"]
    t = named(fit)["p"]
    assert whole["f"] == pytest.approx((t.estimate / t.se) ** 2, rel=1e-8)
    assert whole["denominator_df"] == pytest.approx(fit.numbers["term_df"]["p"])
    assert whole["denominator_df"] < sub["denominator_df"]
    assert 4.0 < whole["denominator_df"] < 9.0  # about 8 plates less 2


def test_a_whole_plot_term_of_a_balanced_split_plot_has_the_plates_degrees_of_freedom(experiment: Any) -> None:
    rng = np.random.default_rng(22)
    runs = {"p": np.repeat([-1.0, 1.0] * 3, 2).tolist(), "v": [-1.0, 1.0] * 6}
    plates = [f"P{i}" for i in np.repeat(np.arange(6), 2)]
    y = (rng.normal(size=6)[np.repeat(np.arange(6), 2)] + 0.3 * rng.normal(size=12)).round(3)
    fit = experiment(runs, ("constant", "p", "v", "p*v"), plate=plates).measure(y)
    assert rows(fit)["p"]["denominator_df"] == 4.0
    assert rows(fit)["v"]["denominator_df"] == 4.0
    assert rows(fit)["p"]["f"] == pytest.approx((named(fit)["p"].estimate / named(fit)["p"].se) ** 2, rel=1e-6)
    assert fit.numbers["spread"]["plate"] > 0.0
    assert fit.numbers["predicted_r2"] < fit.numbers["r2"]


def test_one_plate_a_preheat_cannot_judge_the_preheat(experiment: Any) -> None:
    runs = {"p": np.repeat([20.0, 70.0, 120.0], 3).tolist(), "v": [-1.0, 0.0, 1.0] * 3}
    plates = [f"P{i}" for i in np.repeat([1, 2, 3], 3)]
    fit = experiment(
        runs, ("constant", "p", "p^2", "v"), coding={"p": (70.0, 50.0), "v": (0.0, 1.0)}, plate=plates
    ).measure([1.0, 1.2, 1.5, 2.1, 2.2, 2.3, 1.4, 1.8, 1.9])
    whole, sub = named(fit)["p"], named(fit)["v"]
    assert math.isnan(whole.se)
    assert math.isinf(whole.high)
    assert math.isfinite(sub.se)
    assert rows(fit)["p"]["f"] is None
    assert any("Plate-to-plate scatter cannot be told" in line for line in fit.findings)


def test_plates_that_do_not_differ_are_reported_as_nothing(experiment: Any) -> None:
    runs = {"v": [-1.0, 1.0] * 5}
    plates = [f"P{i}" for i in np.repeat(np.arange(5), 2)]
    y = [1.0, 2.5, 1.4, 2.1, 0.9, 2.6, 1.5, 2.0, 1.1, 2.4]
    fit = experiment(runs, ("constant", "v"), plate=plates).measure(y)
    assert fit.numbers["spread"]["plate"] == 0.0
    assert any("came out as 0" in line for line in fit.findings)


@pytest.mark.parametrize("plate", [None, ["P1", "P1", "P2", "P2", "P3", "P3", "P4", "P4"]], ids=["alone", "on plates"])
def test_cuts_of_one_weld_are_readings_and_never_repeats(plate: list[str] | None, experiment: Any) -> None:
    rng = np.random.default_rng(23)
    v = [-1.0, 1.0] * 4
    weld = 2 + 0.4 * np.array(v) + 0.5 * rng.normal(size=8)
    y = (weld[:, None] + 0.05 * rng.normal(size=(8, 3))).round(3)
    fit = experiment({"v": v}, ("constant", "v"), plate=plate).measure(y)
    within = math.sqrt(float(np.mean(y.var(axis=1, ddof=1))))
    assert fit.n == 8
    assert fit.numbers["residual_df"] == 6
    assert fit.numbers["spread"]["reading"] == pytest.approx(within, rel=1e-6)
    assert named(fit)["v"].estimate == pytest.approx((y[1::2].mean() - y[::2].mean()) / 2)
    alone = experiment({"v": v}, ("constant", "v"), plate=plate).measure(y.mean(axis=1))
    if plate is None:  # the same test as on the means: cuts add no degrees of freedom
        assert named(fit)["v"].se == pytest.approx(named(alone)["v"].se, rel=1e-6)
        assert fit.numbers["term_df"]["v"] == pytest.approx(6.0, rel=1e-6)
    assert rows(fit)["v"]["f"] == pytest.approx(rows(alone)["v"]["f"], rel=1e-6)


def test_welds_cut_differently_often_are_all_used(experiment: Any) -> None:
    y = np.array(
        [[1.0, 1.1, np.nan], [2.0, np.nan, np.nan], [1.4, 1.5, 1.6], [2.3, 2.2, np.nan], [0.9, np.nan, np.nan]]
    )
    fit = experiment({"v": [-1.0, 1.0, -1.0, 1.0, -1.0]}, ("constant", "v")).measure(y)
    assert fit.n == 5
    assert fit.numbers["spread"]["reading"] > 0.0
    assert fit.numbers["spread"]["weld"] >= 0.0


def test_a_full_cut_makes_the_weld_at_least_that_deep(experiment: Any) -> None:
    y = np.array([[4.0, 4.2], [6.0, 10.0], [4.1, 4.3], [5.9, 6.3], [3.8, 4.0], [6.2, 6.4]])
    fit = experiment({"v": [-1.0, 1.0] * 3}, ("constant", "v")).measure(y, full=10.0)
    assert "1 of 6 welds only say" in fit.method
    assert fit.numbers["spread"]["reading"] == pytest.approx(math.sqrt(np.mean([0.02, 0.02, 0.08, 0.02, 0.02])))
    assert fit.numbers["anova"] is None


def test_the_order_of_the_welds_does_not_matter(experiment: Any) -> None:
    runs, plates, y = split_plot(np.random.default_rng(24), [2, 3, 2, 3, 2, 2])
    turn = np.random.default_rng(25).permutation(len(y))
    first = experiment(runs, ("constant", "p", "v"), plate=plates).measure(y)
    turned = {name: [own[i] for i in turn] for name, own in runs.items()}
    second = experiment(turned, ("constant", "p", "v"), plate=[plates[i] for i in turn]).measure(y[turn])
    for a, b in zip(first.terms, second.terms, strict=True):
        assert (a.estimate, a.se, a.low) == pytest.approx((b.estimate, b.se, b.low), rel=1e-6)


def test_events_on_shared_plates_say_that_they_are_taken_as_independent(experiment: Any) -> None:
    fit = experiment({"v": [-1.0, 1.0] * 4}, ("constant", "v"), plate=[f"P{i // 2}" for i in range(8)]).count(
        [1, 2] * 4
    )
    assert fit.assumptions == ("Textbook fit: welds on one plate are taken as independent.",)


def test_more_terms_never_raise_the_residual_sum_of_squares(experiment: Any) -> None:
    rng = np.random.default_rng(26)
    runs = {"v": rng.uniform(-1, 1, 14).round(2).tolist(), "f": rng.uniform(-1, 1, 14).round(2).tolist()}
    y = rng.normal(size=14).round(3)
    terms = ("constant", "v", "f", "v*f", "v^2", "f^2")
    residuals = [rows(experiment(runs, terms[:k]).measure(y))["residual"]["ss"] for k in range(1, 7)]
    assert residuals == sorted(residuals, reverse=True)
    table = rows(experiment(runs, terms).measure(y))
    assert table["model"]["ss"] + table["residual"]["ss"] == pytest.approx(table["total"]["ss"])


def test_a_range_that_depends_on_the_kind_is_coded_within_the_kind() -> None:
    wire = Factor("wire", kinds=("A", "B"))
    feed = Factor("feed", values=(4.0, 9.0), ranges=(("A", 5.0, 9.0), ("B", 4.0, 7.0)), range_by="wire")
    study = Study("t", (wire, feed), (Response("y", "measure"),), plan=PlanWishes(terms=("constant", "feed", "wire")))
    settings = np.array([[0, 5.0], [0, 7.0], [0, 9.0], [1, 4.0], [1, 5.5], [1, 7.0]])
    y = np.array([1.0, 2.0, 3.1, 2.0, 3.0, 4.0])[:, None]
    n = len(settings)
    results = Results(
        study, ("W",) * n, ("",) * n, ("",) * n, ("plan",) * n, ("f",) * n, np.ones(n, int), np.arange(n), np.arange(n),
        settings, settings, ("done",) * n, {"y": Measurement(y, np.full(n, np.inf))},
    )  # fmt: skip
    fit = fit_textbook(results, study.responses[0], level=0.9)
    assert named(fit)["feed"].estimate == pytest.approx(1.025)
    shifted = replace(results, block=("a", "a", "a", "b", "b", "b"))
    columns = model_columns(shifted, np.arange(n))
    assert columns.coded[:, 1].tolist() == [-1.0, 0.0, 1.0] * 2
    assert analysis_of_variance(model_columns(results, np.arange(n)), as_exact(y[:, 0]))[0].source == "model"
