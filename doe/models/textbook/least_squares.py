"""Least squares, solved without rounding.

Every quantity is computed in fractions from the numbers as typed and rounded once, at the end; the digits are those
of the data, not of the solver.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt
from scipy import special, stats

from doe.bench.results import IntArray
from doe.coding import FloatArray
from doe.models.textbook.exact import (
    ExactArray,
    as_exact,
    as_float,
    exact_product,
    quadratic_forms,
    residual_ss,
    solve_exactly,
)


@dataclass(frozen=True, eq=False)
class LeastSquares:
    """A least-squares fit.

    Attributes
    ----------
    coefficients : ndarray, shape (n_terms,)
    unscaled_covariance : ndarray, shape (n_terms, n_terms)
        Inverse of X'X; times the residual variance it is the covariance of the coefficients.
    fitted, residuals, leverage : ndarray, shape (n,)
    residual_ss, total_ss : float
        ``total_ss`` is about the mean where the constant is in the model, about 0 otherwise.
    residual_df, total_df : int
    """

    coefficients: FloatArray
    unscaled_covariance: FloatArray
    fitted: FloatArray
    residuals: FloatArray
    leverage: FloatArray
    residual_ss: float
    total_ss: float
    residual_df: int
    total_df: int

    @property
    def residual_sd(self) -> float:
        """Residual standard deviation; nan without residual degrees of freedom."""
        return math.sqrt(self.residual_ss / self.residual_df) if self.residual_df else math.nan

    @property
    def se(self) -> FloatArray:
        """Standard errors, shape (n_terms,)."""
        return np.asarray(self.residual_sd * np.sqrt(np.diag(self.unscaled_covariance)))

    @property
    def r2(self) -> float:
        """Share of the total sum of squares that the model accounts for; nan where there is nothing to account for."""
        return _complement(self.residual_ss, self.total_ss)

    @property
    def adjusted_r2(self) -> float:
        """R2 by mean squares."""
        if not self.residual_df:
            return math.nan
        return _complement(self.residual_ss / self.residual_df, self.total_ss / self.total_df)

    @property
    def predicted_r2(self) -> float:
        """R2 when each weld is predicted from the others (PRESS); nan where a weld decides a term alone."""
        if np.any(self.leverage > 1.0 - 1e-12):
            return math.nan
        return _complement(float(np.sum((self.residuals / (1.0 - self.leverage)) ** 2)), self.total_ss)

    @property
    def log_likelihood(self) -> float:
        """Normal log-likelihood at the maximum-likelihood variance; infinite for a perfect fit."""
        n = len(self.fitted)
        if self.residual_ss <= 0.0:
            return math.inf
        return -0.5 * n * (math.log(2.0 * math.pi * self.residual_ss / n) + 1.0)

    @property
    def aic(self) -> float:
        """Akaike's criterion; the variance counts as a parameter."""
        return -2.0 * self.log_likelihood + 2.0 * (len(self.coefficients) + 1)

    def limits(self, level: float) -> tuple[FloatArray, FloatArray]:
        """Give two-sided t limits of the coefficients; infinite without residual degrees of freedom."""
        return t_limits(self.coefficients, self.se, df=np.full(len(self.se), float(self.residual_df)), level=level)


def _complement(part: float, whole: float) -> float:
    return 1.0 - part / whole if whole > 0.0 else math.nan


def least_squares(X: npt.ArrayLike, y: npt.ArrayLike, *, about_mean: bool = True) -> LeastSquares:
    """Fit y = X b by least squares.

    Parameters
    ----------
    X : array_like, shape (n, n_terms)
        Floats (taken as the decimals they print as) or fractions; columns must be independent.
    y : array_like, shape (n,)
    about_mean : bool
        Whether the total sum of squares is taken about the mean.

    Raises
    ------
    ValueError
        If a column depends on the others.

    Examples
    --------
    >>> least_squares([[1, 0], [1, 1], [1, 2]], [0.1, 0.2, 0.3]).coefficients
    array([0.1, 0.1])
    """
    exact_X, exact_y = as_exact(X), as_exact(y)
    solution = solve_exactly(exact_X, exact_y)
    if solution.dependent:
        message = f"columns {solution.dependent} depend on the columns before them"
        raise ValueError(message)
    fitted = exact_product(exact_X, solution.coefficients)
    centre = sum(exact_y.tolist(), Fraction(0)) / len(exact_y) if about_mean else Fraction(0)
    return LeastSquares(
        coefficients=as_float(solution.coefficients),
        unscaled_covariance=as_float(solution.inverse),
        fitted=as_float(fitted),
        residuals=as_float(exact_y - fitted),
        leverage=as_float(quadratic_forms(exact_X, solution.inverse)),
        residual_ss=float(solution.residual_ss),
        total_ss=float(np.sum((exact_y - centre) ** 2)),
        residual_df=len(exact_y) - exact_X.shape[1],
        total_df=len(exact_y) - int(about_mean),
    )


def t_limits(estimates: FloatArray, se: FloatArray, *, df: FloatArray, level: float) -> tuple[FloatArray, FloatArray]:
    """Give two-sided t limits; infinite where there are no degrees of freedom."""
    known = (df > 0) & np.isfinite(se)
    low, high = np.full(len(se), -np.inf), np.full(len(se), np.inf)
    reach = stats.t.ppf(0.5 + level / 2.0, df[known]) * se[known]
    low[known], high[known] = estimates[known] - reach, estimates[known] + reach
    return low, high


@dataclass(frozen=True)
class PureError:
    """Sums of squares and degrees of freedom of the residual: between exact repeats, and the rest."""

    pure_ss: float
    pure_df: int
    lack_ss: float
    lack_df: int

    @property
    def f(self) -> float:
        """Ratio of the mean squares; nan where one of the two cannot be had."""
        if not (self.pure_df > 0 and self.lack_df > 0 and self.pure_ss > 0.0):
            return math.nan
        return (self.lack_ss / self.lack_df) / (self.pure_ss / self.pure_df)

    @property
    def p(self) -> float:
        """Chance of an F as large where the model holds."""
        return upper_f(self.f, self.lack_df, self.pure_df)

    def to_dict(self) -> dict[str, object] | None:
        """Give the test as ``fit --json`` prints it; None where there is none."""
        if math.isnan(self.f):
            return None
        return {"f": self.f, "df": [self.lack_df, self.pure_df], "p": self.p}


def pure_error(X: ExactArray, y: ExactArray, repeat: IntArray) -> PureError:
    """Split the residual sum of squares into lack of fit and pure error.

    Parameters
    ----------
    X : ndarray of Fraction, shape (n, n_terms)
    y : ndarray of Fraction, shape (n,)
    repeat : ndarray of int, shape (n,)
        Equal where every setting is.
    """
    residual, found = residual_ss(X, y)
    pure, n_settings = Fraction(0), len(np.unique(repeat))
    for k in np.unique(repeat):
        group = y[repeat == k]
        centre = sum(group.tolist(), Fraction(0)) / len(group)
        pure += sum(((v - centre) ** 2 for v in group), Fraction(0))
    return PureError(float(pure), len(y) - n_settings, float(residual - pure), n_settings - found)


def upper_f(f: float, df: float, denominator_df: float) -> float:
    """Chance of an F above ``f``; nan where F or its degrees of freedom are unknown."""
    if not (df > 0 and denominator_df > 0) or math.isnan(f):
        return math.nan
    return float(special.fdtrc(df, denominator_df, f))
