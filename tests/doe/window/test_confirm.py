"""Confirmation: the rule's arithmetic, what is fixed beforehand, and the verdicts."""

from __future__ import annotations

import csv
import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from doe.bench.results import Counts, Measurement, Passes, Trips
from doe.bench.stage import stage_path
from doe.errors import CannotAnswerError, ResultsError, StudyError, WouldOverwriteError
from doe.models import fit_responses
from doe.planning.plan import Plan, PlannedWeld
from doe.study.model import Claim, Factor, Response
from doe.virtual.welder import WELDERS, true_assurance
from doe.virtual.welding import weld_plan
from doe.window import (
    box_confidence,
    claimed_window,
    confirm_window,
    find_window,
    standing_confirmation,
    write_confirmation,
)
from doe.window.assurance import assess
from doe.window.claim_file import NAME, ClaimedLevels, PassRule, read_claim, write_claim
from doe.window.confirm_words import confirmation_sentences
from doe.window.confirmation import Confirmation, chance_revealed, zero_failure_welds
from doe.window.outcome import WeldOutcome, judge_welds, requirement_met
from doe.window.posing import open_inquiry
from doe.window.verdict import find_verdict
from doe.window.welded import corners

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


# --- fixing a claim


def first_plan(study, n=24, seed=1):
    rng = np.random.default_rng(seed)
    ends = [f.positions[[0, len(f.positions) // 2, -1]] for f in study.factors]
    dials = [(v, f) for v in ends[0] for f in ends[1]] * 3
    rng.shuffle(dials)
    welds = tuple(
        PlannedWeld(
            f"W{i + 1:02d}",
            f"P{i // 2 + 1:02d}",
            i % 2 + 1,
            i + 1,
            (float(dials[i][0]), float(dials[i][1]), float(ends[2][i // 2 % 3])),
        )
        for i in range(n)
    )
    return Plan(study, welds, seed, fingerprint=study.fingerprint)


@pytest.fixture(scope="module")
def welds_of_the_first_stage():
    """Readings of the first stage, made once: the study's folder differs from test to test."""
    return {}


@pytest.fixture
def fit(hinge, welds_of_the_first_stage):
    if not welds_of_the_first_stage:
        results = weld_plan(first_plan(hinge), WELDERS["no pores"], rng=np.random.default_rng(2))
        welds_of_the_first_stage["fit"] = fit_responses(results, seed=0)
    made = welds_of_the_first_stage["fit"]
    return replace(made, results=replace(made.results, study=hinge))


def good_readings(n):
    """Readings that meet every requirement with ease."""
    return {
        "penetration": Measurement(np.full((n, 1), 2.2) + np.arange(n)[:, None] % 3 * 0.1, np.full(n, 10.0)),
        "porosity": Counts(np.zeros(n), np.full(n, 110.0)),
        "trip": Trips(np.zeros(n), np.full(n, 60.0)),
    }


def filled_in(fit, confirmation, readings=None, **fields):
    """Fit the first welds and the confirmation welds together."""
    welds, study = confirmation.plan.welds, confirmation.study
    new = weld_plan(confirmation.plan, WELDERS["hinge lugs"], rng=np.random.default_rng(9))
    n = len(welds)
    new = replace(
        new,
        readings=readings or good_readings(n),
        status=("done",) * n,
        file=(stage_path(study.folder, "results", confirmation.plan.stage).name,) * n,
        **fields,
    )
    return fit_responses(joined(fit.results, new), seed=0)


def joined(first, second):
    def both(a, b):
        return type(a)(**{name: np.concatenate([value, vars(b)[name]]) for name, value in vars(a).items()})

    arrays = {k: np.concatenate([getattr(first, k), getattr(second, k)]) for k in ("position", "order", "row")}
    tuples = {k: getattr(first, k) + getattr(second, k) for k in ("weld", "plate", "block", "role", "file", "status")}
    return replace(
        first,
        **arrays,
        **tuples,
        planned=np.vstack([first.planned, second.planned]),
        settings=np.vstack([first.settings, second.settings]),
        readings={k: both(v, second.readings[k]) for k, v in first.readings.items()},
        conditions={k: np.concatenate([v, second.conditions[k]]) for k, v in first.conditions.items()},
    )


def test_the_claim_is_the_window_and_its_welds_are_the_weakest_corners(fit):
    confirmation = confirm_window(fit, seed=0)
    window = find_window(fit, seed=0)
    assert (confirmation.box.low, confirmation.box.high) == (window.answer.box.low, window.answer.box.high)
    assert confirmation.rule == PassRule(welds=4, failures_allowed=0)
    assert len({weld.plate for weld in confirmation.plan.welds}) == 2
    assert {weld.role for weld in confirmation.plan.welds} == {"confirm"}
    inquiry, ends = open_inquiry(fit, seed=0), corners(confirmation.box.low, confirmation.box.high)
    low = assess(inquiry.claim_draws, ends, inquiry.scenario, confidence=0.9).low
    chosen = {weld.settings for weld in confirmation.plan.welds}
    assert tuple(ends[low.argmin()]) in chosen
    for plate in {weld.plate for weld in confirmation.plan.welds}:
        assert len({weld.settings[2] for weld in confirmation.plan.welds if weld.plate == plate}) == 1
    assert confirmation.verdict is None


def test_fixing_writes_claim_and_plan_once_and_the_same_again_writes_nothing(fit):
    folder = fit.results.study.folder
    confirmation = confirm_window(fit, seed=0)
    written = write_confirmation(confirmation)
    assert [path.name for path in written] == [NAME, "plan-2.csv", "results-2.csv"]
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    held = json.loads(before[NAME])
    assert held["schema"] == 1
    assert held["fingerprint"] == fit.results.study.fingerprint
    assert held["rule"] == {"welds": 4, "failures_allowed": 0}
    assert held["requirements"]["porosity"] == {"kind": "count", "at_most": 2.0, "per_mm": 100.0}
    again = confirm_window(fit, seed=5)  # another seed does not move a claim that stands
    assert again.to_dict()["window"] == confirmation.to_dict()["window"]
    assert again.plan.welds == confirmation.plan.welds
    assert write_confirmation(again) == []
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


def test_a_claim_that_stands_is_never_written_over(fit):
    confirmation = confirm_window(fit, seed=0)
    path = write_claim(confirmation.claim, fit.results.study.folder)
    before = path.read_bytes()
    with pytest.raises(WouldOverwriteError, match="never rewritten"):
        write_claim(confirmation.claim.model_copy(update={"seed": 7}), path.parent)
    assert path.read_bytes() == before


def test_a_lost_plan_is_written_again_from_the_claim(fit):
    folder = fit.results.study.folder
    confirmation = confirm_window(fit, seed=0)
    write_confirmation(confirmation)
    table = (folder / "plan-2.csv").read_bytes()
    (folder / "plan-2.csv").unlink()
    (folder / "results-2.csv").unlink()
    write_confirmation(confirm_window(fit, seed=0))
    assert (folder / "plan-2.csv").read_bytes() == table


@pytest.mark.parametrize("rule", [{"welds": 6}, {"failures_allowed": 1}])
def test_the_rule_of_a_claim_cannot_be_moved(fit, rule):
    write_confirmation(confirm_window(fit, seed=0))
    with pytest.raises(WouldOverwriteError, match="fixed a rule of 4 welds, 0 of which may fail"):
        confirm_window(fit, seed=0, **rule)
    assert confirm_window(fit, seed=0, welds=4, failures_allowed=0).verdict is None


def test_a_claim_for_another_question_is_not_judged_and_every_difference_is_told(fit):
    write_confirmation(confirm_window(fit, seed=0))
    study = fit.results.study
    easier = replace(study.responses[0], at_least=1.0)
    other = replace(
        study,
        claim=Claim(0.8, 0.9),
        responses=(easier, *study.responses[1:]),
        factors=(replace(study.factors[0], values=(17.0, 18.5, 20.0), marks=("1", "2", "3")), *study.factors[1:]),
    )
    with pytest.raises(WouldOverwriteError, match="another question") as caught:
        confirm_window(replace(fit, results=replace(fit.results, study=other)), seed=0)
    keys = {fault.key for fault in caught.value.faults}
    assert {"claim.reliability", "requirements.penetration", "window.voltage"} <= keys
    renamed = replace(study, factors=(replace(study.factors[0], name="volts"), *study.factors[1:]))
    with pytest.raises(WouldOverwriteError) as caught:
        confirm_window(replace(fit, results=replace(fit.results, study=renamed)), seed=0)
    assert {"window", "welds"} <= {fault.key for fault in caught.value.faults}


def test_what_does_not_touch_the_question_may_change(fit):
    write_confirmation(confirm_window(fit, seed=0))
    study = replace(fit.results.study, title="Hinge lugs, autumn", fingerprint="ffffffffffff")
    assert confirm_window(replace(fit, results=replace(fit.results, study=study)), seed=0).verdict is None


@pytest.mark.parametrize(
    ("change", "key"),
    [
        (lambda held: held["rule"].update(welds=0), "rule.welds"),
        (lambda held: held.update(comment="better"), "comment"),
        (lambda held: held.pop("window"), "window"),
    ],
)
def test_a_claim_changed_by_hand_is_refused_with_the_place(fit, change, key):
    folder = fit.results.study.folder
    write_confirmation(confirm_window(fit, seed=0))
    held = json.loads((folder / NAME).read_text())
    change(held)
    (folder / NAME).write_text(json.dumps(held))
    with pytest.raises(ResultsError, match="changed by hand") as caught:
        read_claim(folder)
    assert key in {fault.key for fault in caught.value.faults}
    assert {fault.file for fault in caught.value.faults} == {NAME}


def test_a_claim_that_is_no_json_is_refused(tmp_path):
    (tmp_path / NAME).write_text("{")
    with pytest.raises(ResultsError) as caught:
        read_claim(tmp_path)
    assert "cannot be read as JSON" in str(caught.value)


def test_without_a_window_there_is_nothing_to_confirm(hinge):
    results = weld_plan(first_plan(hinge), WELDERS["no window"], rng=np.random.default_rng(1))
    with pytest.raises(CannotAnswerError, match="no window can be claimed, so there is none to confirm"):
        confirm_window(fit_responses(results, seed=1), seed=1)
    assert not (hinge.folder / NAME).exists()


def test_a_rule_that_allows_every_weld_to_fail_is_no_rule(fit):
    with pytest.raises(StudyError, match="of 2 confirmation welds 2 may not"):
        confirm_window(fit, seed=0, welds=2, failures_allowed=2)


# --- afterwards


def test_four_passes_do_not_contradict_and_their_data_are_added(fit):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    after = filled_in(fit, fixed)
    judged = confirm_window(after, seed=0)
    assert judged.verdict == "not contradicted"
    assert judged.support.before == fixed.support.before
    assert judged.support.confidence == box_confidence(after, fixed.box, seed=0)
    assert judged.support.confidence != box_confidence(fit, fixed.box, seed=0)
    words = " ".join(confirmation_sentences(judged))
    assert "Not contradicted: 4 of 4" in words
    assert "22 of 22" in words
    assert "onfirmed" not in words.replace("confirmed beforehand", "")
    answer = judged.to_dict()
    assert answer["verdict"] == "not contradicted"
    assert answer["rule"]["proves"]["reliability"] == pytest.approx(0.1**0.25)
    assert answer["zero_failure_welds"]["0.9/0.9"] == 22
    assert answer["reveals"]["0.7"] == pytest.approx(0.76, abs=0.005)
    json.dumps(answer, allow_nan=False)


def test_one_failure_withdraws_and_says_what_can_be_claimed_now(fit):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    bad = good_readings(4)
    bad["penetration"].values[2] = 0.4
    judged = confirm_window(filled_in(fit, fixed, bad), seed=0)
    assert judged.verdict == "withdrawn"
    assert [outcome.weld for outcome in judged.failures] == [fixed.plan.welds[2].weld]
    words = " ".join(confirmation_sentences(judged))
    assert f"{fixed.plan.welds[2].weld}: penetration failed" in words
    assert "not explained away" in words
    now = judged.window_now.answer.box
    assert ("this can be claimed now" in words) == (now is not None)
    assert (judged.to_dict()["window_now"] is None) == (now is None)


def test_passes_that_leave_the_models_less_sure_withdraw_too(fit):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    close = good_readings(4)
    close["penetration"].values[:] = 1.21  # just over the requirement: a pass, and a warning
    judged = confirm_window(filled_in(fit, fixed, close), seed=0)
    assert judged.support.confidence < 0.9
    assert judged.verdict == "withdrawn"
    words = " ".join(confirmation_sentences(judged))
    assert "the rule was kept (4 of 4), but with these welds added" in words


def test_twenty_two_passes_confirm(fit):
    fixed = confirm_window(fit, seed=0, welds=22)
    assert "proves at least 18 of 20 good welds by itself" in " ".join(confirmation_sentences(fixed))
    write_confirmation(fixed)
    judged = confirm_window(filled_in(fit, fixed), seed=0)
    assert judged.verdict == "confirmed"
    assert confirmation_sentences(judged)[0].startswith("Confirmed: 22 of 22")
    doubtful = replace(judged, support=replace(judged.support, confidence=0.8))
    assert "less sure than the welds" in " ".join(confirmation_sentences(doubtful))


def test_welds_still_to_be_measured_are_waited_for(fit):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    part = good_readings(4)
    part["porosity"].counts[3] = np.nan
    judged = confirm_window(filled_in(fit, fixed, part), seed=0)
    assert judged.verdict is None
    words = " ".join(confirmation_sentences(judged))
    assert "3 of 4 confirmation welds can be judged so far" in words
    assert f"{fixed.plan.welds[3].weld}: porosity still to be measured" in words


def test_a_scrapped_weld_is_no_pass_and_one_outside_the_window_does_not_count(fit):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    part = good_readings(4)
    for reading, blank in (
        (part["penetration"].values, np.nan),
        (part["porosity"].counts, np.nan),
        (part["trip"].tripped, np.nan),
    ):
        reading[0] = blank
    after = filled_in(fit, fixed, part)
    rows = [after.results.weld.index(weld.weld) for weld in fixed.plan.welds]
    status = list(after.results.status)
    status[rows[0]] = "scrapped"
    planned = after.results.planned.copy()
    planned[rows[1]] = (17.0, 5.0, 20.0)
    results = replace(after.results, status=tuple(status), planned=planned)
    judged = confirm_window(replace(after, results=results), seed=0)
    assert judged.verdict is None
    assert len(judged.outcomes) == 3
    words = " ".join(confirmation_sentences(judged))
    assert "scrapped, so not a pass" in words
    assert "planned outside the claimed window, so not counted" in words


# --- an old card, checked again


def test_an_old_claim_is_checked_again_with_a_rule_of_its_own(fit):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    claim = (fit.results.study.folder / NAME).read_bytes()
    with pytest.raises(CannotAnswerError, match="still waited for"):
        confirm_window(fit, seed=0, recheck=True)
    after = filled_in(fit, fixed)
    again = confirm_window(after, seed=0, recheck=True, welds=3)
    assert again.is_recheck
    assert again.rule == PassRule(welds=3, failures_allowed=0)
    assert again.verdict is None
    assert [path.name for path in write_confirmation(again)] == ["plan-3.csv", "results-3.csv"]
    assert again.plan.stage == 3
    assert (fit.results.study.folder / NAME).read_bytes() == claim
    waiting = confirm_window(after, seed=0)
    assert waiting.verdict is None
    assert waiting.plan.stage == 3
    assert waiting.plan.welds == again.plan.welds
    good = confirm_window(filled_in(after, again), seed=0)
    assert good.verdict == "not contradicted"
    assert good.is_recheck
    assert len(good.outcomes) == 3
    bad = good_readings(3)
    bad["trip"].tripped[0], bad["trip"].time_s[0] = 1.0, 12.0
    withdrawn = filled_in(after, again, bad)
    assert confirm_window(withdrawn, seed=0).verdict == "withdrawn"
    with pytest.raises(CannotAnswerError, match="this claim is withdrawn"):
        confirm_window(withdrawn, seed=0, recheck=True)


def test_without_a_claim_there_is_nothing_to_check_again(fit):
    with pytest.raises(CannotAnswerError, match="no old claim"):
        confirm_window(fit, seed=0, recheck=True)


def test_a_fit_that_did_not_settle_leaves_nothing_of_the_claim(fit):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    after = filled_in(fit, fixed)
    unsettled = replace(after, responses=(replace(after.responses[0], settled=False), *after.responses[1:]))
    judged = confirm_window(unsettled, seed=0)
    assert judged.support.confidence is None
    assert judged.verdict == "withdrawn"
    assert "a fit did not settle" in " ".join(confirmation_sentences(judged))


def test_kinds_and_single_settings_are_taken_down_and_read_back(bench):
    factors = (*bench.study().factors, Factor("wire", kinds=("A", "B")))
    study = bench.study(factors=factors)
    model = bench.hill(study, top=1.45, drop=1.8, unsure=0.005)
    made = bench.fit(study, {"penetration": model}, results=bench.results(study, bench.corners(study)))
    fixed = confirm_window(made, seed=1, welds=1)
    assert fixed.claim.single_setting
    assert fixed.box.low == fixed.box.high
    write_confirmation(fixed)
    again = confirm_window(made, seed=1)
    assert (again.box.low, again.plan.welds) == (fixed.box.low, fixed.plan.welds)
    words = " ".join(confirmation_sentences(fixed))
    assert "the setting voltage 20 V, feed 7 m/min, wire" in words
    assert "Rule, fixed beforehand: 1 weld at this setting; it must meet every requirement." in words
    other = replace(study, factors=(*factors[:2], Factor("wire", kinds=("C", "D"))))
    with pytest.raises(WouldOverwriteError) as caught:
        confirm_window(replace(made, results=replace(made.results, study=other)), seed=1)
    assert {"welds", "window.wire"} <= {fault.key for fault in caught.value.faults}


@pytest.mark.slow
def test_bad_windows_are_found_out_as_often_as_the_arithmetic_says(hinge, fit):
    """Welds made by a machine whose truth is known, at a setting that is no good: the rule is broken as foretold."""
    fixed = confirm_window(fit, seed=0)
    welder, n = WELDERS["hinge lugs"], 2000
    plan = replace(fixed.plan, welds=tuple(replace(w, settings=(22.3, 5.5, 70.0)) for w in fixed.plan.welds))
    truth = float(true_assurance(welder, hinge, plan.settings[:1])[0])
    assert 0.2 < truth < 0.85
    broken = 0
    for i in range(n):
        welds = tuple(replace(w, plate=f"P{k}") for k, w in enumerate(plan.welds))  # each on a plate of its own
        results = weld_plan(replace(plan, welds=welds), welder, rng=np.random.default_rng([4, i]))
        made = judge_welds(results, [0, 1, 2, 3], ("penetration", "porosity", "trip"))
        broken += any(outcome.passed is False for outcome in made)
    chance = chance_revealed(fixed.rule, truth)
    assert broken / n == pytest.approx(chance, abs=4 * np.sqrt(chance * (1 - chance) / n) + 0.02)


def test_the_report_is_told_where_the_claim_stands(fit):
    assert standing_confirmation(fit, seed=0) is None
    write_confirmation(confirm_window(fit, seed=0))
    standing = standing_confirmation(fit, seed=0)
    assert isinstance(standing, Confirmation)
    assert standing.to_dict() == confirm_window(fit, seed=0).to_dict()


# --- a verdict is fixed: later welds change what can be claimed anew, and not the verdict


def more_welds(fit, readings, *, role="next", stage=3, n=8):
    """Add welds of another role in a later stage, in the middle of the claimed window."""
    study = fit.results.study
    box = read_claim(study.folder).box(study)
    middle = tuple(float(d[len(d) // 2]) for d in box.dials)
    welds = tuple(PlannedWeld(f"N{i:02d}", f"Q{i}", 1, 100 + i, middle, None, role) for i in range(n))
    new = weld_plan(Plan(study, welds, 1, stage=stage), WELDERS["hinge lugs"], rng=np.random.default_rng(3))
    new = replace(new, readings=readings, status=("done",) * n, file=(f"results-{stage}.csv",) * n, role=(role,) * n)
    return fit_responses(joined(fit.results, new), seed=0)


def shallow(n, depth):
    readings = good_readings(n)
    readings["penetration"].values[:] = depth
    return readings


def test_a_claim_withdrawn_for_fallen_confidence_stays_withdrawn_when_welds_are_added(fit):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    withdrawn = filled_in(fit, fixed, shallow(4, 1.21))
    first = confirm_window(withdrawn, seed=0)
    assert first.verdict == "withdrawn"
    later = more_welds(withdrawn, good_readings(8))
    again = confirm_window(later, seed=0)
    assert again.verdict == "withdrawn"
    assert again.support.confidence == pytest.approx(first.support.confidence, abs=1e-12)
    assert again.held_now != again.support.confidence  # what all welds say is told beside, and is no verdict
    assert not again.stands


def test_passes_added_to_the_round_afterwards_do_not_turn_its_verdict(fit):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    withdrawn = filled_in(fit, fixed, shallow(4, 1.21))
    first = confirm_window(withdrawn, seed=0)
    again = confirm_window(more_welds(withdrawn, good_readings(8), role="confirm", stage=2), seed=0)
    assert len(again.outcomes) == 12
    assert again.verdict == "withdrawn"
    assert again.support.confidence == pytest.approx(first.support.confidence, abs=1e-12)


def test_a_failure_added_to_the_round_afterwards_counts(fit):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    after = filled_in(fit, fixed)
    assert confirm_window(after, seed=0).verdict == "not contradicted"
    assert (
        confirm_window(more_welds(after, shallow(1, 0.4), role="confirm", stage=2, n=1), seed=0).verdict == "withdrawn"
    )


def test_welds_made_since_a_verdict_do_not_move_it_but_a_claim_that_no_longer_holds_is_not_shown(fit):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    later = more_welds(filled_in(fit, fixed), shallow(8, 0.9))
    judged = confirm_window(later, seed=0)
    assert judged.verdict == "not contradicted"
    assert judged.now < 0.9
    assert not judged.stands
    window, _ = claimed_window(later, find_window(later, seed=0), seed=0)
    assert not window.standing.shows_claim
    assert window.standing.stamp == "NOT CONFIRMED"
    assert "it holds with only" in " ".join(window.standing.lines)


# --- a new claim in the place of an old one


def test_a_withdrawn_claim_makes_way_and_is_kept_beside(fit):
    folder = fit.results.study.folder
    with pytest.raises(CannotAnswerError, match="no old claim"):
        confirm_window(fit, seed=0, anew=True)
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    with pytest.raises(WouldOverwriteError, match="judge its confirmation welds first"):
        confirm_window(fit, seed=0, anew=True)
    good = filled_in(fit, fixed)
    with pytest.raises(WouldOverwriteError, match="not withdrawn, so no other takes its place"):
        confirm_window(good, seed=0, anew=True)
    old = (folder / NAME).read_bytes()
    bad = good_readings(4)
    bad["trip"].tripped[0], bad["trip"].time_s[0] = 1.0, 29.0
    withdrawn = filled_in(fit, fixed, bad)
    assert confirm_window(withdrawn, seed=0).window_now.found  # 29 of 30 s: hardly a worse machine
    anew = confirm_window(withdrawn, seed=0, anew=True)
    assert anew.plan.stage == 3
    assert (folder / NAME).read_bytes() == old  # nothing is written yet
    write_confirmation(anew)
    assert (folder / "claim.1.json").read_bytes() == old
    assert read_claim(folder) == anew.claim
    assert confirm_window(withdrawn, seed=0).verdict is None


def test_a_claim_for_another_question_makes_way_when_asked(fit):
    write_confirmation(confirm_window(fit, seed=0))
    study = replace(fit.results.study, claim=Claim(0.8, 0.9))
    results = replace(fit.results, study=study, file=("results-2.csv",) * fit.results.n_welds)
    anew = confirm_window(replace(fit, results=results), seed=0, anew=True)
    assert anew.claim.claim.reliability == 0.8


def test_a_check_of_an_old_claim_allows_no_failure(fit):
    with pytest.raises(StudyError, match="allows no failure"):
        confirm_window(fit, seed=0, recheck=True, failures_allowed=1)


# --- what the report shows


def test_without_a_claim_the_window_is_shown_as_it_was_found(fit):
    window = find_window(fit, seed=0)
    shown, confirmation = claimed_window(fit, window, seed=0)
    assert confirmation is None
    assert shown is window


def test_the_claimed_window_is_shown_with_its_stamp_welds_and_date(fit):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    waiting, _ = claimed_window(fit, find_window(fit, seed=0), seed=0)
    assert waiting.standing.stamp == "NOT CONFIRMED"
    assert "Not yet confirmed: 0 of 4" in waiting.standing.lines[0]
    after = filled_in(fit, fixed)
    n = after.results.n_welds
    times = ("",) * (n - 4) + ("2031-05-03 09:10", "2031-05-04T10:30", "yesterday", "")
    spools = ("A3",) * (n - 4) + ("B7",) * 4
    after = replace(after, results=replace(after.results, remarks={"time": times, "spool": spools}))
    shown, confirmation = claimed_window(after, find_window(after, seed=0), seed=0)
    box = shown.answer.box
    assert (box.low, box.high) == (fixed.box.low, fixed.box.high)
    assert box.confidence == pytest.approx(confirmation.support.confidence, abs=0.02)
    assert shown.standing.stamp == "NOT CONTRADICTED"
    (made,) = shown.standing.judged
    assert (made.passed, made.judged, made.date) == (4, 4, "2031-05-04")
    assert made.changed == ("spool: B7 (before: A3)",)
    assert "2031-05-04" in " ".join(shown.standing.lines)
    assert box.contains(shown.answer.best.settings)


def test_a_withdrawn_claim_shows_what_can_be_claimed_now(fit):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    after = filled_in(fit, fixed, shallow(4, 0.4))
    window = find_window(after, seed=0)
    shown, _ = claimed_window(after, window, seed=0)
    assert shown.answer is window.answer
    assert shown.standing.verdict == "withdrawn"
    assert not shown.standing.shows_claim
    assert shown.standing.lines[0].startswith("Claim withdrawn: 0 of 4")


def test_a_check_under_way_leaves_the_verdict_so_far(fit):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    after = filled_in(fit, fixed)
    write_confirmation(confirm_window(after, seed=0, recheck=True, welds=2))
    shown, _ = claimed_window(after, find_window(after, seed=0), seed=0)
    assert shown.standing.stamp == "NOT CONTRADICTED"
    assert "Not contradicted so far: 4 of 4" in shown.standing.lines[0]
    assert "Another check is under way" in " ".join(shown.standing.lines)


def test_a_check_of_a_confirmed_claim_looks_at_the_welds_alone_and_leaves_it_confirmed(fit):
    fixed = confirm_window(fit, seed=0, welds=22)
    write_confirmation(fixed)
    after = filled_in(fit, fixed)
    again = confirm_window(after, seed=0, recheck=True, welds=2)
    write_confirmation(again)
    close = filled_in(after, again, shallow(2, 1.21))
    judged = confirm_window(close, seed=0)
    assert judged.verdict == "not contradicted"
    assert judged.stands
    shown, _ = claimed_window(close, find_window(close, seed=0), seed=0)
    assert shown.standing.stamp == "CONFIRMED"
    assert [made.verdict for made in shown.standing.rounds] == ["confirmed", "not contradicted"]
    broken = confirm_window(filled_in(after, again, shallow(2, 0.4)), seed=0)
    assert broken.verdict == "withdrawn"
    assert not broken.stands


def test_a_claim_for_another_question_is_told_on_the_report_and_does_not_stop_it(fit):
    write_confirmation(confirm_window(fit, seed=0))
    study = replace(fit.results.study, claim=Claim(0.8, 0.9))
    other = replace(fit, results=replace(fit.results, study=study))
    window = find_window(other, seed=0)
    shown, confirmation = claimed_window(other, window, seed=0)
    assert confirmation is None
    assert shown.answer is window.answer
    assert shown.standing.stamp == "NOT CONFIRMED"
    words = " ".join(shown.standing.lines)
    assert "another question" in words
    assert "claim.reliability: claimed at 0.9, the study now asks for 0.8" in words
