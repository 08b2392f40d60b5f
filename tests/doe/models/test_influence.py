"""Influential welds: what moves the answer is named, and nothing is dropped."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from doe.bench.results import Counts, Measurement, Passes, Trips
from doe.models.count import CountPosterior, fit_count
from doe.models.fit import Points
from doe.models.influence import FAR, MUCH, influence_on_drawn, influence_on_measure
from doe.models.left_out import leave_each_out
from doe.models.measure import fit_measure
from doe.models.outcomes import chances_of_good
from doe.models.passing import fit_passing
from doe.models.reweighting import make_cloud
from doe.models.trip import fit_trip
from doe.study.model import Response, Supply

NAMES = tuple(f"W{i + 1:02}" for i in range(16))
PORES = Response("porosity", "count", at_most=2.0, per_mm=100.0)


@pytest.fixture
def at(lug_study):
    return lug_study.coding.to_natural(np.zeros((1, 3)))[0]


@pytest.fixture
def measure(lug_study, lug_settings, make_results):
    def fit(y):
        return fit_measure(make_results(lug_study, lug_settings, {"depth": y}), lug_study.responses[0], seed=1).model

    return fit


@pytest.fixture
def cloud(lug_study, lug_settings, make_results):
    def cloud(response, readings, fit, **fields):
        study = replace(lug_study, responses=(response,), supply=Supply(230.0, 16.0, "C"))
        model = fit(make_results(study, lug_settings, {response.name: readings}, **fields), response, seed=1).model
        return make_cloud(getattr(model, "breaker", model), np.random.default_rng(1))

    return cloud


def made_readings(coded, rng):
    return 2.0 + 0.5 * coded[:, 1] - 0.3 * coded[:, 0] ** 2 + 0.15 * rng.normal(size=16)


def test_a_gross_misreading_is_asked_about_and_kept(measure, lug_settings, at):
    y = made_readings(lug_settings, np.random.default_rng(1))
    y[6] += 2.5
    model = measure(y)
    found = influence_on_measure(model, NAMES, at, place="the middle", rng=np.random.default_rng(1))
    assert "W07" in found.asked
    assert found.surprise[6] < FAR
    assert found.sentences[0].startswith(f"W07 reads {y[6]:.3g} mm where the other welds say about")
    assert "It was kept." in found.sentences[0]
    asked = [line for line in found.sentences if '`errors = "student t"` for depth in study.toml' in line]
    assert asked == [line for line in found.sentences if "where the other welds say" in line][-1:]
    assert asked[0].endswith("Chosen after the readings were seen, that has to be reported.")
    assert model.usable.n == 16


def test_student_errors_take_a_misreading_out_of_the_fitted_mean(lug_study, lug_settings, make_results, at):
    """The same misreading, asked about by the fit itself, and what is said of its influence is of that fit."""
    y = made_readings(lug_settings, np.random.default_rng(1))
    y[6] += 2.5
    student = replace(lug_study.responses[0], errors="student t")
    fits = {
        response.errors: fit_measure(make_results(lug_study, lug_settings, {"depth": y}), response, seed=1)
        for response in (lug_study.responses[0], student)
    }
    shift = {
        errors: influence_on_measure(fit.model, NAMES, at, place="the middle", rng=np.random.default_rng(1))
        for errors, fit in fits.items()
    }
    assert "W07" in shift["student t"].asked
    assert shift["student t"].surprise[6] < shift["normal"].surprise[6]
    model = fits["student t"].model
    left = leave_each_out(model.nodes, y, len(model.surface.columns))
    welded = model.surface.matrix(lug_study.coding.to_natural(lug_settings))
    np.testing.assert_allclose(welded @ left.coefficients, model.fitted, atol=0.1)
    np.testing.assert_allclose(welded @ left.without[6], model.fitted, atol=0.15)
    assert np.abs(fits["normal"].model.fitted - model.fitted).max() > 0.4
    said = [*fits["student t"].findings, *shift["student t"].sentences]
    assert len([line for line in said if line.startswith("W07 reads")]) == 1
    assert not any("errors =" in line for line in said)


def test_shifts_are_counted_in_standard_errors(measure, lug_settings, at):
    model = measure(made_readings(lug_settings, np.random.default_rng(2)))
    found = influence_on_measure(model, NAMES, at, place="the middle", rng=np.random.default_rng(1))
    left = leave_each_out(model.nodes, model.usable.y, len(model.surface.columns))
    draws = model.draw(4000, np.random.default_rng(5)).mean(Points(at[None]))[:, 0]
    x = model.surface.matrix(at[None])[0]
    np.testing.assert_allclose(found.shift, (left.without - left.coefficients) @ x / draws.std(), rtol=0.15)
    assert set(found.term) <= set(model.surface.to_monomials()[0])
    printed = found.to_dict()
    sizes = [abs(row["shift_se"]) for row in printed["welds"]]
    assert sizes == sorted(sizes, reverse=True)
    assert len(sizes) == 16


def test_a_weld_that_moves_the_answer_is_named_with_what_it_would_be(measure, lug_settings, at):
    y = made_readings(lug_settings, np.random.default_rng(1))
    y[6] += 2.5
    found = influence_on_measure(measure(y), NAMES, at, place="the middle", rng=np.random.default_rng(1))
    calm = influence_on_measure(
        measure(made_readings(lug_settings, np.random.default_rng(2))),
        NAMES,
        at,
        place="the middle",
        rng=np.random.default_rng(1),
    )
    assert not calm.is_doubtful
    assert not any("student t" in line for line in calm.sentences)
    assert calm.sentences[-1].startswith("No weld moves the fitted depth at the middle much: without")
    assert np.abs(calm.shift).max() < MUCH
    most = NAMES[int(np.argmax(np.abs(found.shift)))]
    assert f"ithout {most} " in found.sentences[-1]
    assert "instead of" in found.sentences[-1]
    assert found.is_doubtful


def test_a_burn_through_has_no_surprise(lug_study, lug_settings, make_results, at):
    y = np.minimum(made_readings(lug_settings, np.random.default_rng(3)), 2.2)
    study = replace(lug_study, responses=(replace(lug_study.responses[0], full=2.2),))
    results = make_results(study, lug_settings, {"depth": Measurement(y[:, None], np.full(16, 2.2))})
    model = fit_measure(results, study.responses[0], seed=1).model
    found = influence_on_measure(model, NAMES, at, place="the middle", rng=np.random.default_rng(1))
    assert np.isnan(found.surprise[y == 2.2]).all()
    assert any(row["surprise"] is None for row in found.to_dict()["welds"])


def test_a_count_out_of_all_proportion_is_asked_about(cloud, at):
    counts = np.ones(16)
    counts[5] = 80.0
    made = cloud(PORES, Counts(counts, np.full(16, 300.0)), fit_count)
    mean = CountPosterior(made.model.surface, made.x, 2).mean(Points(at[None]))[:, 0]
    found = influence_on_drawn(PORES, made, NAMES, mean=mean, place="the middle")
    assert "W06" in found.asked
    assert any(line.startswith("W06 has 80 (porosity) where the other welds say about") for line in found.sentences)
    assert "expected count (porosity) at the middle" in found.sentences[-1]


def test_the_surprise_of_a_count_is_that_of_the_others(cloud, at):
    counts = np.random.default_rng(4).poisson(2.0, 16).astype(float)
    made = cloud(PORES, Counts(counts, np.full(16, 300.0)), fit_count)
    mean = CountPosterior(made.model.surface, made.x, 2).mean(Points(at[None]))[:, 0]
    found = influence_on_drawn(PORES, made, NAMES, mean=mean, place="the middle")
    i = int(np.argmax(counts))
    w, size = made.weights(np.array([i])), np.exp(-made.x[:, -1])
    mu = 3.0 * np.exp(made.x[:, :-1] @ made.model.data.X[i])
    upper = w @ stats.nbinom.sf(counts[i] - 1, size, size / (size + mu))
    lower = w @ stats.nbinom.cdf(counts[i], size, size / (size + mu))
    chance = min(1.0, 2.0 * min(upper, lower))
    assert found.surprise[i] == pytest.approx(1.0 - (1.0 - chance) ** 16, rel=1e-3)


def test_an_outcome_that_nobody_expected_is_asked_about(cloud, lug_settings, at):
    fused = Response("fused", "pass")
    passed = np.ones(16)
    made = cloud(fused, Passes(passed), fit_passing)
    odd = replace(made, model=replace(made.model, passed=np.where(np.arange(16) == 10, 0.0, 1.0)))
    found = influence_on_drawn(fused, odd, NAMES, mean=chances_of_good(made.model, made.x)[:, 0], place="the middle")
    w = made.weights(np.array([10]))
    chance = 1.0 - w @ chances_of_good(made.model, made.x)[:, 10]
    assert found.surprise[10] == pytest.approx(1.0 - (1.0 - chance) ** 16)
    assert "chance to pass (fused) at the middle" in found.sentences[-1]


def test_a_breakers_terms_are_its_constant_and_its_load(cloud, lug_settings):
    trip = Response("trip", "trip", hold_s=30.0)
    ratio = 1.9 * np.exp(0.1 * lug_settings[:, 0] + 0.25 * lug_settings[:, 1])
    time_s = 90.0 * (ratio / 1.9) ** -4.5
    trips = Trips((time_s < 60.0).astype(float), np.minimum(time_s, 60.0))
    made = cloud(trip, trips, fit_trip, conditions={"line current [A]": 16.0 * ratio})
    found = influence_on_drawn(trip, made, NAMES, mean=chances_of_good(made.model, made.x)[:, 0], place="the middle")
    assert set(found.term) <= {"constant", "load"}
    assert "chance to hold (trip) at the middle" in found.sentences[-1]
