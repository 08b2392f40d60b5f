"""The trip response: data, posterior in the coded factors, degenerate tables, words, coverage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import special, stats

from doe.bench.results import Passes, Trips
from doe.errors import CannotAnswerError
from doe.models.coded_trip import CodedTripModel, coded_prior
from doe.models.fit import Points
from doe.models.sampling import NOT_SETTLED
from doe.models.surface import build_surface
from doe.models.trip import fit_trip, is_breaker, usable_trips
from doe.study.model import Factor, Job, Machine, Response, Study, Supply

TRIP = Response("trip", "trip", hold_s=30.0)
SUPPLY, MACHINE = Supply(230.0, 16.0, "C"), Machine(0.8, 0.7)


@pytest.fixture
def fit(lug_study, lug_settings, make_results):
    """Fit trips at the sixteen lug settings, or at others."""

    def fit(tripped, time_s, *, response=TRIP, study=lug_study, coded=lug_settings, seed=1, **fields):
        study = replace(study, responses=study.responses if response in study.responses else (response,))
        n = len(coded)
        trips = Trips(np.asarray(tripped, dtype=float), np.broadcast_to(np.asarray(time_s, dtype=float), (n,)).copy())
        return fit_trip(make_results(study, coded, {response.name: trips}, **fields), response, seed=seed)

    return fit


def ratio(natural):
    return 1.55 * (natural[:, 0] / 19.5) * (natural[:, 1] / 7.0) ** 0.9


@pytest.fixture
def tripping(lug_study, lug_settings):
    """Trips at the hot settings: tripped, arc time, conditions with line current."""
    rng = np.random.default_rng(4)
    r = ratio(lug_study.coding.to_natural(lug_settings))
    time_s = 90.0 * (r / 1.9) ** -4.5 * np.exp(0.2 * rng.normal(size=16))
    return (time_s < 60.0).astype(float), np.minimum(time_s, 60.0), {"line current [A]": 16.0 * r}


# --- which response, which model


def test_the_breakers_law_is_for_the_breaker_only():
    cut_out, second = Response("thermal cut-out", "trip", hold_s=30.0), Response("residual trip", "trip")
    study = Study("t", (), (Response("depth", "measure"), cut_out, TRIP, second))
    assert is_breaker(study, TRIP)
    assert not is_breaker(study, cut_out)
    assert not is_breaker(study, second)
    assert not is_breaker(Study("t", (), (cut_out,)), cut_out)


def test_load_decides_the_model(fit, lug_study, lug_settings, tripping):
    tripped, time_s, line = tripping
    study = replace(lug_study, supply=SUPPLY, machine=MACHINE)
    natural = lug_study.coding.to_natural(lug_settings)
    amps = line["line current [A]"] * 0.8 * 0.7 * 230.0 / natural[:, 0]
    arc = {"arc voltage [V]": natural[:, 0], "arc current [A]": amps}
    for conditions, kind, terms in (
        (line, "measured", ["constant", "load"]),
        (arc, "computed", ["constant", "load"]),
        ({}, "unknown", ["constant", "voltage", "feed", "preheat"]),
    ):
        fitted = fit(tripped, time_s, study=study, conditions=conditions)
        assert fitted.conditions["load"] == kind
        assert fitted.numbers["load"]["kind"] == kind
        assert [t.term for t in fitted.terms] == terms
        assert fitted.conditions["arc_time_ratio"] == pytest.approx(2.0)
        assert fitted.can_claim
        assert fitted.settled


def test_a_thermal_cut_out_is_fitted_in_the_coded_factors_even_where_the_load_is_known(fit, lug_study, tripping):
    tripped, time_s, line = tripping
    cut_out = replace(TRIP, name="thermal cut-out")
    study = replace(lug_study, supply=SUPPLY, responses=(TRIP, cut_out))
    fitted = fit(tripped, time_s, study=study, response=cut_out, conditions=line)
    assert fitted.conditions["load"] == "unknown"
    assert not any("breaker's own time law" in line for line in fitted.assumptions)


def test_load_term_recovers_the_steepness_and_the_scale_the_scatter(fit, lug_study):
    rng = np.random.default_rng(5)
    study = replace(lug_study, supply=SUPPLY)
    coded = rng.uniform(-1, 1, (60, 3))
    r = ratio(study.coding.to_natural(coded)) * np.exp(0.03 * rng.normal(size=60))
    shape = np.pi / np.sqrt(6) / 0.3
    gumbel = np.log(rng.exponential(size=60)) - np.log(np.log(2))
    time_s = 90.0 * (r / 1.9) ** -5.5 * np.exp(gumbel / shape)
    fitted = fit(
        time_s < 120, np.minimum(time_s, 120), study=study, coded=coded, conditions={"line current [A]": 16 * r}
    )
    by = {t.term: t for t in fitted.terms}
    assert by["load"].low < -5.5 < by["load"].high
    assert by["load"].estimate == pytest.approx(-5.5, abs=0.7)
    assert by["constant"].estimate == pytest.approx(np.log(90.0) + 5.5 * np.log(1.9), abs=0.5)
    assert fitted.numbers["scale"] == pytest.approx(1.0 / shape, rel=0.3)
    assert fitted.numbers["load"]["scatter"] == pytest.approx(0.03, abs=0.01)


def test_measured_load_says_more_than_computed_and_computed_more_than_unknown(fit, lug_study, lug_settings, tripping):
    tripped, time_s, line = tripping
    study = replace(lug_study, supply=SUPPLY, machine=MACHINE)
    natural = lug_study.coding.to_natural(lug_settings)
    amps = line["line current [A]"] * 0.8 * 0.7 * 230.0 / natural[:, 0]
    arc = {"arc voltage [V]": natural[:, 0], "arc current [A]": amps}
    spread = []
    for conditions in (line, arc):
        model = fit(tripped, time_s, study=study, conditions=conditions).model
        draws = model.draw(2000, np.random.default_rng(1)).mean(Points(lug_study.coding.to_natural([[0.3, 0.3, 0.0]])))
        spread.append(np.quantile(draws, 0.1))
    assert spread[0] > spread[1]


# --- the posterior in the coded factors


def test_posterior_is_that_of_brute_force_on_a_grid(fit, lug_study):
    study = replace(lug_study, factors=lug_study.factors[1:2])
    coded = np.array([[-1.0], [-1.0], [-0.5], [0.0], [0.5], [1.0], [1.0], [1.0]])
    tripped = np.array([0, 0, 0, 0, 1, 1, 0, 1.0])
    time_s = np.array([60, 60, 45, 60, 41, 22, 60, np.nan])
    fitted = fit(
        tripped, time_s, study=replace(study, job=Job(travel_speed_mm_s=5.0, weld_length_mm=150.0)), coded=coded
    )
    b0, b1, log_shape = np.meshgrid(
        np.linspace(0.5, 8.0, 110), np.linspace(-2.5, 2.0, 110), np.linspace(-1.5, 2.8, 90), indexing="ij"
    )
    shape = np.exp(log_shape)
    log_p = stats.norm.logpdf(b0, np.log(30.0) + 0.5, 1.0) + stats.norm.logpdf(b1, -0.3, 0.5)
    log_p += stats.norm.logpdf(log_shape, np.log(2.0), 0.5)
    for x, trip, t in zip(coded[:, 0], tripped, time_s, strict=True):
        law = stats.weibull_min(shape, scale=np.exp(b0 + b1 * x) / np.log(2.0) ** (1.0 / shape))
        if np.isnan(t):
            log_p += law.logcdf(30.0)  # 150 mm at 5 mm/s
        else:
            log_p += law.logpdf(t) if trip else law.logsf(t)
    weight = np.exp(log_p - log_p.max())
    weight /= weight.sum()
    for term, value in zip(fitted.terms, (b0, b1), strict=True):
        mean = (weight * value).sum()
        sd = np.sqrt((weight * value**2).sum() - mean**2)
        assert term.estimate == pytest.approx(mean, abs=0.1 * sd)
        assert term.se == pytest.approx(sd, rel=0.1)
    assert fitted.numbers["scale"] == pytest.approx((weight / shape).sum(), rel=0.06)
    held = fitted.model.draw(4000, np.random.default_rng(1)).mean(Points(study.coding.to_natural([[0.4]])))
    eta = b0 + 0.4 * b1
    expected = (weight * np.exp(-np.log(2.0) * np.exp(shape * (np.log(30.0) - eta)))).sum()
    assert held.mean() == pytest.approx(expected, abs=0.015)


def test_prior_in_the_coded_factors_is_that_of_the_method(lug_study, lug_settings, make_results):
    study = replace(
        lug_study,
        factors=(*lug_study.factors, Factor("wire", kinds=("A", "B"))),
        plan=replace(lug_study.plan, later_welds="warm"),
    )
    coded = np.column_stack([lug_settings, np.arange(16) // 2 % 2])
    surface = build_surface(make_results(study, coded, {}), highest="first")
    prior = coded_prior(surface, np.log(30.0))
    names = [*(str(c) for c in surface.columns), "log shape"]
    table = dict(zip(names, zip(prior.mean, prior.sd, strict=True), strict=True))
    assert table == {
        "constant": (np.log(30.0) + 0.5, 1.0),
        "voltage": (-0.3, 0.5),
        "feed": (-0.3, 0.5),
        "preheat": (0.0, 0.4),
        "wire=A": (0.0, 0.5),
        "position": (0.0, 0.4),
        "log shape": (pytest.approx(np.log(2.0)), 0.5),
    }


def test_same_seed_same_fit(fit, tripping):
    tripped, time_s, _ = tripping
    assert fit(tripped, time_s).terms == fit(tripped, time_s).terms
    assert fit(tripped, time_s).terms != fit(tripped, time_s, seed=2).terms


def test_drawing_afresh_gives_other_draws_of_the_same_posterior(fit, lug_study, lug_settings, tripping):
    tripped, time_s, line = tripping
    points = Points(lug_study.coding.to_natural(lug_settings[:3]))
    for conditions in ({}, line):
        model = fit(tripped, time_s, study=replace(lug_study, supply=SUPPLY), conditions=conditions).model
        first, second = (model.draw(2000, np.random.default_rng(seed)).failure(points) for seed in (1, 2))
        assert not np.array_equal(first, second)
        np.testing.assert_allclose(first.mean(axis=0), second.mean(axis=0), atol=0.03)


def test_band_in_the_coded_factors_is_that_of_the_chance(fit, lug_study, lug_settings, tripping):
    tripped, time_s, _ = tripping
    posterior = fit(tripped, time_s).model.draw(500, np.random.default_rng(1))
    points = Points(lug_study.coding.to_natural(lug_settings[:3]))
    low, high = posterior.weld_band(points, level=0.9)
    assert posterior.n_draws == 500
    np.testing.assert_allclose([low, high], np.quantile(posterior.mean(points), [0.05, 0.95], axis=0))


def test_longer_arc_time_without_a_trip_says_more(fit, lug_study):
    middle = Points(lug_study.coding.to_natural(np.zeros((1, 3))))

    def low(time_s):
        return np.quantile(fit(np.zeros(16), time_s).model.draw(2000, np.random.default_rng(1)).mean(middle), 0.1)

    assert low(15.0) < low(30.0) < low(60.0)


def test_without_a_hold_the_typical_arc_time_stands_in(fit, lug_study, tripping):
    tripped, _, _ = tripping
    free = fit(tripped, 45.0, response=replace(TRIP, hold_s=None))
    assert isinstance(free.model, CodedTripModel)
    assert free.model.log_hold == pytest.approx(np.log(45.0))
    assert "sensitivity" not in free.numbers


# --- arc times


def test_arc_time_is_weld_length_over_travel_speed_where_none_was_read(lug_study, lug_settings, make_results):
    study = replace(lug_study, job=Job(travel_speed_mm_s=5.0, weld_length_mm=150.0))
    speed = np.full(16, np.nan)
    speed[3] = 3.0
    time_s = np.full(16, np.nan)
    time_s[0] = 44.0
    trips = Trips(np.r_[0, 1, 0, 0, np.full(12, np.nan)], time_s)
    results = make_results(study, lug_settings, {}, conditions={"travel speed [mm/s]": speed})
    usable = usable_trips(results, trips)
    np.testing.assert_allclose(np.exp(usable.times.log_time), [44.0, 30.0, 30.0, 50.0])
    np.testing.assert_array_equal(usable.times.timed, [True, False, False, False])
    assert usable.by_length == 3
    assert usable.used.sum() == 4


def test_aborted_weld_that_did_not_trip_has_no_arc_time_of_its_length(lug_study, lug_settings, make_results):
    study = replace(lug_study, job=Job(travel_speed_mm_s=5.0, weld_length_mm=150.0))
    status = ("aborted", "aborted", *["done"] * 14)
    trips = Trips(np.r_[0.0, 1.0, np.zeros(14)], np.full(16, np.nan))
    usable = usable_trips(make_results(study, lug_settings, {}, status=status), trips)
    assert not usable.used[0]
    assert usable.lost_holds[0]
    assert usable.used[1]  # it tripped before its length was welded


def test_a_scrapped_welds_trip_counts(fit, lug_settings):
    status = tuple("scrapped" if i == 5 else "done" for i in range(16))
    tripped = np.zeros(16)
    tripped[5] = 1.0
    fitted = fit(tripped, 20.0, status=status)
    assert (fitted.n, fitted.numbers["trips"]) == (16, 1)


def test_no_claim_where_a_trip_has_neither_time_nor_length(fit, tripping):
    tripped, time_s, _ = tripping
    lost = int(np.flatnonzero(tripped)[0])
    time_s = time_s.copy()
    time_s[lost] = np.nan
    fitted = fit(tripped, time_s)
    assert not fitted.can_claim
    assert any(line.startswith(f"No claim about trips: weld W{lost + 1:02} tripped") for line in fitted.findings)
    assert fitted.n == 15


def test_a_weld_that_held_for_no_known_time_is_left_out_and_said_so(fit, tripping):
    tripped, time_s, _ = tripping
    held = np.flatnonzero(tripped == 0)[:2]
    time_s = time_s.copy()
    time_s[held] = np.nan
    fitted = fit(tripped, time_s)
    assert fitted.can_claim
    assert fitted.n == 14
    assert any("could not be counted as having held" in line for line in fitted.findings)


def test_no_arc_time_at_all_cannot_be_answered(fit):
    with pytest.raises(CannotAnswerError, match=r"no arc time is known for welds W01, .* weld_length and travel_speed"):
        fit(np.zeros(16), np.nan)


def test_arc_time_ratio_leaves_aborted_welds_out_and_is_infinite_where_every_weld_tripped(fit):
    time_s = np.full(16, 60.0)
    time_s[2] = 8.0
    status = tuple("aborted" if i == 2 else "done" for i in range(16))
    assert fit(np.zeros(16), time_s, status=status).conditions["arc_time_ratio"] == pytest.approx(2.0)
    assert fit(np.zeros(16), time_s).conditions["arc_time_ratio"] == pytest.approx(8.0 / 30.0)
    assert fit(np.ones(16), 10.0).conditions["arc_time_ratio"] == np.inf


# --- degenerate tables, and what is said


def test_no_trip_at_all_says_what_the_welds_alone_can_show(fit, lug_study):
    fitted = fit(np.zeros(16), 30.0)
    assert fitted.findings[0] == (
        "No breaker trip was seen. 16 welds without a trip cannot by themselves show more than about 0.866 "
        "reliability; the rest is the assumed prior."
    )
    assert fitted.numbers["trips"] == 0
    # METHOD.md section 6: the lower bound with the prior intercept at log hold + 0.5, 1, 1.5
    lows = [effect["low"] for effect in fitted.numbers["sensitivity"]["effects"][:3]]
    assert lows[0] < lows[1] < lows[2]
    assert any("2.7 or 4.5 times" in line for line in fitted.findings)


def test_welds_that_ran_short_do_not_count_towards_what_no_trip_shows(fit):
    time_s = np.full(16, 30.0)
    time_s[:6] = 20.0
    assert (
        "10 welds without a trip cannot by themselves show more than about 0.794"
        in fit(np.zeros(16), time_s).findings[0]
    )
    assert "16 welds" in fit(np.zeros(16), 12.0).findings[0]


def test_trips_everywhere(fit, lug_study):
    fitted = fit(np.ones(16), np.linspace(4.0, 12.0, 16))
    assert "At no tested setting did welds run the full time often enough." in fitted.findings
    points = Points(lug_study.coding.to_natural(np.zeros((1, 3))))
    assert fitted.model.draw(1000, np.random.default_rng(1)).failure(points).mean() > 0.95


def test_trips_all_in_one_corner_are_separated_and_finite(fit, lug_study, lug_settings):
    marks = tuple("ABCDEF")
    factors = (replace(lug_study.factors[0], marks=marks), *lug_study.factors[1:])
    tripped = ((lug_settings[:, 0] > 0.5) & (lug_settings[:, 1] > 0.5)).astype(float)
    assert tripped.sum() == 2
    fitted = fit(tripped, np.where(tripped == 1, 18.0, 60.0), study=replace(lug_study, factors=factors))
    assert fitted.numbers["separated"] is True
    (finding,) = fitted.findings
    assert finding.startswith(
        "All trips lie at voltage 22 V (mark F), feed 9 m/min, preheat 20 °C; voltage 22 V (mark F), feed 9 m/min, "
        "preheat 120 °C; where the limit lies between tested settings is not known more closely. The nearest tested "
        "settings on either side: "
    )
    assert all(abs(t.estimate) < 10.0 and t.se < 3.0 for t in fitted.terms)
    corner, middle = (
        fitted.model.draw(2000, np.random.default_rng(1)).failure(Points(lug_study.coding.to_natural([x]))).mean()
        for x in ([1.0, 1.0, 0.0], [-0.5, -0.5, 0.0])
    )
    assert corner > 0.3
    assert middle < 0.1


def test_many_trips_are_told_by_their_ranges(fit, lug_study, lug_settings):
    tripped = (lug_settings[:, 1] > 0.1).astype(float)
    fitted = fit(tripped, np.where(tripped == 1, 18.0, 60.0))
    assert any(
        line.startswith("All trips lie at feed 7.5 to 9 m/min; where the limit lies") for line in fitted.findings
    )


def test_trips_of_one_wire_are_told_by_its_name(fit, lug_study, lug_settings):
    study = replace(lug_study, factors=(*lug_study.factors, Factor("wire", kinds=("thin", "thick"))))
    wire = np.arange(16) % 2
    coded = np.column_stack([lug_settings, wire])
    fitted = fit(wire, np.where(wire == 1, 18.0, 60.0), study=study, coded=coded)
    assert any(line.startswith("All trips lie at wire thick; where") for line in fitted.findings)


def test_mixed_trips_are_not_separated(fit, lug_settings):
    fitted = fit(np.arange(16) % 2, np.where(np.arange(16) % 2, 20.0, 60.0))
    assert fitted.numbers["separated"] is False
    assert fitted.findings == ()


def test_assumptions_are_said_with_every_fit(fit, lug_study, lug_settings, tripping):
    tripped, time_s, line = tripping
    study = replace(lug_study, supply=SUPPLY, machine=MACHINE)
    natural = lug_study.coding.to_natural(lug_settings)
    arc = {"arc voltage [V]": natural[:, 0], "arc current [A]": line["line current [A]"] * 129.0 / natural[:, 0]}
    measured, computed, unknown = (
        " ".join(fit(tripped, time_s, study=study, conditions=c).assumptions) for c in (line, arc, {})
    )
    for told in (measured, computed, unknown):
        assert "warm breaker trips sooner" in told
    assert "IEC 60898-1, curve C; values from memory: check the standard" in measured
    assert "follows the 16 readings" in measured
    assert "efficiency of 0.8 and a power factor of 0.7; it is taken to be right to 15 %" in computed
    assert "the load on the supply is not known" in unknown
    assert "50 s" in unknown  # exp(0.5) times 30 s
    ul = replace(study, supply=replace(SUPPLY, curve="UL"))
    assert "(UL 489; values" in " ".join(fit(tripped, time_s, study=ul, conditions=line).assumptions)


def test_high_computed_load_asks_for_a_reading_and_never_for_a_larger_breaker(fit, lug_study, lug_settings, tripping):
    tripped, time_s, line = tripping
    study = replace(lug_study, supply=SUPPLY, machine=MACHINE)
    natural = lug_study.coding.to_natural(lug_settings)
    amps = line["line current [A]"] * 128.8 / natural[:, 0]
    arc = {"arc voltage [V]": natural[:, 0], "arc current [A]": amps}
    high = fit(tripped, time_s, study=study, conditions=arc).findings
    assert any("plug-in meter of sufficient rating or by a qualified person" in line for line in high)
    low = fit(np.zeros(16), time_s, study=study, conditions={**arc, "arc current [A]": 0.5 * amps}).findings
    assert not any("plug-in meter" in line for line in low)


def test_short_arc_times_without_a_trip_are_pointed_out(fit):
    assert any("1.0 times the arc time to hold" in line for line in fit(np.zeros(16), 30.0).findings)
    assert not any("times the arc time to hold; " in line for line in fit(np.zeros(16), 60.0).findings)


def test_later_welds_on_warm_plates_have_an_answer_of_their_own(fit, lug_study, lug_settings, tripping):
    _, _, line = tripping
    later = np.arange(16) % 2
    study = replace(lug_study, supply=SUPPLY, plan=replace(lug_study.plan, later_welds="warm"))
    middle = lug_study.coding.to_natural(np.zeros((1, 3)))
    for conditions in (line, {}):
        fitted = fit(later, np.where(later == 1, 20.0, 60.0), study=study, conditions=conditions)
        assert "position" in [t.term for t in fitted.terms]
        posterior = fitted.model.draw(1000, np.random.default_rng(1))
        first, second = (posterior.failure(Points(middle, later=late)).mean() for late in (False, True))
        assert first < second


def test_a_fit_that_did_not_settle_makes_no_claim(fit, tripping, monkeypatch):
    monkeypatch.setattr("doe.models.sampling.LEAST_ESS", np.inf)
    monkeypatch.setattr("doe.models.sampling.LARGEST_R_HAT", 0.0)
    monkeypatch.setattr("doe.models.sampling.ENSEMBLE_STEPS", ((5, 10),))
    tripped, time_s, _ = tripping
    fitted = fit(tripped, time_s)
    assert not fitted.settled
    assert not fitted.can_claim
    assert NOT_SETTLED in fitted.findings


def test_readings_of_another_kind_are_our_fault(lug_study, lug_settings, make_results):
    results = make_results(lug_study, lug_settings, {"trip": Passes(np.ones(16))})
    with pytest.raises(TypeError, match="trip has no trips"):
        fit_trip(results, TRIP, seed=1)


# --- does the bound hold?


def thermal_time_s(r, *, constant_s, holds):
    """Median time of a thermal breaker, I^2 heating: T = constant * -log(1 - (holds/r)^2); it never trips below."""
    reach = np.minimum((holds / r) ** 2, 1.0)
    return constant_s * -np.log(np.maximum(1.0 - reach, 1e-12))


def draw_breaker(rng):
    """Draw a breaker: median time as a function of load ratio. Half are power laws, half thermal."""
    if rng.random() < 0.5:
        middle, steepness = np.exp(rng.uniform(np.log(45.0), np.log(150.0))), rng.uniform(3.0, 6.5)
        return lambda r: middle * (r / 1.9) ** -steepness
    constant_s, holds = rng.uniform(90.0, 200.0), rng.uniform(1.15, 1.4)
    return lambda r: thermal_time_s(r, constant_s=constant_s, holds=holds)


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["measured", "computed", "unknown"])
def test_nine_in_ten_lower_bounds_hold_on_breakers(fit, lug_study, lug_settings, kind):
    """The 90 % lower bound of P(no trip in 30 s); 16 welds, arc held for twice that time."""
    rng = np.random.default_rng(2025)
    study = replace(lug_study, supply=SUPPLY, machine=MACHINE)
    natural = study.coding.to_natural(lug_settings)
    places = study.coding.to_natural(rng.uniform(-1.0, 1.0, (40, 3)))
    nodes, weights = special.roots_hermitenorm(15)
    held, relevant = [], []
    for study_number in range(100):
        median_s, scatter, middle = draw_breaker(rng), rng.uniform(0.25, 0.45), rng.uniform(1.3, 2.0)
        powers = rng.uniform(0.8, 1.2), rng.uniform(0.75, 1.05)
        shape = np.pi / np.sqrt(6.0) / scatter

        def load(x, middle=middle, powers=powers):
            return middle * (x[:, 0] / 19.5) ** powers[0] * (x[:, 1] / 7.0) ** powers[1]

        def truth(x, median_s=median_s, shape=shape, load=load):
            hold = lambda e: np.exp(-np.log(2.0) * (30.0 / median_s(load(x) * np.exp(0.03 * e))) ** shape)  # noqa: E731
            return sum(w * hold(e) for e, w in zip(nodes, weights, strict=True)) / weights.sum()

        r = load(natural) * np.exp(0.03 * rng.normal(size=16))
        time_s = median_s(r) * (rng.exponential(size=16) / np.log(2.0)) ** (1.0 / shape)
        conditions = {"line current [A]": 16.0 * r}
        if kind == "computed":
            amps = 16.0 * r * np.exp(0.15 * rng.normal()) * 0.8 * 0.7 * 230.0 / natural[:, 0]
            conditions = {"arc voltage [V]": natural[:, 0], "arc current [A]": amps}
        fitted = fit(
            time_s < 60.0,
            np.minimum(time_s, 60.0),
            study=study,
            conditions={} if kind == "unknown" else conditions,
            seed=study_number,
        )
        draws = fitted.model.draw(1000, np.random.default_rng(study_number)).mean(Points(places))
        chance = truth(places)
        held.append(np.quantile(draws, 0.1, axis=0) <= chance)
        relevant.append((chance > 0.5) & (chance < 0.995))
    share = np.concatenate(held)[np.concatenate(relevant)].mean()
    # settings of one study hang together: about 100 independent answers, standard error 3 points
    assert share >= 0.84
