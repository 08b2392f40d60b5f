"""Draws from the posterior of a measure: the mean, the next weld, and the chance that it fails."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy.special import ndtr

from doe.coding import FloatArray
from doe.models.bands import mixture_quantile
from doe.models.fit import Points
from doe.models.surface import BoolArray, Surface
from doe.study.model import Response

BLOCK: Final = 64
"""Draws worked on at once: what they give stays in the processor's cache."""


@dataclass(frozen=True, eq=False)
class MeasurePosterior:
    """Draws from the posterior of a measure.

    Attributes
    ----------
    response : Response
    surface : Surface
    coefficients : ndarray, shape (n_draws, n_columns)
        Of the surface's columns, in the response's unit.
    weld_sd, plate_sd, block_sd : ndarray, shape (n_draws,)
        Scatter of a weld to come: between welds made alike, between plates, and between days or spools (0 where no
        blocks were named).
    third_order : ndarray of bool, shape (n_draws,)
        Whether the draw stands at the widest prior for third-order terms; all False where there are none.
    settled : bool
        Of the sampler; draws without one, where every reading is a number, always are.
    """

    response: Response
    surface: Surface
    coefficients: FloatArray
    weld_sd: FloatArray
    plate_sd: FloatArray
    block_sd: FloatArray
    third_order: BoolArray
    settled: bool = True

    @property
    def n_draws(self) -> int:
        """Number of draws."""
        return len(self.weld_sd)

    @property
    def new_weld_sd(self) -> FloatArray:
        """Scatter of a new weld on a new plate on a new day, shape (n_draws,)."""
        return np.asarray(np.sqrt(self.weld_sd**2 + self.plate_sd**2 + self.block_sd**2))

    def mean(self, points: Points) -> FloatArray:
        """Give the mean reading, shape (n_draws, n_points)."""
        return np.asarray(self.coefficients @ self.surface.matrix(points.natural, later=points.later).T)

    def failure(self, points: Points) -> FloatArray:
        """Give the chance that one weld on a new plate is outside the requirement, shape (n_draws, n_points).

        P(a <= y <= b) = Phi((b - mu)/sd) - Phi((a - mu)/sd). A burn-through lies above every limit up to ``full``,
        and so fails an upper limit that is not above ``full``.
        """
        X = self.surface.matrix(points.natural, later=points.later)
        parts = [self._beyond(X, limit, sign=sign) for limit, sign in self._limits()]
        return np.asarray(sum(parts[1:], parts[0]))

    def _limits(self) -> list[tuple[float, float]]:
        """Give each limit of the requirement and the side it is on: +1 from below, -1 from above."""
        limits = ((self.response.at_least, 1.0), (self.response.at_most, -1.0))
        required = [(limit, sign) for limit, sign in limits if limit is not None]
        if not required:
            message = f"{self.response.name} has no requirement"
            raise ValueError(message)
        return required

    def _beyond(self, X: FloatArray, limit: float, *, sign: float) -> FloatArray:
        """Give Phi(sign (limit - mean)/sd), the limit and the scatter drawn into the coefficients first."""
        scaled = -self.coefficients
        scaled[:, 0] += limit
        scaled *= sign / self.new_weld_sd[:, None]
        chance = np.empty((self.n_draws, len(X)))
        for start in range(0, self.n_draws, BLOCK):
            rows = slice(start, start + BLOCK)
            ndtr(scaled[rows] @ X.T, out=chance[rows])
        return chance

    def weld_band(self, points: Points, *, level: float) -> tuple[FloatArray, FloatArray]:
        """Give the prediction band of the next weld on a new plate, each shape (n_points,)."""
        mean, sd = self.mean(points), self.new_weld_sd
        tail = (1.0 - level) / 2.0
        return mixture_quantile(mean, sd, tail), mixture_quantile(mean, sd, 1.0 - tail)
