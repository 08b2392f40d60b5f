"""Whether any design of the wished size can estimate the model, and what would be needed where none can."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.linalg import qr

from doe.coding import FloatArray
from doe.errors import CannotAnswerError
from doe.planning.lockstep import Walk
from doe.planning.problem import DesignProblem
from doe.terms import Term, model_matrix


def check_solvable(walk: Walk) -> None:
    """Refuse a problem that no design can solve.

    Raises
    ------
    CannotAnswerError
        If there are fewer welds (or plates) than the model needs, if the allowed settings cannot support it, or if a
        plate already begun has held settings that no allowed setting has.
    """
    problem = walk.problem
    _check_number(problem)
    primary = _primary(problem)
    settings, model_rows = walk.candidates.rows, walk.candidates.matrix
    if walk.n_given:
        settings = np.vstack([settings, problem.given])
        model_rows = np.vstack([model_rows, walk.table.model_rows(problem.given)])
    lost = _inseparable([problem.terms[t] for t in primary], model_rows[:, primary])
    if lost:
        named = ", ".join(str(term) for term in lost)
        message = (
            f"the settings that may be welded cannot tell these terms from the others: {named}; "
            "give their factors more levels, or leave the terms out"
        )
        raise CannotAnswerError(message)
    _check_plates(walk, settings)


def welds_needed(problem: DesignProblem) -> int:
    """Give the fewest welds that can estimate the model: one a parameter, and the wished repeats."""
    return problem.n_parameters + problem.repeats


def _primary(problem: DesignProblem) -> list[int]:
    """Give the terms that the welds must settle."""
    precision = np.zeros(len(problem.terms)) if problem.prior_precision is None else problem.prior_precision
    return [int(t) for t in np.flatnonzero(precision <= 0)]


def _check_number(problem: DesignProblem) -> None:
    """Refuse fewer welds than parameters."""
    if problem.n_welds >= welds_needed(problem):
        return
    wishes = f" and {problem.repeats} repeat another" if problem.repeats else ""
    message = (
        f"{problem.n_welds} welds cannot estimate the {problem.n_parameters} parameters of this model{wishes}: "
        f"it takes at least {welds_needed(problem)} welds"
    )
    raise CannotAnswerError(message)


def _inseparable(terms: Sequence[Term], F: FloatArray) -> list[Term]:
    """Find the terms that the others make up at all settings. F: their model rows, (n_settings, n_terms)."""
    rank = int(np.linalg.matrix_rank(F))
    if rank == len(terms):
        return []
    _, _, order = qr(F, mode="economic", pivoting=True)
    return [terms[t] for t in sorted(order[rank:])]


def _check_plates(walk: Walk, settings: FloatArray) -> None:
    """Refuse fewer plates than terms of the held factors alone, and begun plates with unknown held settings."""
    problem = walk.problem
    held = {f.name for f, is_held in zip(problem.coding.factors, problem.held, strict=True) if is_held}
    if problem.plate is None or not held:
        return
    alone = [problem.terms[t] for t in _primary(problem) if set(problem.terms[t].factors) <= held]
    needed = int(np.linalg.matrix_rank(model_matrix(alone, settings, problem.coding)))
    n_plates = len(np.unique(problem.plate))
    if n_plates < needed:
        message = (
            f"{n_plates} plates cannot estimate the {needed} terms of what is set once a plate "
            f"({', '.join(sorted(held))}): "
            f"it takes at least {needed} plates"
        )
        raise CannotAnswerError(message)
    columns = np.flatnonzero(problem.held)
    for members in walk.plates:
        is_begun = members[0] < walk.n_given <= members[-1]
        if is_begun and walk.candidates.group_of(problem.given[members[0], columns]) < 0:
            message = (
                f"plate {int(problem.plate[members[0]]) + 1} was begun with {', '.join(sorted(held))} at a value "
                "that is not "
                "among those that may be welded; give the new welds plates of their own"
            )
            raise CannotAnswerError(message)
