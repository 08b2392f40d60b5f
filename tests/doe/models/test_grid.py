from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy import stats

from doe.bench.results import Results
from doe.coding import FloatArray
from doe.models.censored import draw_censored
from doe.models.grid import (
    PLATE_GROUP,
    Effects,
    Grid,
    ScatterPrior,
    draw_effects,
    effective_terms,
    lay_out_effects,
    make_nodes,
    node_probabilities,
    quadratic_form,
    without_covariates,
)
from doe.models.surface import build_surface
from doe.study.model import Study

MakeResults = Callable[..., Results]
SMALL = Grid(first=(1.0, 6.0), second=(0.3, 5.0), third=(0.05, 1.0), plate=(0.0, 1.0, 2.5), block=(0.0, 0.4))
PLATES = np.arange(16) // 2
DAYS = (np.arange(16) >= 6).astype(int)
ONE_DAY = np.zeros(16, dtype=int)


@pytest.fixture
def columns(lug_study: Study, lug_settings: FloatArray, make_results: MakeResults) -> tuple[FloatArray, list[str]]:
    results = make_results(lug_study, lug_settings, {})
    surface = build_surface(results)
    return surface.welds(results), list(surface.classes)


@pytest.fixture
def readings(columns: tuple[FloatArray, list[str]]) -> FloatArray:
    rng = np.random.default_rng(11)
    X, _ = columns
    y = 0.5 * X[:, 1] - 0.3 * X[:, 2] - 0.4 * X[:, 7] + 0.2 * rng.normal(size=8)[PLATES] + 0.25 * rng.normal(size=16)
    return np.asarray(y - y.mean())


def prior_variances(classes: list[str], t: tuple[float, float, float]) -> FloatArray:
    by_class = {"constant": 1e6, "first": t[0] ** 2, "second": t[1] ** 2, "third": t[2] ** 2}
    return np.array([by_class[c] for c in classes])


def method_posterior(
    X: FloatArray, classes: list[str], y: FloatArray, prior: ScatterPrior
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """METHOD.md section 2 as it is printed, in the coefficients: node weights, mean and covariance.

    But for the prior weights of the nodes, which METHOD.md has all alike.
    """
    Z = (PLATES[:, None] == np.unique(PLATES)).astype(float)
    Q = (DAYS[:, None] == np.unique(DAYS)).astype(float)
    df = len(y) - 1 + prior.nu0
    log_weights, means, covariances = [], [], []
    for t1, t2, t3, r, rb in itertools.product(SMALL.first, SMALL.second, SMALL.third, SMALL.plate, SMALL.block):
        W = np.eye(len(y)) + r * Z @ Z.T + rb * Q @ Q.T
        W_inv = np.linalg.inv(W)
        D = prior_variances(classes, (t1, t2, t3))
        A = X.T @ W_inv @ X + np.diag(1 / D)
        S = np.linalg.inv(A)
        m = S @ X.T @ W_inv @ y
        q = y @ (W_inv - W_inv @ X @ S @ X.T @ W_inv) @ y + prior.nu0 * prior.s0**2
        log_det = np.linalg.slogdet(W)[1] + np.log(D).sum() + np.linalg.slogdet(A)[1]
        weight = min(1.0, (2.5 / t1) ** 2) * min(1.0, (2.0 / t2) ** 2)
        log_weights.append(np.log(weight) - 0.5 * log_det - df / 2 * np.log(q))
        means.append(m)
        covariances.append(S * q / (df - 2))
    w = node_probabilities(np.array(log_weights))
    mean = w @ np.array(means)
    second = np.einsum("k,kij->ij", w, np.array(covariances)) + np.einsum("k,ki,kj->ij", w, means, means)
    return w, mean, second - np.outer(mean, mean)


@pytest.mark.parametrize("prior", [ScatterPrior(), ScatterPrior(4.0, 0.3)])
def test_weights_and_moments_are_those_of_the_printed_formulae(
    prior: ScatterPrior, columns: tuple[FloatArray, list[str]], readings: FloatArray
) -> None:
    X, classes = columns
    w, mean, covariance = method_posterior(X, classes, readings, prior)
    nodes = make_nodes(lay_out_effects(X, classes, plates=PLATES, blocks=DAYS, grid=SMALL), prior)
    probabilities = node_probabilities(nodes.log_weights(quadratic_form(nodes, readings)))
    assert_allclose(probabilities, w, rtol=1e-4)  # the constant's prior, 1e6 s2 against flat, is the difference
    draws = draw_effects(nodes, readings, 60_000, np.random.default_rng(1))
    coefficients = np.column_stack([draws.constant, draws.theta[:, : X.shape[1] - 1]])
    sd = np.sqrt(np.diag(covariance))
    assert_allclose((coefficients.mean(axis=0) - mean) / sd, 0.0, atol=5 / np.sqrt(60_000))
    assert_allclose(np.cov(coefficients.T) / np.outer(sd, sd), covariance / np.outer(sd, sd), atol=0.06)


@pytest.mark.parametrize("nu0", [2.0, 4.0])
def test_a_stated_scatter_is_the_median_of_its_prior(nu0: float) -> None:
    prior = ScatterPrior.about(0.25, welds=nu0)
    drawn = prior.sum_of_squares / stats.chi2(nu0).ppf([0.25, 0.5, 0.75])
    assert drawn[0] > 0.25**2 > drawn[2]
    assert_allclose(drawn[1], 0.25**2)


def test_a_steep_slope_is_believed_once_the_welds_show_it() -> None:
    """Steep slopes weigh less beforehand: noise makes none, and twenty weld sds a unit are found as they are."""
    x = np.linspace(-1.0, 1.0, 12)
    effects = lay_out_effects(
        np.column_stack([np.ones(12), x]), ["constant", "first"], plates=np.arange(12), blocks=np.zeros(12), grid=Grid()
    )
    nodes = make_nodes(effects, ScatterPrior())
    noise = np.random.default_rng(4).normal(size=12)
    steep = node_probabilities(nodes.log_weights(quadratic_form(nodes, 20.0 * x + noise)))
    flat = node_probabilities(nodes.log_weights(quadratic_form(nodes, noise)))
    assert steep @ (effects.variance[:, 0] >= 6.0**2) > 0.9
    assert flat @ (effects.variance[:, 0] >= 6.0**2) < 0.1


def test_one_slope_agrees_with_direct_integration() -> None:
    x = np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
    y = np.array([0.1, 0.35, 0.2, 0.6, 0.9])
    X = np.column_stack([np.ones(5), x])
    t1 = 1.5
    b0, b1, log_s2 = np.meshgrid(
        np.linspace(-1.5, 2.5, 161), np.linspace(-3, 4, 161), np.linspace(-9, 3, 161), indexing="ij"
    )
    s2 = np.exp(log_s2)
    rss = ((y - b0[..., None] - b1[..., None] * x) ** 2).sum(axis=-1)
    # p(s2) ~ 1/s2 is flat in log s2, the constant is flat; five readings and the slope are scaled by s
    log_density = -3.0 * np.log(s2) - 0.5 * (rss + b1**2 / t1**2) / s2
    weight = np.exp(log_density - log_density.max())
    nodes = make_nodes(
        lay_out_effects(
            X, ["constant", "first"], plates=np.arange(5), blocks=np.zeros(5, dtype=int), grid=Grid(first=(t1,))
        ),
        ScatterPrior(),
    )
    draws = draw_effects(nodes, y, 200_000, np.random.default_rng(2))
    for direct, drawn in ((b0, draws.constant), (b1, draws.theta[:, 0]), (np.sqrt(s2), np.sqrt(draws.s2))):
        mean = (weight * direct).sum() / weight.sum()
        sd = np.sqrt((weight * (direct - mean) ** 2).sum() / weight.sum())
        assert_allclose(drawn.mean(), mean, atol=0.02 * sd)
        assert_allclose(drawn.std(), sd, rtol=0.03)


def flat(plate: float) -> Grid:
    return Grid(first=(300.0,), second=(300.0,), plate=(plate,))


@pytest.mark.parametrize("ratio", [0.0, 1.0, 6.0])
def test_very_wide_priors_give_generalised_least_squares(
    ratio: float, columns: tuple[FloatArray, list[str]], readings: FloatArray
) -> None:
    X, classes = columns[0][:, :10], columns[1][:10]
    nodes = make_nodes(lay_out_effects(X, classes, plates=PLATES, blocks=ONE_DAY, grid=flat(ratio)), ScatterPrior())
    draws = draw_effects(nodes, readings, 40_000, np.random.default_rng(3))
    coefficients = np.column_stack([draws.constant, draws.theta[:, :9]])
    covariance = np.eye(16) + ratio * (PLATES[:, None] == PLATES)
    reference = sm.GLS(readings, X, sigma=covariance).fit()
    assert_allclose(coefficients.mean(axis=0), reference.params, atol=0.03 * reference.bse.max())
    # the prior is scaled by s, so s2 keeps n - 1 degrees of freedom where least squares has n - p
    sd = reference.bse * np.sqrt(reference.df_resid / (16 - 3))
    assert_allclose(coefficients.std(axis=0), sd, rtol=0.03)


def test_no_shrinkage_and_no_plates_is_least_squares(
    columns: tuple[FloatArray, list[str]], readings: FloatArray
) -> None:
    X, classes = columns[0][:, :10], columns[1][:10]
    nodes = make_nodes(
        lay_out_effects(X, classes, plates=np.arange(16), blocks=ONE_DAY, grid=flat(2.5)), ScatterPrior()
    )
    assert PLATE_GROUP not in nodes.effects.group  # one weld a plate: r = 0, whatever the grid says
    draws = draw_effects(nodes, readings, 40_000, np.random.default_rng(3))
    reference = sm.OLS(readings, X).fit()
    found = np.r_[draws.constant.mean(), draws.theta[:, :9].mean(axis=0)]
    assert_allclose(found, reference.params, atol=0.03 * reference.bse.max())
    assert_allclose(effective_terms(nodes, readings), 10.0, atol=1e-3)


def test_the_order_of_rows_changes_no_weight(columns: tuple[FloatArray, list[str]], readings: FloatArray) -> None:
    X, classes = columns
    order = np.random.default_rng(4).permutation(16)

    def weights(rows: FloatArray) -> FloatArray:
        effects = lay_out_effects(X[rows], classes, plates=PLATES[rows], blocks=DAYS[rows], grid=SMALL)
        nodes = make_nodes(effects, ScatterPrior())
        return node_probabilities(nodes.log_weights(quadratic_form(nodes, readings[rows])))

    assert_allclose(weights(order), weights(np.arange(16)), rtol=1e-8)


def test_only_effects_that_are_there_have_an_axis(columns: tuple[FloatArray, list[str]]) -> None:
    X, classes = columns
    everything = lay_out_effects(X, classes, plates=PLATES, blocks=DAYS, grid=Grid())
    assert everything.variance.shape == (4 * 3 * 3 * 8 * 4, 6)
    no_days = lay_out_effects(X, classes, plates=PLATES, blocks=ONE_DAY, grid=Grid())
    assert no_days.variance.shape == (288, 6)
    first_order = lay_out_effects(X[:, :4], classes[:4], plates=np.arange(16), blocks=ONE_DAY, grid=Grid())
    assert first_order.variance.shape == (4, 6)


def test_covariates_add_no_axis_and_can_be_taken_out(columns: tuple[FloatArray, list[str]]) -> None:
    X, classes = columns
    z = np.random.default_rng(1).normal(size=(16, 2))
    plain = lay_out_effects(X, classes, plates=PLATES, blocks=DAYS, grid=Grid())
    beside = lay_out_effects(X, classes, plates=PLATES, blocks=DAYS, grid=Grid(), covariates=z)
    assert beside.variance.shape == plain.variance.shape
    assert_allclose(beside.covariance() - plain.covariance(), np.broadcast_to(0.49 * z @ z.T, (1152, 16, 16)))
    assert_allclose(without_covariates(beside).covariance(), plain.covariance())


def constant_only(n: int) -> Effects:
    return lay_out_effects(
        np.ones((n, 1)), ["constant"], plates=np.arange(n), blocks=np.zeros(n, dtype=int), grid=Grid()
    )


def test_censored_readings_agree_with_the_likelihood_integrated_directly() -> None:
    limit = 2.0
    y = np.minimum([1.1, 1.5, 1.7, 1.9, 1.2, 2.4, 2.2, 1.6, 3.1], limit)
    censored = y >= limit
    mu, log_s = np.meshgrid(np.linspace(-1, 6, 1401), np.linspace(-3, 2, 1001), indexing="ij")
    s = np.exp(log_s)
    log_density = censored.sum() * stats.norm.logsf((limit - mu) / s)  # p(mu, s2) ~ 1/s2 is flat in mu and log s
    for value in y[~censored]:
        log_density = log_density + stats.norm.logpdf(value, mu, s)
    weight = np.exp(log_density - log_density.max())
    nodes = make_nodes(constant_only(len(y)), ScatterPrior())
    draws, settled = draw_censored(nodes, y, censored=censored, n_draws=40_000, rng=np.random.default_rng(5))
    assert settled
    for direct, drawn in ((mu, draws.constant), (s, np.sqrt(draws.s2))):
        mean = (weight * direct).sum() / weight.sum()
        sd = np.sqrt((weight * (direct - mean) ** 2).sum() / weight.sum())
        assert_allclose(drawn.mean(), mean, atol=0.05 * sd)
        assert_allclose(drawn.std(), sd, rtol=0.08)


def test_censoring_with_plates_and_slopes_agrees_with_a_plain_gibbs_sampler(
    columns: tuple[FloatArray, list[str]], readings: FloatArray
) -> None:
    X, classes = columns[0][:, :4], columns[1][:4]
    limit = float(np.sort(readings)[-4])
    y, censored = np.minimum(readings, limit), readings >= limit
    grid = Grid(first=(2.5,), plate=(1.0,))
    nodes = make_nodes(lay_out_effects(X, classes, plates=PLATES, blocks=ONE_DAY, grid=grid), ScatterPrior())
    draws, _ = draw_censored(nodes, y, censored=censored, n_draws=20_000, rng=np.random.default_rng(6))
    plain = plain_gibbs(X, y, censored, np.random.default_rng(7))
    found = np.column_stack([draws.constant, draws.theta[:, :3], np.log(draws.s2)])
    assert_allclose((found.mean(axis=0) - plain.mean(axis=0)) / plain.std(axis=0), 0.0, atol=0.08)
    assert_allclose(found.std(axis=0), plain.std(axis=0), rtol=0.08)


def plain_gibbs(X: FloatArray, y: FloatArray, censored: FloatArray, rng: np.random.Generator) -> FloatArray:
    """One block after another: coefficients, plates, s2, censored readings; t1 = 2.5, r = 1."""
    limit, y = y[censored].copy(), y.copy()
    precision = np.diag([1e-6, *[1 / 2.5**2] * 3])
    u, s2, kept = np.zeros(8), 0.1, []
    S = np.linalg.inv(X.T @ X + precision)
    root = np.linalg.cholesky(S)
    for step in range(11_000):
        b = S @ X.T @ (y - u[PLATES]) + np.sqrt(s2) * root @ rng.normal(size=4)
        gap = np.bincount(PLATES, y - X @ b) / 3.0  # two welds and the prior's one
        u = gap + np.sqrt(s2 / 3.0) * rng.normal(size=8)
        e = y - X @ b - u[PLATES]
        # n readings, 8 plates and 3 slopes are scaled by s; the constant is left out, as n - 1 has it
        square = e @ e + u @ u + b[1:] @ b[1:] / 2.5**2
        s2 = square / rng.chisquare(16 + 8 + 3)
        mean = (X @ b + u[PLATES])[censored]
        lower = stats.norm.sf((limit - mean) / np.sqrt(s2))
        y[censored] = mean + np.sqrt(s2) * stats.norm.isf(lower * rng.random(len(limit)))
        if step >= 1_000:
            kept.append([*b, np.log(s2)])
    return np.array(kept)
