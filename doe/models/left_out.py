"""What the other welds say of welds that are left out, exactly and without a new fit.

At a node of the grid (see ``grid``) the readings left in, and those left out, B, share one covariance, so that the
predictions from the readings left in follow from P alone (Dubrule 1983, Mathematical Geology 15, 687-699, from
memory; the tests compare with a new fit)::

    y_B - prediction = e = P_BB^-1 (P y)_B,   its covariance over s2 = P_BB^-1
    q without B = q - (P y)_B' e,   df without B = df - |B|
    log |V| + log 1' V^-1 1, without B = the same with B + log |P_BB|

The nodes are weighed anew without B. The columns of the surface stay as the whole study laid them out. Where readings
are weighted (Student-t errors) the weights stay as the whole study gave them, but what is foretold is a reading to
come, like the others: how far a reading was trusted must not make it look foretold.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy.special import log_ndtr

from doe.bench.results import IntArray
from doe.coding import FloatArray
from doe.models.grid import Nodes, node_probabilities, quadratic_form
from doe.models.inverse import WORKED_CELLS
from doe.models.measure import MeasureModel
from doe.models.student_mixture import StudentMixture
from doe.models.usable import number_groups

LEAST_READINGS: Final = 6
"""Fewest readings from which anything is predicted: below, a check says nothing. Our rule."""
LEAST_PLATES: Final = 3
"""Fewest plates that are left out one by one; with fewer, welds are. Our rule."""


@dataclass(frozen=True, eq=False)
class Groups:
    """What is left out together.

    Attributes
    ----------
    index : ndarray of int, shape (n,)
        Group of each weld, 0, 1 ...
    by : {"plate", "weld"}
    """

    index: IntArray
    by: Literal["plate", "weld"]

    @property
    def n(self) -> int:
        """Number of groups."""
        return int(self.index.max()) + 1


def group_welds(plates: Sequence[str]) -> Groups:
    """Leave out plate by plate; weld by weld where every plate has one weld, or there are fewer than three plates."""
    index = number_groups(plates)
    n_plates = int(index.max()) + 1
    if LEAST_PLATES <= n_plates < len(index):
        return Groups(index, "plate")
    return Groups(np.arange(len(index)), "weld")


def completed_readings(model: MeasureModel) -> FloatArray:
    """Give the readings as numbers, shape (n,); one that says "at least" stands at its expected value.

    E[y | y > c] = m + s phi(z)/Phi(-z), z = (c - m)/s, with m the fitted mean and s the scatter left in the readings.
    """
    y, censored = model.usable.y.copy(), model.usable.censored
    if censored.any():
        s = np.sqrt(np.mean(model.residual[~censored] ** 2 / model.nodes.error[~censored]))
        z = (y - model.fitted)[censored] / s
        y[censored] = model.fitted[censored] + s * np.exp(-0.5 * z * z - 0.5 * np.log(2.0 * np.pi) - log_ndtr(-z))
    return y


def predict_left_out(nodes: Nodes, y: FloatArray, rows: IntArray) -> StudentMixture:
    """Predict the readings of the welds ``rows`` from those of all others.

    Parameters
    ----------
    nodes : Nodes
    y : ndarray, shape (n,)
    rows : ndarray of int, shape (n_left_out,)
        At least two welds more must stay than there are rows.

    Returns
    -------
    StudentMixture
        One number a weld left out.
    """
    return next(predict_each_left_out(nodes, y, [rows]))


def predict_each_left_out(nodes: Nodes, y: FloatArray, groups: Sequence[IntArray]) -> Iterator[StudentMixture]:
    """Predict group after group from the others, as ``predict_left_out`` does one."""
    centred = y - y.mean()  # which P does not notice, and the arithmetic likes
    projected, whole = nodes.inverse.project(centred), quadratic_form(nodes, centred)
    for rows, block in zip(groups, nodes.inverse.blocks(groups), strict=True):
        Py = projected[:, rows]
        covariance = np.linalg.inv(block)
        e = np.einsum("kij,kj->ki", covariance, Py)
        q = whole - np.einsum("ki,ki->k", Py, e)
        df = nodes.df - len(rows)
        before = nodes.log_before - 0.5 * np.linalg.slogdet(block).logabsdet
        weight = node_probabilities(before - 0.5 * df * np.log(q))
        variance = np.diagonal(covariance, axis1=1, axis2=2) + (nodes.fresh - nodes.error[rows])
        scale = np.sqrt(q[:, None] / df * variance)
        each = np.repeat(weight[:, None], len(rows), axis=1)
        yield StudentMixture(each, y[rows] - e, scale, np.full(len(rows), df))


@dataclass(frozen=True, eq=False)
class LeaveOneOut:
    """The fit without each weld in turn.

    Attributes
    ----------
    reading : StudentMixture
        What the others say of each weld's reading.
    coefficients : ndarray, shape (n_columns,)
        Posterior mean of the surface's coefficients, with every weld.
    without : ndarray, shape (n, n_columns)
        The same without each weld.
    """

    reading: StudentMixture
    coefficients: FloatArray
    without: FloatArray


def leave_each_out(nodes: Nodes, y: FloatArray, n_columns: int) -> LeaveOneOut:
    """Leave each weld out in turn; ``n_columns`` counts the surface's columns, the constant included.

    At a node the coefficients are linear in the readings, and a reading put at what the others say of it changes
    nothing: without weld i they move by minus their column i times e_i.
    """
    centred = y - y.mean()
    Py, d = nodes.inverse.project(centred), nodes.inverse.diagonal
    e, df = Py / d, nodes.df - 1.0
    whole = quadratic_form(nodes, centred)
    q = whole[:, None] - Py * e
    before = nodes.log_before[:, None] - 0.5 * np.log(d)
    weight = node_probabilities((before - 0.5 * df * np.log(q)).T).T
    fitted, moved = _without_each(nodes, y, n_columns, Py=Py, gap=weight * e)
    return LeaveOneOut(
        StudentMixture(weight, y - e, np.sqrt(q / df / d + q / df * (nodes.fresh - nodes.error)), np.full(len(y), df)),
        coefficients=np.asarray(node_probabilities(nodes.log_weights(whole)) @ fitted),
        without=np.asarray(weight.T @ fitted - moved),
    )


def _without_each(
    nodes: Nodes, y: FloatArray, n_columns: int, *, Py: FloatArray, gap: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Work out what the matrices L that lead from readings to the surface's coefficients make of the readings.

    Parameters
    ----------
    nodes : Nodes
    y : ndarray, shape (n,)
    n_columns : int
    Py : ndarray, shape (n_nodes, n)
    gap : ndarray, shape (n_nodes, n)
        e of each weld left out, times its node's weight.

    Returns
    -------
    fitted : ndarray, shape (n_nodes, n_columns)
        L y at every node.
    moved : ndarray, shape (n, n_columns)
        Column i of L times ``gap`` of weld i, summed over the nodes.
    """
    effects, constant = nodes.effects, nodes.inverse.ones / nodes.precision[:, None]
    fitted, moved = np.empty((len(gap), n_columns)), np.empty((len(y), n_columns))
    fitted[:, 0], moved[:, 0] = constant @ y, np.einsum("ki,ki->i", constant, gap)
    step = max(1, WORKED_CELLS // gap.size)
    for start in range(1, n_columns, step):
        columns = slice(start, min(start + step, n_columns))
        terms = slice(columns.start - 1, columns.stop - 1)
        variance, C = effects.variance[:, effects.group[terms]], effects.C[:, terms]
        fitted[:, columns] = variance * (Py @ C)
        moved[:, columns] = np.einsum("kij,kj,ki->ij", nodes.inverse.project(C), variance, gap, optimize=True)
    return fitted, moved
