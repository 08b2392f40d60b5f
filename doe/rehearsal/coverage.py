"""Whether the bands of a fit hold the hidden truth."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.models.bands import confidence_band
from doe.models.fit import Fit, Points, Posterior, ResponseFit
from doe.virtual import VirtualWelder, true_mean
from doe.virtual.welder import true_share_between

LEVEL: Final = 0.90
"""Level of the bands that are looked at."""
DRAWS: Final = 1_000
EVERY: Final = 3
"""Prediction bands are worked out at every third setting: they are dear, and alike from one setting to the next."""


@dataclass(frozen=True)
class Coverage:
    """How often the bands of one response hold the truth, over the settings of the region.

    Attributes
    ----------
    pointwise : float
        Share of the settings at which the mean's band holds the true mean.
    simultaneous : float
        1 where the simultaneous band holds it at every setting, else 0.
    next_weld : float
        Chance that one more weld falls in its prediction band, averaged over the settings; nan but for a measure.
    """

    pointwise: float = math.nan
    simultaneous: float = math.nan
    next_weld: float = math.nan


def cover(fit: ResponseFit, whole: Fit, settings: FloatArray, welder: VirtualWelder, *, seed: int) -> Coverage:
    """Compare one response's bands with the truth.

    Parameters
    ----------
    fit : ResponseFit
        Able to draw, else nothing is said.
    whole : Fit
    settings : ndarray, shape (n, n_factors)
        Natural settings, which are the region.
    welder : VirtualWelder
    seed : int
    """
    if fit.model is None:
        return Coverage()
    study, points = whole.results.study, Points(settings)
    posterior = fit.model.draw(DRAWS, np.random.default_rng(seed))
    band = confidence_band(posterior, points, LEVEL)
    truth = true_mean(welder, study, fit.response, settings)
    slack = 1e-9 * np.maximum(1.0, np.abs(truth))
    pointwise = (band.low <= truth + slack) & (truth - slack <= band.high)
    everywhere = (band.all_low <= truth + slack) & (truth - slack <= band.all_high)
    return Coverage(
        float(pointwise.mean()),
        float(everywhere.all()),
        _next_weld(posterior, fit, whole, welder=welder, settings=settings[::EVERY]),
    )


def _next_weld(
    posterior: Posterior, fit: ResponseFit, whole: Fit, *, welder: VirtualWelder, settings: FloatArray
) -> float:
    """Give the chance that one more weld falls in its band; nan but for a measure."""
    if fit.kind != "measure":
        return math.nan
    low, high = posterior.weld_band(Points(settings), level=LEVEL)
    return float(true_share_between(welder, whole.results.study, fit.response, settings, (low, high)).mean())
