from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import special

from doe.bench.results import Counts, Measurement, Passes, Trips
from doe.errors import CannotAnswerError
from doe.models.fit import Fit, ResponseFit
from doe.study.model import Claim, Factor, PlanWishes, Response
from doe.window import find_window, window_sentences
from doe.window.textbook_bounds import promise_of

CONSTANT = PlanWishes(terms=("constant",))


def textbook_fit(bench, study, readings, settings, plates=None):
    results = bench.results(study, np.asarray(settings, dtype=float))
    results = replace(results, readings=readings, plate=plates or results.plate)
    fits = tuple(ResponseFit(r, "textbook", len(settings), ()) for r in study.responses if r.name in readings)
    left_out = tuple(r.name for r in study.responses if r.name not in readings)
    return Fit(results, study.coding, fits, left_out, seed=1, textbook=True)


def measurement(values):
    values = np.asarray(values, dtype=float).reshape(len(values), -1)
    return Measurement(values, np.full(len(values), np.inf))


def spread_settings(n):
    corners = [[17.0, 5.0], [23.0, 9.0], [17.0, 9.0], [23.0, 5.0]]
    return [corners[i % 4] for i in range(n)]


def scaled(n, mean, sd):
    """Readings with exactly this mean and sample standard deviation."""
    raw = np.arange(n, dtype=float)
    return mean + sd * (raw - raw.mean()) / raw.std(ddof=1)


@pytest.mark.parametrize(("n", "found"), [(22, True), (21, False)])
def test_the_success_run_needs_22_welds_at_90_and_90(bench, n, found):
    # success-run theorem n = ln(1 - C) / ln(R): standard reliability tables (from memory)
    study = bench.study(responses=(Response("root fused", "pass"),), plan=CONSTANT)
    fit = textbook_fit(bench, study, {"root fused": Passes(np.ones(n))}, spread_settings(n))
    window = find_window(fit)
    assert window.found is found
    if found:
        assert window.answer.box.share == 1.0
        assert window.answer.best.settings == (20.0, 7.0)  # all are equal: the middle
        assert window.answer.best.responses["root fused"].passes.low == pytest.approx(0.1 ** (1 / 22))
    else:
        assert window.answer.nearest.reliability_claimable == 0.85


@pytest.mark.parametrize(("k", "found"), [(2.066, True), (2.064, False)])
def test_the_normal_tolerance_factor_decides_a_measure(bench, k, found):
    # one-sided factor for n = 10 at 90/90: 2.066 (NIST/SEMATECH e-Handbook 7.2.6.3 and tables of tolerance factors)
    study = bench.study(plan=CONSTANT)
    values = scaled(10, 1.0 + k * 0.2, 0.2)
    window = find_window(textbook_fit(bench, study, {"penetration": measurement(values)}, spread_settings(10)))
    assert window.found is found


@pytest.mark.parametrize(("total_mm", "found"), [(2_310.0, True), (2_290.0, False)])
def test_no_pores_claim_what_garwood_allows(bench, total_mm, found):
    # no pores in T: upper limit 2.303 / T at 90 % (Garwood 1936). Claim "at most 0 in 100 mm" at R = 0.905 needs
    # exp(-mu) >= R, so mu <= 0.0998 and T >= 23.07 hundreds of mm
    response = Response("porosity", "count", per_mm=100.0, at_most=0)
    claim = Claim(float(np.exp(-2.302585 / 23.0)), 0.9)
    study = bench.study(responses=(response,), plan=CONSTANT, claim=claim)
    n = 10
    counts = Counts(np.zeros(n), np.full(n, total_mm / n))
    window = find_window(textbook_fit(bench, study, {"porosity": counts}, spread_settings(n)))
    assert window.found is found


def test_several_like_responses_share_the_doubt_and_add_their_failures(bench):
    responses = (Response("root fused", "pass"), Response("fracture", "pass"))
    study = bench.study(responses=responses, plan=CONSTANT, claim=Claim(0.9, 0.9))
    n = 60
    readings = {r.name: Passes(np.ones(n)) for r in responses}
    window = find_window(textbook_fit(bench, study, readings, spread_settings(n)))
    each = 0.05 ** (1 / n)  # each at 95 %
    assert window.answer.best.assurance.low == pytest.approx(1.0 - 2.0 * (1.0 - each))
    assert window.found


def test_trips_before_the_hold_fail_and_shorter_arcs_show_nothing(bench):
    study = bench.study(responses=(Response("trip", "trip", hold_s=30.0),), plan=CONSTANT)
    time = np.array([60.0] * 30 + [20.0, 10.0])
    tripped = np.array([0.0] * 30 + [0.0, 1.0])
    window = find_window(textbook_fit(bench, study, {"trip": Trips(tripped, time)}, spread_settings(32)))
    # 30 of 31 held: Clopper-Pearson, lower one-sided 90 %
    assert window.answer.nearest.assurance.low == pytest.approx(special.betaincinv(30, 2, 0.1))


def test_many_failures_speak_against(bench):
    study = bench.study(responses=(Response("root fused", "pass"),), plan=CONSTANT)
    passed = np.array([1.0] * 5 + [0.0] * 5)
    window = find_window(textbook_fit(bench, study, {"root fused": Passes(passed)}, spread_settings(10)))
    assert window.answer.nearest.reason == "data speak against"
    short = find_window(textbook_fit(bench, study, {"root fused": Passes(np.ones(5))}, spread_settings(5)))
    assert short.answer.nearest.reason == "cannot say yet"
    assert "No setting" not in " ".join(window_sentences(window, window.answer))


def test_counts_of_like_welds_have_exact_limits(bench):
    response = Response("porosity", "count", per_mm=100.0, at_most=9)
    study = bench.study(responses=(response,), plan=CONSTANT)
    counts = Counts(np.array([1.0, 0.0, 2.0, 1.0]), np.full(4, 100.0))
    numbers = find_window(textbook_fit(bench, study, {"porosity": counts}, spread_settings(4))).answer.best.responses[
        "porosity"
    ]
    # Garwood, 90 % two-sided for a count of 4: 1.366 to 9.154 (tables of Poisson limits; from memory), exposure 4
    assert numbers.mean == pytest.approx(1.0)
    assert numbers.mean_low == pytest.approx(1.366 / 4, abs=2e-4)
    assert numbers.mean_high == pytest.approx(9.154 / 4, abs=2e-4)
    assert numbers.weld_low == 0.0
    assert numbers.weld_high >= 4.0


def test_welds_that_share_a_plate_are_said_to_be_taken_as_independent(bench):
    study = bench.study(responses=(Response("root fused", "pass"),), plan=CONSTANT)
    plates = tuple(f"P{i // 2}" for i in range(24))
    window = find_window(textbook_fit(bench, study, {"root fused": Passes(np.ones(24))}, spread_settings(24), plates))
    assert "taken as independent" in window.findings[0]


def surface_study(bench, responses=None):
    factors = (Factor("voltage", "voltage", "V", tuple(float(v) for v in np.linspace(17, 23, 7))),)
    return bench.study(factors, responses, plan=PlanWishes(terms=("constant", "voltage")))


def line_fit(bench, rng, study, *, n=16, truth=(2.2, 0.5), sd=0.25):
    settings = np.tile([[17.0], [23.0], [17.0], [20.0]], (n // 4, 1))
    y = truth[0] + truth[1] * (settings[:, 0] - 20.0) / 3.0 + sd * rng.standard_normal(n)
    return textbook_fit(bench, study, {"penetration": measurement(y)}, settings)


def test_the_handbooks_claim_rests_on_plates_that_cool_in_between_too(bench):
    plan = PlanWishes(terms=("constant",), welds_per_plate=2)
    study = bench.study(responses=(Response("root fused", "pass"),), plan=plan)
    fit = textbook_fit(bench, study, {"root fused": Passes(np.ones(22))}, spread_settings(22))
    rule = "Before each later weld the plate is as cool as a first weld starts."
    assert rule in find_window(fit).assumptions
    warm = replace(study, plan=replace(plan, later_welds="warm"))
    fit = textbook_fit(bench, warm, {"root fused": Passes(np.ones(22))}, spread_settings(22))
    assert not any("cool" in line for line in find_window(fit).assumptions)


def test_a_surface_window_keeps_its_promise_at_all_settings_at_once(bench):
    study, rng = surface_study(bench), np.random.default_rng(1)
    wrong = found = 0
    for _ in range(200):
        window = find_window(line_fit(bench, rng, study, truth=(1.55, 0.35)))
        if window.found:
            found += 1
            worst = window.answer.box.low[0]
            true = special.ndtr((1.55 + 0.35 * (worst - 20.0) / 3.0 - 1.0) / 0.25)
            wrong += true < 0.9
    assert found > 50
    assert wrong / 200 <= 0.1  # per study run; the joined bound is conservative


def test_a_surface_window_ends_where_the_bound_does(bench):
    study = surface_study(bench)
    window = find_window(line_fit(bench, np.random.default_rng(2), study, truth=(1.9, 0.7)))
    box = window.answer.box
    low = window.maps[0].low
    inside = (window.axes[0] >= box.low[0]) & (window.axes[0] <= box.high[0])
    assert (low[inside] >= 0.9).all()
    assert (low[~inside] < 0.9).any()
    assert window.answer.limited_by == {"voltage.low": "penetration", "voltage.high": "region"}
    assert window.answer.best.assurance.low == pytest.approx(np.nanmax(low))
    printed = window.to_dict()
    assert printed["method"] == "textbook"
    assert printed["working_region"] is None


def test_surface_bands_are_those_of_least_squares(bench):
    # t bands of a straight line at its centre: mean +- t s / sqrt(n); next weld s sqrt(1 + 1/n) (any regression text)
    study = surface_study(bench)
    fit = line_fit(bench, np.random.default_rng(3), study, truth=(4.0, 0.0))
    y = fit.results.readings["penetration"].values[:, 0]
    x = (fit.results.settings[:, 0] - 20.0) / 3.0
    slope, centre = np.polyfit(x, y, 1)
    s = np.sqrt(((y - centre - slope * x) ** 2).sum() / 14)
    promise = promise_of(fit.results, study.responses[0], reliability=0.9, confidence=0.9, doubt=0.1)
    numbers = promise.numbers(np.array([[20.0]]))
    t = special.stdtrit(14, 0.95)
    assert numbers.mean == pytest.approx(centre)
    leverage = 1 / 16 + x.mean() ** 2 / ((x - x.mean()) ** 2).sum()
    assert numbers.mean_high - numbers.mean == pytest.approx(t * s * np.sqrt(leverage))
    assert numbers.weld_high - numbers.mean == pytest.approx(t * s * np.sqrt(1 + leverage))


def test_a_surface_that_fails_all_over_is_spoken_against(bench):
    study = surface_study(bench)
    window = find_window(line_fit(bench, np.random.default_rng(4), study, truth=(0.5, 0.1)))
    assert window.answer.nearest.reason == "data speak against"
    assert window.answer.nearest.limiting == "penetration"


def test_counts_and_trips_with_factors_are_refused_with_what_is_possible(bench):
    responses = (Response("porosity", "count", per_mm=100.0, at_most=2), Response("root fused", "pass"))
    study = surface_study(bench, responses)
    settings = [[17.0], [23.0]] * 6
    readings = {"porosity": Counts(np.zeros(12), np.full(12, 100.0)), "root fused": Passes(np.ones(12))}
    with pytest.raises(CannotAnswerError, match="no textbook window") as caught:
        find_window(textbook_fit(bench, study, readings, settings))
    assert len(caught.value.faults) == 2
    assert 'terms = ["constant"]' in caught.value.faults[0].message


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda r: replace(r, plate=tuple(f"P{i // 2}" for i in range(16))), "share plates"),
        (lambda r: replace(r, block=tuple("ab"[i % 2] for i in range(16))), "blocks"),
        (
            lambda r: replace(r, readings={"penetration": replace(r.readings["penetration"], full=np.full(16, 2.0))}),
            "at or over",
        ),
    ],
)
def test_what_the_limits_were_not_derived_for_is_refused(bench, change, words):
    fit = line_fit(bench, np.random.default_rng(5), surface_study(bench))
    with pytest.raises(CannotAnswerError, match=words):
        find_window(replace(fit, results=change(fit.results)))


def test_a_perfect_fit_is_refused(bench):
    study = surface_study(bench)
    settings = [[17.0], [20.0], [23.0], [17.0]]
    fit = textbook_fit(bench, study, {"penetration": measurement([1.0, 2.0, 3.0, 1.0])}, settings)
    with pytest.raises(CannotAnswerError, match="cannot be judged"):
        find_window(fit)
