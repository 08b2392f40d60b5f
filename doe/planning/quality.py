"""What a plan can tell: prediction variance over the region, bands, power, aliases, leverage, and against what.

Variances are in units of the weld variance, with welds that share a plate correlated by the planned plate ratio. The
region is every reachable setting within the limits; kinds count alike, and predictions are for the average block and
position.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from doe.coding import FloatArray
from doe.errors import CannotAnswerError, StudyError
from doe.planning.aliasing import Aliases, alias_matrix, leverage
from doe.planning.ceiling import ceiling
from doe.planning.classical import textbook_rows
from doe.planning.layout import Layout, layout_of, numbered
from doe.planning.plan import Plan
from doe.planning.posing import model_name, planned_terms, pose_problem
from doe.planning.power import FactorPower
from doe.planning.precision import plan_model, precision_over_region
from doe.planning.problem import (
    DesignProblem,
    d_value,
    design_matrix,
    i_value,
    information_matrix,
    is_allowed,
    is_singular,
)
from doe.planning.refusals import confounded_terms, plate_terms
from doe.study.model import Study
from doe.terms import Term

SHARE_LEVELS: Final = (0.25, 0.5, 0.75, 1.0, 1.5, 2.0)
"""Variances below which the share of the region is told; 1 is the variance of a single weld."""
ALIAS_SHOWN: Final = 0.05
"""Aliases smaller than this are left out of ``to_dict``."""
DIGITS: Final = 10
"""Significant digits kept in ``to_dict``: what arithmetic in another order still agrees on."""


@dataclass(frozen=True)
class Yardstick:
    """The textbook design of the same size, and the plan's efficiency against it (above 1: the plan is better)."""

    name: str
    average_variance: float
    efficiency: float

    def to_dict(self) -> dict[str, object]:
        """Give the ``textbook_design`` of ``plan --json``."""
        numbers = {"average_variance": self.average_variance, "efficiency": self.efficiency}
        return {"name": self.name, **{name: _rounded(value) for name, value in numbers.items()}}


@dataclass(frozen=True, eq=False)
class PlanQuality:
    """What a plan can tell.

    Attributes
    ----------
    model : str
        The model it was scored for.
    welds, plates, parameters, residual_df : int
        Parameters are terms, block differences and the position term; ``residual_df`` welds less parameters.
    d_value, average_variance : float
        det(M)^(1/p)/n and trace(W M^-1).
    d_efficiency, i_efficiency : float
        Against the certified ceiling: no plan of this size can have more than 1.
    average_at_settings, median_variance, worst_variance : float
        Over the settings that can be dialled in, where the few values of a factor stand mostly at its ends; the
        ``average_variance`` is that of the continuous region.
    share_below : tuple of (float, float)
        Variance, and the share of those settings with less.
    half_width : float or None
        90 % half-width of the mean band, averaged over the region, in units of the weld-to-weld sd, with Student's t of
        the residual degrees of freedom; None without any.
    half_widths : tuple of (str, float)
        The same in the response's unit where its scatter is known, which then counts as 4 welds more.
    power : tuple of FactorPower
    aliases : Aliases
    leverage : ndarray, shape (n_welds,)
    plate_terms : tuple of str
        Terms judged by plates alone: confounded with the difference between plates.
    plate_df : int or None
        Plates less what is judged by them; None where no plate is shared.
    yardstick : Yardstick or None
    """

    model: str
    welds: int
    plates: int
    parameters: int
    residual_df: int
    d_value: float
    d_efficiency: float
    average_variance: float
    i_efficiency: float
    average_at_settings: float
    median_variance: float
    worst_variance: float
    share_below: tuple[tuple[float, float], ...]
    half_width: float | None
    half_widths: tuple[tuple[str, float], ...]
    power: tuple[FactorPower, ...]
    aliases: Aliases
    leverage: FloatArray
    plate_terms: tuple[str, ...]
    plate_df: int | None
    yardstick: Yardstick | None

    def to_dict(self) -> dict[str, object]:
        """Give the ``quality`` of ``plan --json``."""
        known: dict[str, object] = {
            "parameters": self.parameters,
            "residual_df": self.residual_df,
            "d_value": _rounded(self.d_value),
            "d_efficiency": _rounded(self.d_efficiency),
            "average_variance": _rounded(self.average_variance),
            "i_efficiency": _rounded(self.i_efficiency),
            "worst_variance": _rounded(self.worst_variance),
            "half_width": None if self.half_width is None else _rounded(self.half_width),
        }
        return known | {
            "model": self.model,
            "average_at_settings": _rounded(self.average_at_settings),
            "median_variance": _rounded(self.median_variance),
            "share_below": [{"variance": v, "share": _rounded(s)} for v, s in self.share_below],
            "half_widths": {name: _rounded(width) for name, width in self.half_widths},
            "power": [power.to_dict() for power in self.power],
            "aliases": self._alias_list(),
            "leverage": [_rounded(h) for h in self.leverage],
            "plate_terms": list(self.plate_terms),
            "plate_df": self.plate_df,
            "textbook_design": None if self.yardstick is None else self.yardstick.to_dict(),
        }

    def _alias_list(self) -> list[dict[str, object]]:
        """List the aliases that matter."""
        found = zip(*np.nonzero(np.abs(self.aliases.values) >= ALIAS_SHOWN), strict=True)
        return [
            {
                "term": self.aliases.terms[i],
                "omitted": self.aliases.omitted[j],
                "share": _rounded(self.aliases.values[i, j]),
            }
            for i, j in found
        ]


def _rounded(value: float) -> float:
    """Drop the digits that differ from machine to machine."""
    return float(f"{value:.{DIGITS}g}")


def score_plan(
    study: Study,
    settings: Plan | npt.ArrayLike,
    *,
    plate: Sequence[str] | None = None,
    position: Sequence[int] | None = None,
    block: Sequence[str] | None = None,
) -> PlanQuality:
    """Score a plan, ours or one from elsewhere.

    Parameters
    ----------
    study : Study
    settings : Plan, or array_like of shape (n, n_factors)
        Natural settings; kinds by index. A plan counts with the earlier welds it goes with.
    plate, block : sequence of str, optional
        The plate and the block of each weld; by default every weld has a plate of its own, and there are no blocks.
    position : sequence of int, optional
        By default a plate's welds count from 1 in the order given.

    Raises
    ------
    CannotAnswerError
        If the plan cannot estimate the model.
    StudyError
        If the table has the wrong shape.
    """
    if isinstance(settings, Plan):
        return _score_our_plan(settings)
    table = np.array(settings, dtype=float, ndmin=2)
    if table.shape[1] != len(study.factors) or not len(table):
        message = f"a plan of this study has {len(study.factors)} columns of settings, found shape {table.shape}"
        raise StudyError(message)
    layout = _layout_from(len(table), plate, position, block)
    return _score(study, table, layout, model=(model_name(study.plan), planned_terms(study)))


def _score_our_plan(plan: Plan) -> PlanQuality:
    """Score a plan with the welds before it, for the fullest model they were planned for."""
    settings = np.array([weld.settings for weld in plan.all_designed], dtype=float)
    return _score(plan.study, settings, layout_of(plan.all_designed), model=plan_model(plan))


def _layout_from(
    n: int, plate: Sequence[str] | None, position: Sequence[int] | None, block: Sequence[str] | None
) -> Layout:
    """Make a layout from labels."""
    plates = np.arange(n) if plate is None else numbered(plate)
    counted = np.array([int(np.sum(plates[:i] == plates[i])) + 1 for i in range(n)])
    places = counted if position is None else np.array(position, dtype=int)
    return Layout(plates, places, None if block is None else numbered(block))


def _score(study: Study, settings: FloatArray, layout: Layout, *, model: tuple[str, tuple[Term, ...]]) -> PlanQuality:
    """Work out everything for one table of settings."""
    name, terms = model
    problem = pose_problem(study, terms, layout)
    rows = study.coding.to_coded(settings)
    M = information_matrix(problem, rows)
    if is_singular(M):
        raise CannotAnswerError(_cannot_estimate(problem, rows))
    precision = precision_over_region(study, problem, M)
    variance = precision.variance
    average, d = i_value(problem, rows), d_value(problem, rows)
    widened = _with_own_settings(problem, rows)
    judged = plate_terms(study, terms) if layout.shares_plates else ()
    return PlanQuality(
        model=name,
        welds=layout.n_welds,
        plates=layout.n_plates,
        parameters=problem.n_parameters,
        residual_df=precision.residual_df,
        d_value=d,
        d_efficiency=d / ceiling(widened, "D").bound,
        average_variance=average,
        i_efficiency=ceiling(widened, "I").bound / average,
        average_at_settings=float(variance.mean()),
        median_variance=float(np.median(variance)),
        worst_variance=float(variance.max()),
        share_below=tuple((level, float(np.mean(variance < level))) for level in SHARE_LEVELS),
        half_width=precision.half_width,
        half_widths=precision.half_widths,
        power=precision.power,
        aliases=alias_matrix(problem, rows),
        leverage=leverage(problem, rows),
        plate_terms=tuple(map(str, judged)),
        plate_df=_plate_df(layout, judged),
        yardstick=_yardstick(study, problem, average),
    )


def _with_own_settings(problem: DesignProblem, rows: FloatArray) -> DesignProblem:
    """Let the ceiling use a plan's own settings too, which need not be among those a search tries."""
    if problem.candidates is not None:
        return dataclasses.replace(problem, candidates=np.unique(np.vstack([problem.candidates, rows]), axis=0))
    on_levels = [np.isclose(rows[:, [j]], levels).any(axis=1) for j, levels in enumerate(problem.levels)]
    off = ~np.all(on_levels, axis=0) | ~is_allowed(problem, rows)
    return dataclasses.replace(problem, extra_points=np.vstack([problem.extra_points, rows[off]]))


def _cannot_estimate(problem: DesignProblem, rows: FloatArray) -> str:
    """Say which terms a plan cannot estimate."""
    X = design_matrix(problem, rows)
    lost = confounded_terms(X, [*problem.terms, *([Term()] * (X.shape[1] - len(problem.terms)))])
    names = ", ".join(dict.fromkeys(str(term) for term in lost)) or "some of its terms"
    return (
        f"These {len(rows)} welds cannot estimate the model's {X.shape[1]} numbers: {names} cannot be told from the "
        "rest; it takes more welds, or more different settings."
    )


def _plate_df(layout: Layout, judged: Sequence[Term]) -> int | None:
    """Give plates less what only plates can settle."""
    if not layout.shares_plates:
        return None
    n_blocks = 1 if layout.block is None else len(np.unique(layout.block))
    return layout.n_plates - max(len(judged), 1) - (n_blocks - 1)


def _yardstick(study: Study, problem: DesignProblem, average: float) -> Yardstick | None:
    """Find the best textbook design of the same size."""
    scored = [(i_value(problem, rows), name) for name, rows in textbook_rows(study, problem)]
    if not scored:
        return None
    value, name = min(scored)
    return Yardstick(name, value, value / average)
