"""The inverse of the readings' covariance at every node of the grid, in whichever form is smaller.

The covariance of ``grid`` is V = E + C diag(v) C' + r Z Z': error, the surface's and the blocks' effects, plates.

- *Full*: V^-1 as it is, n by n numbers a node. The form for a study of some dozens of welds.
- *Woodbury*: for many welds on fewer columns, only what the columns ask for, p by p numbers a node (Woodbury 1950, from
  memory). W = E + r Z Z' falls into plates and is inverted by hand; with S = diag(sqrt v)::

      V^-1 = W^-1 - W^-1 C S (I + S C' W^-1 C S)^-1 S C' W^-1,   log|V| = log|W| + log|I + S C' W^-1 C S|

Both give the same numbers, up to rounding.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
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

    def blocks(self, groups: Sequence[IntArray]) -> Iterator[FloatArray]:
        """Give the parts of P at the rows of each group and the same columns, shape (n_nodes, n_rows, n_rows)."""

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

    def blocks(self, groups: Sequence[IntArray]) -> Iterator[FloatArray]:
        """Give the parts of P at the rows of each group and the same columns."""
        yield from (self.P[:, rows[:, None], rows] for rows in groups)

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

    def block(self, rows: IntArray) -> FloatArray:
        """Give the part of W^-1 at some rows and the same columns, shape (n_rows, n_rows)."""
        weighed = self.Z[rows] / self.error[rows, None]
        return np.asarray(np.diag(1.0 / self.error[rows]) - (weighed * self.shrink) @ weighed.T)

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
    nodes : tuple of ndarray of int
        The nodes of each ratio.
    place : ndarray of int, shape (n_nodes, 2)
        Each node's ratio, and which of its nodes it is.
    leads : tuple of ndarray, each shape (n, p)
        W^-1 C of each ratio.
    cores : tuple of ndarray, each shape (n_nodes of the ratio, p, p)
        S (I + S C' W^-1 C S)^-1 S.
    ones, log_det, diagonal
        As in ``Inverse``.
    """

    plates: tuple[_Plates, ...]
    nodes: tuple[IntArray, ...]
    place: IntArray
    leads: tuple[FloatArray, ...]
    cores: tuple[FloatArray, ...]
    ones: FloatArray
    log_det: FloatArray

    @cached_property
    def precision(self) -> FloatArray:
        """1' V^-1 1, shape (n_nodes,)."""
        return np.asarray(self.ones.sum(axis=1))

    def _parts(self) -> Iterator[tuple[int, _Plates, FloatArray, FloatArray]]:
        """Give node after node: its number, its plates, its lead and its core."""
        for k, (ratio, i) in enumerate(self.place.tolist()):
            yield k, self.plates[ratio], self.leads[ratio], self.cores[ratio][i]

    @cached_property
    def diagonal(self) -> FloatArray:
        """The diagonal of P, shape (n_nodes, n)."""
        found = -(self.ones**2) / self.precision[:, None]
        for k, plates, lead, core in self._parts():
            found[k] += plates.diagonal - np.einsum("ij,ij->i", lead @ core, lead)
        return np.asarray(found)

    def project(self, columns: FloatArray) -> FloatArray:
        """Give P times columns, all nodes of one ratio at once."""
        wide = columns if columns.ndim == 2 else columns[:, None]
        found = np.empty((len(self.place), *wide.shape))
        for plates, nodes, lead, core in zip(self.plates, self.nodes, self.leads, self.cores, strict=True):
            found[nodes] = plates.times(wide) - lead @ (core @ (lead.T @ wide))
        found -= self.ones[:, :, None] * (self.ones @ wide / self.precision[:, None])[:, None, :]
        return found if columns.ndim == 2 else found[:, :, 0]

    def blocks(self, groups: Sequence[IntArray]) -> Iterator[FloatArray]:
        """Give the parts of P at the rows of each group and the same columns, worked out node by node."""
        found = [np.empty((len(self.place), len(rows), len(rows))) for rows in groups]
        own = {id(plates): [plates.block(rows) for rows in groups] for plates in self.plates}
        for k, plates, lead, core in self._parts():
            half, ones = lead @ core, self.ones[k]
            for block, rows, alone in zip(found, groups, own[id(plates)], strict=True):
                block[k] = alone - half[rows] @ lead[rows].T - np.outer(ones[rows], ones[rows] / self.precision[k])
        yield from found

    def solve(self, rows: FloatArray, node: int) -> FloatArray:
        """Multiply rows by one node's V^-1."""
        ratio, i = self.place[node]
        lead = self.leads[ratio]
        return np.asarray(self.plates[ratio].times(rows.T).T - ((rows @ lead) @ self.cores[ratio][i]) @ lead.T)

    def traces(self, C: FloatArray, variance: FloatArray) -> FloatArray:
        """Give the trace of C diag(v) C' P at every node."""
        found = np.empty(len(self.place))
        for plates, nodes, lead, cores in zip(self.plates, self.nodes, self.leads, self.cores, strict=True):
            own, cross = np.einsum("ij,ij->j", C, plates.times(C)), C.T @ lead
            for k, core in zip(nodes.tolist(), cores, strict=True):
                ones = C.T @ self.ones[k]
                each = own - np.einsum("ij,ij->i", cross @ core, cross) - ones**2 / self.precision[k]
                found[k] = variance[k] @ each
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
    nodes = tuple(np.flatnonzero(at == i) for i in range(len(ratios)))
    plates = tuple(_Plates(error, Z, float(r)) for r in ratios)
    leads = tuple(p.times(C) for p in plates)
    parts = tuple(_core(C.T @ lead, variance[of]) for lead, of in zip(leads, nodes, strict=True))
    ones, log_det, place = np.empty((len(ratio), len(C))), np.empty(len(ratio)), np.empty((len(ratio), 2), dtype=int)
    for i, (plate, of, lead, (core, core_log_det)) in enumerate(zip(plates, nodes, leads, parts, strict=True)):
        place[of, 0], place[of, 1] = i, np.arange(len(of))
        log_det[of] = plate.log_det + core_log_det
        ones[of] = plate.times(np.ones((len(C), 1)))[:, 0] - (core @ lead.sum(axis=0)) @ lead.T
    return WoodburyInverse(plates, nodes, place, leads, tuple(core for core, _ in parts), ones, log_det)


def _core(gram: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give S (I + S G S)^-1 S and log|I + S G S| at the nodes of one ratio.

    Parameters
    ----------
    gram : ndarray, shape (p, p)
        G, C' W^-1 C.
    variance : ndarray, shape (n_nodes, p)
        The diagonal of S^2.
    """
    core, log_det = np.empty((*variance.shape, variance.shape[1])), np.empty(len(variance))
    step = max(1, WORKED_CELLS // gram.size)
    for start in range(0, len(variance), step):
        rows = slice(start, start + step)
        S = np.sqrt(variance[rows])
        inner = S[:, :, None] * gram * S[:, None, :] + np.eye(len(gram))
        core[rows] = S[:, :, None] * np.linalg.inv(inner) * S[:, None, :]
        log_det[rows] = np.linalg.slogdet(inner).logabsdet
    return core, log_det
