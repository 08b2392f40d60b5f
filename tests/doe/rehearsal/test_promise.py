"""The promise, quickly: whole studies on a few hard truths. The full calibration is ``python -m doe.rehearsal``.

It can fail: pooled over these truths, so many wrong claims that they would come in fewer than 1 of 100 runs at a true
share of 10 %, or bands that cover clearly less than they say. 150 studies show a share of 19 % with a chance of 9 in
10 (exact binomial).
"""

from __future__ import annotations

from dataclasses import replace

import pytest
from scipy import stats

from doe.rehearsal import INFORMED, TRUTHS, Setup
from doe.rehearsal.calibration import QUICK_TRUTHS, demo_study
from doe.rehearsal.rehearsal import run_many
from doe.rehearsal.studying import PlanShelf
from doe.rehearsal.summary import summarise

N_STUDIES = 30
SEED = 2026
SURELY = 0.01


@pytest.fixture(scope="module")
def records():
    study = demo_study()
    setups = [Setup(study, TRUTHS[name], INFORMED, (16,)) for name in QUICK_TRUTHS]
    runs = run_many(setups, range(N_STUDIES), seed=SEED, jobs=2, shelf=PlanShelf(starts=8))
    return [record for run in runs for record in run]


def assert_promise_kept(records):
    summary = summarise(records)
    assert summary.wrong.above(0.10) > SURELY
    assert summary.refused.count == 0


def assert_bands_hold(records):
    """No band covers less than its 90 % by more than 3 points and three Monte Carlo errors."""
    bands = summarise(records).bands
    for name in ("point_measure", "all_measure", "weld_measure", "point_count", "all_count"):
        assert bands[name].value > 0.87 - 3.0 * bands[name].error, name


def test_claims_keep_their_promise_on_hard_truths(records):
    assert len(records) == N_STUDIES * len(QUICK_TRUTHS)
    assert_promise_kept(records)


def test_windows_are_found_so_the_promise_is_not_kept_by_silence(records):
    winnable = [record for record in records if record.true_window]
    assert summarise(winnable).found.value > 0.15
    assert summarise(winnable).claimed_share.value > 0.01


def test_bands_hold_on_smooth_truths(records):
    assert_bands_hold([record for record in records if record.truth in {"hinge lugs", "just too many pores"}])


def test_these_checks_fail_where_the_promise_is_broken(records):
    n_wrong = int(stats.binom.isf(SURELY, len(records), 0.10)) + 1
    broken = [replace(r, found=True, wrong=k < n_wrong) for k, r in enumerate(records)]
    with pytest.raises(AssertionError):
        assert_promise_kept(broken)
    with pytest.raises(AssertionError):
        assert_bands_hold([replace(record, point_measure=record.point_measure * 0.8) for record in records])
    with pytest.raises(AssertionError):
        assert_bands_hold([replace(record, all_measure=float(k % 3 > 0)) for k, record in enumerate(records)])
