"""Residuals with their names: what a plot of them needs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from doe.bench.results import IntArray, Results
from doe.coding import FloatArray
from doe.models.count import CountModel
from doe.models.negative_binomial import LOG_MEAN_CLIP, LOG_SHAPE_CLIP
from doe.models.outcomes import chances_of_good, good_outcomes
from doe.models.reweighting import Cloud
from doe.models.surface import BoolArray


@dataclass(frozen=True, eq=False)
class Residuals:
    """Fitted values and residuals of the welds that entered a fit.

    Attributes
    ----------
    meaning : str
        What a residual is, in words.
    weld, plate : tuple of str, length n
    position, order : ndarray of int, shape (n,)
    fitted, residual : ndarray, shape (n,)
        nan where a weld's outcome is not known.
    """

    meaning: str
    weld: tuple[str, ...]
    plate: tuple[str, ...]
    position: IntArray
    order: IntArray
    fitted: FloatArray
    residual: FloatArray

    def to_dict(self) -> dict[str, object]:
        """Give what ``fit --json`` prints: one entry a weld."""
        columns = zip(
            self.weld,
            self.plate,
            self.position.tolist(),
            self.order.tolist(),
            self.fitted.tolist(),
            self.residual.tolist(),
            strict=True,
        )
        names = ("weld", "plate", "position", "order", "fitted", "residual")
        rows = [dict(zip(names, row, strict=True)) for row in columns if np.isfinite(row[-1])]
        return {"meaning": self.meaning, "welds": rows}


def name_residuals(
    results: Results, used: BoolArray, *, fitted: FloatArray, residual: FloatArray, meaning: str
) -> Residuals:
    """Put residuals of shape (n_used,) beside the welds they belong to."""
    return Residuals(
        meaning,
        weld=of_used(results.weld, used),
        plate=of_used(results.plate, used),
        position=results.position[used],
        order=results.order[used],
        fitted=fitted,
        residual=residual,
    )


def of_used(labels: Sequence[str], used: BoolArray) -> tuple[str, ...]:
    """Pick the labels of the welds used."""
    return tuple(label for label, is_used in zip(labels, used, strict=True) if is_used)


def drawn_residuals(cloud: Cloud) -> tuple[FloatArray, FloatArray, str]:
    """Give fitted values and residuals of a sampled model, each shape (n,), and what a residual is."""
    model, weights = cloud.model, cloud.weights(np.array([], dtype=int))
    if isinstance(model, CountModel):
        log_mean = cloud.x[:, :-1] @ model.data.X.T + np.log(model.data.exposure)
        # through the mean of the log: a mean of counts would hang on the few largest draws
        mean = np.exp(weights @ np.clip(log_mean, -LOG_MEAN_CLIP, LOG_MEAN_CLIP))
        phi = float(weights @ np.exp(np.clip(cloud.x[:, -1], -LOG_SHAPE_CLIP, LOG_SHAPE_CLIP)))
        residual = (model.data.counts - mean) / np.sqrt(mean + phi * mean**2)
        return mean, residual, "count less expected count, over its standard deviation (Pearson residual)"
    good = good_outcomes(model)
    chance = weights @ chances_of_good(model, cloud.x)
    return chance, good - chance, "1 for a good weld and 0 for a failed one, less the chance of a good one"
