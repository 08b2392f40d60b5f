"""Textbook fits by restricted maximum likelihood: measurements on welds that share plates or were cut several times."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from doe.bench.results import IntArray
from doe.coding import FloatArray
from doe.models.fit import ResponseFit
from doe.models.textbook.anova import analysis_of_variance, between_share
from doe.models.textbook.canonical import second_order_surface
from doe.models.textbook.columns import ModelColumns
from doe.models.textbook.exact import as_float
from doe.models.textbook.least_squares import pure_error, t_limits
from doe.models.textbook.readings import Readings
from doe.models.textbook.split_plot import MixedFit, fit_reml, satterthwaite_df
from doe.models.textbook.stationary import describe_stationary
from doe.models.textbook.wording import estimates, finite_or_none
from doe.study.model import Response


@dataclass(frozen=True, eq=False)
class Strata:
    """The groupings whose variance the readings show, from the widest (blocks) to the narrowest (welds).

    Attributes
    ----------
    groups : dict of str to ndarray of int, shape (n_cuts,)
        "block", "plate", "weld": what is estimated.
    confounded : tuple of str
        What the terms already account for, or the narrower scatter cannot be told from.
    """

    groups: dict[str, IntArray]
    confounded: tuple[str, ...]


def fit_shared_plates(response: Response, columns: ModelColumns, readings: Readings, *, level: float) -> ResponseFit:
    """Fit with plates, the blocks that hold them, and welds with several cuts as random effects.

    Blocks stay fixed effects where no plate is shared.
    """
    p = len(columns.names)
    X = as_float(columns.X if columns.has_shared_plates else columns.fixed)[readings.cut_weld]
    strata = find_strata(columns, readings, X)
    fit = fit_reml(X, readings.cut, list(strata.groups.values()))
    df = np.array([satterthwaite_df(fit, unit) for unit in np.eye(X.shape[1])[:p]])
    se = np.where(_is_unjudged(columns, strata), np.nan, fit.se[:p])
    surface = second_order_surface(columns.terms, fit.coefficients, fit.covariance)
    is_even, on_plates = len(np.unique(readings.n_cuts)) == 1, columns.has_shared_plates
    split = pure_error(columns.fixed, readings.mean, columns.repeat) if is_even and not on_plates else None
    rows = analysis_of_variance(
        columns, readings.mean, repeats=split, mixed=fit if on_plates else None, is_even=is_even
    )
    numbers: dict[str, object] = {
        "residual_df": len(readings.used) - X.shape[1],
        "spread": _spread(fit, strata, readings),
        "lack_of_fit": split.to_dict() if split is not None else None,
        "stationary": describe_stationary(surface, columns, residual_df=float(df.min()), level=level),
        "anova": [row.to_dict() for row in rows],
        **_shares(columns, readings, fit, X),
        "log_likelihood": fit.log_likelihood,
        "aic": fit.aic,
        "term_df": {name: finite_or_none(v) for name, v in zip(columns.names, df.tolist(), strict=True)},
    }
    return ResponseFit(
        response=response,
        method=_method(strata, columns, readings),
        n=len(readings.used),
        terms=estimates(columns.names, fit.coefficients, se, t_limits(fit.coefficients[:p], se, df=df, level=level)),
        numbers=numbers,
        findings=_findings(strata, fit),
    )


def find_strata(columns: ModelColumns, readings: Readings, X: FloatArray) -> Strata:
    """Keep each grouping that adds directions to the terms and the wider groupings, and leaves some to the residual."""
    row = readings.cut_weld
    wished: dict[str, IntArray] = {}
    if columns.has_shared_plates:
        if columns.has_blocks:
            wished["block"] = columns.block[row]
        wished["plate"] = columns.plate[row]
    if readings.has_cuts:
        wished["weld"] = row
    kept: dict[str, IntArray] = {}
    reached = X.shape[1]
    for name, group in wished.items():
        spanned = int(np.linalg.matrix_rank(np.column_stack([X, group[:, None] == np.unique(group)])))
        if reached < spanned < len(X):
            kept[name], reached = group, spanned
    return Strata(kept, tuple(name for name in wished if name not in kept))


def _is_unjudged(columns: ModelColumns, strata: Strata) -> npt.NDArray[np.bool_]:
    """Tell which terms rest on a grouping whose variance is not known: their standard error is not known either."""
    n_terms = len(columns.names)
    fixed = as_float(columns.X)
    groups = {"block": columns.block, "plate": columns.plate}
    unknown = [groups[name] for name in strata.confounded if name in groups]
    units = np.eye(n_terms, dtype=bool)
    shares = [[between_share(fixed, own, group) > 1e-8 for group in unknown] for own in units]
    return np.array([any(share) for share in shares], dtype=bool)


def _spread(fit: MixedFit, strata: Strata, readings: Readings) -> dict[str, float | None]:
    """Give the standard deviations; "block" only where blocks are random."""
    found: dict[str, float | None] = {"weld": None, "plate": None, "reading": None}
    found.update(zip(strata.groups, np.sqrt(fit.variances).tolist(), strict=True))
    found["reading" if readings.has_cuts else "weld"] = float(np.sqrt(fit.residual_variance))
    return found


def _shares(columns: ModelColumns, readings: Readings, fit: MixedFit, X: FloatArray) -> dict[str, object]:
    """Give R2 of the weld means: by the terms alone, by mean squares, and with each plate predicted from the others."""
    means, by_weld = as_float(readings.mean), np.flatnonzero(np.diff(readings.cut_weld, prepend=-1))
    centre = means.mean() if columns.has_constant else 0.0
    total, n, p = float(np.sum((means - centre) ** 2)), len(means), X.shape[1]
    residual = float(np.sum((means - X[by_weld] @ fit.coefficients) ** 2))
    adjusted = (residual / (n - p)) / (total / (n - int(columns.has_constant)))
    missed = _left_out_ss(columns, readings, fit, X)
    return {
        "r2": 1.0 - residual / total,
        "adjusted_r2": 1.0 - adjusted,
        "predicted_r2": None if missed is None else 1.0 - missed / total,
    }


def _left_out_ss(columns: ModelColumns, readings: Readings, fit: MixedFit, X: FloatArray) -> float | None:
    """Give the sum of squares missed when each plate is predicted from the others; None where the others cannot."""
    means, by_weld = as_float(readings.mean), np.flatnonzero(np.diff(readings.cut_weld, prepend=-1))
    covariance = np.linalg.inv(fit.weights)
    missed = 0.0
    for plate in np.unique(columns.plate):
        out = columns.plate == plate
        kept = ~out[readings.cut_weld]
        if np.linalg.matrix_rank(X[kept]) < X.shape[1]:
            return None
        weighted = np.linalg.solve(covariance[np.ix_(kept, kept)], X[kept])
        coefficients = np.linalg.solve(X[kept].T @ weighted, weighted.T @ readings.cut[kept])
        missed += float(np.sum((means[out] - X[by_weld][out] @ coefficients) ** 2))
    return missed


def _method(strata: Strata, columns: ModelColumns, readings: Readings) -> str:
    """Say what was done."""
    words = {"block": "blocks", "plate": "plates", "weld": "welds (several cuts each)"}
    effects = " and ".join(words[name] for name in strata.groups) or "none"
    method = f"restricted maximum likelihood, random effects: {effects}; Satterthwaite degrees of freedom"
    if readings.has_cuts:
        method += "; analysis of variance on weld means"
    if columns.has_blocks and not columns.has_shared_plates:
        method += "; blocks as fixed effects (the constant is their average)"
    return method


def _findings(strata: Strata, fit: MixedFit) -> tuple[str, ...]:
    """Say which scatter cannot be seen, and which came out as nothing."""
    words = {"block": "Block-to-block", "plate": "Plate-to-plate", "weld": "Weld-to-weld"}
    found = [
        f"{words[name]} scatter cannot be told from the terms of the model: no limit is given for the terms that rest "
        "on it."
        for name in strata.confounded
    ]
    found += [
        f"{words[name]} scatter came out as 0; with few plates it may still be there."
        for name, variance in zip(strata.groups, fit.variances, strict=True)
        if variance == 0.0 and name != "weld"
    ]
    return tuple(found)
