from __future__ import annotations

import math
from dataclasses import replace

import pytest
from scipy import stats

from doe.rehearsal.summary import Share, first_claims, stratified, summarise


def test_wrong_claims_are_counted_a_study_and_a_claim(record, lost):
    records = [record, replace(record, wrong=True), lost, lost]
    summary = summarise(records)
    assert (summary.found.value, summary.wrong.value, summary.wrong_claims.value) == (0.5, 0.25, 0.5)
    assert summary.wrong.error == pytest.approx(math.sqrt(0.25 * 0.75 / 4))


def test_a_truth_without_a_good_setting_does_not_dilute_the_share(record, lost):
    barren = replace(lost, truth="no window", good_share=0.0, box_share=math.nan, true_window=False)
    summary = summarise([record, lost, barren, barren])
    assert summary.claimed_share.value == pytest.approx(0.1)
    assert summary.box_share.value == pytest.approx(0.2)
    assert summary.claimed_share.of == 2


def test_every_truth_weighs_the_same_and_its_scatter_enters_the_error(record):
    first = [replace(record, claimed_share=s) for s in (0.0, 0.2, 0.4, 0.6)]
    second = [replace(record, truth="edge window", claimed_share=s) for s in (0.5, 0.7)]
    average = stratified([*first, *second], "claimed_share")
    assert average.value == pytest.approx((0.3 + 0.6) / 2)
    variances = (0.2 / 3 / 4, 0.02 / 2)  # variance over number: .06667/4 and .02/2
    assert average.error == pytest.approx(math.sqrt(sum(variances)) / 2)


def test_one_study_a_truth_has_no_error_and_none_has_no_mean(record):
    assert math.isnan(stratified([record], "claimed_share").error)
    assert stratified([], "claimed_share").of == 0
    assert math.isnan(stratified([], "claimed_share").value)


def test_bands_that_are_not_there_are_left_out(record):
    records = [record, replace(record, point_trip=math.nan)]
    assert summarise(records).bands["point_trip"].of == 1


def test_the_user_who_stops_at_the_first_window_is_counted_there(record, lost):
    stages = [replace(lost, stages="8+4+4", stage=s, welds=8 + 4 * (s - 1)) for s in (1, 2, 3)]
    claims = [replace(stages[1], found=True, wrong=True), replace(stages[2], found=True)]
    stopped = first_claims([stages[0], *claims, *(replace(r, study=1) for r in stages)])
    assert [(r.study, r.stage, r.wrong) for r in stopped] == [(0, 2, True), (1, 3, False)]


def test_the_exact_upper_limit_is_that_of_the_textbook():
    # none of n: 1 - .05^(1/n); Clopper and Pearson 1934. All of n: 1.
    assert Share(0, 30).upper == pytest.approx(1 - 0.05 ** (1 / 30))
    assert Share(30, 30).upper == 1.0
    # 10 of 100, one-sided 95 %: .163, by the beta distribution as tabled; checked by its own definition
    assert stats.binom.cdf(10, 100, Share(10, 100).upper) == pytest.approx(0.05)


def test_the_chance_of_so_many_wrong_is_the_exact_binomial():
    # METHOD section 9: with 400 studies a rate fails when it is above 52
    assert Share(52, 400).above() > 0.025
    assert Share(53, 400).above() < 0.035
    assert Share(0, 20).above() == 1.0
    assert Share(3, 3).above() == pytest.approx(0.001)
    assert Share(0, 0).above() == 1.0
    assert math.isnan(Share(0, 0).value)
    assert math.isnan(Share(0, 0).error)
    assert math.isnan(Share(0, 0).upper)
