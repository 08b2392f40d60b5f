"""The ground between the welds: the convex hull of the settings that were welded, as flat faces.

A point x is inside where ``normal . x <= offset`` for every face. Where the welds do not fill the space (one preheat
only, all welds on one line) the hull is flat; two opposite faces then hold it in every direction it does not extend in.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.spatial import ConvexHull

from doe.bench.results import Results
from doe.coding import FloatArray
from doe.window.box import BoolArray

SLACK: Final = 1e-7
"""Coded units by which a setting may lie beyond a face: dial values are decimal fractions. [1]"""
FLAT: Final = 1e-6
"""Coded units below which the welds do not extend in a direction. [1]"""
MOST_FACTORS: Final = 6
"""With more numeric factors the faces are too many (some 10,000 for 30 welds); then there is no hull, only ranges."""


@dataclass(frozen=True, eq=False)
class Hull:
    """The hull of the welds of one combination of kinds.

    Attributes
    ----------
    normals : ndarray, shape (n_faces, n_numeric)
        Outward, of length 1, over the coded numeric factors.
    offsets : ndarray, shape (n_faces,)
    """

    normals: FloatArray
    offsets: FloatArray

    def contains(self, coded: FloatArray) -> BoolArray:
        """Tell which points of shape (n, n_numeric) are inside."""
        return np.asarray((coded @ self.normals.T <= self.offsets + SLACK).all(axis=1))


def hulls_of(results: Results, seen: Sequence[int] | None = None) -> dict[tuple[int, ...], Hull] | None:
    """Find the hull of each combination of kinds that was welded; None where there are too many factors.

    Planned and actual settings both count as welded.

    Parameters
    ----------
    results : Results
    seen : sequence of int, optional
        Columns of the numeric factors that are looked at, rising; the others' settings then do not count. Default: all.
    """
    study = results.study
    is_kind = np.array([factor.is_kind for factor in study.factors], dtype=bool)
    numeric = _numeric(results, seen)
    if len(numeric) > MOST_FACTORS:
        return None
    run = np.array([status != "not run" for status in results.status], dtype=bool)
    coded = study.coding.to_coded(np.vstack([results.planned[run], results.settings[run]]))
    kinds = coded[:, is_kind].astype(int)
    hulls = {}
    for combination in np.unique(kinds, axis=0):
        points = coded[(kinds == combination).all(axis=1)][:, numeric]
        hulls[tuple(int(k) for k in combination)] = find_hull(np.unique(points, axis=0))
    return hulls


def _numeric(results: Results, seen: Sequence[int] | None) -> list[int]:
    """Give the columns of the numeric factors that are looked at."""
    return [j for j, factor in enumerate(results.study.factors) if not factor.is_kind and (seen is None or j in seen)]


def find_hull(points: FloatArray) -> Hull:
    """Find the hull of points, shape (n, n_dimensions)."""
    centre = points.mean(axis=0)
    _, sizes, directions = np.linalg.svd(points - centre, full_matrices=True)
    n_extended = int((sizes > FLAT * np.sqrt(len(points))).sum())
    along, across = directions[:n_extended], directions[n_extended:]
    inner = (points - centre) @ along.T
    if n_extended == 0:
        normals, offsets = np.empty((0, points.shape[1])), np.empty(0)
    elif n_extended == 1:
        normals, offsets = np.vstack([along, -along]), np.array([inner.max(), -inner.min()])
    else:
        faces = np.unique(ConvexHull(inner).equations.round(12), axis=0)
        normals, offsets = faces[:, :-1] @ along, -faces[:, -1]
    normals = np.vstack([normals, across, -across])
    offsets = np.append(offsets, np.zeros(2 * len(across)))
    return Hull(normals, offsets + normals @ centre)


def inside_hulls(results: Results, natural: FloatArray, seen: Sequence[int] | None = None) -> BoolArray | None:
    """Tell which settings, shape (n, n_factors), lie between the welds; None where there are too many factors.

    ``seen`` as in ``hulls_of``.
    """
    hulls = hulls_of(results, seen)
    if hulls is None:
        return None
    factors = results.study.factors
    is_kind = np.array([factor.is_kind for factor in factors], dtype=bool)
    coded = results.study.coding.to_coded(natural)
    inside = np.zeros(len(coded), dtype=bool)
    for kinds, hull in hulls.items():
        alike = (coded[:, is_kind].astype(int) == np.array(kinds, dtype=int)).all(axis=1)
        inside[alike] = hull.contains(coded[alike][:, _numeric(results, seen)])
    return inside
