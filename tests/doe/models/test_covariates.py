"""Travel speed and stick-out: what the hand did sharpens the surface, and its wander stays in the claim."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.bench.results import Measurement, Results
from doe.coding import FloatArray
from doe.models.bands import confidence_band
from doe.models.fit import Points, ResponseFit
from doe.models.measure import MeasureModel, fit_measure
from doe.models.measure_posterior import MeasurePosterior
from doe.study.model import Factor, Study

MakeResults = Callable[..., Results]
TRAVEL, STICK = "travel speed [mm/s]", "stick-out [mm]"


def truth(coded: FloatArray) -> FloatArray:
    v, f, p = coded.T
    return np.asarray(2.5 + 0.5 * v + 0.4 * f + 0.2 * p - 0.3 * v * f - 0.4 * v**2 - 0.3 * f**2)


@dataclass(frozen=True, eq=False)
class Welded:
    """Coded settings, depths, and what the hand did, standardised: -.2 mm a unit of travel speed."""

    coded: FloatArray
    y: FloatArray
    travel: FloatArray


def weld(coded: FloatArray, rng: np.random.Generator, *, effect: float = -0.2, rest: float = 0.15) -> Welded:
    n = len(coded)
    travel, plates = rng.normal(size=n), np.repeat(rng.normal(0.0, 0.1, n // 2), 2)
    return Welded(coded, truth(coded) + plates + effect * travel + rng.normal(0.0, rest, n), travel)


@pytest.fixture
def welded(lug_settings: FloatArray) -> Welded:
    return weld(lug_settings, np.random.default_rng(5))


@pytest.fixture
def fit_of(lug_study: Study, make_results: MakeResults) -> Callable[..., ResponseFit]:
    def fit(welded: Welded, study: Study | None = None, **conditions: FloatArray) -> ResponseFit:
        measured = {{"travel": TRAVEL, "stickout": STICK}[name]: values for name, values in conditions.items()}
        asked = study or lug_study
        words = tuple(name for name in ("travel speed", "stick-out") for key in measured if key.startswith(name))
        asked = replace(asked, job=replace(asked.job, covariates=words))
        results = make_results(asked, welded.coded, {"depth": welded.y}, conditions=measured)
        return fit_measure(results, asked.responses[0], seed=1)

    return fit


@pytest.fixture
def region(lug_study: Study) -> Points:
    ends = np.linspace(-1.0, 1.0, 5)
    coded = np.array([(v, f, p) for v in ends for f in ends for p in (-1.0, 0.0, 1.0)])
    return Points(lug_study.coding.to_natural(coded))


def model_of(fit: ResponseFit) -> MeasureModel:
    assert isinstance(fit.model, MeasureModel)
    return fit.model


def draw(fit: ResponseFit, n: int = 4000) -> MeasurePosterior:
    return model_of(fit).draw(n, np.random.default_rng(9))


def width(fit: ResponseFit, points: Points) -> float:
    band = confidence_band(draw(fit), points, 0.9)
    return float(np.mean(band.high - band.low))


def many(rng: np.random.Generator, n: int = 240) -> FloatArray:
    preheat = np.repeat(rng.choice([-1.0, 0, 1], n // 2), 2)
    return np.column_stack([rng.choice(np.linspace(-1, 1, 6), n), rng.choice(np.linspace(-1, 1, 9), n), preheat])


# --- what a covariate gives, and what it must not take


def test_the_mean_is_known_better_with_the_travel_speed(
    lug_settings: FloatArray, fit_of: Callable[..., ResponseFit], region: Points
) -> None:
    ratio = []
    for k in range(8):
        made = weld(lug_settings, np.random.default_rng([3, k]))
        ratio.append(width(fit_of(made, travel=5 + 0.4 * made.travel), region) / width(fit_of(made), region))
    assert np.mean(ratio) < 0.96
    assert max(ratio) < 1.1


def test_the_wander_of_the_hand_stays_in_the_scatter_of_a_weld_to_come(
    fit_of: Callable[..., ResponseFit],
) -> None:
    rng = np.random.default_rng(32)
    made = weld(many(rng), rng)
    known, unknown = fit_of(made, travel=5 + 0.4 * made.travel), fit_of(made)
    assert_allclose(draw(known).weld_sd.mean(), np.hypot(0.2, 0.15), rtol=0.1)
    assert_allclose(draw(known).new_weld_sd.mean(), draw(unknown).new_weld_sd.mean(), rtol=0.05)
    slope = next(t for t in known.terms if t.term.startswith("travel speed"))
    assert slope.low < -0.2 * np.std(made.travel, ddof=1) < slope.high < 0.0
    assert slope.term not in {t.term for t in unknown.terms}
    scatter = known.numbers["covariates"]
    assert isinstance(scatter, dict)
    assert_allclose(scatter["travel speed"], 0.2, rtol=0.15)
    assert_allclose(np.std(model_of(known).residual), 0.15, rtol=0.25)
    assert_allclose(np.std(model_of(unknown).residual), 0.25, rtol=0.25)


def test_bands_of_the_mean_and_of_the_next_weld_cover_as_often_as_they_say(
    lug_settings: FloatArray, fit_of: Callable[..., ResponseFit], lug_study: Study
) -> None:
    coded = np.array([[0.2, 0.0, 0.0], [1.0, 1.0, 0.0], [-1.0, 0.0, 1.0]])
    points, covered, inside = Points(lug_study.coding.to_natural(coded)), [], []
    for k in range(40):
        rng = np.random.default_rng([7, k])
        made = weld(lug_settings, rng)
        posterior = draw(fit_of(made, travel=5 + 0.4 * made.travel), 600)
        band = confidence_band(posterior, points, 0.9)
        covered.append((band.low <= truth(coded)) & (truth(coded) <= band.high))
        low, high = posterior.weld_band(points, level=0.9)
        new = truth(coded) + rng.normal(0.0, np.sqrt(0.2**2 + 0.15**2 + 0.1**2), (50, 3))
        inside.append(((low <= new) & (new <= high)).mean())
    # three settings of one study go together: a standard error of .047 at worst for the first
    assert 0.80 <= np.mean(covered) <= 0.99
    assert 0.86 <= np.mean(inside) <= 0.97


def test_a_hand_that_follows_the_voltage_poisons_nothing(
    lug_settings: FloatArray, fit_of: Callable[..., ResponseFit], region: Points, lug_study: Study
) -> None:
    made = weld(lug_settings, np.random.default_rng(5), effect=0.0)
    in_step = 5 + 0.4 * (3 * lug_settings[:, 0] + 0.02 * np.random.default_rng(6).normal(size=16))
    known, unknown = fit_of(made, travel=in_step), fit_of(made)
    assert_allclose(width(known, region), width(unknown, region), rtol=0.15)
    mean = draw(known).mean(region).mean(axis=0)
    assert_allclose(mean, draw(unknown).mean(region).mean(axis=0), atol=0.1)
    assert np.abs(mean - truth(lug_study.coding.to_coded(region.natural))).max() < 0.5


def test_a_claim_at_other_settings_follows_the_habit_of_the_hand(
    fit_of: Callable[..., ResponseFit], lug_study: Study
) -> None:
    rng = np.random.default_rng(8)
    coded = many(rng)
    made = weld(coded, rng)
    # the hand goes faster at a high feed: what a weld at a high feed gives holds that, too
    follows = replace(made, y=made.y - 0.2 * 1.5 * coded[:, 1])
    fit = fit_of(follows, travel=5 + 0.4 * (made.travel + 1.5 * coded[:, 1]))
    ends = np.array([[0.0, -1.0, 0.0], [0.0, 1.0, 0.0]])
    mean = draw(fit).mean(Points(lug_study.coding.to_natural(ends))).mean(axis=0)
    assert_allclose(mean, truth(ends) - 0.2 * 1.5 * ends[:, 1], atol=0.12)


# --- the scatter of a weld to come holds what the hand does


def test_what_is_known_of_the_hand_makes_no_weld_look_steadier(
    lug_study: Study, fit_of: Callable[..., ResponseFit], lug_settings: FloatArray
) -> None:
    study = replace(lug_study, responses=(replace(lug_study.responses[0], expect_scatter=0.25),))
    ratio = []
    for k in range(12):
        rng = np.random.default_rng([11, k])
        made = weld(lug_settings, rng)
        hand = {"travel": 5 + 0.4 * made.travel, "stickout": 16 + 1.5 * rng.normal(size=16)}
        known, unknown = fit_of(made, study, **hand), fit_of(made, study)
        ratio.append(draw(known).weld_sd.mean() / draw(unknown).weld_sd.mean())
    assert_allclose(np.mean(ratio), 1.0, atol=0.01)


def test_a_large_scatter_goes_with_large_errors_of_the_surface(
    welded: Welded, fit_of: Callable[..., ResponseFit], lug_study: Study
) -> None:
    centre = Points(lug_study.coding.to_natural(np.zeros((1, 3))))
    for fit in (fit_of(welded, travel=5 + 0.4 * welded.travel), fit_of(welded)):
        posterior = draw(fit)
        mean, large = posterior.mean(centre)[:, 0], posterior.new_weld_sd > np.median(posterior.new_weld_sd)
        assert mean[large].std() > 1.2 * mean[~large].std()


@pytest.mark.parametrize("robust", [False, True])
def test_readings_at_their_limit_and_student_errors_go_with_covariates(
    robust: bool, lug_study: Study, welded: Welded, make_results: MakeResults
) -> None:
    job = replace(lug_study.job, covariates=("travel speed",))
    errors = "student t" if robust else "normal"
    study = replace(lug_study, job=job, responses=(replace(lug_study.responses[0], full=2.7, errors=errors),))
    values, full = np.minimum(welded.y, 2.7)[:, None], np.full(16, 2.7)
    assert 2 <= (values == 2.7).sum() <= 8
    conditions = {TRAVEL: 5 + 0.4 * welded.travel}
    results = make_results(study, welded.coded, {"depth": Measurement(values, full)}, conditions=conditions)
    fit = fit_measure(results, study.responses[0], seed=1)
    assert fit.settled
    assert next(t for t in fit.terms if t.term == "travel speed, per sd").estimate < -0.03


# --- when it is used


def test_a_constant_covariate_changes_nothing(welded: Welded, fit_of: Callable[..., ResponseFit]) -> None:
    steady, without = fit_of(welded, travel=np.full(16, 5.0)), fit_of(welded)
    assert steady.terms == without.terms
    assert steady.findings == (*without.findings, "Travel speed is the same for every weld: was each one measured?")
    assert steady.assumptions == without.assumptions


def test_a_covariate_written_down_for_half_the_welds_is_not_used_and_that_is_said(
    welded: Welded, fit_of: Callable[..., ResponseFit]
) -> None:
    half = np.where(np.arange(16) % 2, 5 + 0.4 * welded.travel, np.nan)
    fit = fit_of(welded, travel=half)
    assert fit.terms == fit_of(welded).terms
    said = "Travel speed was written down for 8 of 16 welds only and is not used: it is missing for W01, W03"
    assert any(said in text for text in fit.findings)


def test_one_missing_value_stands_at_the_mean_and_that_is_said(
    welded: Welded, fit_of: Callable[..., ResponseFit]
) -> None:
    travel = 5 + 0.4 * welded.travel
    travel[3] = np.nan
    fit = fit_of(welded, travel=travel)
    covariates = model_of(fit).covariates
    assert covariates.Z[3, 0] == 0.0
    assert not covariates.complete[3]
    assert_allclose([covariates.centre[0], covariates.scale[0]], [np.nanmean(travel), np.nanstd(travel, ddof=1)])
    assert any("1 of 16 welds lack a value and stand at the mean" in text for text in fit.assumptions)


def test_few_welds_with_a_covariate_do_not_use_it(welded: Welded, fit_of: Callable[..., ResponseFit]) -> None:
    few = Welded(welded.coded[:8], welded.y[:8], welded.travel[:8])
    fit = fit_of(few, travel=5 + 0.4 * few.travel)
    assert any("used from 10 on" in text for text in fit.findings)
    assert not model_of(fit).covariates.kept


def test_what_the_study_sets_itself_is_no_covariate(
    lug_study: Study, welded: Welded, fit_of: Callable[..., ResponseFit]
) -> None:
    speed = Factor("travel", "other", "mm/min", (250.0, 300.0, 350.0))
    study = replace(lug_study, factors=(*lug_study.factors[:2], speed))
    fit = fit_of(welded, study, travel=5 + 0.4 * welded.travel)
    assert not model_of(fit).covariates.kept
    assert "Travel speed is set by the plan, and so is no covariate." in fit.findings


def test_nothing_is_used_that_was_not_asked_for_and_what_was_asked_for_must_be_there(
    lug_study: Study, welded: Welded, fit_of: Callable[..., ResponseFit], make_results: MakeResults
) -> None:
    conditions = {TRAVEL: 5 + 0.4 * welded.travel}
    silent = make_results(lug_study, welded.coded, {"depth": welded.y}, conditions=conditions)
    assert fit_measure(silent, lug_study.responses[0], seed=1).terms == fit_of(welded).terms
    asked = replace(lug_study, job=replace(lug_study.job, covariates=("stick-out",)))
    fit = fit_measure(replace(silent, study=asked), asked.responses[0], seed=1)
    assert "Stick-out was to be used and was written down for no weld." in fit.findings


def test_two_covariates_enter_together_unless_they_are_one(welded: Welded, fit_of: Callable[..., ResponseFit]) -> None:
    other = 16 + 1.5 * np.random.default_rng(2).normal(size=16)
    both = model_of(fit_of(welded, travel=5 + 0.4 * welded.travel, stickout=other)).covariates
    assert both.names == ("travel speed", "stick-out")
    one = fit_of(welded, travel=5 + 0.4 * welded.travel, stickout=16 + 1.5 * welded.travel)
    assert model_of(one).covariates.names == ("travel speed",)
    assert any("Stick-out went in step with travel speed" in text for text in one.findings)


def test_the_claim_says_what_was_used_in_the_units_of_the_study(
    lug_study: Study, welded: Welded, fit_of: Callable[..., ResponseFit]
) -> None:
    travel = 5 + 0.4 * (welded.travel - welded.travel.mean()) / np.std(welded.travel, ddof=1)
    metric = " ".join(fit_of(welded, travel=travel).assumptions)
    assert "knows the travel speed of each weld" in metric
    assert "travel speed 300 mm/min on average, with a standard deviation of 24 mm/min" in metric
    assert "Nothing was taken off their scatter" in metric
    us = replace(lug_study, units="us", job=replace(lug_study.job, travel_speed_mm_s=4.5))
    said = " ".join(fit_of(welded, us, travel=travel).assumptions)
    assert "travel speed 11.8 in/min on average (the aim is 10.6 in/min), with a standard deviation of 0.94" in said


def test_one_absurd_travel_speed_makes_no_weld_look_steadier(
    welded: Welded, fit_of: Callable[..., ResponseFit]
) -> None:
    travel = 5 + 0.4 * welded.travel
    travel[5] = 0.2
    fit = fit_of(welded, travel=travel)
    assert fit.settled
    assert draw(fit).new_weld_sd.mean() > 0.9 * draw(fit_of(welded)).new_weld_sd.mean()


# --- the hand's own model


def test_the_hands_posterior_is_that_of_the_textbook_where_it_follows_nothing(
    welded: Welded, fit_of: Callable[..., ResponseFit]
) -> None:
    # independent of the settings, mean and variance are Student's and chi-squared's (Gelman et al. 2013, section 3.2)
    fit = fit_of(welded, travel=5 + 0.4 * welded.travel)
    hand = model_of(fit).covariates.draw_hand(40_000, np.random.default_rng(1))
    alone = np.all(hand.habit == 0.0, axis=(1, 2))
    assert 0.2 < alone.mean() < 0.9
    assert_allclose(np.mean(1.0 / hand.wander[alone, 0, 0]), 1.0, rtol=0.03)
    assert_allclose(np.var(hand.mean[alone, 0]), 15 / 13 / 16, rtol=0.05)


def test_the_hands_habit_and_wander_are_recovered_from_many_welds(fit_of: Callable[..., ResponseFit]) -> None:
    rng = np.random.default_rng(3)
    coded = many(rng, 400)
    made = weld(coded, rng)
    stick = 0.6 * made.travel + 0.8 * rng.normal(size=400)
    fit = fit_of(made, travel=5 + 0.4 * (made.travel + 1.5 * coded[:, 1]), stickout=16 + 1.5 * stick)
    covariates = model_of(fit).covariates
    hand = covariates.draw_hand(3000, np.random.default_rng(1))
    habit = hand.habit.mean(axis=0) * covariates.scale
    feed = [c.factors for c in model_of(fit).surface.columns if c.term_class == "first"].index(("feed",))
    assert_allclose(habit[feed], [0.4 * 1.5, 0.0], atol=0.3)
    assert_allclose(habit[feed][0], 0.4 * 1.5, atol=0.08)
    assert_allclose(np.delete(habit, feed, axis=0), 0.0, atol=0.25)
    wander = hand.wander.mean(axis=0) * np.outer(covariates.scale, covariates.scale)
    assert_allclose(wander, [[0.16, 0.36], [0.36, 2.25]], rtol=0.2)
