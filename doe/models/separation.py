"""Separation: whether a plane through the settings divides the yes from the no.

Then maximum likelihood has no finite answer, and the limit may lie anywhere between the two sides (Albert and
Anderson 1984, Biometrika 71, 1-10; the linear program is that of Konis 2007, thesis, Oxford; from memory).
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from scipy import optimize

from doe.coding import FloatArray
from doe.models.surface import BoolArray

Separation = Literal["none", "partial", "complete"]
TOLERANCE = 1e-7


def find_separation(X: FloatArray, outcome: BoolArray) -> Separation:
    """Tell whether a linear combination of the columns separates the outcomes.

    Parameters
    ----------
    X : ndarray, shape (n, n_columns)
        The constant among the columns.
    outcome : ndarray of bool, shape (n,)

    Returns
    -------
    {"none", "partial", "complete"}
        Complete: every yes strictly on one side and every no on the other. Partial: some lie on the plane.
        One outcome alone is complete.
    """
    if outcome.all() or not outcome.any():
        return "complete"
    signed = np.where(outcome[:, None], X, -X)
    box = [(-1.0, 1.0)] * X.shape[1]
    # largest sum of margins, none of them negative: above nought if and only if there is separation
    sides = optimize.linprog(-signed.sum(axis=0), A_ub=-signed, b_ub=np.zeros(len(X)), bounds=box, method="highs")
    if -sides.fun <= TOLERANCE:
        return "none"
    # largest smallest margin: above nought if and only if it is complete
    with_margin = np.hstack([-signed, np.ones((len(X), 1))])
    cost = np.append(np.zeros(X.shape[1]), -1.0)
    margin = optimize.linprog(cost, A_ub=with_margin, b_ub=np.zeros(len(X)), bounds=[*box, (0.0, 1.0)], method="highs")
    return "complete" if -margin.fun > TOLERANCE else "partial"
