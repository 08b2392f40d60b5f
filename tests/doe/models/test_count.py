"""The count model: posterior against brute force, priors as in METHOD.md section 3, degenerate tables, coverage."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from doe.bench.results import Counts, Passes
from doe.models.count import CountPosterior, cautious_prior, fit_count, informed_prior
from doe.models.fit import Points
from doe.models.sampling import NOT_SETTLED
from doe.models.surface import build_surface
from doe.study.model import Factor, Response, Study

PORES = Response("porosity", "count", at_most=2.0, per_mm=100.0, per_text="100 mm")
ANSWERED = replace(PORES, expect_good_zone=("voltage", "feed"), expect_ratio_under=10.0)


@pytest.fixture
def fit(lug_study, lug_settings, make_results):
    """Fit counts at the sixteen lug settings, or at others."""

    def fit(counts, response=PORES, *, length_mm=450.0, study=lug_study, coded=lug_settings, seed=1):
        study = replace(study, responses=(response,))
        n = len(coded)
        length = np.broadcast_to(np.asarray(length_mm, dtype=float), (n,)).copy()
        results = make_results(study, coded, {response.name: Counts(np.asarray(counts, dtype=float), length)})
        return fit_count(results, response, seed=seed)

    return fit


def bowl(coded, *, sign=1.0):
    """Counts over 450 mm at their expected values, worse (sign 1) or better towards both ends."""
    v, f = coded[:, 0], coded[:, 1]
    return np.round(4.5 * np.exp(-0.5 + sign * (1.2 * (v**2 - 0.5) + 1.0 * (f**2 - 0.5))))


# --- the posterior


def test_posterior_is_that_of_brute_force_on_a_grid(fit):
    one = Study("t", (Factor("voltage", "voltage", "V", (17.0, 22.0)),), (PORES,))
    coded = np.array([[-1.0]] * 4 + [[1.0]] * 4)
    counts, length = np.array([0, 1, 0, 2, 5, 9, 2, 4.0]), np.array([100, 200, 150, 300, 100, 200, 100, 150.0])
    fitted = fit(counts, study=one, coded=coded, length_mm=length)
    assert [t.term for t in fitted.terms] == ["constant", "voltage"]

    b0, b1, log_phi = np.meshgrid(np.linspace(-6, 5, 90), np.linspace(-4, 5, 90), np.linspace(-4, 4, 80), indexing="ij")
    size = np.exp(-log_phi)
    log_p = stats.norm.logpdf(b0, np.log(2 / 3), 2) + stats.norm.logpdf(b1, 0, 1.2) + stats.norm.logpdf(log_phi)
    for x, n, exposure in zip(coded[:, 0], counts, length / 100, strict=True):
        mean = exposure * np.exp(b0 + b1 * x)
        log_p += stats.nbinom.logpmf(n, size, size / (size + mean))
    weight = np.exp(log_p - log_p.max())
    weight /= weight.sum()

    for term, value in zip(fitted.terms, (b0, b1), strict=True):
        mean = (weight * value).sum()
        sd = np.sqrt((weight * value**2).sum() - mean**2)
        assert term.estimate == pytest.approx(mean, abs=0.1 * sd)
        assert term.se == pytest.approx(sd, rel=0.1)
        order = np.argsort(value, axis=None)
        cumulative = np.cumsum(weight.ravel()[order])
        for share, ours in ((0.05, term.low), (0.95, term.high)):
            theirs = value.ravel()[order][np.searchsorted(cumulative, share)]
            assert ours == pytest.approx(theirs, abs=0.2 * sd)
    assert fitted.numbers["dispersion"] == pytest.approx((weight * np.exp(log_phi)).sum(), rel=0.12)

    posterior = fitted.model.draw(4000, np.random.default_rng(2))
    failure = posterior.failure(Points(one.coding.to_natural([[0.5]])))[:, 0]
    truth = stats.nbinom.sf(2, size, size / (size + np.exp(b0 + 0.5 * b1)))
    expected = (weight * truth).sum()
    spread = np.sqrt((weight * truth**2).sum() - expected**2)
    assert failure.mean() == pytest.approx(expected, abs=0.08 * spread)
    assert failure.std() == pytest.approx(spread, rel=0.1)


def test_failure_is_the_chance_of_more_than_the_limit_draw_by_draw(fit, lug_study, lug_settings):
    fitted = fit(bowl(lug_settings))
    posterior = fitted.model.draw(300, np.random.default_rng(3))
    points = Points(lug_study.coding.to_natural(lug_settings[:5]))
    mean, size = posterior.mean(points), 1.0 / posterior.phi[:, None]
    expected = stats.nbinom.sf(2, size, size / (size + mean))
    np.testing.assert_allclose(posterior.failure(points), expected, rtol=1e-6, atol=1e-12)


def test_band_of_the_next_weld_holds_counts_drawn_from_the_posterior(fit, lug_study, lug_settings):
    posterior = fit(bowl(lug_settings)).model.draw(4000, np.random.default_rng(4))
    points = Points(lug_study.coding.to_natural(lug_settings[:4]))
    low, high = posterior.weld_band(points, level=0.9)
    size = 1.0 / posterior.phi[:, None]
    drawn = np.random.default_rng(5).negative_binomial(size, size / (size + posterior.mean(points)))
    assert np.all((drawn <= high).mean(axis=0) >= 0.94)
    assert np.all((drawn < high).mean(axis=0) <= 0.96)
    assert np.all((drawn < low).mean(axis=0) <= 0.06)


def test_a_count_without_a_requirement_has_a_mean_and_cannot_fail(fit, lug_study, lug_settings):
    counts = bowl(lug_settings)
    free = fit(counts, replace(PORES, at_most=None))
    assert "sensitivity" not in free.numbers
    posterior = free.model.draw(200, np.random.default_rng(6))
    points = Points(lug_study.coding.to_natural(lug_settings))
    with pytest.raises(ValueError, match="cannot fail"):
        posterior.failure(points)
    # the prior is centred on the observed rate, and the fit follows the counts
    assert np.corrcoef(np.log(posterior.mean(points).mean(axis=0)), np.log(counts + 0.5))[0, 1] > 0.9
    assert free.model.prior.mean[0] == pytest.approx(np.log(counts.sum() / (16 * 4.5)))
    assert any("average that was counted" in line for line in free.assumptions)


def test_same_seed_same_fit_and_another_seed_the_same_within_its_error(fit, lug_settings):
    counts = bowl(lug_settings)
    first, again, other = fit(counts, seed=1), fit(counts, seed=1), fit(counts, seed=2)
    assert first.terms == again.terms
    for a, b in zip(first.terms, other.terms, strict=True):
        assert a.estimate != b.estimate
        assert a.estimate == pytest.approx(b.estimate, abs=0.2 * a.se)


def test_drawing_afresh_gives_other_draws_of_the_same_posterior(fit, lug_study, lug_settings):
    model = fit(bowl(lug_settings)).model
    points = Points(lug_study.coding.to_natural(lug_settings[:3]))
    first, second = (model.draw(2000, np.random.default_rng(seed)).failure(points) for seed in (1, 2))
    assert not np.array_equal(first, second)
    np.testing.assert_allclose(first.mean(axis=0), second.mean(axis=0), atol=0.02)
    np.testing.assert_array_equal(first, model.draw(2000, np.random.default_rng(1)).failure(points))


def test_order_of_the_welds_does_not_matter_beyond_the_sampling_error(fit, lug_settings):
    counts = bowl(lug_settings)
    turned = fit(counts[::-1], coded=lug_settings[::-1])
    for a, b in zip(fit(counts).terms, turned.terms, strict=True):
        assert a.estimate == pytest.approx(b.estimate, abs=0.15 * a.se)


# --- exposure


def test_more_inspected_length_says_more(fit, lug_study, lug_settings):
    points = Points(lug_study.coding.to_natural(np.zeros((1, 3))))

    def spread(times):
        fitted = fit(times * np.round(bowl(lug_settings)), length_mm=450.0 * times)
        return np.log(fitted.model.draw(2000, np.random.default_rng(1)).mean(points)).std()

    assert spread(4) < spread(1)


def test_rate_refers_to_the_criterion_length(fit, lug_study, lug_settings):
    points = Points(lug_study.coding.to_natural(lug_settings))
    counts = np.full(16, 9.0)
    posterior = fit(counts, length_mm=450.0).model.draw(1000, np.random.default_rng(1))
    assert np.median(posterior.mean(points)) == pytest.approx(2.0, rel=0.15)  # 9 in 450 mm are 2 in 100 mm


def test_a_missing_length_counts_as_the_criterion_length(fit, lug_settings):
    counts, length = bowl(lug_settings), np.full(16, 100.0)
    blank = length.copy()
    blank[3:7] = np.nan
    assert fit(counts, length_mm=blank).terms == fit(counts, length_mm=length).terms
    assert any("4 welds without an inspected length" in line for line in fit(counts, length_mm=blank).assumptions)


def test_without_criterion_length_the_typical_one_stands_in_and_without_any_length_welds_count_alike(fit, lug_settings):
    counts = bowl(lug_settings)
    bare = replace(PORES, per_mm=None, per_text="")
    assert fit(counts, bare, length_mm=200.0).terms == fit(counts, bare, length_mm=np.nan).terms
    assert fit(counts, bare, length_mm=np.nan).numbers["inspected_mm"] == 0.0
    assert fit(counts, bare, length_mm=200.0).numbers["inspected_mm"] == 3200.0


def test_a_weld_that_was_not_counted_is_left_out(fit, lug_settings):
    counts = bowl(lug_settings)
    counts[2] = np.nan
    fitted = fit(counts)
    kept = np.arange(16) != 2
    assert fitted.n == 15
    assert fitted.terms == fit(counts[kept], coded=lug_settings[kept]).terms


# --- priors


def test_cautious_prior_is_that_of_the_method(lug_study, lug_settings, make_results):
    surface = build_surface(make_results(lug_study, lug_settings, {}), highest="second")
    prior = cautious_prior(surface, np.log(2 / 3))
    names = [*(str(c) for c in surface.columns), "log phi"]
    table = dict(zip(names, zip(prior.mean, prior.sd, strict=True), strict=True))
    assert table["constant"] == (pytest.approx(np.log(2 / 3)), 2.0)
    assert table["log phi"] == (0.0, 1.0)
    for name in ("voltage", "feed", "preheat"):
        assert table[name] == (0.0, 1.2)
        assert table[f"{name}^2"] == (0.0, 0.8)
    assert table["voltage*feed"] == (0.0, 0.8)


def test_informed_prior_is_that_of_the_method(lug_study, lug_settings, make_results):
    wire = Factor("wire", kinds=("A", "B"))
    study = replace(lug_study, factors=(*lug_study.factors, wire))
    coded = np.column_stack([lug_settings, np.arange(16) % 2])
    surface = build_surface(make_results(study, coded, {}), highest="second")
    prior = informed_prior(surface, np.log(2 / 3), ("voltage", "feed"))
    names = [*(str(c) for c in surface.columns), "log phi"]
    table = dict(zip(names, zip(prior.mean, prior.sd, strict=True), strict=True))
    assert table["constant"] == (pytest.approx(np.log(2 / 3)), 2.0)
    assert table["voltage"] == table["feed"] == (0.0, 0.6)
    assert table["preheat"] == (-0.15, 0.4)
    assert table["wire=A"] == (0.0, 0.4)
    assert table["voltage*feed"] == (0.0, 0.3)
    assert table["voltage*preheat"] == table["feed*preheat"] == (0.0, 0.2)
    assert table["voltage^2"] == table["feed^2"] == (0.4, 0.5)
    assert table["preheat^2"] == (0.0, 0.25)
    assert table["log phi"] == (pytest.approx(np.log(0.5)), 0.8)


@pytest.mark.parametrize(
    ("changes", "prior"),
    [
        ({}, "informed"),
        ({"expect_good_zone": ()}, "cautious"),
        ({"expect_ratio_under": None}, "cautious"),
        ({"expect_ratio_under": 30.0}, "cautious"),
    ],
)
def test_informed_prior_needs_both_answers(fit, lug_settings, changes, prior):
    fitted = fit(bowl(lug_settings), replace(ANSWERED, **changes))
    assert fitted.numbers["prior"] == prior
    assert f"{prior} prior" in fitted.method
    assert any("answered from experience" in line for line in fitted.assumptions) == (prior == "informed")


def test_answers_make_the_claim_sharper_where_they_are_true(fit, lug_study, lug_settings):
    points = Points(lug_study.coding.to_natural(np.array([[0.1, 0.1, 0.0]])))

    def low(response):
        draws = fit(bowl(lug_settings), response).model.draw(2000, np.random.default_rng(1))
        return np.quantile(1 - draws.failure(points), 0.1)

    assert low(ANSWERED) > low(PORES)


def test_counts_better_towards_both_ends_contradict_the_first_answer(fit, lug_settings):
    fitted = fit(bowl(lug_settings, sign=-1.0), ANSWERED)
    assert fitted.numbers["prior"] == "cautious"
    assert any("fewer, not more, towards both ends of" in line and "set aside" in line for line in fitted.findings)
    assert not any("answered from experience" in line for line in fitted.assumptions)
    assert fitted.model.prior.sd[1] == 1.2
    (said,) = fitted.prior_findings  # is told again with the claim
    assert said in fitted.findings
    assert fit(bowl(lug_settings), ANSWERED).prior_findings == ()


def test_steep_counts_contradict_the_second_answer(fit, lug_settings):
    steep = np.round(4.5 * np.exp(0.8 + 2.4 * lug_settings[:, 0]))
    fitted = fit(steep, ANSWERED)
    assert fitted.numbers["prior"] == "cautious"
    assert any("changing by more than the answer allows with voltage" in line for line in fitted.findings)


def test_pores_in_the_middle_only_contradict_the_first_answer_though_dispersion_could_hide_it(fit):
    ends = [(-1.0, -1.0), (-1.0, 1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, -0.25), (0.0, 1.0), (1.0, 0.0), (0.0, -1.0)] * 2
    middle = [(0.0, 0.25), (0.0, -0.25)] + [(0.0, 0.0)] * 5
    coded = np.array([(*weld, (-1.0, 0.0, 1.0)[i % 3]) for i, weld in enumerate([*ends, *middle])])
    fitted = fit([0.0] * len(ends) + [10.0, 10.0, 14.0, 14.0, 14.0, 14.0, 14.0], ANSWERED, length_mm=260.0, coded=coded)
    assert fitted.numbers["prior"] == "cautious"
    assert any("more than 30 times as likely without them" in line and "set aside" in line for line in fitted.findings)
    assert not any("answered from experience" in line for line in fitted.assumptions)


def test_answers_that_hold_are_hardly_ever_taken_for_contradicted(fit, lug_settings):
    rng, kept = np.random.default_rng(8), []
    for _ in range(20):
        rate = rng.gamma(2.0, bowl(lug_settings) / 2.0 + 1e-9)
        kept.append(fit(rng.poisson(rate), ANSWERED).numbers["prior"] == "informed")
    assert sum(kept) >= 19


# --- degenerate tables, and what is said


def test_no_pores_at_all_gives_a_bound_set_by_the_inspected_length(fit, lug_study):
    fitted = fit(np.zeros(16), length_mm=450.0)
    (finding,) = fitted.findings
    assert finding.startswith("No pores in 7200 mm inspected; the claim about porosity rests on that length.")
    assert "0.032 in 100 mm (90 % sure)" in finding  # 2.303 / 72 criterion lengths
    assert fitted.settled
    middle = Points(lug_study.coding.to_natural(np.zeros((1, 3))))
    long = fitted.model.draw(4000, np.random.default_rng(1)).failure(middle)
    short = fit(np.zeros(16), length_mm=20.0).model.draw(4000, np.random.default_rng(1)).failure(middle)
    assert 0.0 < np.quantile(long, 0.9) < np.quantile(short, 0.9)


def test_nought_counted_of_something_else_is_said_in_its_own_words(fit):
    spatter = replace(PORES, name="spatter", per_mm=None, per_text="")
    (finding,) = fit(np.zeros(16), spatter, length_mm=np.nan).findings
    assert finding.startswith("No spatter counted on 16 welds; that bounds the average at about 0.14 a weld")


def test_a_single_weld_and_huge_counts_still_fit(fit, lug_settings):
    assert fit([3.0], coded=lug_settings[:1]).settled
    fitted = fit(np.r_[np.zeros(15), 5000.0])
    assert np.isfinite(fitted.numbers["dispersion"])


def test_sensitivity_says_how_the_answer_moves_with_each_prior(fit, lug_study, lug_settings):
    fitted = fit(np.zeros(16), length_mm=25.0)  # little is known: the prior matters
    told = fitted.numbers["sensitivity"]
    by = {effect["assumption"]: effect for effect in told["effects"]}
    base = by["as assumed"]
    more = by["more pores expected in the middle of the region, by one standard deviation"]
    fewer = by["fewer pores expected in the middle of the region, by one standard deviation"]
    assert more["low"] < base["low"] < fewer["low"]
    assert more["expected"] < base["expected"] < fewer["expected"]
    assert set(told["at"]) == {"voltage", "feed", "preheat"}

    # weighing the draws again gives what fitting under the moved prior gives
    point = Points(np.array([list(told["at"].values())]))
    shift = next(s for s in fitted.model.shifts() if s.assumption == more["assumption"])
    passing = 1.0 - shift.model.draw(4000, np.random.default_rng(3)).failure(point)
    assert passing.mean() == pytest.approx(more["expected"], abs=0.02)
    assert np.quantile(passing, 0.1) == pytest.approx(more["low"], abs=0.06)


def test_a_fit_that_did_not_settle_makes_no_claim(fit, lug_settings, monkeypatch):
    monkeypatch.setattr("doe.models.sampling.LEAST_ESS", np.inf)
    monkeypatch.setattr("doe.models.sampling.LARGEST_R_HAT", 0.0)
    monkeypatch.setattr("doe.models.sampling.ENSEMBLE_STEPS", ((5, 10),))
    fitted = fit(bowl(lug_settings))
    assert not fitted.settled
    assert not fitted.can_claim
    assert NOT_SETTLED in fitted.findings


def test_readings_of_another_kind_are_our_fault(lug_study, lug_settings, make_results):
    results = make_results(lug_study, lug_settings, {"porosity": Passes(np.ones(16))})
    with pytest.raises(TypeError, match="porosity has no counts"):
        fit_count(results, PORES, seed=1)


def test_fit_prints_what_the_interface_asks_for(fit, lug_settings):
    printed = fit(bowl(lug_settings)).to_dict()
    assert printed["kind"] == "count"
    assert printed["n"] == 16
    assert printed["dispersion"] > 0.0
    assert [t["term"] for t in printed["terms"]][:5] == ["constant", "voltage", "feed", "preheat", "voltage*feed"]


def test_later_welds_on_warm_plates_have_an_answer_of_their_own(lug_study, lug_settings, make_results):
    study = replace(lug_study, responses=(PORES,), plan=replace(lug_study.plan, later_welds="warm"))
    counts = np.where(np.arange(16) % 2, 0.0, 9.0)  # the later welds are clean
    results = make_results(study, lug_settings, {"porosity": Counts(counts, np.full(16, 450.0))})
    fitted = fit_count(results, PORES, seed=1)
    assert "position" in [t.term for t in fitted.terms]
    posterior = fitted.model.draw(500, np.random.default_rng(1))
    middle = study.coding.to_natural(np.zeros((1, 3)))
    first, later = (posterior.failure(Points(middle, later=later)).mean() for later in (False, True))
    assert later < first


def test_draws_know_their_number(fit, lug_settings):
    posterior = fit(bowl(lug_settings)).model.draw(123, np.random.default_rng(1))
    assert isinstance(posterior, CountPosterior)
    assert posterior.n_draws == 123


# --- does the bound hold?


@pytest.mark.slow
@pytest.mark.parametrize("response", [PORES, ANSWERED], ids=["cautious", "informed"])
def test_nine_in_ten_lower_bounds_hold_on_bowls(fit, lug_study, lug_settings, response):
    """The 90 % lower bound of P(N <= 2) at settings over the region, on truths worse towards both ends."""
    rng = np.random.default_rng(2024)
    places = rng.uniform(-1.0, 1.0, (40, 3))
    points = Points(lug_study.coding.to_natural(places))
    held, relevant = [], []
    for study_number in range(100):
        size = np.exp(rng.uniform(np.log(0.8), np.log(5.0)))
        c = np.array([rng.uniform(-2.0, 0.2), *rng.uniform(-0.5, 0.5, 2), rng.uniform(-0.3, 0.1)])
        bend, twist = rng.uniform(0.2, 1.0, 2), rng.uniform(-0.3, 0.3)

        def mean(x, c=c, bend=bend, twist=twist):
            v, f, p = x.T
            curve = bend[0] * (v**2 - 0.5) + bend[1] * (f**2 - 0.5)
            return np.exp(c[0] + c[1] * v + c[2] * f + c[3] * p + curve + twist * v * f)

        counts = rng.negative_binomial(size, size / (size + 4.5 * mean(lug_settings)))
        posterior = fit(counts, response, seed=study_number).model.draw(1000, np.random.default_rng(study_number))
        low = np.quantile(1.0 - posterior.failure(points), 0.1, axis=0)
        truth = stats.nbinom.cdf(2, size, size / (size + mean(places)))
        held.append(low <= truth)
        relevant.append((truth > 0.5) & (truth < 0.99))
    share = np.concatenate(held)[np.concatenate(relevant)].mean()
    # settings of one study hang together: about 100 independent answers, standard error 3 points
    assert share >= 0.84
