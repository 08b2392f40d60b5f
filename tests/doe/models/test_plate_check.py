"""Leave-one-plate-out prediction in numbers and words, and its false alarms."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from doe.bench.results import Counts, Measurement, Passes, Trips
from doe.models.count import fit_count
from doe.models.left_out import group_welds, predict_left_out
from doe.models.measure import fit_measure
from doe.models.passing import fit_passing
from doe.models.plate_check import check_count, check_measure, check_outcomes, predict_groups
from doe.models.reweighting import make_cloud
from doe.models.trip import fit_trip
from doe.study.model import Response

NAMES = tuple(f"W{i + 1:02}" for i in range(16))
GROUPS = group_welds([f"P{i // 2}" for i in range(16)])
PORES = Response("porosity", "count", at_most=2.0, per_mm=100.0)
FUSED = Response("fused", "pass")


@pytest.fixture
def measure(lug_study, lug_settings, make_results):
    def fit(y, **changes):
        response = replace(lug_study.responses[0], **changes)
        study = replace(lug_study, responses=(response,))
        reading = Measurement(y[:, None], np.full(16, np.inf if response.full is None else response.full))
        return fit_measure(make_results(study, lug_settings, {"depth": reading}), response, seed=1).model

    return fit


@pytest.fixture
def readings(lug_settings):
    rng = np.random.default_rng(8)
    return 2.0 + 0.5 * lug_settings[:, 1] + 0.1 * np.repeat(rng.normal(size=8), 2) + 0.2 * rng.normal(size=16)


@pytest.fixture
def cloud(lug_study, lug_settings, make_results):
    def cloud(response, readings, fit):
        study = replace(lug_study, responses=(response,))
        model = fit(make_results(study, lug_settings, {response.name: readings}), response, seed=1).model
        return make_cloud(model, np.random.default_rng(1))

    return cloud


def test_the_size_is_that_of_the_predictions(measure, readings):
    model = measure(readings, expect_scatter=0.2)
    found = check_measure(model, NAMES, GROUPS)
    miss, inside = [], 0
    for p in range(8):
        rows = np.array([2 * p, 2 * p + 1])
        predicted = predict_left_out(model.nodes, readings, rows)
        miss += (readings[rows] - predicted.mean).tolist()
        low, high = predicted.quantile(0.05), predicted.quantile(0.95)
        inside += int(((low <= readings[rows]) & (readings[rows] <= high)).sum())
    assert found.miss == pytest.approx(np.sqrt(np.mean(np.square(miss))))
    assert found.seen == inside
    assert found.expected == pytest.approx(14.4)
    assert found.chance == pytest.approx(stats.binom.sf(16 - inside - 1, 16, 0.1))
    assert found.by == "plate"
    assert not found.is_doubtful
    assert found.sentence.startswith(f"Predicted from the other plates, {inside} of 16 readings of depth lie inside")
    assert "The stated scatter between welds is 0.2 mm." in found.sentence
    assert found.to_dict()["miss"] == found.miss


def test_predictions_stand_in_the_order_of_the_welds(measure, readings):
    model = measure(readings)
    shuffled = group_welds([f"P{p}" for p in (0, 1, 2, 3, 4, 5, 6, 7) * 2])
    predicted = predict_groups(model, readings, shuffled)
    alone = predict_left_out(model.nodes, readings, np.array([3, 11]))
    np.testing.assert_allclose(predicted.mean[[3, 11]], alone.mean)


def test_a_burn_through_is_not_judged(measure, readings):
    y = np.minimum(readings, np.sort(readings)[-2])
    found = check_measure(measure(y, full=float(y.max())), NAMES, GROUPS)
    assert found.n == 14
    assert "2 that only say “at least” were not judged." in found.sentence


def test_readings_that_no_other_plate_foretells_are_named(measure, readings):
    """A scatter stated far too small, and four readings far off."""
    y = readings.copy()
    y[[1, 4, 9, 14]] += [0.8, -0.8, 0.9, -0.9]
    model = measure(readings, expect_scatter=0.05)
    tight = replace(model, usable=replace(model.usable, y=y), nodes=replace(model.nodes, prior=_sure(model.nodes)))
    found = check_measure(tight, NAMES, GROUPS)
    assert found.is_doubtful
    assert "only" in found.sentence
    assert "were they welded or read in another way?" in found.sentence
    outside = set()
    for rows in np.arange(16).reshape(8, 2):
        predicted = predict_left_out(tight.nodes, y, rows)
        out = (y[rows] < predicted.quantile(0.05)) | (y[rows] > predicted.quantile(0.95))
        outside |= {NAMES[i] for i in rows[out]}
    assert set(found.furthest) == outside
    assert len(outside & {"W02", "W05", "W10", "W15"}) >= 2


def _sure(nodes):
    """A prior as sure of a small scatter as two hundred welds."""
    return replace(nodes.prior, nu0=200.0, s0=0.1)


def test_counts_are_judged_by_their_stepped_bands(cloud):
    counts = np.random.default_rng(4).poisson(3.0, 16).astype(float)
    made = cloud(PORES, Counts(counts, np.full(16, 300.0)), fit_count)
    found = check_count(PORES, made, NAMES, groups=GROUPS, rng=np.random.default_rng(1))
    assert found.n == 16
    assert 14.4 <= found.expected <= 16.0  # the steps of a count make the band hold more than its level
    assert f"{counts.sum():.0f} were counted in all" in found.sentence
    assert not found.is_doubtful


def test_counts_out_of_all_proportion_are_named(cloud):
    counts = np.ones(16)
    made = cloud(PORES, Counts(counts, np.full(16, 300.0)), fit_count)
    wild = counts.copy()
    wild[[0, 5, 8, 13]] = 60.0
    data = replace(made.model.data, counts=wild)
    found = check_count(
        PORES,
        replace(made, model=replace(made.model, data=data)),  # predicted as if each other count were 1
        NAMES,
        groups=GROUPS,
        rng=np.random.default_rng(1),
    )
    assert found.is_doubtful
    assert set(found.furthest) == {"W01", "W06", "W09", "W14"}


def test_failures_are_judged_by_the_poisson_binomial_distribution(cloud):
    passed = (np.random.default_rng(5).random(16) < 0.7).astype(float)
    made = cloud(FUSED, Passes(passed), fit_passing)
    found = check_outcomes(FUSED, made, NAMES, groups=GROUPS, rng=np.random.default_rng(1))
    assert found.n == 16
    assert found.seen == 16 - passed.sum()
    assert found.sentence.startswith("fused: predicted from the other plates,")
    assert not found.is_doubtful
    wrong = replace(made, model=replace(made.model, passed=np.zeros(16)))
    doubted = check_outcomes(FUSED, wrong, NAMES, groups=GROUPS, rng=np.random.default_rng(1))
    assert doubted.is_doubtful
    assert "does not foretell" in doubted.sentence


def test_trips_without_a_known_outcome_are_not_judged(lug_study, lug_settings, make_results):
    trip = Response("trip", "trip", hold_s=30.0)
    trips = Trips(np.zeros(16), np.full(16, 20.0))  # all held, but not for as long as is required
    study = replace(lug_study, responses=(trip,))
    model = fit_trip(make_results(study, lug_settings, {"trip": trips}), trip, seed=1).model
    made = make_cloud(model, np.random.default_rng(1))
    assert check_outcomes(trip, made, NAMES, groups=GROUPS, rng=np.random.default_rng(1)) is None


def test_each_check_is_for_its_kind(cloud):
    counts = cloud(PORES, Counts(np.ones(16), np.full(16, 300.0)), fit_count)
    passes = cloud(FUSED, Passes(np.tile([1.0, 0.0], 8)), fit_passing)
    rng = np.random.default_rng(1)
    with pytest.raises(TypeError, match="is not a count"):
        check_count(FUSED, passes, NAMES, groups=GROUPS, rng=rng)
    with pytest.raises(TypeError, match="is a count"):
        check_outcomes(PORES, counts, NAMES, groups=GROUPS, rng=rng)
