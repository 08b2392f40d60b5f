"""Potential terms: what the model leaves out and the plan should still not be blind to.

A potential term has a prior precision in place of welds that settle it (DuMouchel and Jones 1994): the plan need not
estimate it, but pays for settings at which it would mislead the prediction.
"""

from __future__ import annotations

import dataclasses
import itertools
from typing import Final

import numpy as np

from doe.coding import Coding, FloatArray
from doe.planning.posing import moments_of, planned_terms
from doe.planning.problem import DesignProblem
from doe.study.model import Study
from doe.terms import Term, multiply

POTENTIAL_PRECISION: Final = 1.0
"""Prior precision of a potential term, in weld variances: DuMouchel and Jones's own choice (from memory)."""
THIRD_ORDER_PRECISION: Final = 4.0
"""That of a third-order term: its prior sd is half a weld's, in the middle of what the model of a measure allows."""


def with_potential_terms(study: Study, problem: DesignProblem, *, largest_order: int) -> DesignProblem:
    """Widen a stage's problem to the study's model, with powers and orders above the given one as potential terms."""
    terms = planned_terms(study)
    is_primary = [t.order <= largest_order and all(power == 1 for _, power in t.powers) for t in terms]
    precision = np.where(is_primary, 0.0, POTENTIAL_PRECISION)
    return dataclasses.replace(
        problem, terms=terms, moments=moments_of(study, terms), prior_precision=precision, repeats=0
    )


def with_third_order(study: Study, problem: DesignProblem) -> DesignProblem:
    """Widen a problem by every third-order term of numeric factors that its levels can bend, as potential terms."""
    found = third_order_terms(problem.coding, problem.levels)
    more = tuple(term for term in found if term not in problem.terms)
    terms = (*problem.terms, *more)
    precision = np.concatenate([np.zeros(len(problem.terms)), np.full(len(more), THIRD_ORDER_PRECISION)])
    return dataclasses.replace(problem, terms=terms, moments=moments_of(study, terms), prior_precision=precision)


def third_order_terms(coding: Coding, levels: tuple[FloatArray, ...]) -> tuple[Term, ...]:
    """Give x^3, x^2 y and x y z of the numeric factors; a power only where there are more levels than it.

    Parameters
    ----------
    coding : Coding
    levels : tuple of ndarray
        The values of each factor, in the coding's order.
    """
    numeric = [(f.name, len(values)) for f, values in zip(coding.factors, levels, strict=True) if not f.is_kind]
    cubes = [Term(powers=((name, 3),)) for name, n in numeric if n > 3]
    bends = [
        multiply(Term(powers=((name, 2),)), Term(powers=((other, 1),)), coding)
        for (name, n), (other, _) in itertools.permutations(numeric, 2)
        if n > 2
    ]
    products = [Term(powers=tuple((name, 1) for name, _ in three)) for three in itertools.combinations(numeric, 3)]
    return (*cubes, *bends, *products)
