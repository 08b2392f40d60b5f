"""Prediction variance over the region, and the bands and powers that follow from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import special

from doe.coding import FloatArray
from doe.planning.layout import layout_of
from doe.planning.plan import Plan
from doe.planning.posing import model_name, planned_terms, pose_problem
from doe.planning.power import FactorPower, factor_power
from doe.planning.problem import DesignProblem, information_matrix
from doe.planning.region import reachable_settings
from doe.planning.staging import Model, estimated_model
from doe.study.model import Study
from doe.terms import model_matrix

REGION_POINTS: Final = 20_000
"""Settings of the region at which the variance is looked at. Our planning value."""
BAND_LEVEL: Final = 0.90
"""Level of the two-sided confidence band for the mean."""
PRIOR_WELDS: Final = 1
"""A scatter known from earlier work counts as much as this many welds, as in the fit. [1]"""


@dataclass(frozen=True, eq=False)
class Precision:
    """How closely a plan lets the mean be known.

    Attributes
    ----------
    variance : ndarray, shape (n_points,)
        Prediction variance at the reachable settings, in weld variances.
    residual_df : int
    half_width : float or None
        90 % half-width of the mean band, averaged over the region, in weld standard deviations; None without residual
        degrees of freedom.
    half_widths : tuple of (str, float)
        The same in the unit of each measure whose scatter is known.
    power : tuple of FactorPower
    """

    variance: FloatArray
    residual_df: int
    half_width: float | None
    half_widths: tuple[tuple[str, float], ...]
    power: tuple[FactorPower, ...]


def plan_model(plan: Plan) -> Model:
    """Give name and terms of the fullest model that a plan's welds estimate; the study's own where it is none."""
    settings = np.array([weld.settings for weld in plan.all_designed], dtype=float)
    found = estimated_model(plan.study, layout_of(plan.all_designed), settings)
    return found or (model_name(plan.study.plan), planned_terms(plan.study))


def precision_of(plan: Plan) -> Precision:
    """Give the precision of a plan with the welds before it."""
    layout = layout_of(plan.all_designed)
    _, terms = plan_model(plan)
    problem = pose_problem(plan.study, terms, layout)
    settings = np.array([weld.settings for weld in plan.all_designed], dtype=float)
    M = information_matrix(problem, plan.study.coding.to_coded(settings))
    return precision_over_region(plan.study, problem, M)


def precision_over_region(study: Study, problem: DesignProblem, M: FloatArray) -> Precision:
    """Give the precision that an information matrix brings."""
    inverse = np.asarray(np.linalg.inv(M), dtype=float)
    variance = region_variance(study, problem, inverse)
    df = problem.n_welds - problem.n_parameters
    return Precision(
        variance,
        df,
        mean_half_width(variance, df) if df > 0 else None,
        _half_widths(study, variance, df),
        factor_power(problem, inverse, df=df),
    )


def region_variance(study: Study, problem: DesignProblem, inverse: FloatArray) -> FloatArray:
    """Give the prediction variance f(x)' M^-1 f(x) at the reachable settings, in weld variances.

    Parameters
    ----------
    study : Study
    problem : DesignProblem
    inverse : ndarray
        M^-1 of the plan; block and position columns behind the terms.

    Returns
    -------
    ndarray, shape (n_points,)
    """
    points = study.coding.to_coded(reachable_settings(study, at_most=REGION_POINTS).points)
    F = model_matrix(problem.terms, points, problem.coding)
    p = len(problem.terms)
    return np.asarray(np.einsum("ij,jk,ik->i", F, inverse[:p, :p], F))


def mean_half_width(variance: FloatArray, df: int) -> float:
    """Give the 90 % half-width of the mean band, averaged over the region, in weld standard deviations."""
    t = float(special.stdtrit(df, (1 + BAND_LEVEL) / 2))
    return t * float(np.sqrt(variance).mean())


def _half_widths(study: Study, variance: FloatArray, df: int) -> tuple[tuple[str, float], ...]:
    """Give the half-width of each measure whose scatter is known, in its unit."""
    return tuple(
        (response.name, response.expect_scatter * mean_half_width(variance, max(df, 0) + PRIOR_WELDS))
        for response in study.responses
        if response.kind == "measure" and response.expect_scatter
    )
