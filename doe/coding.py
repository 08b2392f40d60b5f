"""Natural and coded settings.

A table of settings is an array of shape (n, n_factors), factors in the study's order. A numeric factor's column
holds its value, natural (its own unit) or coded (-1 to 1 over the planned range); a factor of kinds holds the
index of its kind, 0 to n_kinds - 1, in both.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class FactorCoding:
    """How one factor is coded.

    Attributes
    ----------
    name : str
        The factor.
    centre, half : float
        Numeric: coded = (natural - centre) / half, in the factor's unit.
    kinds : tuple of str
        The kinds of a factor of kinds; empty for a numeric factor.
    by : str
        The factor of kinds on which this numeric factor's range depends; empty where it has one range.
    centres, halves : tuple of float
        One centre and half-range a kind of ``by``.
    """

    name: str
    centre: float = 0.0
    half: float = 1.0
    kinds: tuple[str, ...] = ()
    by: str = ""
    centres: tuple[float, ...] = ()
    halves: tuple[float, ...] = ()

    @property
    def is_kind(self) -> bool:
        """Whether the factor is one of kinds."""
        return bool(self.kinds)


@dataclass(frozen=True)
class Coding:
    """The coding of every factor of a study, in the study's order."""

    factors: tuple[FactorCoding, ...]
    index: Mapping[str, int] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Note where each factor's column is."""
        object.__setattr__(self, "index", {f.name: j for j, f in enumerate(self.factors)})

    @property
    def names(self) -> tuple[str, ...]:
        """The factors' names, in column order."""
        return tuple(f.name for f in self.factors)

    def __getitem__(self, name: str) -> FactorCoding:
        """Give one factor's coding by name."""
        return self.factors[self.index[name]]

    def to_coded(self, natural: npt.ArrayLike) -> FloatArray:
        """Code natural settings.

        Parameters
        ----------
        natural : array_like, shape (n, n_factors)
            Natural settings; kinds by index.

        Returns
        -------
        ndarray, shape (n, n_factors)
            Coded settings.
        """
        settings = np.array(natural, dtype=float, ndmin=2)
        for j, centre, half in self._scales(settings):
            settings[:, j] = (settings[:, j] - centre) / half
        return settings

    def to_natural(self, coded: npt.ArrayLike) -> FloatArray:
        """Turn coded settings of shape (n, n_factors) into natural ones."""
        settings = np.array(coded, dtype=float, ndmin=2)
        for j, centre, half in self._scales(settings):
            settings[:, j] = centre + half * settings[:, j]
        return settings

    def _scales(self, settings: FloatArray) -> list[tuple[int, float | FloatArray, float | FloatArray]]:
        """Give column, centre and half-range of each numeric factor, row by row where a kind decides."""
        scales: list[tuple[int, float | FloatArray, float | FloatArray]] = []
        for j, factor in enumerate(self.factors):
            if factor.by:
                kind = settings[:, self.index[factor.by]].astype(int)
                scales.append((j, np.array(factor.centres)[kind], np.array(factor.halves)[kind]))
            elif not factor.is_kind:
                scales.append((j, factor.centre, factor.half))
        return scales

    def to_dict(self) -> dict[str, dict[str, object]]:
        """Give centre and half-range (or kinds) a factor, as ``fit --json`` prints them."""
        described: dict[str, dict[str, object]] = {}
        for factor in self.factors:
            if factor.is_kind:
                described[factor.name] = {"kinds": list(factor.kinds)}
            elif factor.by:
                described[factor.name] = {
                    "by": factor.by,
                    "centre": list(factor.centres),
                    "half": list(factor.halves),
                }
            else:
                described[factor.name] = {"centre": factor.centre, "half": factor.half}
        return described
