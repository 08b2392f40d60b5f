"""Posterior draws in little room: what the report's page needs to work every number out again.

Every model's draws act on a setting through a linear predictor: coefficients times columns, each column a product of
simple functions of one factor each. A column is written as such a product, and the draws are stored parameter by
parameter in sixteen bits between that parameter's smallest and largest draw: half a step is 1/131070 of its range,
and of a chance averaged over thousands of draws next to nothing is left of it (tests: below 1e-4).

Parts of a column, as JSON takes them:

- ``["power", j, m]``: coded factor j, its centred power as in ``doe.models.surface``: x, x^2 - 1/2, x^3 - 0.8 x
- ``["kind", j, [..]]``: a number for each kind of factor j
- ``["log", j, c]``: log of natural factor j over c
- ``["start"]``: what tells a first weld from a later one
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from doe.coding import FloatArray
from doe.models.breaker import REFERENCE, BreakerPosterior, exponent, log_shape
from doe.models.coded_trip import CodedTripPosterior
from doe.models.count import CountPosterior
from doe.models.fit import Posterior
from doe.models.load import LoadColumns
from doe.models.measure_posterior import MeasurePosterior
from doe.models.negative_binomial import LOG_SHAPE_CLIP
from doe.models.passing import PassPosterior
from doe.models.surface import Surface, kind_contrasts
from doe.models.trip_cause import CausePosterior
from doe.models.weibull import LOG_SHAPE_CLIP as WEIBULL_CLIP

Form = Literal["normal", "count", "hold", "pass"]
Part = list[object]

TOP: Final = 65_535
"""Largest number in sixteen bits."""


@dataclass(frozen=True, eq=False)
class CompactPosterior:
    """One response's draws.

    Attributes
    ----------
    form : {"normal", "count", "hold", "pass"}
        What is done with the linear predictor: mean of a reading with normal scatter (further parameter: log of the
        scatter); log mean of a negative binomial count (log phi); log of the median time to trip (log of the Weibull
        shape, scatter of the log time by the load); logit of passing (none).
    columns : tuple of tuple of Part
        One product a coefficient.
    first, later : float
        ``["start"]`` of a first and of a later weld.
    shifted : int
        The factor that ``first`` or ``later`` is added to, natural; -1 for none.
    lows, steps : ndarray, shape (n_parameters,)
    codes : ndarray of uint16, shape (n_parameters, n_draws)
        A draw is ``low + step * code``; the coefficients first, then the further parameters.
    """

    form: Form
    columns: tuple[tuple[Part, ...], ...]
    first: float
    later: float
    shifted: int
    lows: FloatArray
    steps: FloatArray
    codes: npt.NDArray[np.uint16]

    @property
    def draws(self) -> FloatArray:
        """The draws as they can be had back, shape (n_draws, n_parameters)."""
        return np.asarray((self.lows[:, None] + self.steps[:, None] * self.codes).T)


def compact(posterior: Posterior) -> CompactPosterior:
    """Write a posterior's draws in little room.

    Raises
    ------
    TypeError
        If the posterior is of no known kind.
    """
    if isinstance(posterior, MeasurePosterior):
        further = np.log(posterior.new_weld_sd)[:, None]
        return _of_surface("normal", posterior.surface, np.hstack([posterior.coefficients, further]))
    if isinstance(posterior, CountPosterior):
        log_phi = np.clip(posterior.parameters[:, -1:], -LOG_SHAPE_CLIP, LOG_SHAPE_CLIP)
        return _of_surface("count", posterior.surface, np.hstack([posterior.parameters[:, :-1], log_phi]))
    if isinstance(posterior, PassPosterior):
        return _of_surface("pass", posterior.surface, posterior.parameters)
    if isinstance(posterior, CodedTripPosterior):
        return _of_surface("hold", posterior.surface, _coded_trip_draws(posterior))
    if isinstance(posterior, CausePosterior):
        return _of_causes(posterior)
    if isinstance(posterior, BreakerPosterior):
        return _of_breaker(posterior.load.columns, _breaker_draws(posterior))
    message = f"no compact form is known for {type(posterior).__name__}"
    raise TypeError(message)


def log_hold_of(posterior: Posterior) -> float | None:
    """Give the log of the arc time that must be held; None where the response is no trip. [log s]."""
    if isinstance(posterior, CausePosterior):
        return posterior.by_load.log_hold
    if isinstance(posterior, CodedTripPosterior | BreakerPosterior):
        return posterior.log_hold
    return None


def _pack(draws: FloatArray) -> tuple[FloatArray, FloatArray, npt.NDArray[np.uint16]]:
    """Store draws, shape (n_draws, n_parameters), in sixteen bits each."""
    lows = draws.min(axis=0)
    steps = (draws.max(axis=0) - lows) / TOP
    codes = np.rint((draws - lows) / np.where(steps > 0.0, steps, 1.0))
    return lows, steps, np.ascontiguousarray(codes.T.astype(np.uint16))


def _of_surface(form: Form, surface: Surface, draws: FloatArray) -> CompactPosterior:
    """Write draws of a surface's columns."""
    index, start = surface.coding.index, surface.start
    columns: list[tuple[Part, ...]] = []
    for column in surface.columns:
        if column.covariate:
            columns.append((["start"],))
            continue
        powers: list[Part] = [["power", index[name], power] for name, power in column.term.powers]
        kinds: list[Part] = []
        for name, kind in column.term.kinds:
            names = surface.coding[name].kinds
            kinds.append(["kind", index[name], kind_contrasts(len(names))[:, names.index(kind)].tolist()])
        columns.append((*powers, *kinds))
    shifted = start.preheat if start.rule == "preheat" else -1
    return CompactPosterior(form, tuple(columns), start.first, start.later, shifted, *_pack(draws))


def _coded_trip_draws(posterior: CodedTripPosterior) -> FloatArray:
    """Give coefficients, log shape and the scatter by the load, which is none."""
    x = posterior.parameters
    shape = np.clip(x[:, -1:], -WEIBULL_CLIP, WEIBULL_CLIP)
    return np.hstack([x[:, :-1], shape, np.zeros((len(x), 1))])


def _breaker_draws(posterior: BreakerPosterior) -> FloatArray:
    """Give the coefficients of log time on the load's columns and on the start, log shape, scatter by the load."""
    b = exponent(posterior.parameters)
    coefficients = -b[:, None] * posterior.trend
    coefficients[:, 0] += posterior.parameters[:, 0] + b * np.log(REFERENCE)
    shape = np.clip(log_shape(posterior.parameters), -WEIBULL_CLIP, WEIBULL_CLIP)
    return np.column_stack([coefficients, posterior.later, shape, b * posterior.scatter])


def _of_causes(posterior: CausePosterior) -> CompactPosterior:
    """Write draws of both causes; where the load is not the cause every column but the constant counts for nothing."""
    by_load = _breaker_draws(posterior.by_load)
    draws = np.zeros((posterior.n_draws, by_load.shape[1]))
    if not posterior.is_other.all():
        draws[~posterior.is_other] = by_load
    if posterior.is_other.any():
        other = _coded_trip_draws(posterior.by_other)
        draws[posterior.is_other, 0] = other[:, 0]
        draws[posterior.is_other, -2] = other[:, -2]
    return _of_breaker(posterior.by_load.load.columns, draws)


def _of_breaker(load: LoadColumns, draws: FloatArray) -> CompactPosterior:
    """Write draws of the load's columns, with the start as the last of them."""
    start: tuple[Part, ...] = (["start"],)
    columns = (*_load_columns(load), start)
    return CompactPosterior("hold", columns, -0.5, 0.5, -1, *_pack(draws))


def _load_columns(load: LoadColumns) -> Sequence[tuple[Part, ...]]:
    """Write the columns of the load's trend, in the order of ``LoadColumns``."""
    centres = dict(load.centres)
    columns: list[tuple[Part, ...]] = [()]
    for j, factor in enumerate(load.study.factors):
        if factor.is_kind:
            contrasts = kind_contrasts(len(factor.kinds))
            columns += [(["kind", j, contrasts[:, c].tolist()],) for c in range(contrasts.shape[1])]
        elif factor.name in centres:
            columns.append((["log", j, centres[factor.name]],))
        elif load.with_preheat or factor.role != "preheat":
            columns.append((["power", j, 1],))
    return columns
