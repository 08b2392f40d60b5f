"""Welds that were not made yet, read off one draw from the posterior.

A draw is one machine that the welds so far leave possible. Welding on it, and reading what comes out as this study
reads (the same number of cuts, the same inspected length, the same arc time), gives results that can be fitted as if
they had been measured.
"""

from __future__ import annotations

import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, TypeVar

import numpy as np

from doe.bench.results import Counts, Measurement, Passes, Readings, Results, Trips, keep_counts
from doe.coding import FloatArray
from doe.models.breaker import REFERENCE, BreakerPosterior, exponent, log_shape
from doe.models.coded_trip import CodedTripPosterior
from doe.models.count import CountPosterior
from doe.models.fit import Points, Posterior
from doe.models.load import LoadTrend
from doe.models.measure_posterior import MeasurePosterior
from doe.models.passing import PassPosterior
from doe.models.surface import PLATE_TEMPERATURE, BoolArray, find_start
from doe.models.trip import usable_trips
from doe.models.trip_cause import CausePosterior
from doe.models.usable import usable_readings
from doe.models.weibull import LOG_LOG_2, shape_of
from doe.planning.plan import SECOND, PlannedWeld
from doe.study.model import Response
from doe.units import convert
from doe.window.next_round import n_made

Kind = TypeVar("Kind", Measurement, Counts, Trips, Passes)

USUAL_SHARE: Final = 0.5
"""A meter that was read on at least this share of the welds is taken to be read on the new ones too. Our choice."""
METER_SCATTER: Final = 0.03
"""Scatter of a new computed load ratio about its trend; how far the trend itself is off does not show in readings.
Our planning value. [log]"""


@dataclass(frozen=True, eq=False)
class Machine:
    """One possible machine, and the welds to be made on it.

    Attributes
    ----------
    results : Results
        What was measured so far: it shows how this study reads.
    welds : tuple of PlannedWeld
        The welds to be made.
    draw : int
        Which of the posteriors' draws is the machine.
    rng : Generator
    """

    results: Results
    welds: tuple[PlannedWeld, ...]
    draw: int
    rng: np.random.Generator

    @property
    def settings(self) -> FloatArray:
        """Natural settings of the welds to be made, shape (n, n_factors)."""
        return np.array([weld.settings for weld in self.welds], dtype=float)

    @property
    def is_later(self) -> BoolArray:
        """Which of them start on a warm plate, shape (n,)."""
        warm = self.results.study.plan.later_welds == "warm"
        return np.array([warm and weld.position > 1 for weld in self.welds], dtype=bool)

    @property
    def is_second(self) -> BoolArray:
        """Which of them are second beads, of which nothing but a count is read, shape (n,)."""
        return np.array([weld.role == SECOND for weld in self.welds], dtype=bool)

    def shared(self, labels: Sequence[str], sd: float) -> FloatArray:
        """Draw one effect a label, and give each weld its label's, shape (n,)."""
        names, index = np.unique(list(labels), return_inverse=True)
        return np.asarray(self.rng.normal(0.0, 1.0, len(names))[index] * sd)


@dataclass(frozen=True, eq=False)
class ArcTimes:
    """Arc time and trip of each new weld, and the log load ratio its meter shows (None where none is read)."""

    time_s: FloatArray
    tripped: BoolArray
    shown: FloatArray | None = None


def simulate_results(
    results: Results, posteriors: Mapping[str, Posterior], welds: tuple[PlannedWeld, ...], *, draw: int, seed: int
) -> Results:
    """Weld new welds on the machine of one draw, and add their readings to the results.

    Parameters
    ----------
    results : Results
    posteriors : mapping of str to Posterior
        Response to its posterior; responses without one are not read.
    welds : tuple of PlannedWeld
    draw : int
    seed : int
        Each draw has a random stream of its own.
    """
    machine = Machine(results, welds, draw, np.random.default_rng([seed, draw]))
    arcs = {
        name: _arc_times(posterior, machine, results.study.response(name))
        for name, posterior in posteriors.items()
        if results.study.response(name).kind == "trip"
    }
    share = _share_run(arcs, len(welds))
    readings = {}
    for name, known in results.readings.items():
        new = _unread(known, len(welds))
        if name in arcs:
            new = Trips(arcs[name].tripped.astype(float), arcs[name].time_s)
        elif name in posteriors:
            new = _read(posteriors[name], machine, results.study.response(name), share)
        readings[name] = _joined(known, keep_counts(new, machine.is_second))
    tripped = np.any([arc.tripped for arc in arcs.values()], axis=0) if arcs else np.zeros(len(welds), dtype=bool)
    return _appended(machine, readings, _conditions(machine, posteriors, arcs), tripped)


def _share_run(arcs: Mapping[str, ArcTimes], n: int) -> FloatArray:
    """Give the share of its length that each weld came to before the first trip, shape (n,)."""
    share = np.ones(n)
    for arc in arcs.values():
        held = arc.time_s[~arc.tripped]
        full = held.max() if len(held) else arc.time_s.max()
        share = np.minimum(share, np.where(arc.tripped, arc.time_s / full, 1.0))
    return np.maximum(share, 0.05)


# --- readings, by the kind of posterior


@functools.singledispatch
def _read(posterior: object, machine: Machine, response: Response, share: FloatArray) -> Readings:  # noqa: ARG001
    """Read one response off the new welds; ``share`` is how much of its length each weld came to."""
    message = f"{type(posterior).__name__} cannot be welded on"
    raise TypeError(message)


def _mean(posterior: Posterior, machine: Machine) -> FloatArray:
    """Give the machine's mean at each new weld, shape (n,)."""
    first = posterior.mean(Points(machine.settings))[machine.draw]
    if not machine.is_later.any():
        return np.asarray(first)
    later = posterior.mean(Points(machine.settings, later=True))[machine.draw]
    return np.asarray(np.where(machine.is_later, later, first))


@_read.register
def _(posterior: MeasurePosterior, machine: Machine, response: Response, share: FloatArray) -> Measurement:  # noqa: ARG001 - a trip leaves a steady part to be cut
    known = _known(machine.results, response, Measurement)
    d, rng, usable = machine.draw, machine.rng, usable_readings(known)
    weld = _mean(posterior, machine) + machine.shared([w.plate for w in machine.welds], posterior.plate_sd[d])
    weld = weld + machine.shared([w.block or "" for w in machine.welds], posterior.block_sd[d])
    weld = weld + rng.normal(0.0, posterior.weld_sd[d], len(weld))
    cuts = int(np.median(usable.cuts))
    values = np.full((len(weld), known.values.shape[1]), np.nan)
    values[:, :cuts] = weld[:, None] + rng.normal(0.0, 1.0, (len(weld), cuts)) * (usable.reading_sd or 0.0)
    if usable.resolution > 0.0:
        values = np.round(values / usable.resolution) * usable.resolution
    full = np.full(len(weld), float(np.median(known.full)))
    return Measurement(np.minimum(values, full[:, None]), full)


@_read.register
def _(posterior: CountPosterior, machine: Machine, response: Response, share: FloatArray) -> Counts:
    known = _known(machine.results, response, Counts)
    length = known.length_mm[np.isfinite(known.counts) & np.isfinite(known.length_mm)]
    usual = float(np.median(length)) if len(length) else np.nan
    exposure = usual / (response.per_mm or usual) if np.isfinite(usual) else 1.0
    mean = _mean(posterior, machine) * exposure * share
    size = 1.0 / float(posterior.phi[machine.draw])
    counts = machine.rng.negative_binomial(size, size / (size + mean)).astype(float)
    return Counts(counts, usual * share)


@_read.register
def _(posterior: PassPosterior, machine: Machine, response: Response, share: FloatArray) -> Passes:  # noqa: ARG001
    chance = _mean(posterior, machine)
    return Passes((machine.rng.random(len(chance)) < chance).astype(float))


def _known(results: Results, response: Response, kind: type[Kind]) -> Kind:
    """Give a response's readings, which are of a known kind."""
    readings = results.readings[response.name]
    if not isinstance(readings, kind):
        message = f"{response.name} has no readings of the kind {kind.__name__}"
        raise TypeError(message)
    return readings


# --- trips


@functools.singledispatch
def _arc_times(posterior: object, machine: Machine, response: Response) -> ArcTimes:  # noqa: ARG001
    """Draw arc times and trips of the new welds."""
    message = f"{type(posterior).__name__} cannot be welded on"
    raise TypeError(message)


@_arc_times.register
def _(posterior: CausePosterior, machine: Machine, response: Response) -> ArcTimes:
    is_other = posterior.is_other
    row = int(np.count_nonzero(is_other[: machine.draw] == is_other[machine.draw]))
    if not is_other[machine.draw]:
        return _arc_times(posterior.by_load, replace(machine, draw=row), response)
    arc = _arc_times(posterior.by_other, replace(machine, draw=row), response)
    load = posterior.by_load.load
    return replace(arc, shown=_shown(load, machine, load.columns(machine.settings) @ load.mean))


@_arc_times.register
def _(posterior: BreakerPosterior, machine: Machine, response: Response) -> ArcTimes:
    d = machine.draw
    trend = posterior.load.columns(machine.settings) @ posterior.trend[d]
    log_ratio = trend + machine.rng.normal(0.0, 1.0, len(trend)) * posterior.scatter[d]
    x = posterior.parameters[[d]]
    eta = x[0, 0] - float(exponent(x)[0]) * (log_ratio - np.log(REFERENCE))
    eta = eta + posterior.later[d] * np.where(machine.is_later, 0.5, -0.5)
    return _run(machine, response, eta, log_shape(x), _shown(posterior.load, machine, log_ratio))


@_arc_times.register
def _(posterior: CodedTripPosterior, machine: Machine, response: Response) -> ArcTimes:
    x = posterior.parameters[[machine.draw]]
    first = posterior.surface.matrix(machine.settings) @ x[0, :-1]
    later = posterior.surface.matrix(machine.settings, later=True) @ x[0, :-1]
    return _run(machine, response, np.where(machine.is_later, later, first), x[:, -1], None)


def _run(
    machine: Machine, response: Response, eta: FloatArray, log_shape: FloatArray, shown: FloatArray | None
) -> ArcTimes:
    """Light the arc: it runs its usual time or until the supply trips. log T = eta + (z - log log 2) / shape."""
    z = np.log(machine.rng.exponential(1.0, len(eta)))
    log_time = eta + (z - LOG_LOG_2) / float(shape_of(log_shape)[0])
    usual = _usual_arc_s(machine.results, response)
    tripped = log_time < np.log(usual)
    return ArcTimes(np.where(tripped, np.exp(np.minimum(log_time, np.log(usual))), usual), tripped, shown)


def _usual_arc_s(results: Results, response: Response) -> float:
    """Give the arc time that welds without a trip were usually held for; twice the hold where every weld tripped."""
    trips = usable_trips(results, _known(results, response, Trips))
    held = np.exp(trips.times.log_time[~trips.times.tripped])
    return float(np.median(held)) if len(held) else 2.0 * (response.hold_s or float(np.exp(trips.times.log_time.max())))


def _shown(load: LoadTrend, machine: Machine, log_ratio: FloatArray) -> FloatArray | None:
    """Give the log load ratio that the new welds' meters show; None where most welds had none read."""
    run = n_made(machine.results)
    if load.n_readings < USUAL_SHARE * run:
        return None
    if load.kind == "measured":
        return log_ratio
    mean = load.columns(machine.settings) @ load.mean
    return np.asarray(mean + machine.rng.normal(0.0, METER_SCATTER, len(mean)))


# --- conditions


def _conditions(
    machine: Machine, posteriors: Mapping[str, Posterior], arcs: Mapping[str, ArcTimes]
) -> dict[str, FloatArray]:
    """Give the conditions of the new welds that the models use, nan elsewhere."""
    known = machine.results.conditions
    new = {name: np.full(len(machine.welds), np.nan) for name in known}
    for name, arc in arcs.items():
        posterior = posteriors[name]
        if isinstance(posterior, CausePosterior | BreakerPosterior) and arc.shown is not None:
            load = posterior.by_load.load if isinstance(posterior, CausePosterior) else posterior.load
            shown = np.where(machine.is_second, np.nan, np.exp(arc.shown))
            new |= _load_readings(machine.results, load, shown)
    temperature = _plate_temperature(machine)
    if temperature is not None:
        new[PLATE_TEMPERATURE] = temperature
    return new


def _load_readings(results: Results, load: LoadTrend, ratio: FloatArray) -> dict[str, FloatArray]:
    """Give the meter readings that show a load ratio: line current, or arc volts and amps."""
    current = ratio * (results.study.supply.breaker_a or np.nan)
    if load.kind == "measured":
        return {"line current [A]": current}
    supply, machine = results.study.supply, results.study.machine
    arc_v = float(np.nanmedian(results.conditions["arc voltage [V]"]))
    line_v = supply.voltage_v or float(np.nanmedian(results.conditions["line voltage [V]"]))
    power = current * line_v * (machine.efficiency or np.nan) * (machine.power_factor or np.nan)
    n = len(ratio)
    return {
        "arc voltage [V]": np.full(n, arc_v),
        "arc current [A]": power / arc_v,
        "line voltage [V]": np.full(n, line_v),
    }


def _plate_temperature(machine: Machine) -> FloatArray | None:
    """Give the plate temperature before each new weld, as seen so far; None where it is not used. [degC]."""
    start = find_start(machine.results)
    if start.rule not in {"preheat", "plate temperature"}:
        return None
    value = np.where(machine.is_later, start.later, start.first)
    if start.rule == "plate temperature":
        return np.asarray(start.centre + start.scale * value)
    unit = machine.results.study.factors[start.preheat].unit
    return np.asarray(convert(machine.settings[:, start.preheat] + value, unit, "degC"))


# --- putting them behind what was measured


def _unread(known: Readings, n: int) -> Readings:
    """Give readings of n welds on which nothing was read."""
    blank = np.full(n, np.nan)
    if isinstance(known, Measurement):
        return Measurement(np.full((n, known.values.shape[1]), np.nan), np.full(n, np.inf))
    if isinstance(known, Counts):
        return Counts(blank, blank.copy())
    if isinstance(known, Trips):
        return Trips(blank, blank.copy())
    return Passes(blank)


def _joined(known: Readings, new: Readings) -> Readings:
    """Put readings of the same kind behind one another."""
    both = {name: np.concatenate([value, vars(new)[name]]) for name, value in vars(known).items()}
    return type(known)(**both)


def _appended(
    machine: Machine, readings: Mapping[str, Readings], conditions: Mapping[str, FloatArray], tripped: BoolArray
) -> Results:
    """Put the new welds behind those that were made; they stand in a table of their own."""
    results, welds, n = machine.results, machine.welds, len(machine.welds)
    settings = machine.settings
    known = {name: np.concatenate([values, conditions[name]]) for name, values in results.conditions.items()}
    blank = np.full(results.n_welds, np.nan)
    known |= {name: np.concatenate([blank, new]) for name, new in conditions.items() if name not in known}
    return replace(
        results,
        weld=(*results.weld, *(w.weld for w in welds)),
        plate=(*results.plate, *(w.plate for w in welds)),
        block=(*results.block, *(w.block or "" for w in welds)),
        role=(*results.role, *(w.role for w in welds)),
        file=(*results.file, *("the welds to be made",) * n),
        position=np.concatenate([results.position, [w.position for w in welds]]),
        order=np.concatenate([results.order, [w.order for w in welds]]),
        row=np.concatenate([results.row, np.zeros(n, dtype=int)]),
        planned=np.vstack([results.planned, settings]),
        settings=np.vstack([results.settings, settings]),
        status=(*results.status, *("aborted" if trip else "done" for trip in tripped)),
        readings=dict(readings),
        conditions=known,
        remarks={name: (*words, *("",) * n) for name, words in results.remarks.items()},
    )
