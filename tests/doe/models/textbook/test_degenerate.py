"""Data that a handbook's method cannot, or only half can, answer: each is answered in words, never by a crash."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from doe.errors import CannotAnswerError, DoeError
from doe.models.textbook.counts import fit_negative_binomial
from doe.models.textbook.likelihood import meets_exactly, recession
from doe.models.textbook.logistic import fit_logistic

CORNERS = {"v": [-1.0, 1.0] * 4, "f": [-1.0, -1.0, 1.0, 1.0] * 2}
PLANE = ("constant", "v", "f")
HALF_CHI2 = 2.705543454 / 2  # half the chi-squared quantile at 90 %, 1 degree of freedom (tables)


def named(fit: Any) -> dict[str, Any]:
    return {t.term: t for t in fit.terms}


def test_no_pore_at_all_leaves_an_upper_limit_set_by_the_inspected_length(experiment: Any) -> None:
    fit = experiment(CORNERS, ("constant",)).count(np.zeros(8), length_mm=np.full(8, 150.0), per_mm=100.0)
    (constant,) = fit.terms
    assert (constant.estimate, constant.low) == (-math.inf, -math.inf)
    assert math.exp(constant.high) == pytest.approx(HALF_CHI2 / 12.0, rel=1e-6)  # 8 welds of 150 mm are 12 lengths
    assert fit.numbers["family"] == "poisson"
    assert fit.numbers["dispersion"] == 0.0
    assert any("No pore was counted" in line for line in fit.findings)


def test_no_pore_at_all_says_nothing_about_the_slopes(experiment: Any) -> None:
    fit = experiment(CORNERS, PLANE).count(np.zeros(8))
    slope = named(fit)["v"]
    assert math.isnan(slope.estimate)
    assert (slope.low, slope.high) == (-math.inf, math.inf)
    assert any("nothing can be said about “v”, “f”" in line for line in fit.findings)


def test_pores_at_one_side_only_give_a_finite_limit_on_the_near_side(experiment: Any) -> None:
    fit = experiment(CORNERS, PLANE).count([0, 1, 0, 3, 0, 2, 0, 4])
    v, f = named(fit)["v"], named(fit)["f"]
    assert v.estimate == math.inf
    assert v.high == math.inf
    assert 0.0 < v.low < math.inf
    assert math.isfinite(f.estimate)
    assert f.low < f.estimate < f.high
    assert any("“constant”, “v” at infinity" in line for line in fit.findings)


def test_what_is_left_of_a_separated_count_is_the_fit_of_the_rest(experiment: Any) -> None:
    whole = experiment(CORNERS, PLANE).count([0, 1, 0, 3, 0, 2, 0, 4], family="poisson")
    rest = experiment({"f": [-1.0, 1.0] * 2}, ("constant", "f")).count([1, 3, 2, 4], family="poisson")
    ours, alone = named(whole)["f"], named(rest)["f"]
    assert (ours.estimate, ours.se) == pytest.approx((alone.estimate, alone.se), rel=1e-8)
    assert (ours.low, ours.high) == pytest.approx((alone.low, alone.high), rel=1e-6)
    assert whole.numbers["log_likelihood"] == pytest.approx(rest.numbers["log_likelihood"], rel=1e-10)
    assert whole.numbers["deviance"] == pytest.approx(rest.numbers["deviance"], rel=1e-8)


def test_counts_without_extra_scatter_have_no_dispersion(experiment: Any) -> None:
    fit = experiment(CORNERS, ("constant",)).count([2, 3, 2, 3, 2, 2, 3, 3], family="negative binomial")
    assert fit.numbers["dispersion"] == 0.0
    assert any("dispersion is 0" in line for line in fit.findings)
    chosen = experiment(CORNERS, ("constant",)).count([2, 3, 2, 3, 2, 2, 3, 3])
    assert "chosen because the negative binomial fits no better: its likelihood is no higher" in chosen.method
    assert chosen.findings == ()


def test_scatter_that_no_negative_binomial_takes_up_is_not_said_to_be_none(experiment: Any) -> None:
    # many zeros where few are expected: more scatter about the means, yet no likelihood gained by a dispersion
    counts = [3, 3, 1, 4, 3, 1, 0, 0]
    fit = experiment(CORNERS, PLANE).count(counts)
    assert fit.numbers["family"] == "poisson"
    assert fit.numbers["pearson_dispersion"] > 1.5
    assert "its likelihood is no higher" in fit.method
    assert "scatter no more" not in " ".join((fit.method, *fit.findings))
    assert any("scatter 1.9 times as much as Poisson counts would" in line for line in fit.findings)
    asked = experiment(CORNERS, PLANE).count(counts, family="negative binomial")
    assert asked.numbers["dispersion"] == 0.0
    assert asked.numbers["log_likelihood"] == pytest.approx(fit.numbers["log_likelihood"], rel=1e-9)
    assert "scatter no more" not in " ".join((asked.method, *asked.findings))


def test_scattered_counts_are_taken_as_negative_binomial_and_it_is_said_why(experiment: Any) -> None:
    counts = [0, 9, 1, 30, 0, 2, 25, 0]
    assert "AIC" in experiment(CORNERS, ("constant",)).count(counts).method
    assert experiment(CORNERS, ("constant",)).count(counts).numbers["family"] == "negative binomial"
    asked = experiment(CORNERS, ("constant",)).count(counts, family="poisson")
    assert asked.numbers["pearson_dispersion"] > 1.5
    assert any("limits may be too narrow" in line for line in asked.findings)


def test_more_scatter_than_poisson_is_not_hidden_by_many_terms(experiment: Any) -> None:
    rng = np.random.default_rng(7)
    runs = {name: rng.choice([-1.0, 0.0, 1.0], 24).tolist() for name in ("v", "f", "p")}
    counts = rng.negative_binomial(1.0, 0.4, 24)
    fit = experiment(runs, (), wishes={"model": "second order"}).count(counts)
    poisson = experiment(runs, (), wishes={"model": "second order"}).count(counts, family="poisson")
    assert poisson.numbers["aic"] < fit.numbers["aic"]
    assert poisson.numbers["pearson_dispersion"] * poisson.numbers["residual_df"] > 23.685  # chi-squared, 95 %, 14 df
    assert fit.numbers["family"] == "negative binomial"
    assert "times as much as Poisson" in fit.method


def test_a_single_large_count_does_not_break_the_negative_binomial() -> None:
    fit = fit_negative_binomial(np.ones((8, 1)), np.array([0, 0, 0, 0, 0, 0, 0, 40.0]), np.zeros(8))
    low, high = fit.profile(0, 0.90)
    assert math.exp(fit.coefficients[0]) == pytest.approx(5.0)
    assert fit.dispersion > 5.0
    assert low < math.log(5.0) < high


def test_without_per_the_length_in_mm_is_the_offset(experiment: Any) -> None:
    lengths = np.array([100.0, 200.0, 100.0, 200.0, 100.0, 200.0, 100.0, np.nan])
    fit = experiment(CORNERS, ("constant",)).count([1, 2, 0, 3, 1, 1, 2, 5], length_mm=lengths, family="poisson")
    assert fit.n == 7  # a weld of unknown length cannot be used
    assert math.exp(fit.terms[0].estimate) == pytest.approx(10 / 1000)
    assert "inspected length in mm" in fit.method


def test_firth_answers_where_settings_separate_yes_from_no(experiment: Any) -> None:
    fit = experiment(CORNERS, PLANE).passes([0, 1, 0, 1, 0, 1, 0, 1])
    assert all(math.isfinite(v) for t in fit.terms for v in (t.estimate, t.se, t.low, t.high))
    assert fit.numbers["separated"] is True
    assert any("plain maximum likelihood has no finite answer" in line for line in fit.findings)


def test_plain_maximum_likelihood_says_that_it_is_infinite(experiment: Any) -> None:
    fit = experiment(CORNERS, PLANE).passes([0, 1, 0, 1, 0, 1, 0, 1], penalty=False)
    v, f = named(fit)["v"], named(fit)["f"]
    assert (v.estimate, v.high) == (math.inf, math.inf)
    assert 0.0 < v.low < math.inf
    assert math.isnan(f.estimate)  # with the rows gone to their limit, nothing holds it
    assert any("The settings separate" in line for line in fit.findings)
    assert fit.numbers["log_likelihood"] == pytest.approx(0.0, abs=1e-9)


def test_quasi_separation_is_told_from_complete_separation() -> None:
    # yes and no both occur at v = 1, so that one side only runs away
    X = np.column_stack([np.ones(8), CORNERS["v"]])
    fit = fit_logistic(X, np.array([0, 1, 0, 0, 0, 1, 0, 1.0]), penalty=False)
    assert fit.coefficients.tolist() == [-math.inf, math.inf]
    assert fit.log_likelihood == pytest.approx(3 * math.log(0.75) + math.log(0.25), abs=1e-9)
    assert not fit_logistic(X, np.array([0, 1, 1, 0, 0, 1, 0, 1.0]), penalty=False).is_separated


def test_every_weld_passed_is_answered(experiment: Any) -> None:
    fit = experiment(CORNERS, ("constant",)).passes(np.ones(8))
    (constant,) = fit.terms
    assert constant.estimate == pytest.approx(math.log(8.5 / 0.5))  # Firth adds half a yes and half a no
    assert any("Every weld had the same outcome" in line for line in fit.findings)
    plain = experiment(CORNERS, ("constant",)).passes(np.ones(8), penalty=False)
    assert math.exp(-plain.terms[0].low) + 1 == pytest.approx(math.exp(HALF_CHI2 / 8), rel=1e-6)


def test_trips_without_times_are_logistic_and_trips_with_times_weibull(experiment: Any) -> None:
    tripped = [0, 0, 0, 1, 0, 0, 1, 1]
    assert "no trip has a time" in experiment(CORNERS, PLANE).trip(tripped).method
    times = [60.0, 60, 60, 31, 60, 60, 44, 23]
    weibull = experiment(CORNERS, PLANE).trip(tripped, time_s=times)
    assert weibull.numbers["family"] == "weibull"
    assert named(weibull)["f"].estimate < 0.0  # sooner at a faster feed: a negative coefficient shortens the time
    assert "logistic" in experiment(CORNERS, PLANE).trip(tripped, time_s=times, family="logistic").method


def test_a_weld_without_arc_time_is_left_out_of_the_times_and_named(experiment: Any) -> None:
    times = [60.0, 60, np.nan, 31, 60, 60, 44, 23]
    fit = experiment(CORNERS, ("constant", "f")).trip([0, 0, 0, 1, 0, 0, 1, 1], time_s=times)
    assert fit.n == 7
    assert any("1 of 8 welds" in line for line in fit.findings)


def test_no_trip_at_all_is_answered_by_the_chance(experiment: Any) -> None:
    fit = experiment(CORNERS, PLANE).trip(np.zeros(8), time_s=np.full(8, 60.0))
    assert "nothing tripped" in fit.method
    assert fit.terms[0].estimate == pytest.approx(fit.terms[0].estimate)
    assert fit.terms[0].estimate < 0.0


def test_a_weibull_without_a_trip_cannot_be_answered(experiment: Any) -> None:
    with pytest.raises(CannotAnswerError, match=r"0 timed trips are too few.*family = \"logistic\""):
        experiment(CORNERS, PLANE).trip(np.zeros(8), time_s=np.full(8, 60.0), family="weibull")


def test_as_many_terms_as_trips_cannot_be_answered(experiment: Any) -> None:
    tripped, times = [0, 0, 0, 1, 0, 0, 0, 0], [60, 60, 60, 70, 60, 60, 60, 60]
    with pytest.raises(CannotAnswerError, match="1 timed trip is too few"):
        experiment(CORNERS, ("constant",)).trip(tripped, time_s=times, family="weibull")
    fit = experiment(CORNERS, ("constant",)).trip(tripped, time_s=times)
    assert "logistic" in fit.method
    assert "1 timed trip is too few for the terms" in fit.method
    assert fit.terms[0].estimate == pytest.approx(math.log(1.5 / 7.5))  # Firth adds half a yes and half a no


def test_trips_in_one_corner_put_the_times_elsewhere_at_infinity(experiment: Any) -> None:
    times = [60.0, 60, 60, 31, 60, 60, 60, 23]
    fit = experiment(CORNERS, PLANE).trip([0, 0, 0, 1, 0, 0, 0, 1], time_s=times)
    v = named(fit)["v"]
    assert (v.estimate, v.low) == (-math.inf, -math.inf)
    assert v.high < 0.0
    assert fit.numbers["separated"] is True
    assert fit.numbers["scale"] > 0.0
    assert any("Some settings have no trip" in line for line in fit.findings)


def test_a_model_larger_than_the_data_names_what_cannot_be_estimated(experiment: Any) -> None:
    with pytest.raises(CannotAnswerError, match=r"v\^2, f\^2"):
        experiment(CORNERS, (*PLANE, "v*f", "v^2", "f^2")).measure(np.arange(8.0))


def test_terms_that_differ_by_rounding_alone_are_refused(experiment: Any) -> None:
    v = np.linspace(17.0, 23.0, 8)
    runs = {"v": v.tolist(), "f": (v * 0.1 + 0.7).tolist()}
    with pytest.raises(CannotAnswerError, match="constant, v, f"):
        experiment(runs, PLANE).measure(np.arange(8.0) % 3)


def test_an_unknown_term_is_refused(experiment: Any) -> None:
    with pytest.raises(DoeError, match="“speed”"):
        experiment(CORNERS, ("constant", "speed")).measure(np.arange(8.0))


def test_as_many_terms_as_welds_give_estimates_without_limits(experiment: Any) -> None:
    fit = experiment({"v": [-1.0, 0.0, 1.0]}, ("constant", "v", "v^2")).measure([1.0, 2.0, 1.0])
    assert [t.estimate for t in fit.terms] == [2.0, 0.0, -1.0]
    assert all(math.isnan(t.se) and math.isinf(t.low) and math.isinf(t.high) for t in fit.terms)
    assert fit.numbers["adjusted_r2"] is None
    assert fit.numbers["predicted_r2"] is None
    assert any("as many terms as welds" in line for line in fit.findings)


def test_readings_without_any_scatter_are_doubted(experiment: Any) -> None:
    fit = experiment(CORNERS, PLANE, plate=["P1", "P1", "P2", "P2", "P3", "P3", "P4", "P4"]).measure(np.full(8, 2.0))
    assert [t.estimate for t in fit.terms] == [2.0, 0.0, 0.0]
    assert fit.numbers["r2"] is None
    assert fit.numbers["log_likelihood"] is None
    assert any("no scatter at all is not believable" in line for line in fit.findings)


def test_lack_of_fit_is_said_in_words(experiment: Any) -> None:
    runs = {"v": [-1.0, -1.0, 0.0, 0.0, 1.0, 1.0]}
    fit = experiment(runs, ("constant", "v")).measure([1.0, 1.1, 3.0, 3.1, 1.0, 1.1])
    assert fit.numbers["lack_of_fit"]["df"] == [1, 3]
    assert any("Lack of fit" in line for line in fit.findings)


def test_nearly_dependent_terms_are_doubted(experiment: Any) -> None:
    v = [20.0, 20.1, 20.2, 20.3, 20.4, 20.5]
    fit = experiment({"v": v}, ("constant", "v", "v^2")).measure([1.0, 1.2, 1.1, 1.3, 1.2, 1.4])
    assert any("nearly dependent" in line for line in fit.findings)


def test_only_full_readings_cannot_be_answered(experiment: Any) -> None:
    with pytest.raises(CannotAnswerError, match="8 of 8 welds only say “at least 10”"):
        experiment(CORNERS, ("constant",)).measure(np.full(8, 10.0), full=10.0)


def test_full_readings_at_one_side_put_the_slope_at_infinity(experiment: Any) -> None:
    y = [4.0, 10.0, 4.4, 10.0, 4.2, 10.0, 3.9, 10.0]
    fit = experiment(CORNERS, ("constant", "v")).measure(y, full=10.0)
    assert (named(fit)["v"].estimate, named(fit)["v"].high) == (math.inf, math.inf)
    assert 2.0 < named(fit)["v"].low < 4.0
    assert any("Too few readings below “full”" in line for line in fit.findings)
    assert fit.numbers["spread"]["weld"] == pytest.approx(np.std([4.0, 4.4, 4.2, 3.9]))


def test_recession_finds_nothing_without_a_bounded_row() -> None:
    assert not recession(np.eye(2), np.empty((0, 2))).exists


def test_a_line_through_two_points_meets_them_exactly() -> None:
    X = np.array([[1.0, 1000.0], [1.0, 1001.0]])
    assert meets_exactly(X, np.array([5.0, 7.0]), np.array([[1.0, 1002.0]]), np.array([8.9]))
    assert not meets_exactly(X, np.array([5.0, 7.0]), np.array([[1.0, 1002.0]]), np.array([9.1]))
