"""Confirmation: the rule's arithmetic, single welds, and which verdict follows."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from doe.bench.results import Counts, Measurement, Passes, Trips
from doe.planning.plan import Plan, PlannedWeld
from doe.study.model import Response
from doe.virtual.welder import WELDERS
from doe.virtual.welding import weld_plan
from doe.window.claim_file import ClaimedLevels, PassRule
from doe.window.confirmation import chance_revealed, zero_failure_welds
from doe.window.outcome import WeldOutcome, judge_welds, requirement_met
from doe.window.verdict import find_verdict

REFERENCE = Path(__file__).parents[2] / "reference" / "statistics" / "success_run_sample_sizes" / "data.csv"
"""Success-run sample sizes, n = ln(1 - C)/ln(R), and some for one failure: standard reliability tables, from memory."""


# --- the arithmetic


@pytest.mark.parametrize(
    "row", list(csv.DictReader(REFERENCE.read_text().splitlines())), ids=lambda row: "-".join(row.values())
)
def test_the_published_sample_sizes_prove_their_reliability_and_one_weld_fewer_does_not(row):
    n, allowed = int(row["n"]), int(row["allowed_failures"])
    reliability, confidence = float(row["reliability"]), float(row["confidence"])
    assert PassRule(welds=n, failures_allowed=allowed).proves(confidence) >= reliability
    assert PassRule(welds=n - 1, failures_allowed=allowed).proves(confidence) < reliability
    if not allowed:
        assert zero_failure_welds(reliability, confidence)[f"{reliability:g}/{confidence:g}"] == n


def test_the_welds_of_a_proof_are_those_of_method_section_8():
    table = zero_failure_welds(0.9, 0.9)
    assert table["0.9/0.9"] == 22
    assert table["0.9/0.95"] == 29
    assert table["0.8/0.9"] == 11
    assert table["0.95/0.9"] == 45


@pytest.mark.parametrize(
    ("welds", "chances"),
    [(2, (0.06, 0.19, 0.36, 0.51, 0.75)), (4, (0.11, 0.34, 0.59, 0.76, 0.94)), (6, (0.17, 0.47, 0.74, 0.88, 0.98))],
)
def test_the_chance_of_revealing_a_bad_window_is_that_of_method_section_8(welds, chances):
    rule = PassRule(welds=welds, failures_allowed=0)
    found = [chance_revealed(rule, p) for p in (0.97, 0.90, 0.80, 0.70, 0.50)]
    np.testing.assert_allclose(found, chances, atol=0.0051)


def test_allowing_a_failure_reveals_less_and_proves_less():
    strict, lenient = PassRule(welds=8, failures_allowed=0), PassRule(welds=8, failures_allowed=1)
    assert chance_revealed(strict, 0.8) == pytest.approx(0.83, abs=0.005)  # METHOD section 8, m = 8
    assert chance_revealed(lenient, 0.8) < chance_revealed(strict, 0.8)
    assert lenient.proves(0.9) < strict.proves(0.9) == pytest.approx(0.1 ** (1 / 8))


# --- a weld against its requirements


def results_of(study, name, reading):
    n = len(vars(reading)["counts" if isinstance(reading, Counts) else next(iter(vars(reading)))])
    plan = Plan(study, tuple(PlannedWeld(f"W{i + 1}", f"P{i + 1}", 1, i + 1, (19.6, 7.0, 70.0)) for i in range(n)), 1)
    made = weld_plan(plan, WELDERS["hinge lugs"], rng=np.random.default_rng(1))
    return replace(made, readings={**made.readings, name: reading})


def met(study, response, reading):
    study = replace(study, responses=(response,))
    return requirement_met(results_of(study, response.name, reading), response).tolist()


def test_a_measure_is_judged_by_the_mean_of_its_cuts(hinge):
    depth = Response("penetration", "measure", "mm", at_least=1.2)
    cuts = Measurement(np.array([[1.1, 1.3], [1.1, 1.29], [1.3, np.nan], [np.nan, np.nan]]), np.full(4, 10.0))
    np.testing.assert_equal(met(hinge, depth, cuts), [1.0, 0.0, 1.0, np.nan])


def test_a_burn_through_meets_no_upper_limit(hinge):
    depth = Response("penetration", "measure", "mm", at_least=1.2, at_most=10.0, full=10.0)
    cuts = Measurement(np.array([[10.0], [9.0], [1.0]]), np.full(3, 10.0))
    assert met(hinge, depth, cuts) == [0.0, 1.0, 0.0]


def test_a_count_is_judged_over_the_length_inspected(hinge):
    pores = Response("porosity", "count", per_mm=100.0, at_most=2)
    counts = Counts(
        np.array([2.0, 3.0, 5.0, 6.0, 1.0, 3.0, np.nan, 2.0]),
        np.array([100.0, 100.0, 250.0, 250.0, 60.0, 60.0, 100.0, np.nan]),
    )
    # too short a length shows a failure, but no pass
    np.testing.assert_equal(met(hinge, pores, counts), [1, 0, 1, 0, np.nan, 0, np.nan, 1])


def test_a_trip_is_judged_by_the_time_to_hold(hinge):
    trip = Response("trip", "trip", hold_s=30.0)
    study = replace(hinge, job=replace(hinge.job, travel_speed_mm_s=None))
    trips = Trips(np.array([0, 0, 1, 1, 1, 0, np.nan]), np.array([30.0, 20.0, 29.0, 31.0, np.nan, np.nan, 30.0]))
    np.testing.assert_equal(met(study, trip, trips), [1, np.nan, 0, 1, 0, np.nan, np.nan])


def test_pass_or_fail_is_as_it_was_judged_and_what_was_not_read_is_unknown(hinge):
    fused = Response("root fused", "pass")
    np.testing.assert_equal(met(hinge, fused, Passes(np.array([1.0, 0.0, np.nan]))), [1, 0, np.nan])
    results = results_of(replace(hinge, responses=(fused,)), "root fused", Passes(np.array([1.0, 0.0, np.nan])))
    assert np.isnan(requirement_met(results, Response("leg", "measure", at_least=1.0))).all()
    good, bad, unknown = judge_welds(results, [0, 1, 2], ("root fused",))
    assert (good.passed, bad.passed, unknown.passed) == (True, False, None)
    assert bad.to_dict() == {"weld": "W2", "passed": False, "failed": ["root fused"], "unknown": []}


# --- the verdict


def outcomes(passed=0, failed=0, unknown=0):
    kinds = [((), ())] * passed + [(("trip",), ())] * failed + [((), ("trip",))] * unknown
    return tuple(WeldOutcome(f"W{i}", *kind) for i, kind in enumerate(kinds))


@pytest.mark.parametrize(
    ("made", "welds", "allowed", "confidence", "verdict"),
    [
        (outcomes(22), 22, 0, 0.95, "confirmed"),
        (outcomes(22), 22, 0, 0.85, "confirmed"),  # the passes prove it by themselves
        (outcomes(21), 21, 0, 0.99, "not contradicted"),  # one short of a proof, however sure the models are
        (outcomes(4), 4, 0, 0.90, "not contradicted"),
        (outcomes(4), 4, 0, 0.899, "withdrawn"),
        (outcomes(4), 4, 0, None, "withdrawn"),
        (outcomes(3, 1), 4, 0, 0.99, "withdrawn"),  # a failure is not explained away
        (outcomes(0, 1, 3), 4, 0, 0.99, "withdrawn"),  # nor does it wait for the others
        (outcomes(3, 0, 1), 4, 0, 0.99, None),
        (outcomes(3), 4, 0, 0.99, None),
        (outcomes(5), 4, 0, 0.95, "not contradicted"),
        (outcomes(37, 1), 38, 1, 0.95, "confirmed"),
        (outcomes(36, 2), 38, 1, 0.95, "withdrawn"),
        (outcomes(7, 1), 8, 1, 0.95, "not contradicted"),
    ],
)
def test_the_verdict_follows_the_rule(made, welds, allowed, confidence, verdict):
    rule = PassRule(welds=welds, failures_allowed=allowed)
    assert find_verdict(made, rule, ClaimedLevels(reliability=0.9, confidence=0.9), confidence) == verdict
