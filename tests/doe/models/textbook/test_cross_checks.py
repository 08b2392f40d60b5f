"""The same answers by other routes: statsmodels, scipy, and plain optimisation of the written-down likelihood."""

from __future__ import annotations

import math
from decimal import Decimal, localcontext
from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import optimize, stats
from statsmodels.stats.anova import anova_lm

from doe.models.textbook.censored import fit_censored
from doe.models.textbook.counts import fit_negative_binomial, fit_poisson
from doe.models.textbook.exact import as_exact, as_float, rank, solve_exactly
from doe.models.textbook.least_squares import least_squares
from doe.models.textbook.logistic import firth_log_likelihood, fit_logistic
from doe.models.textbook.split_plot import fit_reml, restricted_log_likelihood, satterthwaite_df, wald_f
from doe.models.textbook.weibull import fit_weibull

SECOND_ORDER = ("constant", "v", "f", "wire", "v*f", "v^2", "f^2", "wire*v")


def layout(rng: np.random.Generator, n: int = 24) -> dict[str, list[Any]]:
    return {
        "v": rng.uniform(17, 23, n).round(1).tolist(),
        "f": rng.uniform(5, 9, n).round(1).tolist(),
        "wire": [("A", "B", "C")[i % 3] for i in range(n)],
    }


def test_least_squares_agrees_with_statsmodels(experiment: Any) -> None:
    rng = np.random.default_rng(3)
    runs = layout(rng)
    y = rng.normal(2.0, 0.4, 24).round(2)
    coding = {"v": (20.0, 3.0), "f": (7.0, 2.0)}
    block = ["one"] * 12 + ["two"] * 12
    fit = experiment(runs, SECOND_ORDER, coding=coding, block=block).measure(y)
    frame = pd.DataFrame(runs | {"y": y, "day": block})
    frame["v"], frame["f"] = (frame.v - 20) / 3, (frame.f - 7) / 2
    theirs = sm.OLS.from_formula("y ~ v + f + C(wire) + v:f + I(v**2) + I(f**2) + C(wire):v + C(day, Sum)", frame).fit()
    names = {
        "constant": "Intercept",
        "v*f": "v:f",
        "v^2": "I(v ** 2)",
        "f^2": "I(f ** 2)",
        "wire=B": "C(wire)[T.B]",
        "wire=C": "C(wire)[T.C]",
        "wire=B*v": "C(wire)[T.B]:v",
        "wire=C*v": "C(wire)[T.C]:v",
    }
    limits = theirs.conf_int(0.10)
    for term in fit.terms:
        name = names.get(term.term, term.term)
        assert (term.estimate, term.se) == pytest.approx((theirs.params[name], theirs.bse[name]), rel=1e-8)
        assert (term.low, term.high) == pytest.approx(tuple(limits.loc[name]), rel=1e-8, abs=1e-10)
    influence = theirs.get_influence()
    press = float(np.sum(influence.resid_press**2))
    total = float(np.sum((y - y.mean()) ** 2))
    expected = (theirs.rsquared, theirs.rsquared_adj, 1 - press / total, theirs.llf, theirs.aic + 2)
    keys = ("r2", "adjusted_r2", "predicted_r2", "log_likelihood", "aic")  # ours counts the variance as a parameter
    assert tuple(fit.numbers[k] for k in keys) == pytest.approx(expected, rel=1e-8)


def test_partial_sums_of_squares_are_those_of_sum_to_zero_contrasts(experiment: Any) -> None:
    rng = np.random.default_rng(4)
    runs = layout(rng)
    y = rng.normal(2.0, 0.4, 24).round(2)
    fit = experiment(runs, ("constant", "v", "f", "wire", "wire*v")).measure(y)
    frame = pd.DataFrame(runs | {"y": y})
    theirs = anova_lm(sm.OLS.from_formula("y ~ v + f + C(wire, Sum) + C(wire, Sum):v", frame).fit(), typ=3)
    rows = {row["source"]: row for row in fit.numbers["anova"]}
    names = {"v": "v", "f": "f", "wire": "C(wire, Sum)", "wire*v": "C(wire, Sum):v", "residual": "Residual"}
    for ours, name in names.items():
        assert rows[ours]["ss"] == pytest.approx(theirs.loc[name, "sum_sq"], rel=1e-7)
        assert rows[ours]["df"] == theirs.loc[name, "df"]
        if ours != "residual":
            assert rows[ours]["f"] == pytest.approx(theirs.loc[name, "F"], rel=1e-7)
            assert rows[ours]["p"] == pytest.approx(theirs.loc[name, "PR(>F)"], rel=1e-6)


def test_a_tenth_degree_polynomial_keeps_every_digit(experiment: Any) -> None:
    # as ill-conditioned as least squares gets; the other route: normal equations in 120 decimal digits
    rng = np.random.default_rng(5)
    x = np.sort(rng.uniform(-9, -3, 40)).round(9)
    y = rng.normal(0.8, 0.05, 40).round(4)
    fit = experiment({"x": x.tolist()}, ("constant", "x", *(f"x^{k}" for k in range(2, 11)))).measure(y)
    with localcontext() as context:
        context.prec = 120
        powers = [[Decimal(repr(float(v))) ** k for k in range(11)] for v in x]
        table = [
            [sum(r[i] * r[j] for r in powers) for j in range(11)]
            + [sum(r[i] * Decimal(repr(float(v))) for r, v in zip(powers, y, strict=True))]
            for i in range(11)
        ]
        for k in range(11):
            table[k] = [v / table[k][k] for v in table[k]]
            for i in range(11):
                if i != k:
                    table[i] = [a - table[i][k] * b for a, b in zip(table[i], table[k], strict=True)]
        expected = [float(row[-1]) for row in table]
    assert [t.estimate for t in fit.terms] == pytest.approx(expected, rel=1e-15)


def test_exact_answers_agree_with_floating_point_and_find_the_rank() -> None:
    rng = np.random.default_rng(6)
    X = rng.normal(size=(15, 5)).round(3)
    X[:, 3] = (X[:, 0] - 2 * X[:, 1]).round(3)
    y = rng.normal(size=15).round(3)
    solution = solve_exactly(as_exact(X), as_exact(y))
    assert solution.dependent == (3,)
    assert rank(as_exact(X)) == 4
    kept = X[:, [0, 1, 2, 4]]
    coefficients, residual, *_ = np.linalg.lstsq(kept, y, rcond=None)
    assert as_float(solution.coefficients)[[0, 1, 2, 4]] == pytest.approx(coefficients, rel=1e-10)
    assert as_float(solution.inverse)[np.ix_([0, 1, 2, 4], [0, 1, 2, 4])] == pytest.approx(np.linalg.inv(kept.T @ kept))
    assert float(solution.residual_ss) == pytest.approx(residual[0], rel=1e-12)
    with pytest.raises(ValueError, match="depend on the columns before"):
        least_squares(X, y)


@pytest.mark.parametrize("drop", [(), (0, 5, 11, 12)], ids=["balanced", "unbalanced"])
def test_restricted_likelihood_agrees_with_statsmodels(drop: tuple[int, ...]) -> None:
    rng = np.random.default_rng(7)
    plate = np.delete(np.repeat(np.arange(8), 3), drop)
    preheat = np.repeat(rng.choice([-1.0, 0.0, 1.0], 8), 3)
    X = np.delete(np.column_stack([np.ones(24), preheat, rng.uniform(-1, 1, 24)]), drop, axis=0)
    y = X @ [2.0, 0.5, -0.3] + rng.normal(size=8)[plate] * 0.5 + rng.normal(size=len(X)) * 0.3
    ours = fit_reml(X, y, [plate])
    theirs = sm.MixedLM(y, X, groups=plate).fit(reml=True)
    assert ours.log_likelihood == pytest.approx(theirs.llf, abs=1e-6)
    assert ours.coefficients == pytest.approx(theirs.fe_params, abs=1e-3)
    assert ours.residual_variance == pytest.approx(theirs.scale, rel=2e-3)
    assert ours.variances[0] == pytest.approx(float(theirs.cov_re[0, 0]), rel=2e-3)
    assert ours.se == pytest.approx(theirs.bse_fe, rel=2e-3)
    # no other ratio is better than the one found
    ratio = ours.variances[0] / ours.residual_variance
    for other in (0.0, 0.9 * ratio, 0.999 * ratio, 1.001 * ratio, 1.1 * ratio, 50.0):
        assert restricted_log_likelihood(X, y, [plate], ratios=[other]) <= ours.log_likelihood + 1e-12


def test_the_sensitivity_of_the_covariance_is_its_derivative() -> None:
    rng = np.random.default_rng(8)
    plate = np.array([0, 0, 0, 1, 1, 2, 3, 3, 3, 4])
    X = np.column_stack([np.ones(10), rng.normal(size=10)])
    y = rng.normal(size=5)[plate] + 0.5 * rng.normal(size=10)
    fit = fit_reml(X, y, [plate])
    shared = (plate[:, None] == plate).astype(float)

    def covariance(plates: float, residual: float) -> Any:
        V = residual * np.eye(10) + plates * shared
        return np.linalg.inv(X.T @ np.linalg.solve(V, X))

    a, b, h = fit.variances[0], fit.residual_variance, 1e-6
    assert fit.covariance == pytest.approx(covariance(a, b), rel=1e-8)
    by_plate = (covariance(a + h, b) - covariance(a - h, b)) / (2 * h)
    by_residual = (covariance(a, b + h) - covariance(a, b - h)) / (2 * h)
    assert fit.sensitivity[0] == pytest.approx(by_plate, rel=1e-4, abs=1e-7)
    assert fit.sensitivity[1] == pytest.approx(by_residual, rel=1e-4, abs=1e-7)


def test_satterthwaite_meets_the_exact_degrees_of_freedom_of_a_balanced_split_plot() -> None:
    rng = np.random.default_rng(9)
    plate = np.repeat(np.arange(12), 2)
    whole = np.repeat(np.tile([-1.0, 1.0], 6), 2)
    sub = np.tile([-1.0, 1.0], 12)
    X = np.column_stack([np.ones(24), whole, sub, whole * sub])
    y = rng.normal(size=12)[plate] + 0.4 * rng.normal(size=24)
    fit = fit_reml(X, y, [plate])
    df = [satterthwaite_df(fit, unit) for unit in np.eye(4)]
    assert df == pytest.approx([10.0, 10.0, 10.0, 10.0])  # 12 - 2 plates, and 12 differences - 2
    f, denominator, p = wald_f(fit, np.eye(4)[2:])
    assert (denominator, p) == pytest.approx((10.0, stats.f.sf(f, 2, 10)))


def test_poisson_agrees_with_statsmodels() -> None:
    rng = np.random.default_rng(10)
    X = np.column_stack([np.ones(30), rng.normal(size=(30, 2))])
    length = rng.uniform(0.5, 4, 30)
    y = rng.poisson(length * np.exp(X @ [0.4, 0.5, -0.3])).astype(float)
    ours = fit_poisson(X, y, np.log(length))
    theirs = sm.GLM(y, X, family=sm.families.Poisson(), offset=np.log(length)).fit(tol=1e-12)
    assert ours.coefficients == pytest.approx(theirs.params, rel=1e-8)
    assert ours.se == pytest.approx(theirs.bse, rel=1e-6)
    expected = (theirs.llf, theirs.aic, theirs.deviance, theirs.pearson_chi2)
    found = (ours.log_likelihood, ours.aic(n_parameters=3), ours.deviance, ours.pearson)
    assert found == pytest.approx(expected, rel=1e-8)


def test_negative_binomial_agrees_with_statsmodels() -> None:
    rng = np.random.default_rng(11)
    X = np.column_stack([np.ones(60), rng.normal(size=(60, 2))])
    mean = np.exp(X @ [1.2, 0.5, -0.3])
    y = rng.negative_binomial(2.0, 2.0 / (2.0 + mean)).astype(float)
    ours = fit_negative_binomial(X, y, np.zeros(60))
    theirs = sm.NegativeBinomial(y, X).fit(disp=0, maxiter=200, gtol=1e-9, method="bfgs")
    assert ours.log_likelihood == pytest.approx(theirs.llf, abs=1e-7)
    assert ours.coefficients == pytest.approx(theirs.params[:3], abs=1e-5)
    assert ours.dispersion == pytest.approx(theirs.params[3], rel=1e-4)
    fixed = sm.GLM(y, X, family=sm.families.NegativeBinomial(alpha=ours.dispersion)).fit()
    assert ours.deviance == pytest.approx(fixed.deviance, rel=1e-6)
    assert ours.pearson == pytest.approx(fixed.pearson_chi2, rel=1e-6)


def test_plain_logistic_agrees_with_statsmodels() -> None:
    rng = np.random.default_rng(12)
    X = np.column_stack([np.ones(40), rng.normal(size=(40, 2))])
    y = (rng.random(40) < 1 / (1 + np.exp(-(X @ [0.2, 1.0, -0.7])))).astype(float)
    ours = fit_logistic(X, y, penalty=False)
    theirs = sm.Logit(y, X).fit(disp=0, tol=1e-12)
    assert ours.coefficients == pytest.approx(theirs.params, rel=1e-7)
    assert ours.se == pytest.approx(theirs.bse, rel=1e-6)
    assert (ours.log_likelihood, ours.aic) == pytest.approx((theirs.llf, theirs.aic), rel=1e-9)
    assert not ours.is_separated


def test_firth_maximises_the_written_down_penalised_likelihood() -> None:
    rng = np.random.default_rng(13)
    X = np.column_stack([np.ones(16), rng.normal(size=(16, 2))])
    y = (X[:, 1] > 0.2).astype(float)  # separated

    def minus(b: Any) -> float:
        eta = X @ b
        w = 1 / (1 + np.exp(-eta)) / (1 + np.exp(eta))
        return float(np.sum(np.log1p(np.exp(-(2 * y - 1) * eta))) - 0.5 * np.linalg.slogdet((X.T * w) @ X)[1])

    ours = fit_logistic(X, y)
    theirs = optimize.minimize(
        minus, np.zeros(3), method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-13, "maxiter": 5000}
    )
    assert ours.coefficients == pytest.approx(theirs.x, abs=1e-5)
    assert ours.penalised_log_likelihood == pytest.approx(-theirs.fun, abs=1e-9)
    assert firth_log_likelihood(X, y, np.ones(16))(ours.coefficients).gradient == pytest.approx(np.zeros(3), abs=1e-9)


def naive_weibull(X: Any, t: Any, event: Any) -> Any:
    def minus(parameters: Any) -> float:
        scale = math.exp(parameters[-1])
        law = stats.weibull_min(1 / scale, scale=np.exp(X @ parameters[:-1]))
        return -float(np.sum(np.where(event, law.logpdf(t), law.logsf(t))))

    return minus


def test_weibull_agrees_with_scipy() -> None:
    rng = np.random.default_rng(14)
    X = np.column_stack([np.ones(30), rng.normal(size=30)])
    t = np.exp(X @ [3.0, -0.5] + 0.4 * np.log(rng.exponential(size=30)))
    event, t = t < 30, np.minimum(t, 30)
    ours = fit_weibull(X, t, event)
    assert ours is not None
    best = optimize.minimize(naive_weibull(X, t, event), [3.0, 0.0, 0.0], method="Nelder-Mead",
                             options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 5000})  # fmt: skip
    assert [*ours.coefficients, math.log(ours.scale)] == pytest.approx(best.x, abs=1e-6)
    assert ours.log_likelihood == pytest.approx(-best.fun, abs=1e-9)
    alone = fit_weibull(X[:, :1], t, event)
    assert alone is not None
    data = stats.CensoredData.right_censored(t, ~event)
    shape, _, eta = stats.weibull_min.fit(data, floc=0)
    assert (alone.coefficients[0], 1 / alone.scale) == pytest.approx((math.log(eta), shape), rel=1e-4)


def test_profile_limits_are_where_the_maximised_likelihood_has_dropped_by_the_quantile() -> None:
    rng = np.random.default_rng(15)
    X = np.column_stack([np.ones(20), rng.normal(size=20)])
    t = np.exp(X @ [3.0, -0.5] + 0.4 * np.log(rng.exponential(size=20)))
    event, t = t < 30, np.minimum(t, 30)
    ours = fit_weibull(X, t, event)
    assert ours is not None
    minus = naive_weibull(X, t, event)
    for limit in ours.profile(1, 0.90):
        held = optimize.minimize(lambda p, b=limit: minus([p[0], b, p[1]]), [3.0, -0.5], method="Nelder-Mead",
                                 options={"xatol": 1e-8, "fatol": 1e-12})  # fmt: skip
        assert 2 * (ours.log_likelihood + held.fun) == pytest.approx(2.705543454, abs=1e-6)  # chi-squared table


@pytest.mark.parametrize("with_plates", [False, True])
def test_censored_normal_agrees_with_a_likelihood_written_down(with_plates: bool) -> None:
    rng = np.random.default_rng(16)
    plate = np.repeat(np.arange(8), 2)
    X = np.column_stack([np.ones(16), rng.uniform(-1, 1, 16)])
    y = X @ [5.0, 1.5] + 0.6 * rng.normal(size=8)[plate] * with_plates + 0.4 * rng.normal(size=16)
    censored, y = y >= 5.8, np.minimum(y, 5.8)
    assert censored.any()

    def minus(b: Any) -> float:
        sd = math.exp(b[2])
        if not with_plates:
            z = (y - X @ b[:2]) / sd
            return -float(np.sum(np.where(censored, stats.norm.logsf(z), stats.norm.logpdf(z) - b[2])))
        u = np.linspace(-8, 8, 501) * math.exp(b[3])  # plain trapezoidal integration over each plate's effect
        z = ((y - X @ b[:2])[:, None] - u) / sd
        each = np.where(censored[:, None], stats.norm.logsf(z), stats.norm.logpdf(z) - b[2])
        joint = np.add.reduceat(each, np.arange(0, 16, 2), axis=0)
        density = stats.norm.pdf(u, scale=math.exp(b[3]))
        return -float(np.sum(np.log(np.trapezoid(np.exp(joint) * density, u, axis=1))))

    ours = fit_censored(X, y, censored, plate=plate if with_plates else None)
    assert ours is not None
    start = [5.0, 1.0, -1.0, -1.0][: 4 if with_plates else 3]
    best = optimize.minimize(
        minus, start, method="Nelder-Mead", options={"xatol": 1e-7, "fatol": 1e-10, "maxiter": 2000}
    )
    assert ours.log_likelihood == pytest.approx(-best.fun, abs=1e-6)
    assert ours.coefficients == pytest.approx(best.x[:2], abs=1e-4)
    assert ours.sd == pytest.approx(math.exp(best.x[2]), rel=1e-3)
    if with_plates:
        assert ours.plate_sd == pytest.approx(math.exp(best.x[3]), rel=1e-3)


def test_plates_without_censoring_give_the_mixed_model() -> None:
    rng = np.random.default_rng(17)
    plate = np.repeat(np.arange(10), 2)
    X = np.column_stack([np.ones(20), rng.uniform(-1, 1, 20)])
    y = X @ [5.0, 1.5] + 0.6 * rng.normal(size=10)[plate] + 0.4 * rng.normal(size=20)
    ours = fit_censored(X, y, np.zeros(20, dtype=bool), plate=plate)
    theirs = sm.MixedLM(y, X, groups=plate).fit(reml=False)
    assert ours is not None
    assert ours.log_likelihood == pytest.approx(theirs.llf, abs=1e-6)
    assert ours.se == pytest.approx(theirs.bse_fe, rel=1e-3)
