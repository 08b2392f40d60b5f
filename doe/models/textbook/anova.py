"""Analysis of variance with partial sums of squares: each term adjusted for all others.

With several welds a plate there are two strata. A term whose contrast lies between plates is tested against plates,
one that lies within plates against the residual; these are the exact tests of a balanced split-plot. A term in both,
or plates of unequal size, gets the Wald F of the restricted-likelihood fit with Satterthwaite's degrees of freedom.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from doe.bench.results import IntArray
from doe.coding import FloatArray
from doe.models.textbook.columns import ModelColumns, sum_to_zero
from doe.models.textbook.exact import ExactArray, ExactSolution, as_float, explained_ss, residual_ss, solve_exactly
from doe.models.textbook.least_squares import PureError, upper_f
from doe.models.textbook.split_plot import MixedFit, wald_f


@dataclass(frozen=True)
class AnovaRow:
    """One row; nan where a column does not apply."""

    source: str
    df: int
    ss: float
    denominator_df: float = math.nan
    f: float = math.nan
    p: float = math.nan

    def to_dict(self) -> dict[str, object]:
        """Give the row as ``fit --json`` prints it, None for nan."""
        numbers = {"df": self.df, "denominator_df": self.denominator_df, "ss": self.ss, "f": self.f, "p": self.p}
        return {"source": self.source} | {k: None if math.isnan(v) else v for k, v in numbers.items()}


@dataclass(frozen=True)
class _Error:
    """What a term is tested against: mean square (nan where there is none) and its degrees of freedom."""

    ss: float
    df: int

    def test(self, source: str, ss: float, df: int) -> AnovaRow:
        """Make the row of a term tested against this error."""
        if not (self.df and self.ss > 0.0 and df):
            return AnovaRow(source, df, ss, denominator_df=float(self.df) if self.df else math.nan)
        f = (ss / df) / (self.ss / self.df)
        return AnovaRow(source, df, ss, denominator_df=float(self.df), f=f, p=upper_f(f, df, self.df))


@dataclass(frozen=True, eq=False)
class _Yardsticks:
    """What terms may be tested against; ``mixed`` is None where no plate is shared."""

    between: _Error
    within: _Error
    mixed: MixedFit | None
    is_even: bool


_Test = Callable[[str, float, int], AnovaRow]


def analysis_of_variance(
    columns: ModelColumns,
    y: ExactArray,
    *,
    repeats: PureError | None = None,
    mixed: MixedFit | None = None,
    is_even: bool = True,
) -> tuple[AnovaRow, ...]:
    """Make the table.

    Parameters
    ----------
    columns : ModelColumns
    y : ndarray of Fraction, shape (n,)
        One value a weld.
    repeats : PureError, optional
        Split of the residual; its rows are left out where there is no exact repeat.
    mixed : MixedFit, optional
        Restricted-likelihood fit of ``columns.X``: plates are then a stratum of their own.
    is_even : bool
        Whether every weld was cut equally often; otherwise no mean square is a fair yardstick.

    Returns
    -------
    tuple of AnovaRow
        "model", the terms, "block", "plate", "residual", "lack of fit", "pure error", "total".
    """
    fixed = np.column_stack([columns.tested, columns.block_columns])
    solution = solve_exactly(fixed, y)
    rss, found = solution.residual_ss, fixed.shape[1] - len(solution.dependent)
    strata = np.column_stack([fixed, sum_to_zero(columns.plate)]) if mixed is not None else fixed
    rss_within, found_within = residual_ss(strata, y)
    within = _Error(float(rss_within), len(y) - found_within)
    between = _Error(float(rss - rss_within), found_within - found)
    yardsticks = _Yardsticks(between, within, mixed, is_even)
    rows = [_model_row(columns, y, rss, within if mixed is None else None)]
    for source in dict.fromkeys(columns.sources):
        if source == "constant":
            continue
        own = np.array([s == source for s in columns.sources] + [False] * columns.block_columns.shape[1])
        test = _test_for(columns, fixed, own, yardsticks)
        rows.append(_term_row(source, solution, own, test))
    if columns.has_blocks:
        own = np.arange(fixed.shape[1]) >= columns.tested.shape[1]
        rows.append(_term_row("block", solution, own, (between if mixed is not None else within).test))
    if mixed is not None:
        rows.append(within.test("plate", between.ss, between.df))
    rows.append(AnovaRow("residual", within.df, within.ss))
    if repeats is not None and repeats.pure_df:
        rows.append(_Error(repeats.pure_ss, repeats.pure_df).test("lack of fit", repeats.lack_ss, repeats.lack_df))
        rows.append(AnovaRow("pure error", repeats.pure_df, repeats.pure_ss))
    return (*rows, _total_row(columns, y))


def _term_row(source: str, solution: ExactSolution, own: npt.NDArray[np.bool_], test: _Test) -> AnovaRow:
    """Make the row of some columns, adjusted for all others."""
    return test(source, float(explained_ss(solution, own)), int(own.sum()))


def _model_row(columns: ModelColumns, y: ExactArray, rss: Fraction, error: _Error | None) -> AnovaRow:
    """Make the row of all terms together, adjusted for the constant and the blocks."""
    kept = np.column_stack([columns.tested[:, [s == "constant" for s in columns.sources]], columns.block_columns])
    without, found = residual_ss(kept, y)
    ss, df = float(without - rss), columns.tested.shape[1] + columns.block_columns.shape[1] - found
    return error.test("model", ss, df) if error is not None else AnovaRow("model", df, ss)


def _total_row(columns: ModelColumns, y: ExactArray) -> AnovaRow:
    """Make the row of the total, about the mean where the constant is in the model."""
    about_mean = columns.has_constant
    centre = sum(y.tolist(), Fraction(0)) / len(y) if about_mean else Fraction(0)
    return AnovaRow("total", len(y) - int(about_mean), float(sum(((v - centre) ** 2 for v in y), Fraction(0))))


def _test_for(columns: ModelColumns, fixed: ExactArray, own: npt.NDArray[np.bool_], yardsticks: _Yardsticks) -> _Test:
    """Choose what a term is tested against."""
    between, within, mixed = yardsticks.between, yardsticks.within, yardsticks.mixed
    if mixed is None:
        return within.test
    share = between_share(as_float(fixed), own, columns.plate)
    if share < 1e-8 and yardsticks.is_even:
        return within.test
    sizes = np.unique(np.bincount(columns.plate))
    if not between.df or (share > 1.0 - 1e-8 and len(sizes) == 1 and yardsticks.is_even):
        return between.test
    tested = as_float(columns.tested)
    basis, *_ = np.linalg.lstsq(tested, as_float(columns.X), rcond=None)
    contrasts = np.asarray(basis[own[: tested.shape[1]]], dtype=float)

    def wald(source: str, ss: float, df: int) -> AnovaRow:
        f, denominator, p = wald_f(mixed, contrasts)
        return AnovaRow(source, df, ss, denominator_df=denominator, f=f, p=p)

    return wald


def between_share(fixed: FloatArray, own: npt.NDArray[np.bool_], group: IntArray) -> float:
    """Give how much of some columns, adjusted for all others, lies between groups: 0 within, 1 between.

    Parameters
    ----------
    fixed : ndarray, shape (n, n_columns)
    own : ndarray of bool, shape (n_columns,)
    group : ndarray of int, shape (n,)
        Numbers from 0 without gaps.
    """
    scaled = fixed / np.linalg.norm(fixed, axis=0)
    rest, mine = scaled[:, ~own], scaled[:, own]
    adjusted = mine - rest @ np.linalg.lstsq(rest, mine, rcond=None)[0]
    totals = np.zeros((int(group.max()) + 1, adjusted.shape[1]))
    np.add.at(totals, group, adjusted)
    means = totals / np.bincount(group)[:, None]
    return float(np.sum(means[group] ** 2) / np.sum(adjusted**2))
