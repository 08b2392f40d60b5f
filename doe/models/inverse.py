"""The inverse of the readings' covariance at every node of the grid, in whichever form is smaller.

The covariance of ``grid`` is V = E + C diag(v) C' + r Z Z': error, the surface's and the blocks' effects, plates.

- *Full*: V^-1 as it is, n by n numbers a node. The form for a study of some dozens of welds.
- *Woodbury*: for many welds on fewer columns, only what the columns ask for, p by p numbers a node (Woodbury 1950, from
  memory). W = E + r Z Z' falls into plates and is inverted by hand; with S = diag(sqrt v)::

      V^-1 = W^-1 - W^-1 C S (I + S C' W^-1 C S)^-1 S C' W^-1,   log|V| = log|W| + log|I + S C' W^-1 C S|

Both give the same numbers, up to rounding.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final, Protocol

import numpy as np

from doe.bench.results import IntArray
from doe.coding import FloatArray

FULL_CELLS: Final = 4_000_000
"""Up to so many numbers (32 MB) the inverses of all nodes are held in full. Our choice."""
WORKED_CELLS: Final = 2_000_000
"""Numbers worked on at once while inverses are made: 16 MB."""


class Inverse(Protocol):
    """V^-1 at every node, and P = V^-1 - V^-1 1 1' V^-1 / 1' V^-1 1."""

    @property
    def ones(self) -> FloatArray:
        """V^-1 1, shape (n_nodes, n)."""

    @property
    def log_det(self) -> FloatArray:
        """log|V|, shape (n_nodes,)."""

    @property
    def diagonal(self) -> FloatArray:
        """The diagonal of P, shape (n_nodes, n)."""

    def project(self, columns: FloatArray) -> FloatArray:
        """Give P times columns of shape (n, m) or one of shape (n,): (n_nodes, n, m) or (n_nodes, n)."""

    def block(self, rows: IntArray) -> FloatArray:
        """Give the part of P at some rows and the same columns, shape (n_nodes, n_rows, n_rows)."""

    def solve(self, rows: FloatArray, node: int) -> FloatArray:
        """Multiply rows of shape (m, n) by one node's V^-1."""

    def traces(self, C: FloatArray, variance: FloatArray) -> FloatArray:
        """Give the trace of C diag(v) C' P at every node, shape (n_nodes,).

        Parameters
        ----------
        C : ndarray, shape (n, n_columns)
        variance : ndarray, shape (n_nodes, n_columns)
        """


@dataclass(frozen=True, eq=False)
class FullInverse:
    """V^-1 and P as they are, each of shape (n_nodes, n, n); the rest as in ``Inverse``."""

    V_inv: FloatArray
    P: FloatArray
    ones: FloatArray
    log_det: FloatArray

    @property
    def diagonal(self) -> FloatArray:
        """The diagonal of P, shape (n_nodes, n)."""
        return np.diagonal(self.P, axis1=1, axis2=2)

    def project(self, columns: FloatArray) -> FloatArray:
        """Give P times columns; several from the left, where rounding of V^-1 weighs less on wide priors."""
        return np.asarray(self.P @ columns if columns.ndim == 1 else np.swapaxes(columns.T @ self.P, 1, 2))

    def block(self, rows: IntArray) -> FloatArray:
        """Give the part of P at some rows and the same columns."""
        return self.P[:, rows][:, :, rows]

    def solve(self, rows: FloatArray, node: int) -> FloatArray:
        """Multiply rows by one node's V^-1."""
        return np.asarray(rows @ self.V_inv[node])

    def traces(self, C: FloatArray, variance: FloatArray) -> FloatArray:
        """Give the trace of C diag(v) C' P at every node."""
        return np.array([np.sum(((C * v) @ C.T) * P) for v, P in zip(variance, self.P, strict=True)])


def invert_fully(V: FloatArray) -> FullInverse:
    """Invert covariances of shape (n_nodes, n, n)."""
    V_inv = np.asarray(np.linalg.inv(V), dtype=float)
    ones = V_inv.sum(axis=2)
    precision = ones.sum(axis=1)
    P = np.asarray(V_inv - ones[:, :, None] * (ones / precision[:, None])[:, None, :])
    diagonal = np.diagonal(np.linalg.cholesky(V), axis1=1, axis2=2)
    return FullInverse(V_inv, P, ones, np.asarray(2.0 * np.log(diagonal).sum(axis=1)))


@dataclass(frozen=True, eq=False)
class _Plates:
    """W^-1 for one ratio r of plate over weld variance, W = E + r Z Z'."""

    error: FloatArray
    Z: FloatArray
    ratio: float

    @cached_property
    def shrink(self) -> FloatArray:
        """What a plate's sum of weighed readings is shrunk by, r / (1 + r sum of 1/error), shape (n_plates,)."""
        return np.asarray(self.ratio / (1.0 + self.ratio * (self.Z.T @ (1.0 / self.error))))

    @cached_property
    def log_det(self) -> float:
        """log|W|."""
        plates = np.log1p(self.ratio * (self.Z.T @ (1.0 / self.error)))
        return float(np.log(self.error).sum() + plates.sum())

    @cached_property
    def diagonal(self) -> FloatArray:
        """The diagonal of W^-1, shape (n,)."""
        return np.asarray(1.0 / self.error - (self.Z @ self.shrink) / self.error**2)

    def times(self, columns: FloatArray) -> FloatArray:
        """Give W^-1 times columns, shape (n, m)."""
        scaled = columns / self.error[:, None]
        if not self.Z.shape[1] or self.ratio == 0.0:
            return scaled
        return np.asarray(scaled - (self.Z @ (self.shrink[:, None] * (self.Z.T @ scaled))) / self.error[:, None])


@dataclass(frozen=True, eq=False)
class WoodburyInverse:
    """V^-1 by what the columns ask for.

    Attributes
    ----------
    plates : tuple of _Plates
        One a ratio of plate over weld variance.
    at : ndarray of int, shape (n_nodes,)
        Which of them is a node's.
    leads : tuple of ndarray, each shape (n, p)
        W^-1 C, one a ratio.
    core : ndarray, shape (n_nodes, p, p)
        S (I + S C' W^-1 C S)^-1 S.
    ones, log_det, diagonal
        As in ``Inverse``.
    """

    plates: tuple[_Plates, ...]
    at: IntArray
    leads: tuple[FloatArray, ...]
    core: FloatArray
    ones: FloatArray
    log_det: FloatArray

    @cached_property
    def precision(self) -> FloatArray:
        """1' V^-1 1, shape (n_nodes,)."""
        return np.asarray(self.ones.sum(axis=1))

    @cached_property
    def diagonal(self) -> FloatArray:
        """The diagonal of P, shape (n_nodes, n)."""
        found = -(self.ones**2) / self.precision[:, None]
        for k, (at, core) in enumerate(zip(self.at, self.core, strict=True)):
            lead = self.leads[at]
            found[k] += self.plates[at].diagonal - np.einsum("ij,ij->i", lead @ core, lead)
        return np.asarray(found)

    def project(self, columns: FloatArray) -> FloatArray:
        """Give P times columns, all nodes of one ratio at once."""
        wide = columns if columns.ndim == 2 else columns[:, None]
        found = np.empty((len(self.at), *wide.shape))
        for i, plates in enumerate(self.plates):
            nodes, solved, lead = self.at == i, plates.times(wide), self.leads[i]
            inner = self.core[nodes] @ (lead.T @ wide)
            found[nodes] = solved - lead @ inner
        found -= self.ones[:, :, None] * (self.ones @ wide / self.precision[:, None])[:, None, :]
        return found if columns.ndim == 2 else found[:, :, 0]

    def block(self, rows: IntArray) -> FloatArray:
        """Give the part of P at some rows and the same columns."""
        n = self.ones.shape[1]
        unit = np.zeros((n, len(rows)))
        unit[rows, np.arange(len(rows))] = 1.0
        ones = self.ones[:, rows]
        found = -ones[:, :, None] * (ones / self.precision[:, None])[:, None, :]
        for i, plates in enumerate(self.plates):
            nodes, lead = self.at == i, self.leads[i][rows]
            found[nodes] += plates.times(unit)[rows] - lead @ self.core[nodes] @ lead.T
        return np.asarray(found)

    def solve(self, rows: FloatArray, node: int) -> FloatArray:
        """Multiply rows by one node's V^-1."""
        plates, lead = self.plates[self.at[node]], self.leads[self.at[node]]
        return np.asarray(plates.times(rows.T).T - ((rows @ lead) @ self.core[node]) @ lead.T)

    def traces(self, C: FloatArray, variance: FloatArray) -> FloatArray:
        """Give the trace of C diag(v) C' P at every node."""
        solved = [plates.times(C) for plates in self.plates]
        found = np.empty(len(self.at))
        for k, (at, core) in enumerate(zip(self.at, self.core, strict=True)):
            cross, ones = C.T @ self.leads[at], C.T @ self.ones[k]
            own = np.einsum("ij,ij->j", C, solved[at]) - np.einsum("ij,ij->i", cross @ core, cross)
            found[k] = variance[k] @ (own - ones**2 / self.precision[k])
        return found


def invert_by_columns(
    C: FloatArray, variance: FloatArray, Z: FloatArray, ratio: FloatArray, error: FloatArray
) -> WoodburyInverse:
    """Invert covariances by their columns.

    Parameters
    ----------
    C : ndarray, shape (n, p)
        Columns of the surface and of blocks.
    variance : ndarray, shape (n_nodes, p)
        Of their effects, over s2.
    Z : ndarray, shape (n, n_plates)
        Indicators of plates; none where plates have no effect of their own.
    ratio : ndarray, shape (n_nodes,)
        Plate variance over s2.
    error : ndarray, shape (n,)
    """
    ratios, at = np.unique(ratio, return_inverse=True)
    plates = tuple(_Plates(error, Z, float(r)) for r in ratios)
    leads = tuple(p.times(C) for p in plates)
    n_nodes, width = variance.shape
    core, ones = np.empty((n_nodes, width, width)), np.empty((n_nodes, len(C)))
    log_det, step = np.empty(n_nodes), max(1, WORKED_CELLS // width**2)
    for i, (plate, lead) in enumerate(zip(plates, leads, strict=True)):
        gram, solved = C.T @ lead, plate.times(np.ones((len(C), 1)))[:, 0]
        of_ratio = np.flatnonzero(at == i)
        for start in range(0, len(of_ratio), step):
            nodes = of_ratio[start : start + step]
            S = np.sqrt(variance[nodes])
            inner = S[:, :, None] * gram * S[:, None, :] + np.eye(width)
            core[nodes] = S[:, :, None] * np.linalg.inv(inner) * S[:, None, :]
            log_det[nodes] = plate.log_det + np.linalg.slogdet(inner).logabsdet
            ones[nodes] = solved - (core[nodes] @ (lead.T @ np.ones(len(C)))) @ lead.T
    return WoodburyInverse(plates, np.asarray(at, dtype=int), leads, core, ones, log_det)
