from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from doe.bench.results import Measurement, Results
from doe.coding import FloatArray
from doe.models.bands import confidence_band
from doe.models.fit import Points, ResponseFit
from doe.models.measure import MeasureModel, fit_measure
from doe.models.measure_posterior import MeasurePosterior
from doe.models.sampling import NOT_SETTLED
from doe.study.model import Factor, PlanWishes, Study

MakeResults = Callable[..., Results]
PLATES = np.arange(16) // 2


def truth(coded: FloatArray) -> FloatArray:
    v, f, p = coded[:, 0], coded[:, 1], coded[:, 2]
    return np.asarray(2.5 + 0.5 * v + 0.4 * f + 0.2 * p - 0.3 * v * f - 0.4 * v**2 - 0.3 * f**2)


def made_readings(coded: FloatArray, rng: np.random.Generator, *, weld: float = 0.25, plate: float = 0.2) -> FloatArray:
    n = len(coded)
    return truth(coded) + plate * np.repeat(rng.normal(size=n // 2), 2) + weld * rng.normal(size=n)


@pytest.fixture
def readings(lug_settings: FloatArray) -> FloatArray:
    return made_readings(lug_settings, np.random.default_rng(8))


def with_response(study: Study, **changes: object) -> Study:
    return replace(study, responses=(replace(study.responses[0], **changes),))  # type: ignore[arg-type]


def fit_depth(results: Results, seed: int = 1) -> ResponseFit:
    return fit_measure(results, results.study.responses[0], seed=seed)


def model_of(fit: ResponseFit) -> MeasureModel:
    assert isinstance(fit.model, MeasureModel)
    return fit.model


def draw(fit: ResponseFit, n: int = 4000, seed: int = 9) -> MeasurePosterior:
    return model_of(fit).draw(n, np.random.default_rng(seed))


@pytest.fixture
def region(lug_study: Study) -> Points:
    ends = np.linspace(-1.0, 1.0, 5)
    coded = np.array([(v, f, p) for v in ends for f in ends for p in (-1.0, 0.0, 1.0)])
    return Points(lug_study.coding.to_natural(coded))


# --- what comes out


def test_the_fit_prints_what_the_interface_names(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults
) -> None:
    fit = fit_depth(make_results(lug_study, lug_settings, {"depth": readings}))
    printed = fit.to_dict()
    assert printed["kind"] == "measure"
    assert printed["n"] == 16
    assert {"constant", "voltage", "voltage*feed", "voltage^2"} <= {t.term for t in fit.terms}
    spread = printed["spread"]
    assert isinstance(spread, dict)
    assert set(spread) == {"weld", "plate", "reading"}
    assert spread["reading"] is None
    residual_df = printed["residual_df"]
    assert isinstance(residual_df, float)
    assert 16 - 19 < residual_df < 15
    assert fit.settled
    assert fit.can_claim
    assert fit.findings == ()
    for term in fit.terms:
        assert term.low < term.estimate < term.high
        assert term.se > 0.0


def test_known_coefficients_and_scatters_are_recovered_from_many_welds(
    lug_study: Study, make_results: MakeResults
) -> None:
    rng = np.random.default_rng(12)
    coded = np.column_stack(
        [
            rng.choice(np.linspace(-1, 1, 6), 240),
            rng.choice(np.linspace(-1, 1, 9), 240),
            np.repeat(rng.choice([-1.0, 0, 1], 120), 2),
        ]
    )
    y = made_readings(coded, rng, weld=0.25, plate=0.3)
    fit = fit_depth(make_results(lug_study, coded, {"depth": y}))
    known = {
        "constant": 2.5,
        "voltage": 0.5,
        "feed": 0.4,
        "preheat": 0.2,
        "voltage*feed": -0.3,
        "voltage^2": -0.4,
        "feed^2": -0.3,
    }
    for term in fit.terms:
        assert abs(term.estimate - known.get(term.term, 0.0)) < 4.0 * term.se, term
    assert max(term.se for term in fit.terms if term.term in known) < 0.15
    spread = fit.numbers["spread"]
    assert isinstance(spread, dict)
    assert_allclose([spread["weld"], spread["plate"]], [0.25, 0.3], rtol=0.15)


def test_residuals_are_readings_less_fitted_means(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults
) -> None:
    y = readings.copy()
    y[4] = np.nan
    model = model_of(fit_depth(make_results(lug_study, lug_settings, {"depth": y})))
    assert model.usable.used.tolist() == [i != 4 for i in range(16)]
    assert_allclose(model.fitted + model.residual, np.delete(y, 4))
    assert np.abs(model.residual).max() < 1.0


def test_the_same_seed_gives_the_same_draws(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults
) -> None:
    results = make_results(lug_study, lug_settings, {"depth": readings})
    first, second = fit_depth(results), fit_depth(results)
    assert first.terms == second.terms
    assert_allclose(draw(first).coefficients, draw(second).coefficients, rtol=0)
    assert draw(first, n=123).n_draws == 123


# --- invariance


def test_the_unit_of_the_readings_does_not_matter(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults, region: Points
) -> None:
    mm = fit_depth(make_results(lug_study, lug_settings, {"depth": readings}))
    in_inches = with_response(lug_study, unit="in", at_least=1.2 / 25.4)
    inches = fit_depth(make_results(in_inches, lug_settings, {"depth": readings / 25.4}))
    assert_allclose(draw(inches).mean(region) * 25.4, draw(mm).mean(region), rtol=1e-9)
    assert_allclose(draw(inches).failure(region), draw(mm).failure(region), atol=1e-9)


def test_moving_every_reading_moves_the_mean_alone(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults, region: Points
) -> None:
    low = draw(fit_depth(make_results(lug_study, lug_settings, {"depth": readings})))
    high = draw(fit_depth(make_results(lug_study, lug_settings, {"depth": readings + 1000.0})))
    assert_allclose(high.mean(region) - low.mean(region), 1000.0, atol=1e-8)


def test_the_order_of_rows_and_of_factors_does_not_matter(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults, region: Points
) -> None:
    plain = draw(fit_depth(make_results(lug_study, lug_settings, {"depth": readings})), n=20_000)
    rows = np.random.default_rng(3).permutation(16)
    turned = replace(lug_study, factors=lug_study.factors[::-1])
    plate = tuple(f"P{k}" for k in PLATES[rows])
    results = make_results(turned, lug_settings[rows][:, ::-1], {"depth": readings[rows]}, plate=plate)
    other = draw(fit_depth(results), n=20_000)
    mine, theirs = plain.mean(region), other.mean(Points(region.natural[:, ::-1]))
    sd = mine.std(axis=0)
    assert_allclose((mine.mean(axis=0) - theirs.mean(axis=0)) / sd, 0.0, atol=0.05)
    assert_allclose(theirs.std(axis=0) / sd, 1.0, atol=0.05)


@pytest.mark.parametrize("n_kinds", [2, 3])
def test_the_order_of_kinds_does_not_matter(n_kinds: int, lug_study: Study, make_results: MakeResults) -> None:
    rng = np.random.default_rng(5)
    kinds = ("A", "B", "C")[:n_kinds]
    study = replace(lug_study, factors=(*lug_study.factors[:2], Factor("wire", kinds=kinds)))
    turned = replace(study, factors=(*study.factors[:2], Factor("wire", kinds=kinds[::-1])))
    coded = np.column_stack([rng.choice([-1.0, 0.0, 1.0], (18, 2)), np.arange(18) % n_kinds])
    y = 2.0 + 0.4 * coded[:, 0] + 0.3 * coded[:, 2] + 0.2 * rng.normal(size=18)
    backwards = np.column_stack([coded[:, :2], n_kinds - 1 - coded[:, 2]])
    plain = draw(fit_depth(make_results(study, coded, {"depth": y})), n=20_000)
    other = draw(fit_depth(make_results(turned, backwards, {"depth": y})), n=20_000)
    mine = plain.mean(Points(study.coding.to_natural(coded)))
    theirs = other.mean(Points(turned.coding.to_natural(backwards)))
    assert_allclose((mine.mean(axis=0) - theirs.mean(axis=0)) / mine.std(axis=0), 0.0, atol=0.05)
    assert_allclose(theirs.std(axis=0) / mine.std(axis=0), 1.0, atol=0.05)


def test_a_kind_is_reported_as_its_difference_from_the_first(lug_study: Study, make_results: MakeResults) -> None:
    rng = np.random.default_rng(6)
    study = replace(lug_study, factors=(*lug_study.factors[:2], Factor("wire", kinds=("A", "B", "C"))))
    coded = np.column_stack([rng.choice([-1.0, 0.0, 1.0], (60, 2)), np.arange(60) % 3])
    y = np.array([2.0, 2.6, 1.5])[coded[:, 2].astype(int)] + 0.1 * rng.normal(size=60)
    terms = {t.term: t.estimate for t in fit_depth(make_results(study, coded, {"depth": y})).terms}
    assert_allclose([terms["wire=B"], terms["wire=C"]], [0.6, -0.5], atol=0.15)
    assert "wire=A" not in terms


# --- the next weld, and what fails


def test_failure_is_the_tail_of_the_normal_distribution_of_a_new_weld(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults, region: Points
) -> None:
    posterior = draw(fit_depth(make_results(lug_study, lug_settings, {"depth": readings})), n=150)
    mean, sd = posterior.mean(region), posterior.new_weld_sd[:, None]
    assert_allclose(posterior.failure(region), stats.norm.cdf(1.2, mean, sd), atol=1e-10)
    assert_allclose(posterior.new_weld_sd**2, posterior.weld_sd**2 + posterior.plate_sd**2)
    upper = replace(posterior, response=replace(posterior.response, at_least=None, at_most=2.8))
    assert_allclose(upper.failure(region), stats.norm.sf(2.8, mean, sd), atol=1e-10)
    both = replace(posterior, response=replace(posterior.response, at_most=2.8))
    passed = stats.norm.cdf(2.8, mean, sd) - stats.norm.cdf(1.2, mean, sd)
    assert_allclose(1.0 - both.failure(region), passed, atol=1e-10)


def test_without_a_requirement_there_is_a_fit_but_no_failure(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults, region: Points
) -> None:
    study = with_response(lug_study, at_least=None)
    posterior = draw(fit_depth(make_results(study, lug_settings, {"depth": readings})))
    assert posterior.mean(region).shape == (4000, 75)
    with pytest.raises(ValueError, match="depth has no requirement"):
        posterior.failure(region)


def test_the_prediction_band_is_that_of_simulated_welds(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults
) -> None:
    posterior = draw(fit_depth(make_results(lug_study, lug_settings, {"depth": readings})))
    points = Points(lug_study.coding.to_natural(np.array([[0.0, 0.0, 0.0], [1.0, 1.0, 1.0], [-1.0, 1.0, -1.0]])))
    rng = np.random.default_rng(10)
    welds = posterior.mean(points)[:, None, :] + posterior.new_weld_sd[:, None, None] * rng.normal(size=(4000, 100, 3))
    low, high = posterior.weld_band(points, level=0.9)
    simulated = np.quantile(welds.reshape(-1, 3), [0.05, 0.95], axis=0)
    assert_allclose(np.stack([low, high]), simulated, atol=0.01 * np.ptp(simulated))


def test_one_weld_a_plate_has_no_plate_scatter(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults
) -> None:
    study = replace(lug_study, plan=PlanWishes(welds_per_plate=1))
    fit = fit_depth(make_results(study, lug_settings, {"depth": readings}))
    spread = fit.numbers["spread"]
    assert isinstance(spread, dict)
    assert spread["plate"] is None
    assert not draw(fit).plate_sd.any()


def test_a_new_day_adds_its_scatter(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults
) -> None:
    days = tuple("first day" if i < 8 else "second day" for i in range(16))
    shifted = readings + np.where(np.arange(16) < 8, 0.0, 1.5)
    fit = fit_depth(make_results(lug_study, lug_settings, {"depth": shifted}, block=days))
    posterior = draw(fit)
    assert posterior.block_sd.mean() > 0.1
    apart = posterior.new_weld_sd**2 - posterior.weld_sd**2 - posterior.plate_sd**2
    assert_allclose(apart, posterior.block_sd**2, atol=1e-12)
    spread = fit.numbers["spread"]
    assert isinstance(spread, dict)
    assert spread["block"] > 0.0
    # the shift between the days is told from the settings: the slopes stay where they were
    slopes = {t.term: t for t in fit.terms}
    assert abs(slopes["voltage"].estimate - 0.5) < 4 * slopes["voltage"].se


def test_each_stage_is_a_block_where_no_block_was_named(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults
) -> None:
    files = ("results.csv",) * 8 + ("results-2.csv",) * 8
    fit = fit_depth(make_results(lug_study, lug_settings, {"depth": readings}, file=files))
    assert "block" in fit.numbers["spread"]  # type: ignore[operator]


def test_a_shift_between_stages_is_estimated_but_not_expected_of_welds_to_come(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults
) -> None:
    files = ("results.csv",) * 8 + ("results-2.csv",) * 8
    shifted = readings + np.where(np.arange(16) < 8, 0.0, 1.5)
    fit = fit_depth(make_results(lug_study, lug_settings, {"depth": shifted}, file=files))
    posterior = draw(fit)
    assert not posterior.block_sd.any()
    assert_allclose(posterior.new_weld_sd**2, posterior.weld_sd**2 + posterior.plate_sd**2)
    assert any("between the stages" in said for said in fit.assumptions)
    assert fit.numbers["spread"]["block"] > 0.1  # type: ignore[index]
    slopes = {t.term: t for t in fit.terms}
    assert abs(slopes["voltage"].estimate - 0.5) < 4 * slopes["voltage"].se


def test_a_later_weld_on_a_warm_plate_is_told_apart(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults
) -> None:
    study = replace(lug_study, plan=PlanWishes(welds_per_plate=2, later_welds="warm"))
    warmer = readings + np.where(np.arange(16) % 2, 0.6, 0.0)
    fit = fit_depth(make_results(study, lug_settings, {"depth": warmer}))
    position = next(t for t in fit.terms if t.term == "position")
    assert abs(position.estimate - 0.6) < 3 * position.se
    posterior = draw(fit)
    natural = study.coding.to_natural(np.zeros((1, 3)))
    gain = posterior.mean(Points(natural, later=True)) - posterior.mean(Points(natural))
    assert_allclose(gain.mean(), position.estimate, atol=0.02)


# --- censoring


def test_a_burn_through_pulls_the_mean_above_its_limit(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults
) -> None:
    full = 2.7
    capped = Measurement(np.minimum(readings, full)[:, None], np.full(16, full))
    n_through = int((readings >= full).sum())
    assert 2 <= n_through <= 6
    fit = fit_depth(make_results(lug_study, lug_settings, {"depth": capped}))
    naive = fit_depth(make_results(lug_study, lug_settings, {"depth": np.minimum(readings, full)}))
    points = Points(lug_study.coding.to_natural(lug_settings[readings >= full]))
    assert draw(fit).mean(points).mean() > draw(naive).mean(points).mean() + 0.02
    assert f"depth only says “at least this much” on {n_through} of 16 welds; it entered as such." in fit.findings
    assert any("give the response an upper limit (`at_most`)" in finding for finding in fit.findings)
    assert fit.settled


def test_an_upper_limit_not_above_full_makes_a_burn_through_a_failure(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults
) -> None:
    full = 2.7
    study = with_response(lug_study, at_most=full, full=full)
    capped = Measurement(np.minimum(readings, full)[:, None], np.full(16, full))
    fit = fit_depth(make_results(study, lug_settings, {"depth": capped}))
    assert not any("at_most" in finding for finding in fit.findings)
    hot = Points(study.coding.to_natural(np.array([[0.6, 0.5, 1.0]])))
    posterior = draw(fit)
    beyond = stats.norm.sf(full, posterior.mean(hot), posterior.new_weld_sd[:, None])
    assert_allclose(
        posterior.failure(hot),
        beyond + stats.norm.cdf(1.2, posterior.mean(hot), posterior.new_weld_sd[:, None]),
        atol=1e-9,
    )


def test_an_upper_limit_above_full_is_said_to_rest_on_the_model(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults
) -> None:
    study = with_response(lug_study, at_most=12.0, full=10.0)
    fit = fit_depth(make_results(study, lug_settings, {"depth": readings}))
    assert any("above the largest value that can be read (10 mm)" in finding for finding in fit.findings)


def test_a_fit_that_did_not_settle_says_so(
    lug_study: Study,
    lug_settings: FloatArray,
    readings: FloatArray,
    make_results: MakeResults,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("doe.models.censored.LEAST_ESS", 1e9)
    monkeypatch.setattr("doe.models.censored.STRIDES", (1, 2))
    capped = Measurement(np.minimum(readings, 2.7)[:, None], np.full(16, 2.7))
    fit = fit_depth(make_results(lug_study, lug_settings, {"depth": capped}))
    assert not fit.settled
    assert fit.findings[0] == NOT_SETTLED


# --- coverage


def covered(study: Study, coded: FloatArray, make_results: MakeResults, region: Points, n_sets: int) -> FloatArray:
    """Pointwise share covered, whole band covered, next weld covered: a row a data set."""
    true_mean = truth(study.coding.to_coded(region.natural))
    rows = []
    for s in range(n_sets):
        rng = np.random.default_rng([2024, s])
        fit = fit_depth(make_results(study, coded, {"depth": made_readings(coded, rng)}), seed=s)
        posterior = draw(fit, n=1000, seed=s)
        band = confidence_band(posterior, region, 0.9)
        low, high = posterior.weld_band(region, level=0.9)
        weld = true_mean + np.hypot(0.25, 0.2) * rng.normal(size=len(true_mean))
        rows.append(
            [
                np.mean((band.low <= true_mean) & (true_mean <= band.high)),
                np.all((band.all_low <= true_mean) & (true_mean <= band.all_high)),
                np.mean((low <= weld) & (weld <= high)),
            ]
        )
    return np.array(rows, dtype=float)


def test_bands_cover_a_quadratic_truth_quick_check(
    lug_study: Study, lug_settings: FloatArray, make_results: MakeResults, region: Points
) -> None:
    share = covered(lug_study, lug_settings, make_results, region, 40)
    # three Monte Carlo errors: 40 sets of a yes or no for the whole band, of a share for the others
    errors = np.maximum(share.std(axis=0), 0.2) / np.sqrt(40)
    assert (np.abs(share.mean(axis=0) - 0.9) < 3 * errors).all()


@pytest.mark.slow
def test_bands_cover_a_quadratic_truth_nine_times_in_ten(
    lug_study: Study, lug_settings: FloatArray, make_results: MakeResults, region: Points
) -> None:
    share = covered(lug_study, lug_settings, make_results, region, 300).mean(axis=0)
    # three points, and two Monte Carlo errors of 300 sets (one of the simultaneous band is 1.7 points)
    assert_allclose(share, 0.9, atol=0.03 + 0.035)
    assert abs(share[0] - 0.9) < 0.03 + 0.02
