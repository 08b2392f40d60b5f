"""The terms of the Bayesian models: one design of columns, shared by every response kind.

Each column belongs to a class, and each class has a prior of its own: a column of a high class is shrunk
hard, so that a surface bends only where the welds ask for it. In the coded factors x, y, z (METHOD.md
section 1):

- first: x; the contrasts of kinds; the position.
- second: x y; x^2 - 1/2; contrasts times first-order terms.
- third: x^3 - 0.8 x; (x^2 - 1/2) y; x y z.

x^2 and x^3 are left out, alone and in products, where too few levels were welded to bend a curve through.
First-order columns stay even where one level was welded: then the prior alone says what the factor does,
which is the truth.

**Later welds.** Where later welds start on a warm plate, one of three rules turns "first or later" into
columns:

- *position*: no complete record of plate temperatures. A column: -1/2 for the first weld of a plate, +1/2
  for a later one.
- *preheat*: plate temperatures known for every weld, and preheat is a factor. The temperature takes
  preheat's place for the welds that were made. At a setting to predict, preheat is raised by the mean excess
  over the planned preheat that was seen: that of first welds for a first weld, of later welds for a later.
- *plate temperature*: known for every weld, preheat is not a factor. The standardised temperature is a
  column; at a setting to predict it stands at the mean of the first, or of the later welds.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from doe.bench.results import Results
from doe.coding import Coding, FloatArray
from doe.planning.second_beads import first_of
from doe.study.model import Study
from doe.terms import (
    CONSTANT,
    Term,
    change_of_basis,
    contrast_kinds,
    generic_points,
    model_matrix,
    multiply,
    to_reference,
)
from doe.units import convert, printed_unit, units_of

TermClass = Literal["constant", "first", "second", "third"]
Rule = Literal["none", "position", "preheat", "plate temperature"]
BoolArray = npt.NDArray[np.bool_]

CLASSES: Final[tuple[TermClass, ...]] = ("constant", "first", "second", "third")
"""The classes, lowest first."""
LEVEL_WIDTH: Final = 0.1
"""Coded values closer than this count as one level: a twentieth of the range. [1]"""
PLATE_TEMPERATURE: Final = "plate temperature [degC]"


@dataclass(frozen=True)
class Column:
    """One column of the design.

    Attributes
    ----------
    term : Term
        The leading product of powers and contrasts; ``constant`` for a covariate.
    term_class : {"constant", "first", "second", "third"}
    covariate : {"", "position", "plate temperature"}
        Set where the column is not made of factors.
    """

    term: Term
    term_class: TermClass
    covariate: str = ""

    @property
    def factors(self) -> tuple[str, ...]:
        """The factors that enter, in the study's order; none for the constant and for covariates."""
        return self.term.factors

    @property
    def is_square(self) -> bool:
        """Whether this is x^2 - 1/2 of one factor."""
        return not self.term.kinds and [power for _, power in self.term.powers] == [2]

    @property
    def is_product(self) -> bool:
        """Whether this is a plain product of two factors."""
        return self.term.order == 2 and len(self.factors) == 2

    def __str__(self) -> str:
        """Name the column by its leading term."""
        return self.covariate or str(self.term)


@dataclass(frozen=True)
class Start:
    """How the start of a weld (first on a cold plate, later on a warm one) enters the columns.

    Attributes
    ----------
    rule : {"none", "position", "preheat", "plate temperature"}
    first, later : float
        What a weld to predict gets: the column's value, or for ``preheat`` the shift in preheat's unit.
    centre, scale : float
        Of the standardised plate temperature. [degC]
    preheat : int
        Column of preheat in a table of settings, by rule ``preheat``.
    """

    rule: Rule = "none"
    first: float = 0.0
    later: float = 0.0
    centre: float = 0.0
    scale: float = 1.0
    preheat: int = -1

    @property
    def covariate(self) -> str:
        """The name of the extra column, empty where there is none."""
        return self.rule if self.rule in {"position", "plate temperature"} else ""

    def value(self, later: bool) -> float:
        """Give what a weld to predict gets."""
        return self.later if later else self.first


@dataclass(frozen=True)
class Surface:
    """The columns of a response's surface.

    Attributes
    ----------
    study : Study
    coding : Coding
    columns : tuple of Column
        The constant first.
    start : Start
    """

    study: Study
    coding: Coding
    columns: tuple[Column, ...]
    start: Start = Start()

    @property
    def classes(self) -> tuple[TermClass, ...]:
        """The class of each column."""
        return tuple(column.term_class for column in self.columns)

    def order(self, highest: TermClass) -> Surface:
        """Give the surface without the columns of a higher class."""
        allowed = CLASSES[: CLASSES.index(highest) + 1]
        return replace(self, columns=tuple(c for c in self.columns if c.term_class in allowed))

    def matrix(self, natural: FloatArray, *, later: bool = False) -> FloatArray:
        """Make the columns at settings to predict.

        Parameters
        ----------
        natural : ndarray, shape (n, n_factors)
            Natural settings; kinds by index.
        later : bool
            For a later weld on a warm plate, not the first.

        Returns
        -------
        ndarray, shape (n, n_columns)
        """
        settings = np.array(natural, dtype=float, ndmin=2)
        value = self.start.value(later)
        if self.start.rule == "preheat":
            settings[:, self.start.preheat] += value
        return self._columns_at(self.coding.to_coded(settings), np.full(len(settings), value))

    def welds(self, results: Results) -> FloatArray:
        """Make the columns of the welds that were made, shape (n_welds, n_columns), as they truly started."""
        settings = start_settings(results, self.start)
        covariate = np.where(results.position > 1, 0.5, -0.5)
        if self.start.rule == "plate temperature":
            covariate = (plate_temperatures(results) - self.start.centre) / self.start.scale
        return self._columns_at(self.coding.to_coded(settings), covariate)

    def _columns_at(self, coded: FloatArray, covariate: FloatArray) -> FloatArray:
        factors = _FactorColumns(self.coding, coded)
        X = np.empty((len(coded), len(self.columns)), order="F")  # filled by columns
        for j, column in enumerate(self.columns):
            X[:, j] = covariate if column.covariate else factors.product(column.term)
        return X

    def to_monomials(self) -> tuple[tuple[str, ...], FloatArray]:
        """Lead from these columns to plain monomials, as they are reported.

        Returns
        -------
        terms : tuple of str, length n_columns
            ``constant``, ``voltage^2``, ``wire=B`` (the difference from the first kind), ``position`` ...
        T : ndarray, shape (n_columns, n_columns)
            ``T @ b`` are the coefficients of the monomials where ``b`` are those of the columns.
        """
        rng = np.random.default_rng(20_240_301)
        n_points = 4 * len(self.columns) + 40
        coded = generic_points(self.coding, n_points)
        covariate = rng.uniform(-1.0, 1.0, n_points)
        is_covariate = [bool(column.covariate) for column in self.columns]
        terms = to_reference((column.term for column in self.columns), self.coding)
        monomials = model_matrix(terms, coded, self.coding, contrast="reference")
        monomials[:, is_covariate] = covariate[:, None]
        T = change_of_basis(self._columns_at(coded, covariate), monomials)
        T[np.abs(T) < 1e-9] = 0.0
        names = (c.covariate or str(t) for c, t in zip(self.columns, terms, strict=True))
        return tuple(names), T


class _FactorColumns:
    """Centred powers and contrasts of each factor at given coded settings, each computed once."""

    def __init__(self, coding: Coding, coded: FloatArray) -> None:
        self._coding = coding
        self._coded = coded
        self._powers: dict[tuple[str, int], FloatArray] = {}

    def product(self, term: Term) -> FloatArray:
        """Multiply the centred powers and the contrasts of a term."""
        product = np.ones(len(self._coded))
        for name, power in term.powers:
            product = product * self._power(name, power)
        for name, kind in term.kinds:
            kinds = self._coding[name].kinds
            contrasts = kind_contrasts(len(kinds))[:, kinds.index(kind)]
            product = product * contrasts[self._coded[:, self._coding.index[name]].astype(int)]
        return product

    def _power(self, name: str, power: int) -> FloatArray:
        if (name, power) not in self._powers:
            x = self._coded[:, self._coding.index[name]]
            self._powers[name, power] = {1: x, 2: x * x - 0.5, 3: x * (x * x - 0.8)}[power]
        return self._powers[name, power]


def kind_contrasts(n_kinds: int) -> FloatArray:
    """Give sum-to-zero columns for kinds that favour none of them.

    Every column adds up to zero over the kinds; independent normal priors of variance t^2 on the
    coefficients give every kind's effect the variance t^2, so that the order in which the kinds are listed
    does not matter. Two kinds have the column (1, -1).

    Returns
    -------
    ndarray, shape (n_kinds, n_kinds - 1)
    """
    contrasts = np.zeros((n_kinds, n_kinds - 1))
    for j in range(n_kinds - 1):
        contrasts[: j + 1, j] = 1.0
        contrasts[j + 1, j] = -(j + 1.0)
        contrasts[:, j] /= np.linalg.norm(contrasts[:, j])
    return np.asarray(contrasts * np.sqrt(n_kinds / (n_kinds - 1)))


def build_surface(results: Results, *, highest: TermClass = "third", used: BoolArray | None = None) -> Surface:
    """Lay out the columns for one response.

    Parameters
    ----------
    results : Results
    highest : {"first", "second", "third"}
        The highest class of columns.
    used : ndarray of bool, shape (n_welds,), optional
        The welds with a usable reading: their levels decide which powers stay. Default: every weld.

    Returns
    -------
    Surface
    """
    study, start = results.study, find_start(results)
    coding = study.coding
    rows = np.ones(results.n_welds, dtype=bool) if used is None else used
    coded = coding.to_coded(start_settings(results, start)[rows])
    levels = {name: count_levels(coded[:, j]) for j, name in enumerate(coding.names)}
    columns = [*_first(coding), *_second(coding), *_third(coding)]
    kept = [c for c in columns if all(power == 1 or levels[name] > power for name, power in c.term.powers)]
    if start.covariate:
        kept.append(Column(CONSTANT, "first", covariate=start.covariate))
    return Surface(study, coding, tuple(kept), start).order(highest)


def count_levels(coded: FloatArray) -> int:
    """Count the levels among coded values; values within a twentieth of the range are one level."""
    n_levels, top = 0, -np.inf
    for value in np.sort(coded[np.isfinite(coded)]):
        if value > top:
            n_levels, top = n_levels + 1, value + LEVEL_WIDTH
    return n_levels


def _main(coding: Coding, name: str) -> list[Term]:
    kinds = coding[name].kinds
    return [Term(kinds=((name, k),)) for k in contrast_kinds(kinds, "sum")] if kinds else [Term(powers=((name, 1),))]


def _numeric(coding: Coding) -> list[str]:
    return [factor.name for factor in coding.factors if not factor.is_kind]


def _first(coding: Coding) -> list[Column]:
    terms = [term for name in coding.names for term in _main(coding, name)]
    return [Column(CONSTANT, "constant"), *(Column(term, "first") for term in terms)]


def _second(coding: Coding) -> list[Column]:
    mains = [_main(coding, name) for name in coding.names]
    products = [
        multiply(a, b, coding)
        for first, second in itertools.combinations(mains, 2)
        for a, b in itertools.product(first, second)
    ]
    squares = [Term(powers=((name, 2),)) for name in _numeric(coding)]
    return [Column(term, "second") for term in (*products, *squares)]


def _third(coding: Coding) -> list[Column]:
    names = _numeric(coding)
    powers: list[Sequence[tuple[str, int]]] = [[(name, 3)] for name in names]
    for square, other in itertools.permutations(names, 2):
        powers.append([pair for name in names for pair in {square: [(name, 2)], other: [(name, 1)]}.get(name, [])])
    powers += [[(name, 1) for name in three] for three in itertools.combinations(names, 3)]
    return [Column(Term(powers=tuple(pairs)), "third") for pairs in powers]


# --- first and later welds


def find_start(results: Results) -> Start:
    """Decide by which rule first and later welds differ; the module's docstring says how."""
    wishes = results.study.plan
    if wishes.welds_per_plate < 2 or wishes.later_welds != "warm":
        return Start()
    made = np.array([status != "not run" for status in results.status])
    temperature = plate_temperatures(results)
    first, later = made & (results.position == 1), made & (results.position > 1)
    known = first.any() and later.any() and bool(np.isfinite(temperature[made]).all())
    preheat = results.study.factor_of_role("preheat")
    readable = preheat is None or preheat.unit in units_of("temperature")
    if not known or not readable or np.ptp(temperature[made]) == 0.0:
        return Start("position", -0.5, 0.5)
    if preheat is not None:
        index = results.study.coding.index[preheat.name]
        excess = convert(temperature, "degC", preheat.unit) - results.planned[:, index]
        return Start("preheat", float(excess[first].mean()), float(excess[later].mean()), preheat=index)
    # two standard deviations a unit: two groups of equal size stand at -1/2 and +1/2, as the position does
    centre, scale = float(temperature[made].mean()), float(2.0 * temperature[made].std())
    standard = (temperature - centre) / scale
    means = float(standard[first].mean()), float(standard[later].mean())
    return Start("plate temperature", *means, centre=centre, scale=scale)


def plate_temperatures(results: Results) -> FloatArray:
    """Give the plate temperature before each weld, shape (n_welds,); a second bead's unless read is its first one's."""
    temperature = results.conditions.get(PLATE_TEMPERATURE, np.full(results.n_welds, np.nan))
    unread = np.flatnonzero(results.is_second & np.isnan(temperature))
    if not len(unread):
        return temperature
    read = dict(zip(results.weld, temperature.tolist(), strict=True))
    filled = temperature.copy()
    filled[unread] = [read.get(first_of(results.weld[i]), np.nan) for i in unread]
    return filled


def start_settings(results: Results, start: Start) -> FloatArray:
    """Give the settings of the welds made, by rule ``preheat`` with the plate temperature as preheat.

    Returns
    -------
    ndarray, shape (n_welds, n_factors)
        Natural settings.
    """
    settings = results.settings.copy()
    if start.rule == "preheat":
        unit = results.study.factors[start.preheat].unit
        settings[:, start.preheat] = convert(plate_temperatures(results), "degC", unit)
    return settings


def describe_start(study: Study, start: Start) -> str:
    """Say what a later weld is taken to be; empty where there is no difference to speak of."""
    if start.rule == "position":
        return "Later welds of a plate differ from first ones by one constant amount at every setting."
    if start.rule == "plate temperature":
        return "First and later welds start at the mean plate temperatures that were measured before them."
    if start.rule == "preheat":
        factor = study.factors[start.preheat]
        unit = printed_unit(factor.unit)
        return (
            f"A weld starts at {factor.name} plus what was seen on average: {start.first:+.0f} {unit} for a first "
            f"weld, {start.later:+.0f} {unit} for a later one."
        )
    return ""
