"""The stationary point of a fitted measure, described in natural settings."""

from __future__ import annotations

import numpy as np

from doe.coding import FloatArray
from doe.models.textbook.canonical import Surface, region_limits
from doe.models.textbook.columns import ModelColumns
from doe.models.textbook.wording import finite_or_none


def describe_stationary(
    surface: Surface | None, columns: ModelColumns, *, residual_df: float, level: float
) -> dict[str, object] | None:
    """Describe the stationary point as ``fit --json`` prints it.

    Parameters
    ----------
    surface : Surface or None
    columns : ModelColumns
    residual_df : float
        Degrees of freedom of the surface's covariance; 0 leaves the confidence region open.
    level : float
        Of the confidence region.

    Returns
    -------
    dict or None
        None where there is no stationary point. "region" gives the extent of its confidence region a factor, None
        where that is open.
    """
    if surface is None or surface.stationary is None:
        return None
    k = len(surface.names)
    low, high = np.full(k, -np.inf), np.full(k, np.inf)
    if residual_df > 0 and np.isfinite(surface.covariance).all() and surface.covariance.any():
        low, high = region_limits(surface, residual_df=residual_df, level=level)
    kinds = {kind for term in columns.terms for kind, _ in term.kinds}
    settings: dict[str, object] = {**_natural(surface, columns, surface.stationary)}
    settings |= {name: columns.coding[name].kinds[0] for name in columns.coding.names if name in kinds}
    return {
        "settings": settings,
        "value": surface.value(surface.stationary),
        "nature": surface.nature,
        "eigenvalues": [float(v) for v in surface.eigenvalues],
        "region": {
            "level": level,
            "low": {name: finite_or_none(v) for name, v in _natural(surface, columns, low).items()},
            "high": {name: finite_or_none(v) for name, v in _natural(surface, columns, high).items()},
        },
    }


def _natural(surface: Surface, columns: ModelColumns, point: FloatArray) -> dict[str, float]:
    """Turn a coded point of the surface's factors into natural settings, kinds at their first."""
    coded = np.zeros(len(columns.coding.factors))
    coded[[columns.coding.index[name] for name in surface.names]] = point
    natural = columns.coding.to_natural(coded)[0]
    return {name: float(natural[columns.coding.index[name]]) for name in surface.names}
