"""The ceiling: what no design of this size can pass, by the general equivalence theorem.

A design of n welds puts weight 1/n on each of its settings. Let the weights be any that add up to 1 (an approximate
design) and the best value can be found by a convex search, with a certificate: for information M, ``A = M^-1`` and
``Q = A`` (for D) or ``Q = A W A`` (for I), every design's information M* obeys

    log det M*     <=  log det M + q log(trace(Q M*) / q),
    trace(W M*^-1) >=  trace(W A)^2 / trace(Q M*),

and ``trace(Q M*)`` is at most the sum over the welds of the largest price ``f' Q f`` (Kiefer and Wolfowitz 1960;
Pukelsheim 2006, ch. 7; from memory, and checked in the tests).

Welds that share a plate are priced together: a plate of m welds has the information ``F'F - c s s'``, s the sum of its
rows, c = eta / (1 + m eta). Where all the plates that could be made can be listed, weights are given to whole plates.
Where not, a plate may hold fractions of settings, which no real plate does: the bound stays valid and is a few per cent
generous. Blocks, positions and given welds enter as they are. Wished repeats are not counted: a bound without them
holds with them too.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from doe.planning.approximate import DIVISIBLE, WHOLE, Ground, Weighing, best_weights, to_fill
from doe.planning.candidates import LISTABLE, candidate_set
from doe.planning.problem import Criterion, DesignProblem
from doe.planning.whole_plates import best_plates, can_list_plates


@dataclass(frozen=True)
class Ceiling:
    """The bound no design of the same size can pass.

    Attributes
    ----------
    bound : float
        For I no design's value is smaller, for D and the compound none is larger.
    gap : float
        How far the bound may lie from the best approximate design, as a share.
    bound_kind : str
        In words: what was bounded.
    """

    bound: float
    gap: float
    bound_kind: str


def ceiling(problem: DesignProblem, criterion: Criterion) -> Ceiling:
    """Give the bound that no design of this size can pass.

    Parameters
    ----------
    problem : DesignProblem
    criterion : {"I", "D", "compound"}
        For the compound, sqrt(D/I), the bounds of both are put together.

    Raises
    ------
    CannotAnswerError
        If no setting is allowed, or the levels cannot support the model.
    """
    if criterion == "compound":
        best, least = ceiling(problem, "D"), ceiling(problem, "I")
        gap = 1.0 - math.sqrt((1.0 - best.gap) * (1.0 - least.gap))
        return Ceiling(math.sqrt(best.bound / least.bound), gap, best.bound_kind)
    candidates = candidate_set(problem, np.random.default_rng(0), at_most=LISTABLE)
    fillings, known, kind = to_fill(problem)
    ground = Ground(candidates.matrix, candidates.group, candidates.group_start)
    weighing = Weighing(problem, criterion, fillings, known)
    if can_list_plates(fillings, candidates.group_size):
        bound, gap = best_plates(weighing, ground)
        kind = kind.replace(DIVISIBLE, WHOLE)
    else:
        bound, gap = best_weights(weighing, ground)
    if not candidates.is_complete:
        kind += "; from a sample of the settings, so not certified"
    return Ceiling(bound, gap, kind)
