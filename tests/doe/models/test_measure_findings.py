"""Every sentence of METHOD.md section 6 about measures, and those of TRAPS 20 to 25 and 35."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.bench.results import Counts, Measurement, Results
from doe.coding import FloatArray
from doe.errors import CannotAnswerError
from doe.models.fit import Points, ResponseFit
from doe.models.measure import MeasureModel, fit_measure
from doe.models.measure_posterior import MeasurePosterior
from doe.study.model import Study

FitLugs = Callable[..., ResponseFit]


@pytest.fixture
def readings(lug_settings: FloatArray) -> FloatArray:
    rng = np.random.default_rng(8)
    v, f, p = lug_settings.T
    mean = 2.5 + 0.5 * v + 0.4 * f + 0.2 * p - 0.3 * v * f - 0.4 * v**2 - 0.3 * f**2
    return np.asarray(mean + 0.2 * np.repeat(rng.normal(size=8), 2) + 0.25 * rng.normal(size=16))


@pytest.fixture
def fit_lugs(
    lug_study: Study, lug_settings: FloatArray, readings: FloatArray, make_results: Callable[..., Results]
) -> FitLugs:
    """Fit depth; ``depth`` and ``coded`` replace what was read and set, ``response`` and others their fields."""

    def fit(
        depth: object = None,
        *,
        coded: FloatArray = lug_settings,
        response: dict[str, object] | None = None,
        **fields: object,
    ) -> ResponseFit:
        asked = replace(lug_study.responses[0], **(response or {}))  # type: ignore[arg-type]
        study = replace(lug_study, responses=(asked,))
        held = readings if depth is None else depth
        return fit_measure(make_results(study, coded, {"depth": held}, **fields), asked, seed=1)

    return fit


def draw(fit: ResponseFit) -> MeasurePosterior:
    assert isinstance(fit.model, MeasureModel)
    return fit.model.draw(4000, np.random.default_rng(9))


def spread(fit: ResponseFit) -> dict[str, float]:
    found = fit.numbers["spread"]
    assert isinstance(found, dict)
    return found


def says(fit: ResponseFit, words: str) -> bool:
    return any(words in sentence for sentence in fit.findings)


# --- refused


def test_equal_readings_are_refused(fit_lugs: FitLugs) -> None:
    with pytest.raises(CannotAnswerError, match=r"All readings of depth are equal \(1.5 mm\): check the unit"):
        fit_lugs(np.full(16, 1.5))


def test_equal_readings_beside_burn_throughs_are_refused(fit_lugs: FitLugs) -> None:
    values = np.where(np.arange(16) < 3, 10.0, 1.5)[:, None]
    with pytest.raises(CannotAnswerError, match="All readings of depth are equal"):
        fit_lugs(Measurement(values, np.full(16, 10.0)))


def test_readings_that_only_say_at_least_are_refused(fit_lugs: FitLugs) -> None:
    with pytest.raises(CannotAnswerError, match="“at least this much” on 16 of 16 welds"):
        fit_lugs(Measurement(np.full((16, 1), 10.0), np.full(16, 10.0)))


def test_a_single_reading_is_refused(fit_lugs: FitLugs) -> None:
    with pytest.raises(CannotAnswerError, match="Only one weld has a reading of depth"):
        fit_lugs(np.where(np.arange(16) == 3, 1.4, np.nan))


def test_readings_of_another_kind_are_a_fault_of_ours(fit_lugs: FitLugs) -> None:
    with pytest.raises(TypeError, match="depth is not a measure"):
        fit_lugs(Counts(np.ones(16), np.ones(16)))


# --- zeros


def test_zeros_that_entered_as_numbers_are_counted_with_the_way_they_lean(
    fit_lugs: FitLugs, readings: FloatArray
) -> None:
    zeros = np.where(np.arange(16) < 2, 0.0, readings)
    fit = fit_lugs(zeros, response={"at_least": 1.2})
    assert says(fit, "depth reads 0 on 2 of 16 welds, and that entered as exactly 0.")
    assert says(fit, "a claim leans to the hopeful side")
    with_minus = np.where(np.arange(16) == 5, -0.3, zeros)
    for other in (with_minus, readings):
        assert not says(fit_lugs(other, response={"at_least": 1.2}), "entered as exactly 0")
    assert not says(fit_lugs(zeros, response={"at_least": None, "at_most": 4.0}), "entered as exactly 0")


def test_a_zero_in_the_place_of_a_minus_makes_a_fit_look_better(fit_lugs: FitLugs, lug_settings: FloatArray) -> None:
    """What the finding says: deeper where fusion is lacking, and never by taking the zeros for what they are."""
    slope = 1.0 + 1.4 * lug_settings[:, 0] + 0.1 * np.random.default_rng(2).standard_normal(16)
    assert (slope < 0.0).sum() >= 2
    cold = Points(np.array([[17.0, 7.0, 70.0]]))
    true, hidden = (
        draw(fit_lugs(y, response={"at_least": 1.2})).mean(cold).mean() for y in (slope, np.maximum(slope, 0.0))
    )
    assert hidden > true + 0.1


# --- scatter: measured, stated, or neither


def test_scatter_is_never_below_what_rounding_gives(fit_lugs: FitLugs, lug_settings: FloatArray) -> None:
    whole = np.round(2.5 + 0.6 * lug_settings[:, 0])  # whole millimetres: hardly any scatter is left to see
    assert draw(fit_lugs(whole)).weld_sd.min() >= 1.0 / np.sqrt(12.0) - 1e-12


def test_without_repeats_the_scatter_must_be_stated(fit_lugs: FitLugs) -> None:
    rng = np.random.default_rng(15)
    even = np.linspace(-1, 1, 16)
    coded = np.column_stack(
        [rng.permutation(even), rng.permutation(even), np.resize([-1.0, -1.0, 0.0, 0.0, 1.0, 1.0], 16)]
    )
    fit = fit_lugs(coded=coded)
    assert not fit.can_claim
    assert says(fit, "repeat scatter was not measured")
    stated = fit_lugs(coded=coded, response={"expect_scatter": 0.3})
    assert stated.can_claim
    assert "Repeat scatter of depth was not measured but assumed: s0 = 0.3 mm, worth one weld." in stated.assumptions


def test_a_stated_scatter_is_worth_one_weld(fit_lugs: FitLugs) -> None:
    fit = fit_lugs(response={"expect_scatter": 0.3})
    assert isinstance(fit.model, MeasureModel)
    assert fit.model.nodes.df == 16 - 1 + 1
    assert "Repeat scatter of depth from earlier work was taken in: s0 = 0.3 mm, worth one weld." in fit.assumptions


def test_with_fewer_than_ten_readings_the_scatter_must_be_stated(fit_lugs: FitLugs, readings: FloatArray) -> None:
    nine = np.where(np.arange(16) < 9, readings, np.nan)
    fit = fit_lugs(nine)
    assert not fit.can_claim
    assert says(fit, "depth was read on 9 welds only")
    assert fit_lugs(nine, response={"expect_scatter": 0.3}).can_claim


@pytest.mark.parametrize(("stated", "word"), [(0.02, "more"), (3.0, "less")])
def test_a_stated_scatter_that_the_readings_contradict_is_said(stated: float, word: str, fit_lugs: FitLugs) -> None:
    fit = fit_lugs(response={"expect_scatter": stated})
    assert says(fit, f"scatter {word} than was stated")
    assert fit.prior_findings == tuple(line for line in fit.findings if "than was stated" in line)


def test_a_stated_scatter_that_the_readings_bear_out_is_not_remarked_on(fit_lugs: FitLugs) -> None:
    assert not says(fit_lugs(response={"expect_scatter": 0.25}), "than was stated")


def test_fewer_welds_than_terms_still_leave_scatter(
    fit_lugs: FitLugs, readings: FloatArray, lug_settings: FloatArray
) -> None:
    fit = fit_lugs(readings[4:], coded=lug_settings[4:])
    assert fit.n == 12 < len(fit.terms)
    assert draw(fit).weld_sd.mean() > 0.1
    assert isinstance(fit.model, MeasureModel)
    assert fit.model.residual.std() > 0.02


# --- no direction is taken for granted


def test_a_setting_that_works_the_other_way_is_fitted_as_it_is(fit_lugs: FitLugs, lug_settings: FloatArray) -> None:
    """Turned about, every odd term changes its sign and every even one stays (TRAPS 41)."""
    as_read, turned = fit_lugs(), fit_lugs(coded=-lug_settings)
    other = {term.term: term.estimate for term in turned.terms}
    for term in as_read.terms:
        powers = (
            sum(int(part.partition("^")[2] or 1) for part in term.term.split("*")) if term.term != "constant" else 0
        )
        assert_allclose(other[term.term], (-1) ** powers * term.estimate, atol=0.02)


# --- several cuts of one weld


@pytest.mark.parametrize(("reading_sd", "share_left"), [(0.1, None), (5.0, 0.25)])
def test_the_scatter_of_reading_is_taken_off_but_never_more_than_three_quarters(
    reading_sd: float, share_left: float | None, fit_lugs: FitLugs, readings: FloatArray
) -> None:
    cuts = readings[:, None] + reading_sd * np.array([-1.0, 1.0]) / np.sqrt(2.0)
    several = fit_lugs(cuts)
    s2, weld = draw(fit_lugs()).weld_sd ** 2, draw(several).weld_sd ** 2
    expected = np.maximum(s2 - reading_sd**2 / 2.0, s2 / 4.0) if share_left is None else share_left * s2
    assert_allclose(weld, expected, rtol=1e-6)
    assert_allclose(spread(several)["reading"], reading_sd)
    assert says(several, "sub-samples of that weld and not repeats. It was taken off")
    assert says(several, "Where the worst point counts (an undercut, the smaller leg), enter the worst reading")
    assert several.n == 16


def test_few_second_cuts_are_shown_but_not_taken_off(fit_lugs: FitLugs, readings: FloatArray) -> None:
    fit = fit_lugs(np.column_stack([readings, np.where(np.arange(16) < 2, readings + 0.1, np.nan)]))
    assert says(fit, "Too few welds have a second cut")


# --- burn-through


def test_burn_throughs_are_counted_and_the_upper_limit_offered(fit_lugs: FitLugs, readings: FloatArray) -> None:
    full = float(np.sort(readings)[-3])
    capped = Measurement(np.minimum(readings, full)[:, None], np.full(16, full))
    fit = fit_lugs(capped)
    assert "depth only says “at least this much” on 3 of 16 welds; it entered as such." in fit.findings
    assert says(fit, "give the response an upper limit (`at_most`)")
    assert not says(fit_lugs(capped, response={"at_most": full, "full": full}), "at_most")


def test_an_upper_limit_above_full_is_said_to_rest_on_the_model(fit_lugs: FitLugs) -> None:
    fit = fit_lugs(response={"at_most": 12.0, "full": 10.0})
    assert says(fit, "above the largest value that can be read (10 mm)")


# --- layout


def test_one_plate_for_each_preheat_is_noticed(fit_lugs: FitLugs, lug_settings: FloatArray) -> None:
    sentence = "Plate-to-plate scatter cannot be told from preheat; it was taken from the prior."
    plate = tuple({-1.0: "P1", 0.0: "P2", 1.0: "P3"}[p] for p in lug_settings[:, 2])
    assert sentence in fit_lugs(plate=plate).findings
    assert sentence not in fit_lugs().findings


def test_a_factor_welded_at_one_level_is_named(fit_lugs: FitLugs, lug_settings: FloatArray) -> None:
    coded = lug_settings * [1.0, 0.0, 1.0]
    fit = fit_lugs(coded=coded)
    assert "feed was welded at one level only: what it does elsewhere rests on the prior." in fit.findings


def test_missing_readings_are_counted_and_named(fit_lugs: FitLugs, readings: FloatArray) -> None:
    y = np.where(np.isin(np.arange(16), [2, 7, 9]), np.nan, readings)
    fit = fit_lugs(y, status=tuple({2: "aborted", 9: "not run"}.get(i, "done") for i in range(16)))
    assert fit.n == 13
    assert "depth has no reading on 2 of 15 welds made (W03, W08)." in fit.findings
    assert any("did not depend on what depth would have been" in line for line in fit.assumptions)


def test_a_long_list_of_missing_readings_is_cut_short(fit_lugs: FitLugs, readings: FloatArray) -> None:
    fit = fit_lugs(np.where(np.arange(16) < 8, np.nan, readings))
    assert says(fit, "(W01, W02, W03, W04, W05, W06 and 2 more)")
    assert not fit.assumptions


def test_an_aborted_weld_that_was_read_counts(fit_lugs: FitLugs) -> None:
    fit = fit_lugs(status=("aborted", *("done",) * 15))
    assert fit.n == 16
    assert not fit.assumptions


# --- shape


def test_a_surface_that_falls_below_nought_is_said_to(fit_lugs: FitLugs, lug_settings: FloatArray) -> None:
    noise = 0.05 * np.random.default_rng(1).normal(size=16)
    steep = np.maximum(0.05, 1.2 + 1.3 * lug_settings[:, 0] + 1.3 * lug_settings[:, 1] + noise)
    assert says(fit_lugs(steep), "falls below 0 at some settings")
    assert not says(fit_lugs(steep + 5.0), "falls below 0")


def test_a_surface_that_bends_too_sharply_is_said_to(fit_lugs: FitLugs) -> None:
    coded = np.array([(v, f, 0.0) for v in np.linspace(-1, 1, 6) for f in np.linspace(-1, 1, 5)])
    wavy = 2.0 + 2.0 * coded[:, 0] ** 3 - 1.6 * coded[:, 0] + 0.05 * np.random.default_rng(2).normal(size=30)
    fit = fit_lugs(wavy, coded=coded)
    share = fit.numbers["third_order_share"]
    assert isinstance(share, float)
    assert share > 0.6
    assert says(fit, "bends more sharply")
