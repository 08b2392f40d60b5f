"""Terms of a polynomial model, and the model matrix they make.

A term is a product of powers of numeric factors and of contrasts of kinds. It is written the way a textbook
writes it: ``constant``, ``voltage``, ``voltage*feed``, ``voltage^2``, ``wire=B``, ``wire=B*feed``.

Inside, a factor of kinds has sum-to-zero columns: for kinds A, B, C the column of ``wire=A`` is 1 at A, 0 at B,
-1 at C, and so for ``wire=B``; the last kind has none. In reports ``wire=B`` is the difference from the first kind
(``contrast="reference"``: 1 at B, 0 elsewhere; the first kind has none). ``change_of_basis`` leads from one to the
other.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from doe.coding import Coding, FloatArray
from doe.errors import DoeError

Contrast = Literal["sum", "reference"]
Order = Literal["first order", "first order with products", "second order"]


@dataclass(frozen=True)
class Term:
    """A product of powers of numeric factors and of kind contrasts.

    Attributes
    ----------
    powers : tuple of (str, int)
        Numeric factor and its power, 1 or more.
    kinds : tuple of (str, str)
        Factor of kinds and the kind whose contrast column enters.
    """

    powers: tuple[tuple[str, int], ...] = ()
    kinds: tuple[tuple[str, str], ...] = ()

    @property
    def order(self) -> int:
        """The total power; a kind contrast counts one."""
        return sum(power for _, power in self.powers) + len(self.kinds)

    @property
    def factors(self) -> tuple[str, ...]:
        """The factors that enter."""
        return (*(name for name, _ in self.kinds), *(name for name, _ in self.powers))

    def __str__(self) -> str:
        """Write the term as a textbook does."""
        pieces = [f"{name}={kind}" for name, kind in self.kinds]
        pieces += [name if power == 1 else f"{name}^{power}" for name, power in self.powers]
        return "*".join(pieces) or "constant"


CONSTANT = Term()


def parse_term(text: str, coding: Coding, *, contrast: Contrast = "sum") -> tuple[Term, ...]:
    """Read a term as a person writes it.

    ``wire`` alone (or ``wire*feed``) stands for all contrasts of that factor, hence the tuple.

    Parameters
    ----------
    text : str
        ``constant``, ``voltage*feed``, ``x1^5``, ``wire=B*feed`` ...
    coding : Coding
        Names and kinds of the factors.
    contrast : {"sum", "reference"}
        Which kinds have a contrast column: all but the last, or all but the first.

    Raises
    ------
    DoeError
        If a factor, kind or power is unknown; the message says what is accepted.
    """
    if text.strip() in {"constant", "1"}:
        return (CONSTANT,)
    powers: dict[str, int] = {}
    choices: list[list[tuple[str, str]]] = []
    for piece in text.split("*"):
        name, kind, power = _read_piece(piece.strip(), text, coding)
        factor = coding[name]
        if factor.is_kind:
            choices.append([(name, kind)] if kind else [(name, k) for k in contrast_kinds(factor.kinds, contrast)])
        else:
            powers[name] = powers.get(name, 0) + power
    ordered = tuple((name, powers[name]) for name in coding.names if name in powers)
    return tuple(Term(powers=ordered, kinds=combination) for combination in itertools.product(*choices))


def _read_piece(piece: str, text: str, coding: Coding) -> tuple[str, str, int]:
    """Split ``name``, ``name^power`` or ``name=kind``."""
    if piece in coding.index:
        return piece, "", 1
    name, equals, kind = piece.partition("=")
    if equals and name.strip() in coding.index and kind.strip() in coding[name.strip()].kinds:
        return name.strip(), kind.strip(), 1
    match = re.fullmatch(r"(.+?)\s*\^\s*([1-9][0-9]?)", piece)
    if match and match[1] in coding.index and not coding[match[1]].is_kind:
        return match[1], "", int(match[2])
    accepted = ", ".join(coding.names)
    message = (
        f"the term “{text}” has a part “{piece}” that is not understood; accepted are “constant” and products (*) of "
        f"factors ({accepted}), of powers such as “{coding.names[0]}^2” and of kinds such as “wire=B”"
    )
    raise DoeError(message)


def contrast_kinds(kinds: Sequence[str], contrast: Contrast) -> tuple[str, ...]:
    """Give the kinds that have a contrast column."""
    return tuple(kinds[:-1]) if contrast == "sum" else tuple(kinds[1:])


def polynomial_terms(coding: Coding, order: Order, *, contrast: Contrast = "sum") -> tuple[Term, ...]:
    """Give the terms of a named model.

    ``first order``: constant and main terms. ``first order with products`` adds each product of two factors.
    ``second order`` adds the square of each numeric factor. Kinds enter by their contrasts, and in products with
    numeric factors and with one another.
    """
    main = [_main_terms(coding, name, contrast) for name in coding.names]
    terms = [CONSTANT, *itertools.chain.from_iterable(main)]
    if order != "first order":
        for first, second in itertools.combinations(main, 2):
            terms += [multiply(a, b, coding) for a in first for b in second]
    if order == "second order":
        terms += [Term(powers=((f.name, 2),)) for f in coding.factors if not f.is_kind]
    return tuple(terms)


def _main_terms(coding: Coding, name: str, contrast: Contrast) -> list[Term]:
    """Give a factor's first-order terms."""
    factor = coding[name]
    if factor.is_kind:
        return [Term(kinds=((name, kind),)) for kind in contrast_kinds(factor.kinds, contrast)]
    return [Term(powers=((name, 1),))]


def multiply(first: Term, second: Term, coding: Coding) -> Term:
    """Multiply two terms of different factors of kinds."""
    powers = dict(first.powers)
    for name, power in second.powers:
        powers[name] = powers.get(name, 0) + power
    return Term(
        powers=tuple((name, powers[name]) for name in coding.names if name in powers),
        kinds=(*first.kinds, *second.kinds),
    )


def to_reference(terms: Iterable[Term], coding: Coding) -> tuple[Term, ...]:
    """Rename sum-to-zero terms as the reference terms that span the same space.

    The k-th contrast of the first set becomes the k-th of the second: for kinds A, B, C ``wire=A`` becomes ``wire=B``.
    """

    def rename(name: str, kind: str) -> tuple[str, str]:
        kinds = coding[name].kinds
        return name, kinds[kinds.index(kind) + 1]

    return tuple(Term(term.powers, tuple(rename(*pair) for pair in term.kinds)) for term in terms)


def model_matrix(terms: Sequence[Term], coded: FloatArray, coding: Coding, *, contrast: Contrast = "sum") -> FloatArray:
    """Make the model matrix.

    Parameters
    ----------
    terms : sequence of Term, length n_terms
        The model.
    coded : ndarray, shape (n, n_factors)
        Coded settings; kinds by index.
    coding : Coding
        Names and kinds of the columns.
    contrast : {"sum", "reference"}
        How kinds are coded.

    Returns
    -------
    ndarray, shape (n, n_terms)
    """
    X = np.ones((len(coded), len(terms)))
    for t, term in enumerate(terms):
        for name, power in term.powers:
            X[:, t] *= coded[:, coding.index[name]] ** power
        for name, kind in term.kinds:
            X[:, t] *= _contrast_column(coded[:, coding.index[name]], coding[name].kinds, kind, contrast)
    return X


def _contrast_column(index: FloatArray, kinds: tuple[str, ...], kind: str, contrast: Contrast) -> FloatArray:
    """Give one contrast column of a factor of kinds."""
    column = (index == kinds.index(kind)).astype(float)
    if contrast == "sum":
        column -= index == len(kinds) - 1
    return np.asarray(column)


def change_of_basis(from_matrix: FloatArray, to_matrix: FloatArray) -> FloatArray:
    """Find T with ``to_matrix @ (T @ b) == from_matrix @ b`` for two matrices that span the same space.

    Parameters
    ----------
    from_matrix, to_matrix : ndarray, shape (n_points, n_terms)
        Both models at the same generic points, more points than terms.

    Returns
    -------
    ndarray, shape (n_terms, n_terms)

    Raises
    ------
    ValueError
        If the spaces differ.
    """
    basis, *_ = np.linalg.lstsq(to_matrix, from_matrix, rcond=None)
    if not np.allclose(to_matrix @ basis, from_matrix, atol=1e-8):
        message = "the two sets of terms do not span the same space"
        raise ValueError(message)
    return np.asarray(basis)


def generic_points(coding: Coding, n_points: int) -> FloatArray:
    """Give coded settings in general position: every kind in turn, numeric values spread over [-1, 1]."""
    rng = np.random.default_rng(20_240_229)
    points = rng.uniform(-1.0, 1.0, (n_points, len(coding.factors)))
    for j, factor in enumerate(coding.factors):
        if factor.is_kind:
            points[:, j] = rng.permutation(np.arange(n_points) % len(factor.kinds))
    return points
