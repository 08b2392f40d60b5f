"""Do 90 % bands of the mean hold in 90 % of studies where the truth is drawn from the model's own prior?

Simulation-based calibration (Cook, Gelman and Rubin 2006, J. Comput. Graph. Stat. 15, 675-692; Talts et al. 2018,
"Validating Bayesian inference algorithms with simulation-based calibration", arXiv; both from memory): where truth and
readings come from the model itself, an exact posterior's bands hold exactly as often as they say, at any number of
welds. On fixed smooth truths they may hold more often, for such truths lie near the middle of the prior. So this is
what shows that the bands' width and the samplers are right.

The public ``fit_KIND`` is used, but for counts by the informed prior: there ``fit_count`` falls back on the cautious
prior where the counts speak against the answers, of which the prior knows nothing, so ``CountModel`` is fitted itself.
Readings are made by numpy, means by formulas written out here, not by the model's code; the chance to hold at a load
that scatters is the model's own three-point rule (the integral itself differs by what matters only for chances near 0).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest
from scipy import special

from doe.bench.results import Counts, Measurement, Passes, Readings, Results, Trips
from doe.coding import FloatArray
from doe.models.bands import confidence_band
from doe.models.breaker import PRIOR, REFERENCE, standard_bounds
from doe.models.coded_trip import coded_prior
from doe.models.count import CountModel, cautious_prior, fit_count, informed_prior
from doe.models.fit import Points, Posterior
from doe.models.grid import PLATE_GROUP, PRIOR_WELDS, THIRD_GROUP, Grid, lay_out_effects, node_probabilities
from doe.models.load import MEASURED_SCATTER, SCATTER_WORTH
from doe.models.measure import fit_measure
from doe.models.negative_binomial import CountData
from doe.models.passing import CONSTANT_PRIOR, fit_passing
from doe.models.sampled import BY_CLASS
from doe.models.surface import Surface, build_surface
from doe.models.trip import fit_trip
from doe.models.trip_cause import OTHER_CAUSE, OTHER_PRIOR
from doe.study.model import Response, Supply

LEVEL = 0.90
TOLERANCE = 3.5
"""Standard errors by which coverage may differ from ``LEVEL``: one run in 2000 of a right model does."""
DRAWS = 2000
NARROW, ROUNDING = 1e-6, 1e-12
DEPTH = Response("depth", "measure", "mm", at_least=1.2)
PORES = Response("pores", "count", at_most=2.0, per_mm=100.0)
TRIP = Response("trip", "trip", hold_s=30.0)
FUSED = Response("root fused", "pass")
GOOD_ZONE = ("voltage",)


@dataclass(frozen=True, eq=False)
class Bench:
    """Sixteen welds of which nothing is read yet, and the 64 settings at which bands are judged."""

    blank: Results
    region: Points

    def read(self, response: Response, readings: Readings, **fields: object) -> Results:
        """Give the results with one response read."""
        study = replace(self.blank.study, responses=(response,))
        return replace(self.blank, **{"study": study, "readings": {response.name: readings}, **fields})

    def matrices(self, surface: Surface) -> tuple[FloatArray, FloatArray]:
        """Give the surface's columns of the welds and of the region."""
        return surface.welds(self.blank), surface.matrix(self.region.natural)


@dataclass(frozen=True, eq=False)
class Study:
    """One simulated study: what was fitted, and the true mean at each setting of the region."""

    posterior: Posterior
    truth: FloatArray


MakeStudy = Callable[[Bench, np.random.Generator, float], Study]
"""Takes the bench, random numbers, and a factor on the prior standard deviations of the truth: 1 but to see it fail."""


@pytest.fixture
def bench(lug_study, lug_settings, make_results) -> Bench:
    corners = np.array(list(itertools.product(np.linspace(-1.0, 1.0, 4), repeat=3)))
    return Bench(make_results(lug_study, lug_settings, {}), Points(lug_study.coding.to_natural(corners)))


# --- truths and readings of each kind


def study_measure(bench: Bench, rng: np.random.Generator, widened: float, *, scatter: float | None = None) -> Study:
    """Draw a node by its weight, then effects and plates; of a flat constant and 1/s2 any value serves."""
    results = bench.blank
    surface = build_surface(results)
    X, at = bench.matrices(surface)
    plates = np.unique(results.plate, return_inverse=True)[1]
    effects = lay_out_effects(X, surface.classes, plates=plates, blocks=np.zeros(len(X), dtype=int), grid=Grid())
    node = effects.variance[rng.choice(len(effects.variance), p=node_probabilities(effects.log_prior))]
    sd = 0.2
    if scatter is not None:  # the stated scatter is the median of a scaled inverse chi-squared distribution
        sd = scatter * np.sqrt(special.chdtri(PRIOR_WELDS, 0.5) / rng.chisquare(PRIOR_WELDS))
    theta = sd * np.sqrt(node[effects.group]) * rng.standard_normal(len(effects.group))
    # the size of first- and second-order effects the fit finds by itself: bands hold at any
    theta[np.isin(effects.group, (THIRD_GROUP, PLATE_GROUP))] *= widened
    y = 2.0 + effects.C @ theta + sd * rng.standard_normal(len(X))
    response = replace(DEPTH, expect_scatter=scatter)
    readings = Measurement(y[:, None], np.full(len(y), np.inf))
    fitted = fit_measure(bench.read(response, readings), response, seed=1)
    is_plate = effects.group == PLATE_GROUP
    return Study(fitted.model.draw(DRAWS, rng), 2.0 + at[:, 1:] @ theta[~is_plate])


def study_measure_of_stated_scatter(bench: Bench, rng: np.random.Generator, widened: float) -> Study:
    return study_measure(bench, rng, widened, scatter=0.2)


def _count(rng: np.random.Generator, X: FloatArray, truth: FloatArray) -> Counts:
    """Count pores, a Poisson number about a gamma rate, over one to three criterion lengths."""
    exposure, size = rng.choice([1.0, 2.0, 3.0], len(X)), np.exp(-truth[-1])
    rate = exposure * np.exp(X @ truth[:-1]) * rng.gamma(size, 1.0 / size, len(X))
    return Counts(rng.poisson(rate).astype(float), 100.0 * exposure)


def study_cautious_count(bench: Bench, rng: np.random.Generator, widened: float) -> Study:
    surface = build_surface(bench.blank, highest="second")
    X, at = bench.matrices(surface)
    prior = cautious_prior(surface, np.log(2.0 / 3.0))
    truth = prior.mean + widened * prior.sd * rng.standard_normal(len(prior.sd))
    fitted = fit_count(bench.read(PORES, _count(rng, X, truth)), PORES, seed=int(rng.integers(2**31)))
    assert fitted.numbers["prior"] == "cautious"
    return Study(fitted.model.draw(DRAWS, rng), np.exp(at @ truth[:-1]))


def study_informed_count(bench: Bench, rng: np.random.Generator, widened: float) -> Study:
    surface = build_surface(bench.blank, highest="second")
    X, at = bench.matrices(surface)
    prior = informed_prior(surface, np.log(2.0 / 3.0), GOOD_ZONE)
    truth = prior.mean + widened * prior.sd * rng.standard_normal(len(prior.sd))
    counts = _count(rng, X, truth)
    model = CountModel(surface, CountData(X, counts.counts, counts.length_mm / 100.0), prior, 2, prior.mean)
    return Study(model.draw(DRAWS, rng), np.exp(at @ truth[:-1]))


def _run(rng: np.random.Generator, log_median: FloatArray, shape: float) -> Trips:
    """Weld for twice the time to hold, or until the supply trips."""
    time_s = np.exp(log_median) * (rng.exponential(size=len(log_median)) / np.log(2.0)) ** (1.0 / shape)
    return Trips((time_s < 60.0).astype(float), np.minimum(time_s, 60.0))


def _held(log_median: FloatArray, shape: float) -> FloatArray:
    return np.asarray(np.exp(-np.log(2.0) * np.exp(np.minimum(shape * (np.log(30.0) - log_median), 300.0))))


def study_coded_trip(bench: Bench, rng: np.random.Generator, widened: float) -> Study:
    surface = build_surface(bench.blank, highest="first")
    X, at = bench.matrices(surface)
    prior = coded_prior(surface, np.log(30.0))
    truth = prior.mean + widened * prior.sd * rng.standard_normal(len(prior.sd))
    shape = float(np.exp(truth[-1]))
    results = bench.read(TRIP, _run(rng, X @ truth[:-1], shape))
    fitted = fit_trip(results, TRIP, seed=int(rng.integers(2**31)))
    assert fitted.conditions["load"] == "unknown"
    return Study(fitted.model.draw(DRAWS, rng), _held(at @ truth[:-1], shape))


def _draw_breaker(rng: np.random.Generator, widened: float) -> tuple[float, float, float]:
    """Draw a, b and the Weibull shape, of what the standards allow a C breaker of 16 A."""
    mean, sd = np.array(PRIOR).T
    while True:
        a, log_b, log_s = mean + widened * sd * rng.standard_normal(3)
        b = np.exp(log_b)
        bounds = standard_bounds("C", 16.0)
        if all(a - b * np.log(bound.ratio / REFERENCE) <= np.log(bound.seconds) for bound in bounds):
            return a, b, np.pi / np.sqrt(6.0) / np.exp(log_s)


def study_breaker(bench: Bench, rng: np.random.Generator, widened: float) -> Study:
    """Draw a load trend, read at each weld; then the breaker's law, or in one study of ten another cause of trips."""
    load_sd = MEASURED_SCATTER * np.sqrt(SCATTER_WORTH / rng.chisquare(SCATTER_WORTH))
    # the load's own constant is free: any value serves, so some are taken at which trips are seen, but
    # hardly one before ``SHORTEST_S``, which counts as that and so pulls the law's exponent down
    trend = rng.normal([np.log(1.6), 1.0, 0.9, 0.0], [0.1, 0.2, 0.2, 0.03])

    def load(natural: FloatArray) -> FloatArray:
        volts, feed, preheat = natural[:, 0] / 19.5, natural[:, 1] / 7.0, (natural[:, 2] - 70.0) / 50.0
        return np.asarray(np.column_stack([np.ones(len(natural)), np.log(volts), np.log(feed), preheat]) @ trend)

    ratio = load(bench.blank.settings) + load_sd * rng.standard_normal(bench.blank.n_welds)
    if rng.random() < OTHER_CAUSE:
        mean, sd = np.array(OTHER_PRIOR).T
        log_median, log_shape = mean + [np.log(30.0), 0.0] + widened * sd * rng.standard_normal(2)
        shape = float(np.exp(log_shape))
        at_welds, truth = np.full(len(ratio), log_median), _held(np.full(len(bench.region.natural), log_median), shape)
    else:
        a, b, shape = _draw_breaker(rng, widened)
        at_welds = a - b * (ratio - np.log(REFERENCE))
        scattered = [
            load(bench.region.natural) + load_sd * e - np.log(REFERENCE) for e in (-np.sqrt(3.0), 0.0, np.sqrt(3.0))
        ]
        truth = np.array([1.0, 4.0, 1.0]) / 6.0 @ [_held(a - b * log_ratio, shape) for log_ratio in scattered]
    study = replace(bench.blank.study, responses=(TRIP,), supply=Supply(230.0, 16.0, "C"))
    results = bench.read(TRIP, _run(rng, at_welds, shape), conditions={"line current [A]": 16.0 * np.exp(ratio)})
    fitted = fit_trip(replace(results, study=study), TRIP, seed=int(rng.integers(2**31)))
    assert fitted.conditions["load"] == "measured"
    return Study(fitted.model.draw(DRAWS, rng), truth)


def study_passing(bench: Bench, rng: np.random.Generator, widened: float) -> Study:
    surface = build_surface(bench.blank, highest="first")
    X, at = bench.matrices(surface)
    sd = np.array([CONSTANT_PRIOR[1], *[BY_CLASS["first"]] * 3])
    truth = widened * sd * rng.standard_normal(4) + [CONSTANT_PRIOR[0], 0.0, 0.0, 0.0]
    passed = rng.random(len(X)) < special.expit(X @ truth)
    fitted = fit_passing(bench.read(FUSED, Passes(passed.astype(float))), FUSED, seed=int(rng.integers(2**31)))
    return Study(fitted.model.draw(DRAWS, rng), special.expit(at @ truth))


KINDS: dict[str, MakeStudy] = {
    "measure": study_measure,
    "measure of stated scatter": study_measure_of_stated_scatter,
    "cautious count": study_cautious_count,
    "informed count": study_informed_count,
    "trip by coded factors": study_coded_trip,
    "trip by load ratio": study_breaker,
    "pass": study_passing,
}


# --- how often the bands hold


@dataclass(frozen=True, eq=False)
class Coverage:
    """Each of shape (n_studies,): share of settings with the mean in its band, above and below; whether all are."""

    inside: FloatArray
    above: FloatArray
    below: FloatArray
    everywhere: FloatArray

    def errors(self) -> dict[str, float]:
        """Give by how many standard errors each differs from what was promised; settings of one study hang together."""
        n = len(self.inside)
        skew = self.above - self.below
        return {
            "pointwise": (self.inside.mean() - LEVEL) / (self.inside.std(ddof=1) / np.sqrt(n)),
            "above less below": skew.mean() / (skew.std(ddof=1) / np.sqrt(n)),
            # of a yes or no the promise itself tells the spread, also where all are yes
            "everywhere": (self.everywhere.mean() - LEVEL) / np.sqrt(LEVEL * (1.0 - LEVEL) / n),
        }

    def __str__(self) -> str:
        shares = f"pointwise {self.inside.mean():.3f}, everywhere {self.everywhere.mean():.3f}"
        return f"{shares} of {len(self.inside)}: " + ", ".join(f"{k} {v:+.1f} se" for k, v in self.errors().items())


def cover(bench: Bench, kind: str, *, n_studies: int, widened: float = 1.0, seed: int = 1) -> Coverage:
    """Simulate studies of a kind and see where the truth lies."""
    rows = []
    for rng in np.random.default_rng(seed).spawn(n_studies):
        study = KINDS[kind](bench, rng, widened)
        band = confidence_band(study.posterior, bench.region, LEVEL, region=bench.region)
        # chances that are 0 or 1 but for rounding tell nothing; which those are the band says, not the truth
        wide = band.high - band.low > NARROW
        above, below = study.truth > band.high, study.truth < band.low
        everywhere = (study.truth <= band.all_high + ROUNDING) & (study.truth >= band.all_low - ROUNDING)
        if wide.any():
            rows.append((1.0 - (above | below)[wide].mean(), above[wide].mean(), below[wide].mean(), everywhere.all()))
    return Coverage(*np.array(rows, dtype=float).T)


def assert_nominal(coverage: Coverage) -> None:
    assert max(abs(error) for error in coverage.errors().values()) < TOLERANCE, str(coverage)


@pytest.mark.parametrize("kind", KINDS)
def test_bands_hold_as_often_as_they_say_in_some_studies(bench, kind):
    assert_nominal(cover(bench, kind, n_studies=80))


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_bands_hold_as_often_as_they_say_in_many_studies(bench, kind):
    assert_nominal(cover(bench, kind, n_studies=400, seed=2))


@pytest.mark.slow
@pytest.mark.parametrize("kind", KINDS)
def test_truths_that_lie_further_out_than_the_prior_has_them_are_noticed(bench, kind):
    """Twice as far; four times of a measure, whose hyper-parameters allow for much."""
    widened = 4.0 if kind.startswith("measure") else 2.0
    with pytest.raises(AssertionError, match="pointwise"):
        assert_nominal(cover(bench, kind, n_studies=400, widened=widened, seed=2))
