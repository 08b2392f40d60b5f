"""The posterior of a model's terms, as it is reported: plain monomials, kinds as differences from the first."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from doe.coding import FloatArray
from doe.models.fit import TermEstimate
from doe.models.surface import Surface


def summarise_terms(surface: Surface, draws: FloatArray, *, level: float) -> tuple[TermEstimate, ...]:
    """Summarise the posterior of a surface's coefficients.

    Parameters
    ----------
    surface : Surface
    draws : ndarray, shape (n_draws, n_columns)
        Coefficients of the surface's columns.
    level : float
        Two-sided level of ``low`` and ``high``.

    Returns
    -------
    tuple of TermEstimate
        Mean, standard deviation and quantiles of each monomial's coefficient.
    """
    names, T = surface.to_monomials()
    return summarise_draws(names, draws @ T.T, level=level)


def summarise_draws(names: Sequence[str], draws: FloatArray, *, level: float) -> tuple[TermEstimate, ...]:
    """Summarise draws of shape (n_draws, n_names), a column a name, as they stand."""
    low, high = np.quantile(draws, [(1.0 - level) / 2.0, (1.0 + level) / 2.0], axis=0)
    mean, sd = draws.mean(axis=0), draws.std(axis=0)
    columns = zip(names, mean.tolist(), sd.tolist(), low.tolist(), high.tolist(), strict=True)
    return tuple(TermEstimate(*column) for column in columns)
