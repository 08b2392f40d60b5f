"""The columns of a textbook model: terms, position, blocks, and who shares a plate.

Reported terms take kinds as differences from the first kind. Partial sums of squares take them as sum-to-zero
columns of the same space, so that a main effect is tested over all kinds and not at the first one.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from doe.bench.results import IntArray, Results
from doe.coding import Coding, FloatArray
from doe.errors import CannotAnswerError
from doe.models.textbook.exact import (
    ExactArray,
    as_float,
    dependent_columns,
    exact_coded,
    exact_model_matrix,
    rank,
)
from doe.terms import Contrast, Term, parse_term, polynomial_terms

POSITION = "position"
_ROUNDING_ALONE = 1e13
"""Condition number (columns of equal length) at which terms differ by the rounding of settings alone."""


@dataclass(frozen=True, eq=False)
class ModelColumns:
    """A response's model at the welds where it was read.

    Attributes
    ----------
    coding : Coding
    terms : tuple of Term
        Reported terms, position apart.
    names : tuple of str, length n_columns
        The terms as printed, and "position" where it has a column (later welds 1/2, first welds -1/2).
    X : ndarray of Fraction, shape (n, n_columns)
        Kinds as differences from the first kind.
    tested : ndarray of Fraction, shape (n, n_columns)
        The same space with kinds as sum-to-zero columns.
    sources : tuple of str, length n_columns
        Which row of the analysis of variance each column of ``tested`` belongs to.
    block_columns : ndarray of Fraction, shape (n, n_blocks - 1)
        Blocks as sum-to-zero columns, so that the constant is the average over blocks; no column without blocks.
    natural, coded : ndarray, shape (n, n_factors)
    plate, block, repeat : ndarray of int, shape (n,)
        Equal where welds share a plate, a block, or every setting (with block and position).
    """

    coding: Coding
    terms: tuple[Term, ...]
    names: tuple[str, ...]
    X: ExactArray
    tested: ExactArray
    sources: tuple[str, ...]
    block_columns: ExactArray
    natural: FloatArray
    coded: FloatArray
    plate: IntArray
    block: IntArray
    repeat: IntArray

    @property
    def has_shared_plates(self) -> bool:
        """Whether any plate carries two of the welds."""
        return len(np.unique(self.plate)) < len(self.plate)

    @property
    def has_blocks(self) -> bool:
        """Whether the welds lie in more than one block."""
        return bool(self.block_columns.shape[1])

    @property
    def has_constant(self) -> bool:
        """Whether the constant is in the model's space."""
        ones = np.full((len(self.X), 1), Fraction(1), dtype=object)
        return bool(rank(np.column_stack([self.X, ones])) == rank(self.X))

    @property
    def fixed(self) -> ExactArray:
        """Terms and block columns side by side."""
        return np.column_stack([self.X, self.block_columns])


def model_columns(results: Results, used: IntArray) -> ModelColumns:
    """Make the columns of the study's model at some of the welds.

    Parameters
    ----------
    results : Results
    used : ndarray of int, shape (n,)
        The welds that have a reading.

    Raises
    ------
    DoeError
        If a term of the study cannot be read.
    """
    coding = results.study.coding
    natural = results.settings[used]
    exact = exact_coded(natural, coding)
    terms = model_terms(results)
    warm = _position_column(results, used)
    X = np.column_stack([exact_model_matrix(terms, exact, coding, contrast="reference"), warm])
    contrast, tested = _tested_terms(terms, exact, coding)
    block = _codes([results.block[i] for i in used])
    return ModelColumns(
        coding=coding,
        terms=terms,
        names=(*(str(term) for term in terms), *[POSITION] * warm.shape[1]),
        X=X,
        tested=np.column_stack([exact_model_matrix(tested, exact, coding, contrast=contrast), warm]),
        sources=(*(source_name(term) for term in terms), *[POSITION] * warm.shape[1]),
        block_columns=sum_to_zero(block),
        natural=natural,
        coded=as_float(exact),
        plate=_plates(results, used),
        block=block,
        repeat=_codes([(*row, results.block[i], *w) for row, i, w in zip(natural.tolist(), used, warm, strict=True)]),
    )


def model_terms(results: Results) -> tuple[Term, ...]:
    """Give the study's terms, kinds as differences from the first kind, each once."""
    wishes, coding = results.study.plan, results.study.coding
    if not wishes.terms:
        return polynomial_terms(coding, wishes.model, contrast="reference")
    parsed = [term for text in wishes.terms for term in parse_term(text, coding, contrast="reference")]
    return tuple(dict.fromkeys(parsed))


def source_name(term: Term) -> str:
    """Name the row of the analysis of variance: kinds are left out, ``wire=B*feed`` gives ``wire*feed``."""
    powers = [name if power == 1 else f"{name}^{power}" for name, power in term.powers]
    return "*".join([*(name for name, _ in term.kinds), *powers]) or "constant"


def require_estimable(columns: ModelColumns, response: str) -> None:
    """Refuse a model whose terms and blocks the welds cannot tell apart.

    Raises
    ------
    CannotAnswerError
        Naming what cannot be estimated beside the rest.
    """
    X = columns.fixed
    names = [*columns.names, *[f"block {k + 1}" for k in range(columns.block_columns.shape[1])]]
    lost = [names[j] for j in dependent_columns(X)]
    if not lost and X.shape[1] > 1:
        lost = [names[j] for j in _nearly_dependent(as_float(X))]
    if not lost:
        return
    message = (
        f"“{response}”: the {len(X)} welds with a reading cannot tell the model's {X.shape[1]} terms and blocks apart; "
        f"not estimable beside the others: {', '.join(lost)}. Weld more settings, or name fewer terms under [plan]."
    )
    raise CannotAnswerError(message)


def _nearly_dependent(X: FloatArray) -> list[int]:
    """Give the columns that only the rounding of settings keeps apart; none where the digits of the data do."""
    _, values, directions = np.linalg.svd(X / np.linalg.norm(X, axis=0), full_matrices=False)
    if values[-1] > values[0] / _ROUNDING_ALONE:
        return []
    return [int(j) for j in np.flatnonzero(np.abs(directions[-1]) > 0.1)]


def _tested_terms(terms: tuple[Term, ...], exact: ExactArray, coding: Coding) -> tuple[Contrast, tuple[Term, ...]]:
    """Give the sum-to-zero terms where they span the same space, else the reported ones."""
    if not any(term.kinds for term in terms):
        return "reference", terms

    def rename(name: str, kind: str) -> tuple[str, str]:
        kinds = coding[name].kinds
        return name, kinds[kinds.index(kind) - 1]

    renamed = tuple(Term(term.powers, tuple(rename(*pair) for pair in term.kinds)) for term in terms)
    reported = exact_model_matrix(terms, exact, coding, contrast="reference")
    tested = exact_model_matrix(renamed, exact, coding, contrast="sum")
    if rank(np.column_stack([reported, tested])) == rank(reported) == rank(tested):
        return "sum", renamed
    return "reference", terms


def _position_column(results: Results, used: IntArray) -> ExactArray:
    """Give one column, 1/2 for later and -1/2 for first welds of a plate, where later welds start warm."""
    later = results.position[used] > 1
    if results.study.plan.later_welds != "warm" or later.all() or not later.any():
        return np.empty((len(used), 0), dtype=object)
    return np.array([[Fraction(1, 2) if is_later else Fraction(-1, 2)] for is_later in later], dtype=object)


def _plates(results: Results, used: IntArray) -> IntArray:
    """Give each plate a number; a weld without a plate's name has a plate of its own."""
    return _codes([results.plate[i] or ("no name", int(i)) for i in used])


def _codes(labels: Sequence[Hashable]) -> IntArray:
    """Give labels numbers in the order in which they first appear."""
    seen: dict[Hashable, int] = {}
    return np.array([seen.setdefault(label, len(seen)) for label in labels], dtype=np.int64)


def sum_to_zero(group: IntArray) -> ExactArray:
    """Give the sum-to-zero columns of a grouping, shape (n, n_groups - 1)."""
    n_groups = int(group.max(initial=0)) + 1
    rows = [[Fraction(int(g == k) - int(g == n_groups - 1)) for k in range(n_groups - 1)] for g in group]
    return np.array(rows, dtype=object).reshape(len(group), n_groups - 1)
