"""Textbook fits of measurements: least squares and censored normal; for shared plates see ``shared_plates``."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from doe.bench.results import Measurement, Results
from doe.errors import CannotAnswerError
from doe.models.fit import ResponseFit
from doe.models.textbook.anova import analysis_of_variance
from doe.models.textbook.canonical import second_order_surface
from doe.models.textbook.censored import CensoredFit, fit_censored
from doe.models.textbook.columns import ModelColumns, model_columns, require_estimable
from doe.models.textbook.exact import as_float
from doe.models.textbook.least_squares import PureError, least_squares, pure_error, t_limits
from doe.models.textbook.readings import Readings, readings_of
from doe.models.textbook.shared_plates import fit_shared_plates
from doe.models.textbook.stationary import describe_stationary
from doe.models.textbook.wording import estimates, finite_or_none, runaway_findings
from doe.study.model import Response


def fit_measure(results: Results, response: Response, measurement: Measurement, *, level: float) -> ResponseFit:
    """Fit a measure; see ``fit_textbook``."""
    readings = readings_of(measurement)
    columns = model_columns(results, readings.used)
    require_estimable(columns, response.name)
    if readings.censored.any():
        return _censored(response, columns, readings, level=level)
    n, p = columns.fixed.shape
    if n > p and (columns.has_shared_plates or readings.has_cuts) and not _is_perfect(columns, readings):
        return fit_shared_plates(response, columns, readings, level=level)
    return _ordinary(response, columns, readings, level=level)


def _is_perfect(columns: ModelColumns, readings: Readings) -> bool:
    """Tell whether the terms meet every reading, so that there is no scatter to share out."""
    means = as_float(readings.mean)
    no_reading_scatter = bool(np.all(readings.cut == means[readings.cut_weld]))
    return no_reading_scatter and pure_error(columns.fixed, readings.mean, np.arange(len(means))).lack_ss == 0.0


def _ordinary(response: Response, columns: ModelColumns, readings: Readings, *, level: float) -> ResponseFit:
    """Fit by least squares, blocks as fixed effects."""
    fit = least_squares(columns.fixed, readings.mean, about_mean=columns.has_constant)
    split = pure_error(columns.fixed, readings.mean, columns.repeat)
    covariance = fit.residual_sd**2 * fit.unscaled_covariance
    surface = second_order_surface(columns.terms, fit.coefficients, covariance)
    numbers: dict[str, object] = {
        "residual_df": fit.residual_df,
        "spread": {"weld": finite_or_none(fit.residual_sd), "plate": None, "reading": None},
        "lack_of_fit": split.to_dict(),
        "stationary": describe_stationary(surface, columns, residual_df=fit.residual_df, level=level),
        "anova": [row.to_dict() for row in analysis_of_variance(columns, readings.mean, repeats=split)],
        "r2": finite_or_none(fit.r2),
        "adjusted_r2": finite_or_none(fit.adjusted_r2),
        "predicted_r2": finite_or_none(fit.predicted_r2),
        "log_likelihood": finite_or_none(fit.log_likelihood),
        "aic": finite_or_none(fit.aic),
    }
    blocks = ", blocks as fixed effects (the constant is their average)" if columns.has_blocks else ""
    return ResponseFit(
        response=response,
        method=f"least squares{blocks}",
        n=len(readings.used),
        terms=estimates(columns.names, fit.coefficients, fit.se, fit.limits(level)),
        numbers=numbers,
        findings=_doubts(columns, numbers, split),
    )


def _censored(response: Response, columns: ModelColumns, readings: Readings, *, level: float) -> ResponseFit:
    """Fit by censored normal maximum likelihood, blocks as fixed effects, plates integrated out."""
    X, y = as_float(columns.fixed), as_float(readings.mean)
    plate = columns.plate if columns.has_shared_plates else None
    fit = fit_censored(X, y, readings.censored, plate=plate)
    n_full = int(readings.censored.sum())
    method = f"censored normal maximum likelihood ({n_full} of {len(y)} welds only say “at least”)"
    if plate is not None:
        method += ", plates as a random effect"
    p, residual_df = len(columns.names), len(y) - X.shape[1]
    if fit is None:
        message = (
            f"“{response.name}”: {n_full} of {len(y)} welds only say “at least {y[readings.censored].min():g}”, and "
            "the terms meet every other reading exactly; the scatter cannot be estimated. Name fewer terms under "
            "[plan], or weld more."
        )
        raise CannotAnswerError(message)
    se = fit.se if residual_df else np.full(len(fit.se), np.nan)
    low, high = t_limits(fit.coefficients, se, df=np.full(len(se), float(residual_df)), level=level)
    for j in np.flatnonzero(fit.runs_away[:p] != 0.0):
        low[j], high[j] = fit.near_limits(int(j), level)
    findings = runaway_findings(columns.names, fit.runs_away[:p], because="Too few readings below “full”")
    return ResponseFit(
        response=response,
        method=method,
        n=len(y),
        terms=estimates(columns.names, fit.coefficients, se, (low, high)),
        numbers=_censored_numbers(fit, columns, readings, residual_df=residual_df),
        findings=findings,
    )


def _censored_numbers(
    fit: CensoredFit, columns: ModelColumns, readings: Readings, *, residual_df: int
) -> Mapping[str, object]:
    """Give the further numbers; there are no sums of squares where readings are censored."""
    plate_sd = fit.plate_sd if columns.has_shared_plates else None
    return {
        "residual_df": residual_df,
        "spread": {"weld": fit.sd, "plate": plate_sd, "reading": readings.pooled_cut_sd()},
        "lack_of_fit": None,
        "stationary": None,
        "anova": None,
        "r2": None,
        "adjusted_r2": None,
        "predicted_r2": None,
        "log_likelihood": fit.log_likelihood,
        "aic": fit.aic,
    }


def _doubts(columns: ModelColumns, numbers: Mapping[str, object], split: PureError) -> tuple[str, ...]:
    """Say what is doubtful about a least-squares fit."""
    found = []
    if not numbers["residual_df"]:
        found.append("There are as many terms as welds: the scatter, and with it every limit, cannot be estimated.")
    elif split.pure_ss + split.lack_ss == 0.0:
        found.append("The terms meet every reading exactly; check the readings, no scatter at all is not believable.")
    if not math.isnan(split.p) and split.p < 0.05:
        found.append(
            f"Lack of fit (p = {split.p:.2g}): the model misses the means of the repeats by more than their scatter "
            "explains."
        )
    scaled = as_float(columns.fixed)
    condition = float(np.linalg.cond(scaled / np.linalg.norm(scaled, axis=0)))
    if condition > 1e4:
        found.append(
            f"The terms are nearly dependent (condition number {condition:.1g}); single coefficients mean little."
        )
    return tuple(found)
