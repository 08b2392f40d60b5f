"""Textbook fits of counts, passes and trips."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import special

from doe.bench.results import Counts, IntArray, Passes, Results, Trips
from doe.coding import FloatArray
from doe.errors import CannotAnswerError
from doe.models.fit import ResponseFit
from doe.models.textbook.columns import ModelColumns, model_columns, require_estimable
from doe.models.textbook.counts import CountFit, fit_negative_binomial, fit_poisson
from doe.models.textbook.exact import as_float
from doe.models.textbook.likelihood import recession
from doe.models.textbook.logistic import fit_logistic
from doe.models.textbook.weibull import fit_weibull
from doe.models.textbook.wording import estimates, finite_or_none, runaway_findings
from doe.study.model import Response

_Profile = Callable[[int, float], tuple[float, float]]


def fit_count(results: Results, response: Response, counts: Counts, *, level: float) -> ResponseFit:
    """Fit a count over an inspected length by maximum likelihood; see ``fit_textbook``."""
    exposure = _exposure(counts, response)
    used = np.flatnonzero(np.isfinite(counts.counts) & (exposure > 0.0)).astype(np.int64)
    columns, X = _columns(results, response, used)
    found, offset = counts.counts[used], np.log(exposure[used])
    fit, family, why = _chosen_family(X, found, offset, response.family)
    p = len(columns.names)
    numbers: dict[str, object] = {
        "family": family,
        "dispersion": fit.dispersion,
        "residual_df": fit.residual_df,
        "deviance": fit.deviance,
        "log_likelihood": fit.log_likelihood,
        "aic": fit.aic(n_parameters=X.shape[1] + int(family == "negative binomial")),
    }
    if family == "poisson":
        numbers["pearson_dispersion"] = finite_or_none(fit.pearson_dispersion)
    because = "No pore was counted on any weld" if not found.any() else "Some settings have counts of 0 only"
    findings = runaway_findings(columns.names, fit.runs_away[:p], because=because)
    return ResponseFit(
        response=response,
        method=f"{family.capitalize()} maximum likelihood, log link, {_exposure_words(response, counts)}; {why}",
        n=len(used),
        terms=estimates(columns.names, fit.coefficients, fit.se, _profiled(fit.profile, p, level)),
        numbers=numbers,
        findings=(*findings, *_count_doubts(fit, family)),
        assumptions=_independence(columns),
    )


def _exposure(counts: Counts, response: Response) -> FloatArray:
    """Give the inspected length over the criterion length; 1 where neither is stated."""
    if response.per_mm is not None:
        lengths = np.where(np.isfinite(counts.length_mm), counts.length_mm, response.per_mm)
        return np.asarray(lengths / response.per_mm)
    if np.isfinite(counts.length_mm).any():
        return counts.length_mm
    return np.ones(len(counts.counts))


def _exposure_words(response: Response, counts: Counts) -> str:
    if response.per_mm is not None:
        return f"inspected length over {response.per_text or f'{response.per_mm:g} mm'} as offset"
    return "inspected length in mm as offset" if np.isfinite(counts.length_mm).any() else "no offset"


def _chosen_family(X: FloatArray, counts: FloatArray, offset: FloatArray, wished: str) -> tuple[CountFit, str, str]:
    """Fit the named family, or the one that the scatter of the counts asks for; give the fit, its family, and why.

    The maximum-likelihood dispersion is too small where there are nearly as many terms as welds, and AIC with it; so
    Pearson's statistic has a say as well.
    """
    poisson = fit_poisson(X, counts, offset)
    if wished == "poisson":
        return poisson, "poisson", "family as named"
    wider = fit_negative_binomial(X, counts, offset)
    if wished == "negative binomial":
        return wider, "negative binomial", "family as named"
    gain = poisson.aic(n_parameters=0) - wider.aic(n_parameters=1)
    if gain > 0.0:
        return wider, "negative binomial", f"chosen because its AIC is {gain:.1f} below Poisson's"
    if wider.dispersion == 0.0:
        return poisson, "poisson", "chosen because the negative binomial fits no better: its likelihood is no higher"
    if poisson.residual_df and special.chdtrc(poisson.residual_df, poisson.pearson) < 0.05:
        times = f"{poisson.pearson_dispersion:.1f}"
        return wider, "negative binomial", f"chosen because the counts scatter {times} times as much as Poisson counts"
    return poisson, "poisson", f"chosen because its AIC is {-gain:.1f} below the negative binomial's"


def _count_doubts(fit: CountFit, family: str) -> tuple[str, ...]:
    """Say what is doubtful about a count fit."""
    if family == "negative binomial" and fit.dispersion == 0.0:
        return ("The negative binomial fits no better than Poisson here, so the dispersion is 0.",)
    if family == "poisson" and fit.pearson_dispersion > 1.5:
        share = f"{fit.pearson_dispersion:.1f}"
        return (f"The counts scatter {share} times as much as Poisson counts would; the limits may be too narrow.",)
    return ()


def fit_pass(results: Results, response: Response, passes: Passes, *, level: float) -> ResponseFit:
    """Fit the chance of passing by logistic regression; see ``fit_textbook``."""
    used = np.flatnonzero(np.isfinite(passes.passed)).astype(np.int64)
    return _fit_chance(results, response, (used, passes.passed[used]), level=level, why="chance of passing")


def fit_trip(results: Results, response: Response, trips: Trips, *, level: float) -> ResponseFit:
    """Fit the time to a trip where times are known, else the chance of tripping; see ``fit_textbook``.

    Raises
    ------
    CannotAnswerError
        If the study names the Weibull family and the times cannot bear it.
    """
    known = np.isfinite(trips.tripped)
    n_trips = int(np.sum(trips.tripped[known] == 1.0))
    why = "chance of tripping"
    if response.family != "logistic":
        fit = _fit_times(results, response, trips, level=level)
        if fit is not None:
            return fit
        timed = int(np.sum((trips.tripped == 1.0) & np.isfinite(trips.time_s)))
        short = f"{timed} timed {'trip is' if timed == 1 else 'trips are'} too few for the terms"
        if response.family == "weibull":
            message = (
                f"“{response.name}”: {short}; the scatter of the times cannot be estimated. Name fewer terms under "
                '[plan], or family = "logistic".'
            )
            raise CannotAnswerError(message)
        why += ", because " + (short if timed else "no trip has a time" if n_trips else "nothing tripped")
    used = np.flatnonzero(known).astype(np.int64)
    return _fit_chance(results, response, (used, trips.tripped[used]), level=level, why=why)


def _fit_chance(
    results: Results, response: Response, outcome: tuple[IntArray, FloatArray], *, level: float, why: str
) -> ResponseFit:
    """Fit the chance of "yes", bias-reduced unless the study asks for plain maximum likelihood."""
    used, yes = outcome
    columns, X = _columns(results, response, used)
    fit = fit_logistic(X, yes, penalty=response.penalty)
    p = len(columns.names)
    findings: tuple[str, ...] = ()
    if fit.is_separated:
        because = (
            "The settings separate “yes” from “no”" if 0 < yes.sum() < len(yes) else "Every weld had the same outcome"
        )
        findings = runaway_findings(columns.names, fit.runs_away[:p], because=because)
        if response.penalty:
            findings = (f"{because}: plain maximum likelihood has no finite answer; the bias-reduced one is given.",)
    kind = "bias-reduced (Firth) logistic regression, profile penalised-likelihood limits"
    numbers: dict[str, object] = {
        "family": "logistic",
        "separated": fit.is_separated,
        "residual_df": len(used) - X.shape[1],
        "deviance": fit.deviance,
        "log_likelihood": fit.log_likelihood,
        "aic": fit.aic,
    }
    if fit.penalised_log_likelihood is not None:
        numbers["penalised_log_likelihood"] = fit.penalised_log_likelihood
    return ResponseFit(
        response=response,
        method=f"{kind if response.penalty else 'logistic regression by plain maximum likelihood'}: {why}",
        n=len(used),
        terms=estimates(columns.names, fit.coefficients, fit.se, _profiled(fit.profile, p, level)),
        numbers=numbers,
        findings=findings,
        assumptions=_independence(columns),
    )


def _fit_times(results: Results, response: Response, trips: Trips, *, level: float) -> ResponseFit | None:
    """Fit log time to a trip by Weibull maximum likelihood; None where the times cannot bear it."""
    known = np.isfinite(trips.tripped)
    used = np.flatnonzero(known & np.isfinite(trips.time_s) & (trips.time_s > 0.0)).astype(np.int64)
    event = trips.tripped[used] == 1.0
    if not event.any():
        return None
    columns, X = _columns(results, response, used)
    p = len(columns.names)
    fit = fit_weibull(X, trips.time_s[used], event)
    if fit is None:
        return None
    findings = runaway_findings(columns.names, fit.runs_away[:p], because="Some settings have no trip")
    if left_out := int(known.sum()) - len(used):
        findings = (*findings, f"Left out, because the arc time is not known: {left_out} of {int(known.sum())} welds.")
    return ResponseFit(
        response=response,
        method="Weibull maximum likelihood, terms on log time, welds without a trip censored at their arc time",
        n=len(used),
        terms=estimates(columns.names, fit.coefficients, fit.se, _profiled(fit.profile, p, level)),
        numbers={
            "family": "weibull",
            "scale": fit.scale,
            "separated": recession(np.empty((0, X.shape[1])), np.where(event[:, None], X, -X)).exists,
            "residual_df": len(used) - X.shape[1],
            "log_likelihood": fit.log_likelihood,
            "aic": -2.0 * fit.log_likelihood + 2.0 * (X.shape[1] + 1),
        },
        findings=findings,
        assumptions=_independence(columns),
    )


def _columns(results: Results, response: Response, used: IntArray) -> tuple[ModelColumns, FloatArray]:
    """Give the model's columns at the welds used, and the matrix of terms and blocks."""
    columns = model_columns(results, used)
    require_estimable(columns, response.name)
    return columns, as_float(columns.fixed)


def _profiled(profile: _Profile, n_terms: int, level: float) -> tuple[FloatArray, FloatArray]:
    """Give the limits of every reported term."""
    limits = np.array([profile(j, level) for j in range(n_terms)], dtype=float).reshape(-1, 2)
    return limits[:, 0], limits[:, 1]


def _independence(columns: ModelColumns) -> tuple[str, ...]:
    """Say what is assumed of welds that share a plate."""
    if not columns.has_shared_plates:
        return ()
    return ("Textbook fit: welds on one plate are taken as independent.",)
