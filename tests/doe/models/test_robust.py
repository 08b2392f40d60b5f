from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy import stats

from doe.bench.results import Measurement, Results
from doe.coding import FloatArray
from doe.models.fit import ResponseFit
from doe.models.grid import ScatterPrior, lay_out_effects
from doe.models.measure import MeasureModel, fit_measure
from doe.models.responses import fit_responses
from doe.models.robust import ROBUST_GRID, SCALE, draw_robust
from doe.study.model import Study

MakeResults = Callable[..., Results]


def test_student_errors_about_a_constant_agree_with_direct_integration() -> None:
    y = np.array([1.0, 1.3, 0.8, 1.1, 0.9, 1.2, 3.5])
    mu, log_s = np.meshgrid(np.linspace(-1, 4, 801), np.linspace(-4, 2, 601), indexing="ij")
    log_density = np.zeros_like(mu)
    for value in y:
        log_density += stats.t.logpdf(value, 4, mu, np.exp(log_s))
    weight = np.exp(log_density - log_density.max())
    effects = lay_out_effects(
        np.ones((7, 1)), ["constant"], plates=np.arange(7), blocks=np.zeros(7, dtype=int), grid=ROBUST_GRID
    )
    found = draw_robust(
        effects, ScatterPrior(), y, censored=np.zeros(7, dtype=bool), n_draws=8000, rng=np.random.default_rng(1)
    )
    for direct, drawn in ((mu, found.draws.constant), (log_s, 0.5 * np.log(found.draws.s2))):
        mean = (weight * direct).sum() / weight.sum()
        sd = np.sqrt((weight * (direct - mean) ** 2).sum() / weight.sum())
        assert_allclose(drawn.mean(), mean, atol=0.3 * sd)  # 200 kept states, some way from independent
        assert_allclose(drawn.std(), sd, rtol=0.3)
    assert np.argmin(found.weights) == 6
    assert found.weights[6] < 0.3 < found.weights[:6].min()


def test_the_scale_is_that_of_student_errors_fitted_to_normal_readings() -> None:
    z = stats.norm.ppf((np.arange(200_000) + 0.5) / 200_000)
    _, _, scale = stats.t.fit(z, fdf=4, floc=0.0)
    assert_allclose(scale**2, SCALE, atol=0.005)


@pytest.fixture
def readings(lug_settings: FloatArray) -> FloatArray:
    rng = np.random.default_rng(21)
    return np.asarray(2.2 + 0.5 * lug_settings[:, 0] + 0.4 * lug_settings[:, 1] + 0.15 * rng.normal(size=16))


def fit_depth(study: Study, coded: FloatArray, held: object, make_results: MakeResults, *, robust: bool) -> ResponseFit:
    response = replace(study.responses[0], errors="student t" if robust else "normal")
    return fit_measure(make_results(study, coded, {"depth": held}), response, seed=1)


def test_a_gross_misreading_pulls_less_and_is_asked_about(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults
) -> None:
    spoiled = readings.copy()
    spoiled[4] += 3.0  # a setting that was welded three times
    plain = fit_depth(lug_study, lug_settings, spoiled, make_results, robust=False)
    robust = fit_depth(lug_study, lug_settings, spoiled, make_results, robust=True)
    assert isinstance(robust.model, MeasureModel)
    assert isinstance(plain.model, MeasureModel)
    clean = np.delete(np.arange(16), 4)
    assert np.abs(robust.model.residual[clean]).mean() < 0.7 * np.abs(plain.model.residual[clean]).mean()
    draws = [f.model.draw(500, np.random.default_rng(2)) for f in (plain, robust) if isinstance(f.model, MeasureModel)]
    assert draws[1].weld_sd.mean() < 0.6 * draws[0].weld_sd.mean()
    asked = [sentence for sentence in robust.findings if "was it misread?" in sentence]
    assert len(asked) == 1
    assert asked[0].startswith("W05 reads")
    assert not any("was it misread?" in sentence for sentence in plain.findings)
    assert "Student-t errors" in robust.method
    assert robust.n == 16
    assert robust.numbers["third_order_share"] is None  # its grid has no such node


def test_the_key_of_the_study_leads_to_student_errors(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults
) -> None:
    """By way of every response's fit: a misreading moves the fitted mean less at every weld, and it is said."""
    spoiled = readings.copy()
    spoiled[4] += 3.0
    moved, fits = {}, {}
    for errors in ("normal", "student t"):
        study = replace(lug_study, responses=(replace(lug_study.responses[0], errors=errors),))
        sound, fit = (
            fit_responses(make_results(study, lug_settings, {"depth": y})).responses[0] for y in (readings, spoiled)
        )
        assert isinstance(sound.model, MeasureModel)
        assert isinstance(fit.model, MeasureModel)
        moved[errors], fits[errors] = np.abs(fit.model.fitted - sound.model.fitted).max(), fit
    assert moved["student t"] < 0.5 * moved["normal"]
    said = [line for line in fits["student t"].assumptions if "Student’s t" in line]
    assert len(said) == 1
    assert "chosen after they were seen, it has to be reported" in said[0]
    assert not any("Student" in line for line in (*fits["normal"].assumptions, fits["normal"].method))


def test_the_handbooks_fit_says_that_it_takes_normal_errors(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults
) -> None:
    response = replace(lug_study.responses[0], errors="student t")
    study = replace(lug_study, responses=(response,))
    fits = [
        fit_responses(make_results(asked, lug_settings, {"depth": readings}), textbook=True).responses[0]
        for asked in (study, lug_study)
    ]
    assert fits[0].terms == fits[1].terms
    assert set(fits[0].findings) - set(fits[1].findings) == {
        'The handbook’s fit of depth takes normal errors: `errors = "student t"` does not count in it.'
    }


def test_without_misreadings_the_robust_fit_agrees_with_the_plain_one(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults
) -> None:
    plain = fit_depth(lug_study, lug_settings, readings, make_results, robust=False)
    robust = fit_depth(lug_study, lug_settings, readings, make_results, robust=True)
    assert robust.settled
    for first, second in zip(plain.terms, robust.terms, strict=True):
        assert abs(first.estimate - second.estimate) < first.se


def test_normal_welds_scatter_as_much_with_student_errors(
    lug_study: Study, lug_settings: FloatArray, make_results: MakeResults
) -> None:
    """Forty-eight welds, each on its plate: the scale of Student's t would be a sixth less than their scatter."""
    study = replace(lug_study, plan=replace(lug_study.plan, welds_per_plate=1))
    coded = np.tile(lug_settings, (3, 1))
    y = 2.2 + 0.5 * coded[:, 0] + 0.4 * coded[:, 1] + 0.15 * stats.norm.ppf((_shuffled(48) + 0.5) / 48)
    found = [fit_depth(study, coded, y, make_results, robust=robust).numbers["spread"] for robust in (False, True)]
    plain, robust = (spread["weld"] for spread in found if isinstance(spread, dict))
    assert_allclose([plain, robust], 0.15, rtol=0.08)


def _shuffled(n: int) -> FloatArray:
    return np.random.default_rng(5).permutation(n).astype(float)


def test_burn_throughs_are_completed_in_the_robust_fit_too(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: MakeResults
) -> None:
    capped = Measurement(np.minimum(readings, 2.5)[:, None], np.full(16, 2.5))
    robust = fit_depth(lug_study, lug_settings, capped, make_results, robust=True)
    naive = fit_depth(lug_study, lug_settings, np.minimum(readings, 2.5), make_results, robust=True)
    voltage = [next(t.estimate for t in f.terms if t.term == "voltage") for f in (robust, naive)]
    assert voltage[0] > voltage[1]
