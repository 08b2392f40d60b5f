"""Published counts, passes and times to an event; sources in tests/reference/statistics."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import linalg, special

from doe.models.fit import ResponseFit
from doe.models.textbook.counts import fit_negative_binomial
from doe.models.textbook.logistic import fit_logistic

Numbers = dict[str, float]


def _named(fit: ResponseFit, names: Mapping[str, str]) -> Numbers:
    """Estimates and standard errors under the source's names."""
    ours = {names.get(t.term, t.term): t.estimate for t in fit.terms}
    return ours | {f"se {names.get(t.term, t.term)}": t.se for t in fit.terms}


def fabric(data: pd.DataFrame, experiment: Any) -> Numbers:
    lengths, logs = data.length.tolist(), np.log(data.length).tolist()
    linear = experiment({"length": lengths}, ("constant", "length")).count(data.faults, family="poisson")
    log = experiment({"log": logs}, ("constant", "log"))
    poisson, negative = (log.count(data.faults, family=f) for f in ("poisson", "negative binomial"))
    offset = experiment({"x": lengths}, ("constant",)).count(
        data.faults, length_mm=lengths, per_mm=1.0, family="poisson"
    )
    return {
        "linear-length intercept": linear.terms[0].estimate,
        "linear-length se intercept": linear.terms[0].se,
        "linear-length slope": linear.terms[1].estimate,
        "linear-length se slope": linear.terms[1].se,
        "log-length slope": poisson.terms[1].estimate,
        "log-length intercept": poisson.terms[0].estimate,
        "offset-only intercept": offset.terms[0].estimate,
        "log-length deviance": poisson.numbers["deviance"],
        "NB intercept": negative.terms[0].estimate,
        "NB log-length slope": negative.terms[1].estimate,
        "NB shape k": 1.0 / negative.numbers["dispersion"],
    }


def quine(data: pd.DataFrame, experiment: Any) -> Numbers:
    names = ("Eth", "Sex", "Age", "Lrn")
    fit = experiment({n: data[n].tolist() for n in names}, ("constant", *names)).count(data.Days)
    assert fit.numbers["family"] == "negative binomial"  # chosen, not named
    dummies = [pd.get_dummies(data[n], drop_first=True).to_numpy(float) for n in names]
    X = np.ones((len(data), 1))
    for columns in dummies:  # every product, as far as the empty cells leave them independent
        X = np.column_stack([X, *(X[:, [j]] * columns for j in range(X.shape[1]))])
    _, r, pivots = linalg.qr(X, pivoting=True, mode="economic")
    independent = X[:, sorted(pivots[: int(np.sum(np.abs(np.diag(r)) > 1e-8))])]
    crossed = fit_negative_binomial(independent, data.Days.to_numpy(float), np.zeros(len(data)))
    ours = _named(fit, {"constant": "(Intercept)"} | {t.term: t.term.replace("=", "") for t in fit.terms[1:]})
    return ours | {
        "theta (main effects)": 1.0 / fit.numbers["dispersion"],
        "theta (4-way model)": 1.0 / crossed.dispersion,
    }


def ships(data: pd.DataFrame, experiment: Any) -> Numbers:
    names = ("type", "year", "period")
    fit = experiment({n: data[n].astype(str).tolist() for n in names}, ("constant", *names)).count(
        data.incidents, length_mm=data.service, per_mm=1.0, family="poisson"
    )
    ours = _named(fit, {"constant": "(Intercept)"} | {t.term: t.term.replace("=", "") for t in fit.terms[1:]})
    spread = fit.numbers["pearson_dispersion"]
    return ours | {
        "deviance": fit.numbers["deviance"],
        "residual df": fit.numbers["residual_df"],
        "Pearson X2": spread * fit.numbers["residual_df"],
        "dispersion": spread,
    }


def challenger_any(data: pd.DataFrame, experiment: Any) -> Numbers:
    line = experiment({"temp": data.temp_F.tolist()}, ("constant", "temp")).passes(data.any_damage, penalty=False)
    level = experiment({"temp": data.temp_F.tolist()}, ("constant",)).passes(data.any_damage, penalty=False)
    a, b = (t.estimate for t in line.terms)
    return _named(line, {"constant": "(Intercept)"}) | {
        "deviance": line.numbers["deviance"],
        "null deviance": level.numbers["deviance"],
        "P(damage) at 31 F": float(special.expit(a + 31 * b)),
    }


def challenger_binomial(data: pd.DataFrame, experiment: Any) -> Numbers:
    rings = [(t, float(k < d)) for t, d, n in zip(data.temp_F, data.damaged, data.rings, strict=True) for k in range(n)]
    fit = experiment({"temp": [t for t, _ in rings]}, ("constant", "temp")).passes([d for _, d in rings], penalty=False)
    X = np.column_stack([np.ones(len(data)), data.temp_F]).astype(float)
    grouped = fit_logistic(X, data.damaged.to_numpy(float), trials=data.rings.to_numpy(float), penalty=False)
    assert grouped.coefficients == pytest.approx([t.estimate for t in fit.terms], rel=1e-10)
    return _named(fit, {"constant": "(Intercept)"}) | {"deviance (21 df)": grouped.deviance}


def firth_tables(data: pd.DataFrame, experiment: Any) -> Numbers:
    ours: Numbers = {}
    for row in data.itertuples():
        group = [1.0] * (row.a + row.b) + [0.0] * (row.c + row.d)
        yes = [1.0] * row.a + [0.0] * row.b + [1.0] * row.c + [0.0] * row.d
        fit = experiment({"group": group}, ("constant", "group")).passes(yes)
        assert fit.terms[0].estimate == pytest.approx(row.closed_form_intercept, abs=1e-9)
        ours[f"logOR {row.a},{row.b},{row.c},{row.d}"] = fit.terms[1].estimate
    return ours


def nist_8413(data: pd.DataFrame, experiment: Any) -> Numbers:
    constant = experiment({"x": data.t.tolist()}, ("constant",))
    fit = constant.trip(data.s, time_s=data.t)
    eta, shape = math.exp(fit.terms[0].estimate), 1.0 / fit.numbers["scale"]
    logs = np.log(data.t)
    normal = constant.measure(logs, full=np.where(data.s == 1, np.inf, logs))
    mean, second = eta * math.gamma(1 + 1 / shape), eta**2 * math.gamma(1 + 2 / shape)
    return {
        "eta": eta,
        "beta": shape,
        "loglik": fit.numbers["log_likelihood"],
        "AIC Weibull": fit.numbers["aic"],
        "AIC lognormal": normal.numbers["aic"] + 2.0 * float(logs[data.s == 1].sum()),
        "mean": mean,
        "sd": math.sqrt(second - mean**2),
    }


def ovarian(data: pd.DataFrame, experiment: Any) -> Numbers:
    runs = {name: data[name].astype(float).tolist() for name in ("ecog.ps", "rx")}
    fit = experiment(runs, ("constant", "ecog.ps", "rx")).trip(data.fustat, time_s=data.futime)
    ours = _named(fit, {"constant": "(Intercept)"})
    return ours | {"scale": fit.numbers["scale"], "loglik": fit.numbers["log_likelihood"]}


def insulating_fluid(data: pd.DataFrame, experiment: Any) -> Numbers:
    fit = experiment({"log voltage": np.log(data.voltage).tolist()}, ("constant", "log voltage")).trip(
        np.ones(len(data)), time_s=data.time
    )
    return _named(fit, {"constant": "intercept"}) | {
        "scale": fit.numbers["scale"],
        "loglik on log-time scale": fit.numbers["log_likelihood"] + float(np.log(data.time).sum()),
    }


CASES: dict[str, Callable[[pd.DataFrame, Any], Numbers]] = {
    "count_fabric_faults_length": fabric,
    "count_quine_negbin": quine,
    "count_ships_offset": ships,
    "binary_challenger_any": challenger_any,
    "binary_challenger_binomial": challenger_binomial,
    "firth_2x2_closed_form": firth_tables,
    "weibull_nist_8413": nist_8413,
    "weibull_ovarian": ovarian,
    "weibull_insulating_fluid": insulating_fluid,
}

SOURCE_STOPPED_EARLY = {
    ("weibull_nist_8413", "eta"): 1e-3,  # see the comment in result.json
    # printed with the weights of the last step but one of iterated least squares (0.2124693; converged: 0.2124711)
    ("count_fabric_faults_length", "linear-length se intercept"): 3e-6,
}


@pytest.fixture(scope="module")
def ours(case: Callable[[str], Any], experiment: Any) -> Callable[[str], Numbers]:
    done: dict[str, Numbers] = {}

    def compute(name: str) -> Numbers:
        if name not in done:
            done[name] = CASES[name](case(name).data, experiment)
        return done[name]

    return compute


def test_the_published_number_comes_out(
    published: tuple[str, Mapping[str, Any]],
    ours: Callable[[str], Numbers],
    printed: Callable[[Mapping[str, Any], float], bool],
) -> None:
    name, entry = published
    value = ours(name)[entry["name"]]
    if (name, entry["name"]) in SOURCE_STOPPED_EARLY:
        assert value == pytest.approx(float(entry["value"]), abs=SOURCE_STOPPED_EARLY[name, entry["name"]])
    else:
        assert printed(entry, value), (value, entry["value"])
