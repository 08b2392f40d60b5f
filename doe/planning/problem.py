"""A planning problem at the level of arrays, and what a design is worth.

The information of a design is ``M = X' V^-1 X`` with ``V = I + eta Z Z'`` for welds that share plates, plus a prior
precision where some terms are only potential terms. Two measures:

- the I value, ``trace(W M^-1)``: the prediction variance averaged over the region, in units of the weld variance;
  smaller is better. ``W`` holds the region's moments; block and position columns have no weight in it.
- the D value, ``det(M)^(1/p) / n``: larger is better. With fixed blocks it is the determinant for the terms other
  than the constant, after the constant and the blocks are taken out.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from doe.coding import Coding, FloatArray
from doe.terms import Term, model_matrix

IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]
Criterion = Literal["I", "D", "compound"]

EPSILON: Final = float(np.finfo(float).eps)
LIMIT_TOLERANCE: Final = 1e-9
"""A setting counts as allowed when it oversteps a limit by no more than this, coded; rounding only."""


def _none_given() -> FloatArray:
    return np.zeros((0, 0))


@dataclass(frozen=True, eq=False)
class DesignProblem:
    """Which designs are possible, and how they are judged.

    Attributes
    ----------
    coding : Coding
        Names and kinds of the factors, the columns of every table of settings here.
    terms : tuple of Term
        The model, kinds as sum-to-zero contrasts.
    levels : tuple of ndarray
        The coded values each factor can take; for kinds the indices 0 ... n_kinds - 1.
    n_welds : int
        Welds in the whole design, given ones included.
    moments : ndarray, shape (n_terms, n_terms)
        Moment matrix W of the region for ``terms``.
    limit_matrix : ndarray, shape (n_limits, n_factors)
        A coded setting a is allowed where ``limit_matrix @ a <= limit_bound``; kinds have coefficient 0.
    limit_bound : ndarray, shape (n_limits,)
    extra_points : ndarray, shape (n_extra, n_factors)
        Further settings that may be welded though they are on no level: where continuous factors meet a limit.
    plate : ndarray of int, shape (n_welds,), or None
        The plate of each weld; None where every weld has a plate of its own.
    held : tuple of bool
        Whether each factor is the same for all welds of a plate; empty for none.
    plate_ratio : float
        eta, plate variance over weld variance.
    block : ndarray of int, shape (n_welds,), or None
        The block of each weld, 0 ... n_blocks - 1; block effects are fixed.
    given : ndarray, shape (n_given, n_factors)
        Welds that are kept: the first rows of the design.
    repeats : int
        At least so many welds repeat the setting of another weld of the design.
    position : ndarray, shape (n_welds,), or None
        One more fixed column of the model (-1/2 for the first, +1/2 for later welds of a plate).
    prior_precision : ndarray, shape (n_terms,), or None
        Added to the diagonal of M: 0 for a primary term, above 0 for a potential term [1]_.
    candidates : ndarray, shape (n_candidates, n_factors), or None
        The settings that may be welded, where levels and limits cannot say it (ranges that depend on a kind);
        replaces ``levels``, limits and ``extra_points`` as the list of allowed settings.

    References
    ----------
    .. [1] DuMouchel and Jones (1994), A simple Bayesian modification of D-optimal designs to reduce dependence on an
       assumed model, Technometrics 36, 37-47.
    """

    coding: Coding
    terms: tuple[Term, ...]
    levels: tuple[FloatArray, ...]
    n_welds: int
    moments: FloatArray
    limit_matrix: FloatArray = field(default_factory=_none_given)
    limit_bound: FloatArray = field(default_factory=lambda: np.zeros(0))
    extra_points: FloatArray = field(default_factory=_none_given)
    plate: IntArray | None = None
    held: tuple[bool, ...] = ()
    plate_ratio: float = 0.0
    block: IntArray | None = None
    given: FloatArray = field(default_factory=_none_given)
    repeats: int = 0
    position: FloatArray | None = None
    prior_precision: FloatArray | None = None
    candidates: FloatArray | None = None

    def __post_init__(self) -> None:
        """Give empty tables their width and check that shapes agree."""
        k, p, n = len(self.coding.factors), len(self.terms), self.n_welds
        for name in ("limit_matrix", "extra_points", "given"):
            table = np.asarray(getattr(self, name), dtype=float)
            object.__setattr__(self, name, table.reshape(-1, k))
        object.__setattr__(self, "held", self.held or (False,) * k)
        wanted: dict[str, tuple[int, ...]] = {
            "levels": (k,),
            "held": (k,),
            "moments": (p, p),
            "prior_precision": (p,),
            "plate": (n,),
            "block": (n,),
            "position": (n,),
            "limit_bound": (len(self.limit_matrix),),
        }
        for name, shape in wanted.items():
            value = getattr(self, name)
            found = (len(value),) if isinstance(value, tuple) else np.shape(value)
            if value is not None and found != shape:
                message = f"{name} has shape {found}, wanted {shape}"
                raise ValueError(message)
        if len(self.given) > n:
            message = f"{len(self.given)} welds are given, the design has only {n}"
            raise ValueError(message)

    @property
    def n_blocks(self) -> int:
        """How many blocks there are; 0 without blocks."""
        return 0 if self.block is None else int(self.block.max()) + 1

    @property
    def n_parameters(self) -> int:
        """How many parameters the welds themselves must settle: primary terms, blocks less one, position."""
        primary = len(self.terms) if self.prior_precision is None else int((self.prior_precision <= 0).sum())
        return primary + max(self.n_blocks - 1, 0) + (self.position is not None)


def fixed_columns(problem: DesignProblem) -> FloatArray:
    """Give the columns that belong to a weld's place, not to its setting: sum-to-zero blocks, then position.

    Returns
    -------
    ndarray, shape (n_welds, max(n_blocks - 1, 0) + (1 with a position column))
    """
    columns = []
    if problem.block is not None:
        last = problem.n_blocks - 1
        columns += [(problem.block == b).astype(float) - (problem.block == last) for b in range(last)]
    if problem.position is not None:
        columns.append(np.asarray(problem.position, dtype=float))
    return np.column_stack(columns) if columns else np.zeros((problem.n_welds, 0))


def design_matrix(problem: DesignProblem, rows: FloatArray) -> FloatArray:
    """Make X: the model's columns, then the fixed ones. shape (n_welds, n_columns)."""
    return np.hstack([model_matrix(problem.terms, rows, problem.coding), fixed_columns(problem)])


def plate_members(problem: DesignProblem) -> list[IntArray]:
    """Give the welds of each plate that carries more than one."""
    if problem.plate is None:
        return []
    shared = [np.flatnonzero(problem.plate == plate) for plate in np.unique(problem.plate)]
    return [members for members in shared if len(members) > 1]


def information_matrix(problem: DesignProblem, rows: FloatArray) -> FloatArray:
    """Give M = X' V^-1 X, with the prior precision on its diagonal.

    Parameters
    ----------
    problem : DesignProblem
    rows : ndarray, shape (n_welds, n_factors)
        Coded settings.

    Returns
    -------
    ndarray, shape (n_columns, n_columns)
        Terms first, then block and position columns.
    """
    X = design_matrix(problem, rows)
    M = X.T @ X
    eta = problem.plate_ratio
    if problem.plate is not None and eta > 0:
        for plate in np.unique(problem.plate):
            members = problem.plate == plate
            total = X[members].sum(axis=0)
            # the inverse of I + eta 11' for m welds is I - eta/(1 + m eta) 11' (Sherman and Morrison 1950)
            M -= eta / (1.0 + members.sum() * eta) * np.outer(total, total)
    if problem.prior_precision is not None:
        p = len(problem.terms)
        M[np.arange(p), np.arange(p)] += problem.prior_precision
    return M


def padded_moments(problem: DesignProblem) -> FloatArray:
    """Give W with rows and columns of zeros for the block and position columns."""
    p, extra = len(problem.terms), fixed_columns(problem).shape[1]
    W = np.zeros((p + extra, p + extra))
    W[:p, :p] = problem.moments
    return W


def is_singular(M: FloatArray) -> bool:
    """Say whether an information matrix leaves some combination of its terms unknown."""
    sizes = np.abs(np.linalg.eigvalsh(M))
    return not sizes.min() > sizes.max() * len(M) * EPSILON


def i_value(problem: DesignProblem, rows: FloatArray) -> float:
    """Give trace(W M^-1), the average prediction variance over the region; infinite for a singular design."""
    M = information_matrix(problem, rows)
    return math.inf if is_singular(M) else float(np.trace(np.linalg.solve(M, padded_moments(problem))))


def d_value(problem: DesignProblem, rows: FloatArray) -> float:
    """Give det(M)^(1/p)/n; 0 for a singular design.

    With blocks or a position column the determinant is that of the terms after those columns (and, with blocks, the
    constant) are taken out.
    """
    M = information_matrix(problem, rows)
    return 0.0 if is_singular(M) else d_of_log_determinant(problem, float(np.linalg.slogdet(M)[1]))


def d_of_log_determinant(problem: DesignProblem, log_determinant: float) -> float:
    """Turn log det(M) into the D value."""
    nuisance = fixed_columns(problem)
    order = len(problem.terms)
    if problem.block is not None:
        nuisance = np.hstack([np.ones((problem.n_welds, 1)), nuisance])
        order -= 1
    if nuisance.shape[1]:
        log_determinant -= float(np.linalg.slogdet(nuisance.T @ nuisance)[1])
    return math.exp(log_determinant / order) / problem.n_welds


def criterion_value(problem: DesignProblem, rows: FloatArray, criterion: Criterion) -> float:
    """Give the I value, the D value, or for "compound" sqrt(D/I), the geometric mean of both efficiencies."""
    if criterion == "I":
        return i_value(problem, rows)
    if criterion == "D":
        return d_value(problem, rows)
    return math.sqrt(d_value(problem, rows) / i_value(problem, rows))


def is_allowed(problem: DesignProblem, settings: FloatArray) -> BoolArray:
    """Say which coded settings satisfy every limit. settings: (..., n_factors); returns (...)."""
    over = settings @ problem.limit_matrix.T - problem.limit_bound
    return np.asarray((over <= LIMIT_TOLERANCE).all(axis=-1), dtype=bool)


def n_grid(problem: DesignProblem) -> int:
    """Count the settings on all levels, limits aside."""
    return math.prod(len(level) for level in problem.levels)


def allowed_settings(problem: DesignProblem) -> FloatArray:
    """List every setting that may be welded: levels within the limits, then the extra points.

    Returns
    -------
    ndarray, shape (n_candidates, n_factors)
        Coded; only for problems where ``n_grid`` is not too large to list.
    """
    if problem.candidates is not None:
        return np.asarray(problem.candidates, dtype=float)
    grid = level_grid(problem.levels)
    allowed = grid[is_allowed(problem, grid)]
    return np.unique(np.vstack([allowed, problem.extra_points]), axis=0) if len(problem.extra_points) else allowed


def level_grid(levels: Sequence[FloatArray]) -> FloatArray:
    """List every combination of levels, the last factor changing fastest. shape (n_combinations, n_factors)."""
    grid = np.empty((*map(len, levels), len(levels)))
    for j, level in enumerate(levels):
        grid[..., j] = np.reshape(level, (-1, *[1] * (len(levels) - 1 - j)))
    return grid.reshape(-1, len(levels))
