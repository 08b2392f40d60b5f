"""Published split-plots: restricted maximum likelihood, strata, information; sources in tests/reference/statistics."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd
import pytest

from doe.models.textbook.split_plot import fixed_information

Numbers = dict[str, float]


def _rows(fit: Any) -> Mapping[str, Mapping[str, float]]:
    return {row["source"]: row for row in fit.numbers["anova"]}


def oats(data: pd.DataFrame, experiment: Any) -> Numbers:
    layout = {"plate": (data.B + " " + data.V).tolist(), "block": data.B.tolist()}
    nitrogen = [float(level.removesuffix("cwt")) for level in data.N]
    line = experiment({"nitro": nitrogen}, ("constant", "nitro"), **layout).measure(data.Y)
    kinds = {"V": data.V.tolist(), "N": data.N.tolist()}
    full = experiment(kinds, ("constant", "V", "N", "V*N"), **layout).measure(data.Y)
    rows, estimates = _rows(full), {t.term: t.estimate for t in full.terms}
    ours = {
        "sd block (N x V model)": full.numbers["spread"]["block"],
        "sd variety in block": full.numbers["spread"]["plate"],
        "sd residual": full.numbers["spread"]["weld"],
        "F nitrogen": rows["N"]["f"],
        "F variety": rows["V"]["f"],
        "F NxV": rows["V*N"]["f"],
        "p variety": rows["V"]["p"],
        "p NxV": rows["V*N"]["p"],
        "linear model intercept": line.terms[0].estimate,
        "linear model nitro": line.terms[1].estimate,
        "linear model se intercept": line.terms[0].se,
        "linear model se nitro": line.terms[1].se,
        "linear model sd block": line.numbers["spread"]["block"],
        "linear model sd wp": line.numbers["spread"]["plate"],
        "linear model sd resid": line.numbers["spread"]["weld"],
        "linear model AIC": line.numbers["aic"],
        "linear model REML loglik": line.numbers["log_likelihood"],
        "stratum MS blocks": rows["block"]["ss"] / rows["block"]["df"],
        "stratum MS whole-plot error": rows["plate"]["ss"] / rows["plate"]["df"],
        "stratum MS subplot error": rows["residual"]["ss"] / rows["residual"]["df"],
        "SS nitrogen": rows["N"]["ss"],
        "SS variety": rows["V"]["ss"],
        "SS NxV": rows["V*N"]["ss"],
    }
    for variety, level in itertools.product(sorted(set(data.V)), sorted(set(data.N))):
        names = ("constant", f"V={variety}", f"N={level}", f"V={variety}*N={level}")
        ours[f"cell mean {variety} {level}"] = sum(estimates.get(name, 0.0) for name in names)
    assert (rows["V"]["denominator_df"], rows["N"]["denominator_df"]) == (10.0, 45.0)
    return ours


def pulp(data: pd.DataFrame, experiment: Any) -> Numbers:
    batches = [f"{rep}.{prep}" for rep, prep in zip(data["rep"], data["prep"], strict=True)]
    fit = experiment(
        {"prep": data["prep"].astype(str).tolist(), "temp": data.temp.astype(str).tolist()},
        ("constant", "prep", "temp", "prep*temp"),
        plate=batches,
        block=data["rep"].astype(str).tolist(),
    ).measure(data.y)
    rows = _rows(fit)
    assert rows["prep"]["denominator_df"] == 4.0
    return {
        "SS replicates": rows["block"]["ss"],
        "SS preparation": rows["prep"]["ss"],
        "SS whole-plot error": rows["plate"]["ss"],
        "SS temperature": rows["temp"]["ss"],
        "SS prep x temp": rows["prep*temp"]["ss"],
        "SS subplot error": rows["residual"]["ss"],
        "F preparation": rows["prep"]["f"],
        "F temperature": rows["temp"]["f"],
        "F prep x temp": rows["prep*temp"]["f"],
        "MS whole-plot error": rows["plate"]["ss"] / rows["plate"]["df"],
        "MS subplot error": rows["residual"]["ss"] / rows["residual"]["df"],
    }


CASES: dict[str, Callable[[pd.DataFrame, Any], Numbers]] = {
    "splitplot_oats_yates": oats,
    "splitplot_pulp_montgomery": pulp,
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
    assert printed(entry, ours(name)[entry["name"]]), (ours(name)[entry["name"]], entry["value"])


def test_the_information_of_a_split_plot_is_the_closed_form(case: Callable[[str], Any]) -> None:
    # splitplot_information_identity: each whole-plot column brings N/(1 + m d), each subplot column N
    table = case("splitplot_information_identity").data
    for row in table.itertuples():
        levels = [np.array(v) for v in itertools.product((-1.0, 1.0), repeat=row.whole_plot_factors)]
        plates = [levels[i % len(levels)] for i in range(row.whole_plots)]
        cells = list(itertools.product((-1.0, 1.0), repeat=row.subplot_factors))
        welds = [(i, w, np.array(cells[k % len(cells)])) for i, w in enumerate(plates) for k in range(row.m)]
        X = np.array([[1.0, *w, *s, *np.outer(w, s).ravel()] for _, w, s in welds])
        information = fixed_information(X, [np.array([i for i, _, _ in welds])], [row.d])
        assert np.linalg.det(information) == pytest.approx(row.closed_form, rel=1e-10)
