"""``window --textbook`` without factors: the handbook's limits."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from doe.bench.results import Counts, Measurement, Passes, Readings, Results, Trips
from doe.errors import CannotAnswerError
from doe.models.textbook import constant_window
from doe.models.textbook.constant import ConstantBound
from doe.models.textbook.tolerance import normal_tolerance_factor
from doe.study.model import Response


@pytest.fixture
def judge(experiment: Any) -> Any:
    def run(response: Response, readings: Readings, n: int, confidence: float = 0.9) -> ConstantBound:
        results: Results = experiment({"v": [0.0] * n}, ("constant",)).results([response], {response.name: readings})
        (bound,) = constant_window(results, reliability=0.9, confidence=confidence)
        return bound

    return run


def measured(values: Any, full: float = math.inf) -> Measurement:
    table = np.asarray(values, dtype=float).reshape(len(values), -1)
    return Measurement(table, np.full(len(table), full))


DEPTHS = [1.9, 2.1, 2.0, 2.3, 1.8, 2.2, 2.0, 2.1, 1.9, 2.2]


def test_a_depth_is_judged_by_the_one_sided_tolerance_factor(judge: Any) -> None:
    k = 2.0656  # n = 10, R = C = 0.90: 2.066 in the tables (from memory)
    limit = np.mean(DEPTHS) - k * np.std(DEPTHS, ddof=1)
    bound = judge(Response("depth", "measure", "mm", at_least=1.2), measured(DEPTHS), 10)
    assert bound.bound == pytest.approx(limit, abs=1e-3 * k)
    assert bound.factor == pytest.approx(2.066, abs=6e-4)
    assert bound.holds


def test_the_requirement_holds_up_to_the_tolerance_limit_and_not_beyond(judge: Any) -> None:
    edge = judge(Response("depth", "measure", "mm", at_least=1.2), measured(DEPTHS), 10).bound
    for shift, holds in ((-1e-6, True), (1e-6, False)):
        bound = judge(Response("depth", "measure", "mm", at_least=edge + shift), measured(DEPTHS), 10)
        assert bound.holds is holds
        assert bound.reliability == pytest.approx(0.9, abs=1e-5)


def test_an_upper_requirement_is_judged_on_its_own_side(judge: Any) -> None:
    bound = judge(Response("depth", "measure", "mm", at_most=3.0), measured(DEPTHS), 10)
    assert bound.bound == pytest.approx(np.mean(DEPTHS) + bound.factor * np.std(DEPTHS, ddof=1))
    assert bound.holds


def test_two_requirements_share_the_doubt(judge: Any) -> None:
    bound = judge(Response("depth", "measure", "mm", at_least=1.6, at_most=3.0), measured(DEPTHS), 10)
    assert bound.factor == pytest.approx(normal_tolerance_factor(10, reliability=0.9, confidence=0.95))
    one = judge(Response("depth", "measure", "mm", at_least=1.6), measured(DEPTHS), 10)
    assert bound.reliability < one.reliability
    assert bound.bound < np.mean(DEPTHS)  # the lower requirement is the nearer one


def test_the_promise_of_the_tolerance_factor_is_kept(judge: Any) -> None:
    rng = np.random.default_rng(31)
    limit = stats.norm.ppf(0.1)  # exactly 90 % of this population lies above
    wrong = sum(
        judge(Response("d", "measure", at_least=float(limit)), measured(rng.normal(size=8)), 8).holds
        for _ in range(300)
    )
    assert 0.05 < wrong / 300 < 0.15  # a claim that is only just true is refused 9 times of 10


def test_cuts_count_as_one_weld(judge: Any) -> None:
    bound = judge(Response("d", "measure", at_least=1.0), measured([[2.0, 2.2], [2.4, np.nan], [1.9, 2.1]]), 3)
    assert bound.n == 3
    assert bound.estimate == pytest.approx((2.1 + 2.4 + 2.0) / 3)


def test_like_readings_hold_or_fail_outright(judge: Any) -> None:
    assert judge(Response("d", "measure", at_least=1.0), measured([2.0, 2.0]), 2).reliability == 1.0
    assert judge(Response("d", "measure", at_least=3.0), measured([2.0, 2.0]), 2).reliability == 0.0


def test_one_reading_or_a_full_one_cannot_be_judged(judge: Any) -> None:
    with pytest.raises(CannotAnswerError, match="needs 2 readings or more; there are 1"):
        judge(Response("d", "measure", at_least=1.0), measured([2.0, np.nan]), 2)
    with pytest.raises(CannotAnswerError, match="1 readings are at or over “full”"):
        judge(Response("d", "measure", at_least=1.0), measured([2.0, 10.0], full=10.0), 2)


def test_pores_are_judged_by_garwoods_limit(judge: Any) -> None:
    counts = Counts(np.array([0.0, 1.0, 0.0, 2.0, np.nan]), np.array([150.0, 150.0, 100.0, np.nan, 100.0]))
    bound = judge(Response("pores", "count", per_mm=100.0, at_most=2), counts, 5)
    exposure = (150 + 150 + 100 + 100) / 100
    assert bound.n == 4
    assert bound.bound == pytest.approx(stats.chi2.ppf(0.9, 8) / 2 / exposure)
    assert bound.reliability == pytest.approx(stats.poisson.cdf(2, bound.bound))


def test_no_pore_gives_2_3_over_the_inspected_length(judge: Any) -> None:
    bound = judge(Response("pores", "count", per_mm=100.0, at_most=0), Counts(np.zeros(4), np.full(4, 250.0)), 4)
    assert bound.bound == pytest.approx(math.log(10) / 10)
    assert bound.holds is (math.exp(-bound.bound) >= 0.9)


def test_nothing_inspected_cannot_be_judged(judge: Any) -> None:
    with pytest.raises(CannotAnswerError, match="no weld was inspected"):
        judge(Response("pores", "count", per_mm=100.0, at_most=0), Counts(np.full(2, np.nan), np.full(2, np.nan)), 2)


@pytest.mark.parametrize(("n", "holds"), [(22, True), (21, False)])
def test_22_passes_show_90_at_90(n: int, holds: bool, judge: Any) -> None:
    bound = judge(Response("root", "pass"), Passes(np.ones(n)), n)
    assert bound.holds is holds
    assert bound.welds_needed == 22
    assert bound.method == "success run"


def test_one_failure_needs_38_welds(judge: Any) -> None:
    for n, holds in ((38, True), (37, False)):
        passed = np.ones(n)
        passed[3] = 0.0
        assert judge(Response("root", "pass"), Passes(passed), n).holds is holds


def test_a_weld_stopped_before_the_hold_time_shows_nothing(judge: Any) -> None:
    trips = Trips(np.array([0, 0, 0, 1, 1, 1.0]), np.array([60.0, 30.0, 12.0, 20.0, 45.0, np.nan]))
    bound = judge(Response("trip", "trip", hold_s=30.0), trips, 6)
    assert bound.n == 5  # held at 60 and 30 s and tripped only at 45 s; tripped at 20 s and at an unknown time
    assert bound.estimate == pytest.approx(3 / 5)


def test_no_weld_with_an_answer_cannot_be_judged(judge: Any) -> None:
    with pytest.raises(CannotAnswerError, match="no weld shows"):
        judge(Response("trip", "trip", hold_s=30.0), Trips(np.zeros(2), np.full(2, 10.0)), 2)


def test_a_response_without_a_requirement_has_no_part(experiment: Any) -> None:
    results = experiment({"v": [0.0] * 3}, ("constant",)).results(
        [Response("y", "measure")], {"y": measured([1.0, 2.0, 3.0])}
    )
    assert constant_window(results, reliability=0.9, confidence=0.9) == ()
