"""A virtual welder welds a plan and measures what came out."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from doe.bench.results import Counts, Measurement, Passes, Readings, Results, Trips, keep_counts, take_rows
from doe.coding import FloatArray
from doe.planning.plan import Plan
from doe.study.model import Response, Study
from doe.virtual.parts import VirtualWelder, WeldPart
from doe.virtual.welder import draw_trip_time_s, load_ratio, mean_depth, mean_pores, one_in_unit

END_MM: Final = 20.0
"""Length left out at each end of a bead before pores are counted: start and stop are not the steady part. [mm]"""
ARC_VOLTS: Final = (19.65, 2.6)
"""Arc voltage at the middle of the region, and from there to its end. [V]"""
AIMS: Final = (5.0, 16.0)
"""Travel speed and stick-out aimed at where the job states none. [mm/s], [mm]"""


@dataclass(frozen=True)
class Bench:
    """How the welds are run and what is recorded.

    Attributes
    ----------
    hold_times : float
        Arc time of a test weld, in multiples of the trip's ``hold``.
    records_line_current : bool
        Whether a plug-in meter is read during each weld.
    records_arc : bool
        Whether arc volts and amps are read.
    records_hand : bool
        Whether travel speed and stick-out are read.
    cuts : int
        Sections measured on each weld.
    inspected : float or None
        Criterion lengths looked over for pores on a weld that ran its full time, one that tripped in proportion; None:
        the steady part of the bead at the job's travel speed.
    """

    hold_times: float = 2.0
    records_line_current: bool = True
    records_arc: bool = False
    records_hand: bool = False
    cuts: int = 1
    inspected: float | None = None


@dataclass(frozen=True, eq=False)
class Welding:
    """One plan being welded: what the readings are taken from.

    Attributes
    ----------
    plan : Plan
    welder : VirtualWelder
    bench : Bench
    settings : ndarray, shape (n_welds, n_factors)
        What the dials really held.
    arc_s, planned_s : ndarray, float
        Arc time of each weld, and of a weld that does not trip. [s]
    tripped : ndarray, shape (n_welds,)
    rng : numpy.random.Generator
    """

    plan: Plan
    welder: VirtualWelder
    bench: Bench
    settings: FloatArray
    arc_s: FloatArray
    planned_s: float
    tripped: FloatArray
    rng: np.random.Generator

    def shared(self, labels: list[str], sd: float) -> FloatArray:
        """Draw one effect a label and give each weld its label's."""
        names, index = np.unique(labels, return_inverse=True)
        return np.asarray(self.rng.normal(0.0, sd, len(names))[index])

    @property
    def plates(self) -> list[str]:
        """The plate of each weld."""
        return [weld.plate for weld in self.plan.welds]


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
        readings rounded as a ruler, an eye and a stopwatch give them. Second beads are made after all others, which
        come out as they would without them, and only their pores are counted.
    """
    first = _weld(replace(plan, welds=plan.designed), welder, rng, bench)
    if not plan.second_beads:
        return first
    second = _looked_over(_weld(replace(plan, welds=plan.second_beads), welder, rng, bench))
    both = add_results(first, second)
    rows = take_rows(both, np.array([both.weld.index(weld.weld) for weld in plan.welds]))
    return replace(rows, row=np.arange(2, rows.n_welds + 2))


def _looked_over(made: Results) -> Results:
    """Leave of second beads' readings what is asked of them: counts over their lengths."""
    blank = np.full(made.n_welds, np.nan)
    return replace(
        made,
        status=("done",) * made.n_welds,
        readings={name: keep_counts(found, np.full(made.n_welds, True)) for name, found in made.readings.items()},
        conditions=dict.fromkeys(made.conditions, blank),
    )


def _weld(plan: Plan, welder: VirtualWelder, rng: np.random.Generator, bench: Bench | None) -> Results:
    """Weld a plan's welds and read everything off them."""
    welding, n = _welding(plan, welder, bench or Bench(), rng), len(plan.welds)
    beyond, depths = _depths(welding)
    readings = {response.name: _read(response, welding, depths) for response in plan.study.responses}
    return Results(
        study=plan.study,
        weld=tuple(w.weld for w in plan.welds),
        plate=tuple(w.plate for w in plan.welds),
        block=tuple(w.block or "" for w in plan.welds),
        role=tuple(w.role for w in plan.welds),
        file=("results.csv" if plan.stage == 1 else f"results-{plan.stage}.csv",) * n,
        position=np.array([w.position for w in plan.welds]),
        order=np.array([w.order for w in plan.welds]),
        row=np.arange(2, n + 2),
        planned=plan.settings,
        settings=plan.settings,
        status=tuple("aborted" if trip else "done" for trip in welding.tripped),
        readings=readings,
        conditions=_conditions(welding) | _hand_readings(welding, beyond),
    )


def _welding(plan: Plan, welder: VirtualWelder, bench: Bench, rng: np.random.Generator) -> Welding:
    """Burn the arc of every weld of a plan, until it trips or the weld is done."""
    settings = _settings_held(plan, rng)
    planned_s = bench.hold_times * max([r.hold_s for r in plan.study.responses if r.hold_s], default=30.0)
    trip_s = draw_trip_time_s(welder, plan.study, settings, rng)
    arc_s = np.asarray(np.round(np.minimum(trip_s, planned_s)), dtype=float)
    tripped = np.asarray(trip_s < planned_s, dtype=float)
    return Welding(plan, welder, bench, settings, arc_s, planned_s, tripped, rng)


def add_results(earlier: Results, later: Results) -> Results:
    """Put a later stage's results behind an earlier one's, both welded by ``weld_plan`` with the same bench."""
    return replace(
        earlier,
        weld=(*earlier.weld, *later.weld),
        plate=(*earlier.plate, *later.plate),
        block=(*earlier.block, *later.block),
        role=(*earlier.role, *later.role),
        file=(*earlier.file, *later.file),
        position=np.concatenate([earlier.position, later.position]),
        order=np.concatenate([earlier.order, later.order]),
        row=np.concatenate([earlier.row, later.row]),
        planned=np.vstack([earlier.planned, later.planned]),
        settings=np.vstack([earlier.settings, later.settings]),
        status=(*earlier.status, *later.status),
        readings={name: _joined(known, later.readings[name]) for name, known in earlier.readings.items()},
        conditions={name: np.concatenate([v, later.conditions[name]]) for name, v in earlier.conditions.items()},
    )


def _joined(known: Readings, new: Readings) -> Readings:
    """Put readings of one response behind one another."""
    both = {name: np.concatenate([value, vars(new)[name]]) for name, value in vars(known).items()}
    return type(known)(**both)


def _settings_held(plan: Plan, rng: np.random.Generator) -> FloatArray:
    """Give what the dials really held: the plan, and the wander each factor states."""
    wander = np.array([factor.set_within for factor in plan.study.factors])
    return np.asarray(plan.settings + rng.normal(0.0, 1.0, plan.settings.shape) * wander)


def _depths(welding: Welding) -> tuple[FloatArray, dict[str, FloatArray]]:
    """Draw the readings of every measure, and of the depth that a pass is judged by (under the name "").

    The first value is how far each weld's depth lies from that of welds made alike, in their scatter.
    """
    study, welder = welding.plan.study, welding.welder
    names = [r.name for r in study.responses if r.kind == "measure" and r.name in welder.others]
    beyond, main = _depth(welding, welder.weld)
    return beyond, {"": main} | {name: _depth(welding, welder.others[name])[1] for name in names}


def _depth(welding: Welding, part: WeldPart) -> tuple[FloatArray, FloatArray]:
    """Draw the scatter between welds of one measure, over its sd, and its readings, shape (n_welds, cuts).

    Readings are to a hundredth of the measure's unit.
    """
    plan, rng = welding.plan, welding.rng
    study, total = plan.study, max(plan.study.plan.welds, *(w.order for w in plan.welds), 2)
    is_later = np.array([w.position > 1 for w in plan.welds]) & (study.plan.later_welds == "warm")
    mean = mean_depth(part, study, welding.settings)
    mean = np.where(is_later, mean_depth(part, study, welding.settings, later=True), mean)
    mean = mean + welding.shared(welding.plates, part.plate_sd)
    mean = mean + welding.shared([w.block or "" for w in plan.welds], part.block_sd)
    mean = mean + part.drift * (np.array([w.order - 1 for w in plan.welds]) / (total - 1) - 0.5)
    beyond = rng.normal(0.0, 1.0, len(mean))
    weld = mean + part.weld_sd * beyond
    read = weld[:, None] + rng.normal(0.0, part.reading_sd, (len(mean), welding.bench.cuts))
    wrong = rng.random(read.shape) < part.misread_share
    read = np.where(wrong, read * rng.uniform(0.5, 1.6, read.shape), read)
    return beyond, np.asarray(np.round(np.maximum(read, 0.0), 2), dtype=float)


def _read(response: Response, welding: Welding, depths: dict[str, FloatArray]) -> Readings:
    """Read one response off the welds."""
    if response.kind == "measure":
        read = depths.get(response.name, depths[""])
        one = one_in_unit(welding.welder, response)
        if one != 1.0:
            read = np.asarray(np.round(read * one, 3), dtype=float)
        full = np.full(len(read), np.inf if response.full is None else response.full)
        return Measurement(np.minimum(read, full[:, None]), full)
    if response.kind == "count":
        return _count(response, welding)
    if response.kind == "trip":
        return Trips(welding.tripped, welding.arc_s)
    return Passes((depths[""][:, 0] >= welding.welder.weld.passes_at).astype(float))


def _count(response: Response, welding: Welding) -> Counts:
    """Count pores over the inspected length."""
    study, pores, rng = welding.plan.study, welding.welder.pores, welding.rng
    per_mm = response.per_mm or 100.0
    if welding.bench.inspected is None:
        length = np.maximum(welding.arc_s * (study.job.travel_speed_mm_s or 5.0) - 2 * END_MM, 10.0)
    else:
        length = np.maximum(welding.bench.inspected * per_mm * welding.arc_s / welding.planned_s, 10.0)
    mean = mean_pores(welding.welder, study, welding.settings) * length / per_mm
    if pores.plate_sd:
        mean = mean * np.exp(welding.shared(welding.plates, pores.plate_sd))
    counts = rng.negative_binomial(pores.size, pores.size / (pores.size + mean)).astype(float)
    return Counts(counts, np.asarray(np.round(length), dtype=float))


def _conditions(welding: Welding) -> dict[str, FloatArray]:
    """Read the meters."""
    study, welder, rng = welding.plan.study, welding.welder, welding.rng
    if not study.supply.breaker_a:
        return {}
    noise = np.exp(rng.normal(0.0, welder.trip.meter_sd, len(welding.settings)))
    current = load_ratio(welder, study, welding.settings) * study.supply.breaker_a * noise
    conditions = {}
    if welding.bench.records_line_current:
        conditions["line current [A]"] = np.round(current, 1)
    if welding.bench.records_arc:
        conditions |= _arc_readings(study, welder, welding.settings, current)
    return conditions


def _hand_readings(welding: Welding, beyond: FloatArray) -> dict[str, FloatArray]:
    """Read travel speed and stick-out, given how far each weld's depth lies from that of welds made alike.

    With depth and hand jointly normal, they are drawn given the depth: a bench that reads them welds the same welds.
    """
    if not welding.bench.records_hand:
        return {}
    study, hand, rng = welding.plan.study, welding.welder.hand, welding.rng
    load = -np.sqrt([hand.travel_share, hand.stickout_share])
    root = np.linalg.cholesky(np.eye(2) - np.outer(load, load))
    z = beyond[:, None] * load + rng.standard_normal((len(beyond), 2)) @ root.T
    feed = study.factor_of_role("feed")
    if feed is not None:
        z[:, 0] += hand.follows * study.coding.to_coded(welding.settings)[:, study.coding.index[feed.name]]
    error = rng.standard_normal(z.shape)
    travel = (study.job.travel_speed_mm_s or AIMS[0]) * (1 + hand.travel_sd * z[:, 0] + hand.travel_error * error[:, 0])
    stickout = (study.job.stickout_mm or AIMS[1]) + hand.stickout_sd_mm * z[:, 1]
    stickout = stickout + hand.stickout_error_mm * error[:, 1]
    return {"travel speed [mm/s]": np.round(travel, 2), "stick-out [mm]": np.round(stickout)}


def _arc_readings(
    study: Study, welder: VirtualWelder, settings: FloatArray, current: FloatArray
) -> dict[str, FloatArray]:
    """Read arc volts and amps: what the machine's efficiency and power factor make of the line current."""
    machine, supply = study.machine, study.supply
    power = current * np.exp(-welder.trip.machine_error) * (supply.voltage_v or 230.0)
    power = power * (machine.efficiency or 0.8) * (machine.power_factor or 0.7)
    voltage = study.factor_of_role("voltage")
    middle, half = ARC_VOLTS
    coded = 0.0 if voltage is None else study.coding.to_coded(settings)[:, study.coding.index[voltage.name]]
    volts = np.asarray(np.full(len(settings), middle) + half * coded)
    return {"arc voltage [V]": np.round(volts, 1), "arc current [A]": np.round(power / volts)}
