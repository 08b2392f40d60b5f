"""How finely values were read."""

from __future__ import annotations

from typing import Final

import numpy as np

from doe.coding import FloatArray

FINEST: Final = 6
"""Decimals beyond which a resolution is not looked for."""


def find_resolution(values: FloatArray) -> float:
    """Give the coarsest decimal step, 1 or finer, on which every value lies; 0 where there is none.

    Examples
    --------
    >>> find_resolution(np.array([1.2, 1.25, 1.4]))
    0.01
    """
    for decimals in range(FINEST + 1):
        if np.all(np.abs(values - np.round(values, decimals)) < 1e-9 * np.maximum(1.0, np.abs(values))):
            return float(10.0**-decimals)
    return 0.0
