"""What each planned weld asks of the supply, before it is welded: flagged, never dropped.

Line current needs the arc's power, and that needs the arc's current. For solid wire it follows from the feed (burn-off,
``doe.trade.burn_off``); for cored wire it does not, and then the settings are only ranked: which weld loads the supply
most, so that it can be watched. What can be said is said, what cannot is None.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.planning.plan import Plan
from doe.study.model import Factor, Study
from doe.trade.burn_off import wire_current
from doe.trade.load import Circuit, SupplyLoad, supply_load
from doe.units import convert, same_dimension

FEED_POWER: Final = 0.9
"""Line current goes about as feed to this power at one voltage; used for ranking only (METHOD section 4)."""

CORED: Final = frozenset({"114", "132", "136", "138", "FCAW", "FCAW-G", "FCAW-S"})
"""Processes with cored wire (ISO 4063 numbers, AWS letters): the built-in burn-off does not hold for them."""


@dataclass(frozen=True)
class WeldLoad:
    """What one weld asks of the supply.

    Attributes
    ----------
    weld : str
    arc_power : float or None
        [W]
    line_current : float or None
        [A]
    breaker_ratio : float or None
        Line current over the breaker's rating.
    note : str
        What stands out, with the standard's band in words; empty where nothing does.
    """

    weld: str
    arc_power: float | None
    line_current: float | None
    breaker_ratio: float | None
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
    voltage, feed = _volts(study, plan.settings), _feed_mm_s(study, plan.settings)
    if voltage is None or feed is None:
        return ()
    loads = [_load(study, float(v), float(f)) for v, f in zip(voltage, feed, strict=True)]
    rank = voltage * feed**FEED_POWER
    heaviest = rank >= rank.max() * (1 - 1e-9)
    return tuple(
        WeldLoad(
            weld.weld,
            None if load is None else load.arc_power_w,
            None if load is None else load.line_current_a,
            None if load is None else load.breaker_ratio,
            _note(load, is_heaviest=bool(heaviest[i]), has_breaker=study.supply.breaker_a is not None),
        )
        for i, (weld, load) in enumerate(zip(plan.welds, loads, strict=True))
    )


def load_words(loads: Sequence[WeldLoad]) -> tuple[str, ...]:
    """Say which welds to watch, those of one note together."""
    noted: dict[str, list[str]] = {}
    for load in loads:
        if load.note:
            noted.setdefault(load.note, []).append(load.weld)
    return tuple(_listed(welds, note) for note, welds in noted.items())


def _listed(welds: Sequence[str], note: str) -> str:
    """Name the welds of one note."""
    if len(welds) == 1:
        return f"{welds[0]} {note}."
    return f"{', '.join(welds[:-1])} and {welds[-1]}: each {note}."


def _note(load: SupplyLoad | None, *, is_heaviest: bool, has_breaker: bool) -> str:
    """Say what stands out about one weld."""
    parts = []
    if is_heaviest and has_breaker:
        parts.append("loads the supply most; where the breaker trips at all, it trips here first")
    if load is not None and load.breaker_ratio > 1.0:
        parts.append(load.words)
    return "; ".join(parts)


def _volts(study: Study, settings: FloatArray) -> FloatArray | None:
    """Give each weld's voltage, None where the dial is not calibrated. [V]."""
    return _in_unit(study, study.factor_of_role("voltage"), settings, "V")


def _feed_mm_s(study: Study, settings: FloatArray) -> FloatArray | None:
    """Give each weld's wire feed, None where the dial is not calibrated. [mm/s]."""
    return _in_unit(study, study.factor_of_role("feed"), settings, "mm/s")


def _in_unit(study: Study, factor: Factor | None, settings: FloatArray, unit: str) -> FloatArray | None:
    if factor is None or not factor.calibrated or not factor.unit or not same_dimension(factor.unit, unit):
        return None
    return np.asarray(convert(settings[:, study.factors.index(factor)], factor.unit, unit), dtype=float)


def _load(study: Study, voltage_v: float, feed_mm_s: float) -> SupplyLoad | None:
    """Work out one weld's load, None where something it needs is not stated or does not hold."""
    job, supply, machine = study.job, study.supply, study.machine
    if job.wire_diameter_mm is None or job.stickout_mm is None or _is_cored(study):
        return None
    if supply.voltage_v is None or supply.breaker_a is None or not supply.curve:
        return None
    if machine.efficiency is None or machine.power_factor is None:
        return None
    current = wire_current(feed_mm_s, stickout_mm=job.stickout_mm, wire_diameter_mm=job.wire_diameter_mm)
    if not isinstance(current.value, float):
        return None
    circuit = Circuit(supply.voltage_v, supply.breaker_a, supply.curve, machine.efficiency, machine.power_factor)
    return supply_load(voltage_v, current.value, circuit)


def _is_cored(study: Study) -> bool:
    """Whether the wire is cored, as far as the job says so."""
    return study.job.process.upper() in CORED or bool(re.search(r"\bcored\b|\bflux\b", study.job.wire, re.IGNORECASE))
