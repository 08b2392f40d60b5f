"""A virtual welder welds a plan and measures what came out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doe.bench.results import Counts, Measurement, Passes, Readings, Results, Trips
from doe.coding import FloatArray
from doe.planning.plan import Plan
from doe.study.model import Response, Study
from doe.virtual.welder import VirtualWelder, draw_trip_time_s, load_ratio, mean_penetration_mm, mean_pores

END_MM = 20.0
"""Length left out at each end of a bead before pores are counted: start and stop are not the steady part. [mm]"""


@dataclass(frozen=True)
class Bench:
    """How the welds are run and what is recorded.

    Attributes
    ----------
    hold_times : float
        Arc time of a test weld, in multiples of the trip's ``hold``.
    records_line_current : bool
        Whether a plug-in meter is read during each weld.
    cuts : int
        Sections measured on each weld.
    """

    hold_times: float = 2.0
    records_line_current: bool = True
    cuts: int = 1


def weld_plan(plan: Plan, welder: VirtualWelder, *, rng: np.random.Generator, bench: Bench | None = None) -> Results:
    """Weld every weld of a plan.

    Parameters
    ----------
    plan : Plan
    welder : VirtualWelder
    rng : numpy.random.Generator
    bench : Bench, optional

    Returns
    -------
    Results
        What would be read from the filled-in table: settings as planned (the hand's wander is in the scatter),
        readings rounded as a ruler, an eye and a stopwatch give them.
    """
    bench = bench or Bench()
    study, n = plan.study, len(plan.welds)
    settings = _settings_held(plan, rng)
    arc_s, tripped = _arc_times(study, settings, welder, rng=rng, hold_times=bench.hold_times)
    penetration = _penetration(plan, settings, welder, rng=rng, cuts=bench.cuts)
    readings: dict[str, Readings] = {}
    for response in study.responses:
        readings[response.name] = _read(response, study, settings, welder, rng, (penetration, arc_s, tripped))
    conditions = {}
    if bench.records_line_current and study.supply.breaker_a:
        noise = np.exp(rng.normal(0.0, welder.trip.meter_sd, n))
        current = load_ratio(welder, study, settings) * study.supply.breaker_a * noise
        conditions["line current [A]"] = np.round(current, 1)
    return Results(
        study=study,
        weld=tuple(w.weld for w in plan.welds),
        plate=tuple(w.plate for w in plan.welds),
        block=tuple(w.block or "" for w in plan.welds),
        role=tuple(w.role for w in plan.welds),
        file=("results.csv",) * n,
        position=np.array([w.position for w in plan.welds]),
        order=np.array([w.order for w in plan.welds]),
        row=np.arange(2, n + 2),
        planned=plan.settings,
        settings=plan.settings,
        status=tuple("aborted" if trip else "done" for trip in tripped),
        readings=readings,
        conditions=conditions,
    )


def _settings_held(plan: Plan, rng: np.random.Generator) -> FloatArray:
    """Give what the dials really held: the plan, and the wander each factor states."""
    wander = np.array([factor.set_within for factor in plan.study.factors])
    return np.asarray(plan.settings + rng.normal(0.0, 1.0, plan.settings.shape) * wander)


def _penetration(
    plan: Plan, settings: FloatArray, welder: VirtualWelder, *, rng: np.random.Generator, cuts: int
) -> FloatArray:
    """Draw readings of penetration, shape (n_welds, cuts), to a tenth of a millimetre at best. [mm]."""
    part, study = welder.weld, plan.study
    is_later = np.array([w.position > 1 for w in plan.welds]) & (study.plan.later_welds == "warm")
    mean = mean_penetration_mm(welder, study, settings)
    mean = np.where(is_later, mean_penetration_mm(welder, study, settings, later=True), mean)
    mean = mean + _shared(rng, [w.plate for w in plan.welds], part.plate_sd)
    mean = mean + _shared(rng, [w.block or "" for w in plan.welds], part.block_sd)
    mean = mean + part.drift * np.array([w.order - 1 for w in plan.welds]) / max(len(plan.welds) - 1, 1)
    weld = mean + rng.normal(0.0, part.weld_sd, len(mean))
    read = weld[:, None] + rng.normal(0.0, part.reading_sd, (len(mean), cuts))
    wrong = rng.random(read.shape) < part.misread_share
    read = np.where(wrong, read * rng.uniform(0.5, 1.6, read.shape), read)
    return np.asarray(np.round(np.maximum(read, 0.0), 2), dtype=float)


def _shared(rng: np.random.Generator, labels: list[str], sd: float) -> FloatArray:
    """Draw one effect a label and give each row its label's."""
    names, index = np.unique(labels, return_inverse=True)
    return np.asarray(rng.normal(0.0, sd, len(names))[index])


def _arc_times(
    study: Study, settings: FloatArray, welder: VirtualWelder, *, rng: np.random.Generator, hold_times: float
) -> tuple[FloatArray, FloatArray]:
    """Give the arc time of each weld and whether it ended in a trip. [s]."""
    held = [r.hold_s for r in study.responses if r.kind == "trip" and r.hold_s]
    planned = hold_times * (max(held) if held else 30.0)
    trip = draw_trip_time_s(welder, study, settings, rng)
    return np.asarray(np.round(np.minimum(trip, planned)), dtype=float), np.asarray(trip < planned, dtype=float)


def _read(
    response: Response,
    study: Study,
    settings: FloatArray,
    welder: VirtualWelder,
    rng: np.random.Generator,
    outcome: tuple[FloatArray, FloatArray, FloatArray],
) -> Readings:
    """Read one response off the welds."""
    penetration, arc_s, tripped = outcome
    if response.kind == "measure":
        full = np.full(len(settings), np.inf if response.full is None else response.full)
        return Measurement(np.minimum(penetration, full[:, None]), full)
    if response.kind == "count":
        length = np.maximum(arc_s * (study.job.travel_speed_mm_s or 5.0) - 2 * END_MM, 10.0)
        mean = mean_pores(welder, study, settings) * length / (response.per_mm or 100.0)
        size = welder.pores.size
        return Counts(
            rng.negative_binomial(size, size / (size + mean)).astype(float), np.asarray(np.round(length), dtype=float)
        )
    if response.kind == "trip":
        return Trips(tripped, arc_s)
    return Passes((penetration[:, 0] > 0.5).astype(float))
