"""Foresight: a first stage that cannot carry the study's model is chosen by what the welds after it will make of it.

Three designs compete: one for the simpler model, and two that keep the terms to come in view as potential terms
(DuMouchel and Jones 1994), squares only or products too. For each the later stages are planned quickly, and the one
with the best end is taken. On plates it is mostly one with potential terms; without shared plates, the simpler model.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from doe.coding import FloatArray
from doe.errors import CannotAnswerError
from doe.planning.evening import even_out
from doe.planning.exchange import Design
from doe.planning.layout import Layout, join, lay_out
from doe.planning.posing import n_parameters, planned_terms, pose_problem
from doe.planning.potential import with_potential_terms
from doe.planning.problem import DesignProblem, information_matrix, is_singular
from doe.planning.staging import welds_to_come
from doe.study.model import Study

Search = Callable[..., Design]


def first_stage_designs(study: Study, problem: DesignProblem, search: Search) -> list[FloatArray]:
    """Search designs that keep the terms to come in view; those that estimate the stage's own model are given.

    Parameters
    ----------
    study : Study
    problem : DesignProblem
        The stage, posed for a simpler model than the study's.
    search : callable
        From problem to design.
    """
    found = []
    for largest_order in (2, 1):
        wider = with_potential_terms(study, problem, largest_order=largest_order)
        try:
            rows = even_out(wider, np.asarray(search(wider).rows), study.plan.criterion)
        except CannotAnswerError:
            continue  # too few welds or plates for so many primary terms: no option, not a fault
        if not is_singular(information_matrix(problem, rows)):
            found.append(rows)
    return found


def end_of_stages(study: Study, layout: Layout, rows: FloatArray, quick_search: Search) -> float:
    """Plan the later stages after a first one, and give the criterion of the whole so that smaller is better.

    Parameters
    ----------
    study : Study
    layout : Layout
        Of the first stage.
    rows : ndarray, shape (n_welds, n_factors)
        Its coded settings.
    quick_search : callable
        From problem to design; few starts are enough to rank.

    Returns
    -------
    float
        Infinite where the later welds cannot complete the model.
    """
    n = layout.n_welds
    wishes = study.plan
    rest = lay_out(
        welds_to_come(study, n), per_plate=wishes.welds_per_plate, blocks=wishes.blocks, plates=wishes.plates, before=n
    )
    terms, whole, given = planned_terms(study), join(layout, rest), study.coding.to_natural(rows)
    repeats = max(min(wishes.repeats, whole.n_welds - n_parameters(study, terms, whole)), 0)
    try:
        design = quick_search(pose_problem(study, terms, whole, given=given, repeats=repeats))
    except CannotAnswerError:
        return math.inf
    return design.value if wishes.criterion == "I" else -design.value
