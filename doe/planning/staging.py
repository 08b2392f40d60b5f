"""Stages: how many welds come first, and the fullest model they can carry."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.planning.layout import Layout
from doe.planning.plan import PlannedWeld
from doe.planning.posing import n_parameters, pose_problem, simpler_models
from doe.planning.problem import DesignProblem, fixed_columns, information_matrix, is_singular
from doe.planning.refusals import has_enough_plates
from doe.study.model import Study
from doe.terms import Term, model_matrix

Model = tuple[str, tuple[Term, ...]]
"""A model's name and its terms."""
FIRST_STAGE: Final = 8
"""Welds of the first stage where few are affordable (METHOD.md, section 5: staging pays up to 16 welds)."""
STAGED_BELOW: Final = 17
"""Fewer affordable welds than this are made in stages unless the study says otherwise."""


def stages(study: Study) -> tuple[int, ...]:
    """Give the wished sizes of the stages.

    Without a wish: 8 first where fewer than 17 welds are affordable, the rest afterwards; otherwise all at once, and
    so where the study lists its own terms, its plates, or has blocks, which belong together.
    """
    wishes = study.plan
    if wishes.stages:
        return wishes.stages
    if FIRST_STAGE < wishes.welds < STAGED_BELOW and not wishes.terms and wishes.blocks is None and not wishes.plates:
        return FIRST_STAGE, wishes.welds - FIRST_STAGE
    return (wishes.welds,)


def welds_to_come(study: Study, n_made: int) -> int:
    """Give how many welds of the study are still to be planned."""
    return max(max(study.plan.welds, sum(study.plan.stages)) - n_made, 0)


def carried_models(study: Study, layout: Layout) -> Iterator[Model]:
    """Give the models that so many welds and plates can carry, the fullest first; simpler ones with a weld to spare."""
    for place, (name, terms) in enumerate(simpler_models(study)):
        spare = 1 if place else 0
        if n_parameters(study, terms, layout) + spare <= layout.n_welds and has_enough_plates(study, terms, layout):
            yield name, terms


def fullest_model(study: Study, layout: Layout, earlier: Sequence[PlannedWeld]) -> Model | None:
    """Find the fullest model that new welds can make estimable together with the earlier ones.

    What the earlier welds repeat among themselves brings no term: the rest has to come from the new ones.
    """
    settings = np.array([weld.settings for weld in earlier], dtype=float).reshape(-1, len(study.factors))
    for name, terms in carried_models(study, layout):
        problem = pose_problem(study, terms, layout, given=settings)
        if rank_of(problem, problem.given) + layout.n_welds - len(earlier) >= problem.n_parameters:
            return name, terms
    return None


def estimated_model(study: Study, layout: Layout, settings: FloatArray) -> Model | None:
    """Find the fullest model that welds at these natural settings do estimate."""
    rows = study.coding.to_coded(settings)
    for name, terms in carried_models(study, layout):
        if not is_singular(information_matrix(pose_problem(study, terms, layout), rows)):
            return name, terms
    return None


def rank_of(problem: DesignProblem, rows: FloatArray) -> int:
    """Give the rank of the model matrix of the first welds of a design, blocks and position included."""
    X = np.hstack([model_matrix(problem.terms, rows, problem.coding), fixed_columns(problem)[: len(rows)]])
    return int(np.linalg.matrix_rank(X)) if len(rows) else 0
