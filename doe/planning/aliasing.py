"""Aliases and leverage: what the estimates take on from terms left out, and how much each weld weighs."""

from __future__ import annotations

import itertools
from collections import Counter
from dataclasses import dataclass

import numpy as np

from doe.coding import Coding, FloatArray
from doe.planning.problem import DesignProblem, design_matrix
from doe.terms import Term, contrast_kinds, model_matrix, polynomial_terms


@dataclass(frozen=True, eq=False)
class Aliases:
    """What the estimates take on from terms that the model leaves out.

    Attributes
    ----------
    terms, omitted : tuple of str
        Terms of the model, and the next-order terms.
    values : ndarray, shape (n_terms, n_omitted)
        The estimate of term i holds ``values[i, j]`` times the coefficient of omitted term j.
    """

    terms: tuple[str, ...]
    omitted: tuple[str, ...]
    values: FloatArray


def inverse_covariance(problem: DesignProblem) -> FloatArray:
    """Give V^-1 for the planned plate ratio, shape (n_welds, n_welds)."""
    V = np.eye(problem.n_welds)
    if problem.plate is not None:
        V += problem.plate_ratio * (problem.plate[:, None] == problem.plate)
    return np.asarray(np.linalg.inv(V))


def next_order_terms(terms: tuple[Term, ...], coding: Coding, n_levels: tuple[int, ...]) -> tuple[Term, ...]:
    """Give the terms of the next order that a model leaves out.

    The second-order terms it lacks; where it lacks none, the third-order ones. A power is given only where the factor
    has more values than its power: with three values a cube is the factor itself.

    Parameters
    ----------
    terms : tuple of Term
    coding : Coding
    n_levels : tuple of int
        Values a factor.
    """
    values = dict(zip(coding.names, n_levels, strict=True))

    def can_be_told(term: Term) -> bool:
        return all(values[name] > power for name, power in term.powers)

    second = [t for t in polynomial_terms(coding, "second order") if t.order > 1 and t not in terms]
    lacking = tuple(term for term in second if can_be_told(term))
    if lacking:
        return lacking
    return tuple(t for t in _third_order(coding) if t not in terms and can_be_told(t))


def _third_order(coding: Coding) -> list[Term]:
    """Give every third-order term: of numeric factors, and of one kind contrast with two numeric factors."""
    numeric = [f.name for f in coding.factors if not f.is_kind]
    terms = [_monomial(names) for names in itertools.combinations_with_replacement(numeric, 3)]
    for factor in coding.factors:
        for kind in contrast_kinds(factor.kinds, "sum"):
            pairs = itertools.combinations_with_replacement(numeric, 2)
            terms += [Term(_monomial(names).powers, ((factor.name, kind),)) for names in pairs]
    return terms


def _monomial(names: tuple[str, ...]) -> Term:
    """Multiply factors."""
    return Term(powers=tuple(Counter(names).items()))


def alias_matrix(problem: DesignProblem, rows: FloatArray) -> Aliases:
    """Give the alias matrix (X'V^-1 X)^-1 X'V^-1 X2 of the next-order terms.

    Parameters
    ----------
    problem : DesignProblem
    rows : ndarray, shape (n_welds, n_factors)
        Coded design that estimates the model.

    References
    ----------
    .. [1] Box and Wilson (1951), On the experimental attainment of optimum conditions, J. R. Statist. Soc. B 13, 1-45
       (from memory): the bias of least squares from omitted terms.
    """
    n_levels = tuple(len(np.unique(np.round(rows[:, j], 9))) for j in range(rows.shape[1]))
    omitted = next_order_terms(problem.terms, problem.coding, n_levels)
    X, V_inverse = design_matrix(problem, rows), inverse_covariance(problem)
    X2 = model_matrix(omitted, rows, problem.coding)
    values = np.linalg.solve(X.T @ V_inverse @ X, X.T @ V_inverse @ X2)[: len(problem.terms)]
    return Aliases(tuple(map(str, problem.terms)), tuple(map(str, omitted)), np.asarray(values, dtype=float))


def leverage(problem: DesignProblem, rows: FloatArray) -> FloatArray:
    """Give each weld's leverage, the diagonal of X (X'V^-1 X)^-1 X'V^-1; they add up to the number of parameters."""
    X, V_inverse = design_matrix(problem, rows), inverse_covariance(problem)
    hat = X @ np.linalg.solve(X.T @ V_inverse @ X, X.T @ V_inverse)
    return np.asarray(np.diag(hat).copy())
