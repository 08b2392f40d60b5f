"""From a study to a planning problem: which model, and the arrays a search needs."""

from __future__ import annotations

import dataclasses

import numpy as np

from doe.coding import FactorCoding, FloatArray
from doe.planning.layout import Layout, position_column
from doe.planning.moments import region_moments
from doe.planning.problem import DesignProblem
from doe.planning.search_space import coded_limits, limits_by_kind, search_space
from doe.study.model import Factor, PlanWishes, Study
from doe.terms import Term, parse_term, polynomial_terms


def planned_terms(study: Study) -> tuple[Term, ...]:
    """Give the terms the study asks for: its own list, or those of its named model."""
    if not study.plan.terms:
        return polynomial_terms(study.coding, study.plan.model)
    terms = [term for text in study.plan.terms for term in parse_term(text, study.coding)]
    return tuple(dict.fromkeys(terms))


def simpler_models(study: Study) -> tuple[tuple[str, tuple[Term, ...]], ...]:
    """Give the study's model and the simpler ones inside it, the fullest first, each with its name."""
    full = planned_terms(study)
    without_powers = tuple(t for t in full if t.order <= 2 and all(power == 1 for _, power in t.powers))
    first_order = tuple(t for t in full if t.order <= 1)
    models = {full: model_name(study.plan)}
    models.setdefault(without_powers, "first order with products")
    models.setdefault(first_order, "first order")
    return tuple((name, terms) for terms, name in models.items())


def model_name(wishes: PlanWishes) -> str:
    """Name the study's model in words."""
    return "the listed terms" if wishes.terms else wishes.model


def has_position_term(study: Study, layout: Layout) -> bool:
    """Tell whether the models have a position term: later welds start on a warm plate."""
    return study.plan.later_welds == "warm" and layout.shares_plates


def n_parameters(study: Study, terms: tuple[Term, ...], layout: Layout) -> int:
    """Count what the welds must settle: terms, differences between blocks, the position on the plate."""
    n_blocks = 1 if layout.block is None else len(np.unique(layout.block))
    return len(terms) + n_blocks - 1 + int(has_position_term(study, layout))


def pose_problem(
    study: Study, terms: tuple[Term, ...], layout: Layout, *, given: FloatArray | None = None, repeats: int = 0
) -> DesignProblem:
    """Put a study's question to the search.

    Parameters
    ----------
    study : Study
    terms : tuple of Term
        The model to plan for.
    layout : Layout
        Of every weld, given ones first.
    given : ndarray, shape (n_given, n_factors), or None
        Natural settings of the welds that are kept.
    repeats : int
        Welds that repeat another weld's setting.
    """
    coding, space = study.coding, search_space(study)
    problem = DesignProblem(
        coding=coding,
        terms=terms,
        levels=space.levels,
        n_welds=layout.n_welds,
        moments=moments_of(study, terms),
        limit_matrix=space.limit_matrix,
        limit_bound=space.limit_bound,
        extra_points=space.extra_points,
        repeats=repeats,
        candidates=space.candidates,
    )
    if given is not None and len(given):
        problem = dataclasses.replace(problem, given=coding.to_coded(given))
    return _with_layout(problem, study, layout)


def moments_of(study: Study, terms: tuple[Term, ...]) -> FloatArray:
    """Give the moments of the continuous region, kinds equally likely, shape (n_terms, n_terms)."""
    coding = study.coding
    by_kind = any(factor.ranges for factor in study.factors)
    matrix, bound = limits_by_kind(study) if by_kind else coded_limits(study)
    bounds = [(-1.0, 1.0) if f.is_kind or coding[f.name].by else _coded_range(f, coding[f.name]) for f in study.factors]
    return region_moments(coding, terms, limit_matrix=matrix, limit_bound=bound, bounds=bounds)


def _coded_range(factor: Factor, coding: FactorCoding) -> tuple[float, float]:
    """Give the ends of a range in coded units: -1 and 1 unless the study asks for a coding of its own."""
    return (factor.low - coding.centre) / coding.half, (factor.high - coding.centre) / coding.half


def _with_layout(problem: DesignProblem, study: Study, layout: Layout) -> DesignProblem:
    """Add plates, blocks and position."""
    if layout.shares_plates:
        held = tuple(factor.hard_to_change for factor in study.factors)
        problem = dataclasses.replace(
            problem, plate=_numbered(layout.plate), held=held, plate_ratio=study.plan.plate_ratio
        )
    if layout.block is not None and len(np.unique(layout.block)) > 1:
        problem = dataclasses.replace(problem, block=_numbered(layout.block))
    if has_position_term(study, layout):
        problem = dataclasses.replace(problem, position=position_column(layout))
    return problem


def _numbered(labels: np.ndarray) -> np.ndarray:
    """Give labels their numbers 0, 1 ... without gaps."""
    return np.unique(labels, return_inverse=True)[1].astype(np.int64)
