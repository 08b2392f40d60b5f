"""What each planned weld asks of the supply and puts into the joint, before it is welded: flagged, never dropped.

Line current needs the arc's power, and that needs the arc's current. It follows from the feed where the user states a
burn-off of their own, or the wire is solid; otherwise the settings are only ranked: which weld loads the supply most,
so that it can be watched. What can be said is said, what cannot is None.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.planning.budget import arc_seconds, rest_min, wire_kg_m
from doe.planning.heat import Heat, burn_off_amps, heat_at
from doe.planning.plan import Plan
from doe.study.model import Factor, Study
from doe.trade.load import Circuit, SupplyLoad, supply_load
from doe.trade.supply import duty_at, duty_used
from doe.trade.validity import above
from doe.units import convert, same_dimension

FEED_POWER: Final = 0.9
"""Line current goes about as feed to this power at one voltage; used for ranking only (METHOD section 4)."""
MOST_NAMED: Final = 8
"""Welds named in one line; the rest is counted."""


@dataclass(frozen=True)
class WeldLoad:
    """What one weld asks of the supply and puts into the joint; None where it cannot be worked out.

    Attributes
    ----------
    weld : str
    arc_power : float or None
        [W]
    arc_current : float or None
        [A]
    line_current : float or None
        [A]
    breaker_ratio : float or None
        Line current over the breaker's rating.
    duty_used : float or None
        Share of the time with the arc lit, with the planned rest; [1]
    heat_input, cooling_time : float or None
        With the thermal efficiency k in it, [kJ/mm]; t8/5, [s].
    wire : float or None
        [kg]
    is_heaviest : bool
        Whether no other weld loads the supply more.
    is_beyond_duty : bool
        Whether it asks more of the machine than its duty cycle allows.
    note : str
        What stands out, with the standard's band in words; empty where nothing does.
    """

    weld: str
    arc_power: float | None
    arc_current: float | None
    line_current: float | None
    breaker_ratio: float | None
    duty_used: float | None
    heat_input: float | None
    cooling_time: float | None
    wire: float | None
    is_heaviest: bool
    is_beyond_duty: bool
    note: str

    def to_dict(self) -> dict[str, object]:
        """Give the load as ``plan --json`` prints it."""
        return asdict(self)


def plan_loads(plan: Plan) -> tuple[WeldLoad, ...]:
    """Work out what each weld of a plan asks of the supply.

    Parameters
    ----------
    plan : Plan

    Returns
    -------
    tuple of WeldLoad
        One a weld; empty where the study has no dials for voltage and feed in known units.
    """
    study = plan.study
    voltage = _in_unit(study, study.factor_of_role("voltage"), plan.settings, "V")
    feed = _in_unit(study, study.factor_of_role("feed"), plan.settings, "mm/s")
    if voltage is None or feed is None:
        return ()
    rank = voltage * feed**FEED_POWER
    heaviest = rank >= rank.max() * (1 - 1e-9)
    heat, amps = heat_at(study, plan.settings), burn_off_amps(study, plan.settings)
    seconds = arc_seconds(study, plan.settings)
    taken = [_Taken(*pair) for pair in zip(_duties(plan, seconds), _wires(study, feed, seconds), strict=True)]
    return tuple(
        _weld_load(plan, i, heat, amps[i], taken=taken[i], is_heaviest=bool(heaviest[i]))
        for i in range(len(plan.welds))
    )


def load_words(loads: Sequence[WeldLoad]) -> tuple[str, ...]:
    """Say which welds to watch: the heaviest by name, the others that stand out counted by what is said of them."""
    said = [
        f"{_names([load.weld for load in loads if load.note == note])}: {note}."
        for note in dict.fromkeys(load.note for load in loads if load.is_heaviest)
    ]
    over = [load for load in loads if load.breaker_ratio is not None and load.breaker_ratio > 1.0]
    if over:
        ratios = [load.breaker_ratio for load in over if load.breaker_ratio is not None]
        said.append(
            f"{len(over)} of {len(loads)} welds are expected to take more than the breaker's rating, {min(ratios):.2f} "
            f"to {max(ratios):.2f} times as much; whether the supply holds is what they are for (“plan --json” has "
            "each weld's load and the standard's words for it)."
        )
    hot = [load for load in loads if load.is_beyond_duty]
    if hot:
        said.append(
            f"{_names([load.weld for load in hot])}: more than the machine's duty cycle is rated for: its cut-out may "
            "act. That is no breaker trip: write down which it was."
        )
    return tuple(said)


def _names(welds: Sequence[str]) -> str:
    """Name a few welds, and count the rest."""
    more = len(welds) - MOST_NAMED
    return ", ".join(welds[:MOST_NAMED]) + (f" and {more} more" if more > 0 else "")


@dataclass(frozen=True)
class _Taken:
    """What one weld takes of the time, as a share with the arc lit, and of the wire."""

    duty: float | None
    wire_kg: float | None


def _weld_load(plan: Plan, i: int, heat: Heat, amps: float, *, taken: _Taken, is_heaviest: bool) -> WeldLoad:
    """Put one weld's numbers together."""
    study = plan.study
    power = _known(heat.power.watts[i])
    load = None if power is None else _supply_load(study, power, float(amps))
    beyond = _beyond_duty(study, _known(amps), taken.duty)
    said = _notes(study, load, is_heaviest=is_heaviest)
    return WeldLoad(
        weld=plan.welds[i].weld,
        arc_power=power,
        arc_current=_known(amps),
        line_current=None if load is None else load.line_current_a,
        breaker_ratio=None if load is None else load.breaker_ratio,
        duty_used=taken.duty,
        heat_input=_known(heat.input_kj_mm[i]),
        cooling_time=_known(heat.cooling_s[i]),
        wire=taken.wire_kg,
        is_heaviest=is_heaviest and study.supply.breaker_a is not None,
        is_beyond_duty=bool(beyond),
        note="; ".join((*said, *([beyond] if beyond else ()))),
    )


def _known(value: float) -> float | None:
    """Give a number, or None where it is not known."""
    return float(value) if np.isfinite(value) else None


def _supply_load(study: Study, power_w: float, amps: float) -> SupplyLoad | None:
    """Work out one weld's load, None where the circuit or the machine is not stated."""
    supply, machine = study.supply, study.machine
    if supply.voltage_v is None or supply.breaker_a is None or not supply.curve:
        return None
    if machine.efficiency is None or machine.power_factor is None:
        return None
    circuit = Circuit(supply.voltage_v, supply.breaker_a, supply.curve, machine.efficiency, machine.power_factor)
    return supply_load(power_w / amps, amps, circuit)


def _notes(study: Study, load: SupplyLoad | None, *, is_heaviest: bool) -> Iterator[str]:
    """Say what stands out about one weld on the supply."""
    if is_heaviest and study.supply.breaker_a is not None:
        yield "loads the supply most: if any weld trips the breaker, this one"
    if load is not None and (is_heaviest or load.breaker_ratio > 1.0):
        yield load.words


def _beyond_duty(study: Study, amps: float | None, duty: float | None) -> str:
    """Say that a weld asks more of the machine than its duty cycle allows; empty where it does not."""
    rated, percent = study.machine.duty_current_a, study.machine.duty_percent
    if amps is None or rated is None or percent is None:
        return ""
    if above(amps, rated):
        return f"{amps:.0f} A is above the {rated:.0f} A the machine's duty cycle is rated at"
    if duty is not None and above(duty, duty_at(rated, rated_duty=percent / 100, current_a=amps)):
        return f"the arc is lit {duty:.0%} of the time with the planned rest, more than the machine's duty cycle allows"
    return ""


def _duties(plan: Plan, seconds: Sequence[float] | None) -> list[float | None]:
    """Give each weld's share of the time with the arc lit, with its planned rest."""
    if seconds is None:
        return [None] * len(plan.welds)
    pairs = zip(plan.welds, seconds, strict=True)
    return [duty_used(arc_s, 60.0 * rest_min(plan.study, weld, arc_s)) for weld, arc_s in pairs]


def _wires(study: Study, feed_mm_s: FloatArray, seconds: Sequence[float] | None) -> list[float | None]:
    """Give the wire each weld takes, in kg."""
    per_m = wire_kg_m(study.job)
    if seconds is None or per_m is None:
        return [None] * len(feed_mm_s)
    return [float(feed) * s / 1000.0 * per_m for feed, s in zip(feed_mm_s, seconds, strict=True)]


def _in_unit(study: Study, factor: Factor | None, settings: FloatArray, unit: str) -> FloatArray | None:
    """Give each weld's setting of a factor, None where the dial is not calibrated."""
    if factor is None or not factor.calibrated or not factor.unit or not same_dimension(factor.unit, unit):
        return None
    return np.asarray(convert(settings[:, study.factors.index(factor)], factor.unit, unit), dtype=float)
