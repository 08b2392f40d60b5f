"""What the arc puts into the joint at a setting: arc power, heat input, t8/5, the fillet the wire fills.

Arc power comes from the best that is known of a weld: volts and amps read at the arc, the line current that was read,
or the amps that the wire's burn-off gives for its feed. Every number says which it was; what cannot be worked out is
nan, and the words say what is missing. Nothing is filled in.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
import numpy.typing as npt

from doe.coding import FloatArray
from doe.study.model import Factor, Study
from doe.trade.arc import K_BY_PROCESS, arc_energy_kj_mm, heat_input_kj_mm
from doe.trade.burn_off import wire_current
from doe.trade.cooling import JOINTS, cooling_time, named_joint
from doe.trade.deposit import fillet_leg_mm, yield_range
from doe.trade.processes import known_process, wire_is_cored
from doe.units import convert, same_dimension

BoolArray = npt.NDArray[np.bool_]
Measured = Mapping[str, FloatArray]
"""What was measured of each weld, by the keys of ``Results.conditions``."""
NOTHING: Final[Measured] = MappingProxyType({})
"""Nothing was measured yet."""


@dataclass(frozen=True, eq=False)
class ArcPower:
    """Arc power of each weld.

    Attributes
    ----------
    watts : ndarray, shape (n,)
        nan where it cannot be worked out.
    origin : tuple of str
        What each was worked out from, in words; empty where it was not.
    is_read : ndarray of bool, shape (n,)
        Whether amps, of the arc or the line, were read.
    """

    watts: FloatArray
    origin: tuple[str, ...]
    is_read: BoolArray


@dataclass(frozen=True, eq=False)
class Heat:
    """What each weld puts into the joint.

    Attributes
    ----------
    power : ArcPower
    energy_kj_mm, input_kj_mm : ndarray, shape (n,)
        Arc energy, and heat input with the thermal efficiency k in it.
    cooling_s : ndarray, shape (n,)
        t8/5.
    leg_mm : ndarray, shape (n, 2)
        Leg of the equal-leg fillet the wire fills, at the ends of the usual range of yields.
    assumptions : tuple of str
        What the numbers rest on.
    missing : tuple of str
        What is not shown anywhere, and what it would take.
    """

    power: ArcPower
    energy_kj_mm: FloatArray
    input_kj_mm: FloatArray
    cooling_s: FloatArray
    leg_mm: FloatArray
    assumptions: tuple[str, ...]
    missing: tuple[str, ...]


def heat_at(study: Study, settings: FloatArray, *, measured: Measured = NOTHING, power: ArcPower | None = None) -> Heat:
    """Work out what welds at these settings put into the joint.

    Parameters
    ----------
    study : Study
    settings : ndarray, shape (n, n_factors)
        Natural.
    measured : mapping
        What was measured of each weld; it goes before what was set.
    power : ArcPower or None
        Arc power known otherwise; None: worked out from the settings and what was measured.

    Returns
    -------
    Heat
    """
    arc = power or arc_power(study, settings, measured)
    travel, plate = _travel_mm_s(study, settings, measured), _plate_c(study, settings, measured)
    # nan in, nan out: what is not known of one weld does not touch the others
    energy = np.asarray(arc_energy_kj_mm(1.0, 1.0, travel_mm_s=1.0) * arc.watts / travel)
    k = K_BY_PROCESS.get(known_process(study.job.process), np.nan)
    heat = np.asarray(heat_input_kj_mm(1.0, k=k) * energy)
    cooling = _cooling_s(study, heat, plate)
    leg = _leg_mm(study, settings, travel)
    shown = Heat(arc, energy, heat, cooling, leg, (), ())
    gaps = tuple(_missing(study, shown, travel=travel, plate=plate))
    return Heat(arc, energy, heat, cooling, leg, tuple(_assumptions(study, shown, measured)), gaps)


# --- arc power


def arc_power(study: Study, settings: FloatArray, measured: Measured = NOTHING, *, built_in: bool = True) -> ArcPower:
    """Work out each weld's arc power from the best that is known of it.

    Parameters
    ----------
    study, settings, measured
        As for ``heat_at``.
    built_in : bool
        Whether the built-in burn-off of solid wire, which is from memory, may serve where nothing better is known.
    """
    n = len(settings)
    watts, origin, is_read = np.full(n, np.nan), [""] * n, np.zeros(n, dtype=bool)
    for words, read, found in _sources(study, settings, measured, built_in=built_in):
        fresh = np.isnan(watts) & np.isfinite(found)
        watts = np.where(fresh, found, watts)
        is_read |= fresh & read
        origin = [words if is_fresh else known for is_fresh, known in zip(fresh, origin, strict=True)]
    return ArcPower(watts, tuple(origin), is_read)


def _sources(
    study: Study, settings: FloatArray, measured: Measured, *, built_in: bool
) -> Iterator[tuple[str, bool, FloatArray]]:
    """Give what arc power can be worked out from, the best first: words, whether amps were read, watts, shape (n,)."""
    n = len(settings)
    arc_v, arc_a = _read(measured, "arc voltage [V]", n), _read(measured, "arc current [A]", n)
    dial_v = _in_unit(study, study.factor_of_role("voltage"), settings, "V")
    yield "volts and amps read at the arc", True, arc_v * arc_a
    yield "amps read at the arc, volts of the dial", True, dial_v * arc_a
    machine, supply = study.machine, study.supply
    if machine.efficiency is not None and machine.power_factor is not None:
        stated = np.nan if supply.voltage_v is None else supply.voltage_v
        line_v = _read(measured, "line voltage [V]", n)
        line_v = np.where(np.isfinite(line_v), line_v, stated)
        share = machine.efficiency * machine.power_factor
        yield (
            f"line current as read, line voltage, efficiency {machine.efficiency:g} and power factor "
            f"{machine.power_factor:g} of the machine",
            True,
            _read(measured, "line current [A]", n) * line_v * share,
        )
    if study.job.burn_off is not None or (built_in and is_burn_off_known(study)):
        whose = "your own burn-off" if study.job.burn_off else "the burn-off of solid wire (from memory)"
        amps = burn_off_amps(study, settings, measured)
        yield f"volts read at the arc, amps by {whose}", False, arc_v * amps
        yield f"volts of the dial, amps by {whose}", False, dial_v * amps


def is_burn_off_known(study: Study) -> bool:
    """Whether amps follow from the feed: the user's own burn-off is stated, or the wire is known to be solid."""
    return study.job.burn_off is not None or wire_is_cored(study.job.process, study.job.wire) is False


def burn_off_amps(study: Study, settings: FloatArray, measured: Measured = NOTHING) -> FloatArray:
    """Give the amps at which the wire melts as fast as it is fed, shape (n,); nan where that is not known."""
    n, job = len(settings), study.job
    feed = _in_unit(study, study.factor_of_role("feed"), settings, "mm/s")
    stick = _read(measured, "stick-out [mm]", n)
    stick = np.where(np.isfinite(stick), stick, np.nan if job.stickout_mm is None else job.stickout_mm)
    if not is_burn_off_known(study) or (job.burn_off is None and job.wire_diameter_mm is None):
        return np.full(n, np.nan)

    def amps(feed_mm_s: float, stickout_mm: float) -> float:
        found = wire_current(
            feed_mm_s, stickout_mm=stickout_mm, wire_diameter_mm=job.wire_diameter_mm, own=job.burn_off
        )
        return found.number if found.valid else np.nan

    return _each(amps, feed, stick)


def _read(measured: Measured, name: str, n: int) -> FloatArray:
    return measured.get(name, np.full(n, np.nan))


def _in_unit(study: Study, factor: Factor | None, settings: FloatArray, unit: str) -> FloatArray:
    """Give a factor's settings in a unit; nan where there is no such factor, or its dial is not calibrated."""
    if factor is None or not factor.calibrated or not factor.unit or not same_dimension(factor.unit, unit):
        return np.full(len(settings), np.nan)
    return np.asarray(convert(settings[:, study.factors.index(factor)], factor.unit, unit), dtype=float)


def _each(compute: Callable[..., float], *columns: FloatArray) -> FloatArray:
    """Compute row by row; nan where any column is."""
    rows = zip(*columns, strict=True)
    return np.array([compute(*map(float, row)) if np.isfinite(row).all() else np.nan for row in rows], dtype=float)


# --- travel, plate, joint


def _travel_mm_s(study: Study, settings: FloatArray, measured: Measured) -> FloatArray:
    """Give each weld's travel speed: as read, as set where it is a factor, as the job states."""
    n = len(settings)
    found = _read(measured, "travel speed [mm/s]", n)
    varied = next((f for f in study.factors if f.name.casefold().startswith("travel") and not f.is_kind), None)
    found = np.where(np.isfinite(found), found, _in_unit(study, varied, settings, "mm/s"))
    stated = study.job.travel_speed_mm_s
    return np.where(np.isfinite(found), found, np.nan if stated is None or varied is not None else stated)


def _plate_c(study: Study, settings: FloatArray, measured: Measured) -> FloatArray:
    """Give each plate's temperature before the arc: as read, else the preheat it was set to."""
    read = _read(measured, "plate temperature [degC]", len(settings))
    aimed = _in_unit(study, study.factor_of_role("preheat"), settings, "degC")
    return np.where(np.isfinite(read), read, aimed)


def cooling_joint(study: Study) -> str:
    """Give the joint whose factors t8/5 is worked out with; empty where none is held."""
    return study.job.cooling_joint or named_joint(study.job.joint)


def _cooling_s(study: Study, heat: FloatArray, plate: FloatArray) -> FloatArray:
    joint, thickness = cooling_joint(study), study.job.thickness_mm
    if not joint or thickness is None:
        return np.full(len(heat), np.nan)

    def seconds(heat_kj_mm: float, plate_c: float) -> float:
        found = cooling_time(heat_kj_mm, thickness_mm=thickness, preheat_c=plate_c, joint=joint)
        return found.number if found.valid else np.nan

    return _each(seconds, heat, plate)


def is_fillet(study: Study) -> bool:
    """Whether the joint is welded by a fillet, as far as the job says so."""
    return bool(re.search(r"\b(fillet|lap|tee|t[- ]?joint|corner)\b", study.job.joint.casefold()))


def _leg_mm(study: Study, settings: FloatArray, travel: FloatArray) -> FloatArray:
    """Give the leg of the fillet the wire fills, at both ends of the usual range of yields, shape (n, 2)."""
    cored = wire_is_cored(study.job.process, study.job.wire)
    yields = None if cored is None else yield_range(known_process(study.job.process), cored=cored)
    diameter = study.job.wire_diameter_mm
    if yields is None or diameter is None or not is_fillet(study):
        return np.full((len(settings), 2), np.nan)
    feed = _in_unit(study, study.factor_of_role("feed"), settings, "mm/s")

    def leg(feed_mm_s: float, travel_mm_s: float, share: float) -> float:
        return fillet_leg_mm(feed_mm_s, wire_diameter_mm=diameter, yield_share=share, travel_mm_s=travel_mm_s)

    return np.column_stack([_each(leg, feed, travel, np.full(len(feed), share)) for share in yields])


# --- words


def _assumptions(study: Study, heat: Heat, measured: Measured) -> Iterator[str]:
    """Say what the numbers that are shown rest on."""
    if np.isfinite(heat.energy_kj_mm).any():
        for words in dict.fromkeys(filter(None, heat.power.origin)):
            n = heat.power.origin.count(words)
            whom = "all welds" if n == len(heat.power.origin) else f"{n} of {len(heat.power.origin)} welds"
            yield f"arc power of {whom} from {words}"
    if np.isfinite(heat.input_kj_mm).any():
        process = known_process(study.job.process)
        yield (
            f"heat input is arc energy times k = {K_BY_PROCESS[process]:g} (process {process}, EN 1011-1:2009 "
            "Table 1); ASME IX and AWS mean the arc energy, without k"
        )
        read = np.isfinite(_read(measured, "travel speed [mm/s]", len(heat.energy_kj_mm)))
        yield "travel speed as read" if read.all() else "travel speed as stated, where it was not read"
    if np.isfinite(heat.cooling_s).any():
        factors = JOINTS[cooling_joint(study)]
        yield (
            f"t8/5 by EN 1011-2:2001 Annex D (from memory), the longer of its two formulas, joint factors of “"
            f"{cooling_joint(study)}” (F2 {factors.thin:g}, F3 {factors.thick:g}): plain steel, wide plate; a small "
            "coupon cools more slowly"
        )
    if np.isfinite(heat.leg_mm).any():
        yield (
            "leg of an equal-leg fillet with a flat face in a tight joint, over the usual range of deposit and, for "
            "cored wire, of its mass a metre (common practice, from memory): weigh wire and deposit to know"
        )


def _missing(study: Study, heat: Heat, *, travel: FloatArray, plate: FloatArray) -> Iterator[str]:
    """Say what is not shown anywhere, and what it would take."""
    job = study.job
    gaps = list(_heat_gaps(study, heat, travel))
    if gaps:
        yield f"heat input is not shown: {'; '.join(gaps)}"
    more = []
    if not cooling_joint(study):
        said = f"no factors are held for the joint “{job.joint}”" if job.joint else "the joint is not stated"
        more.append(f"{said}: say which to take with cooling_joint under [job] ({', '.join(JOINTS)})")
    if job.thickness_mm is None:
        more.append("state thickness under [job]")
    if not np.isfinite(plate).any():
        more.append("write down the plate temperature before the arc")
    if not gaps and not more and not np.isfinite(heat.cooling_s).any():
        more.append("no plate is inside 0 to 250 °C, where the formulas hold")
    if (gaps or more) and not np.isfinite(heat.cooling_s).any():
        yield f"t8/5 is not shown: {'; '.join(more or ['it needs the heat input'])}"
    if is_fillet(study) and not np.isfinite(heat.leg_mm).any():
        yield (
            "leg size is not shown: it needs process, wire and wire_diameter under [job], a travel speed, and a feed "
            "dial calibrated in a unit of speed"
        )


def _heat_gaps(study: Study, heat: Heat, travel: FloatArray) -> Iterator[str]:
    """Say what the heat input lacks; nothing where any weld has one."""
    if np.isfinite(heat.input_kj_mm).any():
        return
    if not np.isfinite(heat.power.watts).any():
        burn_off = "" if study.job.burn_off else ", or state your own burn_off under [job] (“weldwindow dial” finds it)"
        yield (
            "the arc's amps are not known: write down arc current or, with efficiency and power_factor under "
            f"[machine], line current{burn_off}"
        )
    if not np.isfinite(travel).any():
        yield "state travel_speed under [job], or write it down"
    if not known_process(study.job.process):
        yield "state process under [job], which gives k"
