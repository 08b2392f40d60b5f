from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

import doe.models
from doe.bench.results import Counts, Measurement, Passes, Readings, Results, Trips
from doe.coding import FloatArray
from doe.errors import CANNOT_ANSWER, CannotAnswerError
from doe.models import fit_responses
from doe.models.fit import Fit, Points
from doe.models.responses import is_measured, seed_of
from doe.study.model import PlanWishes, Response, Study

MakeResults = Callable[..., Results]
NOTHING = np.full(16, np.nan)


@pytest.fixture
def four_kinds(lug_study: Study) -> Study:
    return replace(
        lug_study,
        responses=(
            Response("depth", "measure", "mm", at_least=1.2),
            Response("pores", "count", per_mm=100.0, per_text="100 mm", at_most=2),
            Response("trip", "trip", hold_s=30.0),
            Response("root fused", "pass"),
            Response("width", "measure", "mm"),
        ),
    )


@pytest.fixture
def all_readings(lug_settings: FloatArray) -> dict[str, Readings | FloatArray]:
    rng = np.random.default_rng(4)
    v, f, _ = lug_settings.T
    tripped = (v + f > 1.5).astype(float)
    return {
        "depth": 2.2 + 0.5 * v + 0.4 * f + 0.25 * rng.normal(size=16),
        "pores": Counts(rng.poisson(np.exp(0.3 * v**2)).astype(float), np.full(16, 100.0)),
        "trip": Trips(tripped, np.where(tripped == 1.0, 35.0, 60.0)),
        "root fused": Passes((v + 0.5 * rng.normal(size=16) > -0.6).astype(float)),
        "width": 8.0 + 1.2 * v + 0.3 * rng.normal(size=16),
    }


@pytest.fixture
def results(
    four_kinds: Study,
    lug_settings: FloatArray,
    all_readings: dict[str, Readings | FloatArray],
    make_results: MakeResults,
) -> Results:
    return make_results(four_kinds, lug_settings, all_readings)


@pytest.fixture
def centre(lug_study: Study) -> Points:
    return Points(lug_study.coding.to_natural(np.zeros((1, 3))))


def test_every_kind_is_fitted_in_the_order_of_the_study(results: Results) -> None:
    fit = fit_responses(results, seed=3)
    assert [(f.name, f.kind) for f in fit.responses] == [
        ("depth", "measure"),
        ("pores", "count"),
        ("trip", "trip"),
        ("root fused", "pass"),
        ("width", "measure"),  # no requirement, fitted all the same
    ]
    assert fit.left_out == ()
    assert (fit.seed, fit.textbook) == (3, False)
    assert fit.response("pores").kind == "count"
    assert all(f.model is not None for f in fit.responses)


def test_the_fit_prints_as_plain_json(results: Results) -> None:
    printed = json.loads(json.dumps(fit_responses(results).to_dict(), allow_nan=False))
    assert printed["schema"] == 1
    assert printed["coding"]["voltage"] == {"centre": 19.5, "half": 2.5}
    assert list(printed["responses"]) == ["depth", "pores", "trip", "root fused", "width"]
    assert set(printed["responses"]["depth"]["terms"][0]) == {"term", "estimate", "se", "low", "high"}
    assert printed["left_out"] == []


def test_every_posterior_answers_the_same_three_questions(results: Results, centre: Points) -> None:
    for fitted in fit_responses(results).responses:
        assert fitted.model is not None
        posterior = fitted.model.draw(200, np.random.default_rng(1))
        assert posterior.n_draws == 200
        assert posterior.mean(centre).shape == (200, 1)
        low, high = posterior.weld_band(centre, level=0.9)
        assert (low <= high).all()
        if fitted.response.has_requirement:
            failure = posterior.failure(centre)
            assert failure.shape == (200, 1)
            assert ((failure >= 0.0) & (failure <= 1.0)).all()


@pytest.mark.parametrize("name", ["depth", "pores", "trip", "root fused"])
def test_draws_carry_whether_their_own_sampler_settled(
    name: str,
    results: Results,
    all_readings: dict[str, Readings | FloatArray],
    make_results: MakeResults,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    capped = np.minimum(np.asarray(all_readings["depth"]), 2.7)  # so that depth is drawn by a sampler as well
    depth = Measurement(capped[:, None], np.full(16, 2.7))
    coded = results.study.coding.to_coded(results.settings)
    fitted = fit_responses(make_results(results.study, coded, all_readings | {"depth": depth})).response(name)
    assert fitted.settled
    assert fitted.model is not None
    assert fitted.model.draw(200, np.random.default_rng(1)).settled
    for module in ("sampling", "censored"):
        monkeypatch.setattr(f"doe.models.{module}.LEAST_ESS", np.inf)
    monkeypatch.setattr("doe.models.sampling.LARGEST_R_HAT", 0.0)
    monkeypatch.setattr("doe.models.sampling.ENSEMBLE_STEPS", ((2, 6),))
    assert not fitted.model.draw(200, np.random.default_rng(1)).settled


def test_the_same_seed_gives_the_same_fit_and_another_seed_another(results: Results) -> None:
    first, again, other = (fit_responses(results, seed=s).to_dict() for s in (1, 1, 2))
    assert first == again
    assert first != other


def test_a_response_more_leaves_the_others_as_they_were(
    results: Results, four_kinds: Study, lug_settings: FloatArray, make_results: MakeResults
) -> None:
    fewer = replace(four_kinds, responses=four_kinds.responses[:1])
    alone = fit_responses(make_results(fewer, lug_settings, {"depth": results.readings["depth"]}))
    assert alone.response("depth").terms == fit_responses(results).response("depth").terms


def test_each_response_has_a_seed_of_its_own() -> None:
    assert seed_of(1, "depth") == seed_of(1, "depth")
    assert len({seed_of(1, "depth"), seed_of(2, "depth"), seed_of(1, "width")}) == 3


def test_a_response_without_a_reading_is_left_out(
    four_kinds: Study,
    lug_settings: FloatArray,
    all_readings: dict[str, Readings | FloatArray],
    make_results: MakeResults,
) -> None:
    readings = {**all_readings, "pores": Counts(NOTHING, NOTHING)}
    del readings["trip"]
    fit = fit_responses(make_results(four_kinds, lug_settings, readings))
    assert fit.left_out == ("pores", "trip")
    assert [f.name for f in fit.responses] == ["depth", "root fused", "width"]


@pytest.mark.parametrize(
    "empty",
    [Measurement(NOTHING[:, None], NOTHING), Counts(NOTHING, NOTHING), Trips(NOTHING, NOTHING), Passes(NOTHING), None],
)
def test_blank_readings_do_not_count_as_measured(empty: Readings | None) -> None:
    assert not is_measured(empty)


def test_a_response_that_cannot_be_estimated_keeps_its_place_and_says_why(
    four_kinds: Study,
    lug_settings: FloatArray,
    all_readings: dict[str, Readings | FloatArray],
    make_results: MakeResults,
) -> None:
    fit = fit_responses(make_results(four_kinds, lug_settings, {**all_readings, "depth": np.full(16, 1.5)}))
    depth = fit.response("depth")
    assert not depth.can_claim
    assert depth.model is None
    assert "All readings of depth are equal (1.5 mm)" in depth.findings[0]
    assert fit.response("width").can_claim


def test_where_no_response_can_be_estimated_every_reason_is_given(
    four_kinds: Study, lug_settings: FloatArray, make_results: MakeResults
) -> None:
    readings = {"depth": np.full(16, 1.5), "width": np.full(16, 8.0)}
    with pytest.raises(CannotAnswerError, match="no response can be estimated") as caught:
        fit_responses(make_results(four_kinds, lug_settings, readings))
    assert [fault.key for fault in caught.value.faults] == ["depth", "width"]
    assert "All readings of width are equal" in str(caught.value)
    assert caught.value.exit_code == CANNOT_ANSWER


def test_where_nothing_was_measured_there_is_no_answer(
    four_kinds: Study, lug_settings: FloatArray, make_results: MakeResults
) -> None:
    with pytest.raises(CannotAnswerError, match="nothing was measured yet"):
        fit_responses(make_results(four_kinds, lug_settings, {"depth": NOTHING}))


def test_warm_plates_put_what_they_assume_beside_every_response(
    four_kinds: Study,
    lug_settings: FloatArray,
    all_readings: dict[str, Readings | FloatArray],
    make_results: MakeResults,
) -> None:
    study = replace(four_kinds, plan=PlanWishes(welds_per_plate=2, later_welds="warm"))
    fit = fit_responses(make_results(study, lug_settings, all_readings))
    assert all("one constant amount" in fitted.assumptions[-1] for fitted in fit.responses)


def test_textbook_mode_takes_the_handbooks_fits(results: Results) -> None:
    fit: Fit = fit_responses(results, textbook=True)
    assert fit.textbook
    assert all(fitted.model is None for fitted in fit.responses)
    assert "anova" in fit.response("depth").numbers


def test_importing_the_room_alone_loads_no_model() -> None:
    code = "import doe.models, sys; assert not {'scipy', 'statsmodels', 'doe.models.responses'} & set(sys.modules)"
    subprocess.run([sys.executable, "-c", code], check=True)


def test_the_room_has_nothing_it_does_not_name() -> None:
    with pytest.raises(AttributeError, match="no attribute 'fit_everything'"):
        doe.models.fit_everything  # noqa: B018
