"""What lost welds cost: which terms can still be told, how much precision is gone, which redo helps most.

Judged as a plan is judged: by the average prediction variance over the region, for the model the welds were planned
for, with the planned plate ratio. A redo is made at the lost weld's setting, on a plate of its own.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from doe.coding import FloatArray
from doe.planning.layout import Layout, position_column
from doe.planning.posing import pose_problem
from doe.planning.problem import DesignProblem, design_matrix, i_value, information_matrix, is_singular
from doe.planning.refusals import confounded_terms
from doe.planning.staging import Model, estimated_model
from doe.study.model import Study
from doe.terms import Term

BoolArray = npt.NDArray[np.bool_]
IntArray = npt.NDArray[np.int64]

WEAKER: Final = 1.1
"""Terms whose standard error grew by this factor or more are named. Our choice."""


@dataclass(frozen=True)
class Redo:
    """One lost weld made again.

    Attributes
    ----------
    weld : int
        Its row.
    widening : float
        Average half-width of the mean band over what was planned, this weld made again; inf where terms are still lost.
    lost_terms : tuple of str
        What could still not be told.
    """

    weld: int
    widening: float
    lost_terms: tuple[str, ...]


@dataclass(frozen=True)
class Loss:
    """What is gone, and what is left.

    Attributes
    ----------
    model : str
        The model the welds were planned for.
    still : str
        The fullest model the welds left can tell; empty where not even the simplest.
    lost_terms : tuple of str
        Terms that cannot be told any more.
    widening : float
        Average half-width of the mean band over what was planned; inf where a term is lost.
    weaker : tuple of (str, float)
        Terms whose standard error grew most, with the factor, the worst first.
    residual_df : tuple of int
        Welds more than the model has numbers: as planned, and as left.
    redos : tuple of Redo
        One a lost weld, the one that helps most first.
    """

    model: str
    still: str
    lost_terms: tuple[str, ...]
    widening: float
    weaker: tuple[tuple[str, float], ...]
    residual_df: tuple[int, int]
    redos: tuple[Redo, ...]


def loss_of(study: Study, settings: FloatArray, layout: Layout, kept: BoolArray) -> Loss | None:
    """Work out what the welds that are not kept cost.

    Parameters
    ----------
    study : Study
    settings : ndarray, shape (n_welds, n_factors)
        Natural settings of every weld that was planned.
    layout : Layout
        Of them.
    kept : ndarray of bool, shape (n_welds,)

    Returns
    -------
    Loss or None
        None where the welds could tell no model even with none lost.
    """
    model = estimated_model(study, layout, settings)
    if model is None:
        return None
    name, terms = model
    coded = study.coding.to_coded(settings)
    whole = pose_problem(study, terms, layout)
    before = i_value(whole, coded)
    welds = np.flatnonzero(kept)
    left = _posed(whole, _part(layout, welds))
    widening, lost = _judge(left, coded[welds], before=before)
    redos = [_redo(whole, layout, coded, np.append(welds, i), before=before) for i in np.flatnonzero(~kept)]
    return Loss(
        model=name,
        still=_fullest(study, layout, settings, welds),
        lost_terms=lost,
        widening=widening,
        weaker=() if lost else _weaker(whole, left, coded, welds),
        residual_df=(len(kept) - whole.n_parameters, len(welds) - whole.n_parameters),
        redos=tuple(sorted(redos, key=lambda redo: (len(redo.lost_terms), redo.widening, redo.weld))),
    )


def _part(layout: Layout, welds: IntArray) -> Layout:
    """Give the layout of some of the welds."""
    return Layout(layout.plate[welds], layout.position[welds], None if layout.block is None else layout.block[welds])


def _posed(whole: DesignProblem, layout: Layout) -> DesignProblem:
    """Put the same question to other welds, without working the region out again."""
    shared = layout.shares_plates
    has_blocks = whole.block is not None and layout.block is not None and len(np.unique(layout.block)) > 1
    return dataclasses.replace(
        whole,
        n_welds=layout.n_welds,
        plate=layout.plate if shared else None,
        position=position_column(layout) if shared and whole.position is not None else None,
        block=_without_gaps(layout.block) if has_blocks else None,
    )


def _without_gaps(labels: IntArray | None) -> IntArray | None:
    """Give labels their numbers 0, 1 ... without gaps."""
    return None if labels is None else np.searchsorted(np.unique(labels), labels)


def _judge(problem: DesignProblem, rows: FloatArray, *, before: float) -> tuple[float, tuple[str, ...]]:
    """Give the widening, and the terms that cannot be told."""
    if len(rows) and not is_singular(information_matrix(problem, rows)):
        return math.sqrt(i_value(problem, rows) / before), ()
    named = [str(term) for term in problem.terms]
    if not len(rows):
        return math.inf, tuple(named)
    # columns of blocks and position are looked at first, so that it is the terms that are named
    X = design_matrix(problem, rows)
    n_terms = len(problem.terms)
    places = [Term()] * (X.shape[1] - n_terms)
    lost = confounded_terms(np.hstack([X[:, n_terms:], X[:, :n_terms]]), [*places, *problem.terms])
    return math.inf, tuple(dict.fromkeys(map(str, lost)))


def _fullest(study: Study, layout: Layout, settings: FloatArray, welds: IntArray) -> str:
    """Name the fullest model that the welds left can tell."""
    found: Model | None = estimated_model(study, _part(layout, welds), settings[welds]) if len(welds) else None
    return "" if found is None else found[0]


def _weaker(
    whole: DesignProblem, left: DesignProblem, coded: FloatArray, welds: IntArray
) -> tuple[tuple[str, float], ...]:
    """Compare the terms' standard errors, the constant apart."""
    before = np.sqrt(np.diag(np.linalg.inv(information_matrix(whole, coded))))
    after = np.sqrt(np.diag(np.linalg.inv(information_matrix(left, coded[welds]))))
    ratios = [(str(term), float(a / b)) for term, a, b in zip(whole.terms, after, before, strict=False) if term.order]
    return tuple(sorted((pair for pair in ratios if pair[1] >= WEAKER), key=lambda pair: -pair[1]))


def _redo(whole: DesignProblem, layout: Layout, coded: FloatArray, welds: IntArray, *, before: float) -> Redo:
    """Judge one lost weld, the last of these, made again: on a plate of its own, on the last day."""
    part = _part(layout, welds)
    plate, position = part.plate.copy(), part.position.copy()
    plate[-1], position[-1] = layout.plate.max() + 1, 1
    block = part.block
    if block is not None and layout.block is not None:
        block = np.append(block[:-1], layout.block.max())
    widening, lost = _judge(_posed(whole, Layout(plate, position, block)), coded[welds], before=before)
    return Redo(int(welds[-1]), widening, lost)
