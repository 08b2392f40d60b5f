"""What is said about trips: findings and assumptions, in plain sentences.

The sentences for no trip, separation and trips everywhere are those of METHOD.md section 6.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.bench.results import Results
from doe.coding import FloatArray
from doe.models.load import LoadTrend
from doe.models.sampled import Sensitivity
from doe.models.surface import BoolArray
from doe.models.weibull import TripTimes
from doe.study.model import Factor, Response, Study
from doe.study.trips import is_breaker, name_unclear, whose_trips
from doe.units import printed_unit

WORTH_READING: Final = 1.4
"""Computed load ratio over which a line-current reading is asked for. [1]"""
WORTH_SAYING: Final = 0.2
"""Chance of another cause over which it is said. [1]"""
LISTED: Final = 3
"""Settings listed one by one; more are told by their ranges."""


@dataclass(frozen=True, eq=False)
class Told:
    """What the sentences are about: the welds used, their times, and the arc time to hold."""

    results: Results
    response: Response
    used: BoolArray
    times: TripTimes
    hold_s: float

    @property
    def settings(self) -> FloatArray:
        """Natural settings of the used welds."""
        return self.results.settings[self.used]


# --- findings


def outcome_findings(told: Told, *, complete: bool) -> tuple[str, ...]:
    """Say so where no weld tripped, every weld tripped, or the trips lie apart from the rest."""
    tripped = told.times.tripped
    if not tripped.any():
        return (_no_trip(told),)
    if tripped.all():
        return ("At no tested setting did welds run the full time often enough.",)
    if complete:
        return (_apart(told),)
    return ()


def _no_trip(told: Told) -> str:
    confidence = told.results.study.claim.confidence
    log_hold = np.log(told.hold_s)
    full = int((told.times.log_time >= log_hold - 1e-9).sum())
    n = full or len(told.times.log_time)
    shown = (1.0 - confidence) ** (1.0 / n)
    what = "breaker trip" if is_breaker(told.results.study, told.response) else told.response.name
    return (
        f"No {what} was seen. {n} welds without a trip cannot by themselves show more than about {shown:.3f} "
        "reliability; the rest is the assumed prior."
    )


def _apart(told: Told) -> str:
    study, settings, tripped = told.results.study, told.settings, told.times.tripped
    held, fell = _nearest(study, settings, tripped)
    return (
        f"All trips lie at {describe_settings(study, settings[tripped], settings)}; "
        "where the limit lies between tested settings is not known more closely. "
        f"The nearest tested settings on either side: {describe_setting(study, settings[held])} held; "
        f"{describe_setting(study, settings[fell])} tripped."
    )


def _nearest(study: Study, settings: FloatArray, tripped: BoolArray) -> tuple[int, int]:
    """Find the weld that held and the weld that tripped whose settings lie nearest to one another."""
    coded = study.coding.to_coded(settings)
    for j, factor in enumerate(study.factors):
        if factor.is_kind:  # another kind counts as far as the whole range
            coded[:, j] *= 2.0
    held, fell = np.flatnonzero(~tripped), np.flatnonzero(tripped)
    distance = np.linalg.norm(np.minimum(np.abs(coded[held][:, None] - coded[fell][None]), 2.0), axis=2)
    row, column = divmod(int(distance.argmin()), len(fell))
    return int(held[row]), int(fell[column])


def prior_findings(told: Told, sensitivity: Sensitivity | None) -> tuple[str, ...]:
    """Say what the answer owes to the prior where no weld tripped and the load is unknown (METHOD.md section 6)."""
    if sensitivity is None or told.times.tripped.any():
        return ()
    low, middle, high = (f"{effect.low:.2f}" for effect in sensitivity.effects[:3])
    return (
        f"With {describe_setting(told.results.study, sensitivity.setting)} the chance to hold is at least {low}, "
        f"{middle} or {high}, as the typical time to trip was expected beforehand at 1.6, 2.7 or 4.5 times the arc "
        "time to hold.",
    )


def short_findings(arc_time_ratio: float) -> tuple[str, ...]:
    """Say so where welds without a trip ran for less than twice the arc time to hold."""
    if arc_time_ratio >= 2.0 - 1e-6:
        return ()
    return (
        f"The shortest weld without a trip ran {arc_time_ratio:.1f} times the arc time to hold; twice that time on a "
        "run-off plate, within the machine's duty cycle, would say far more.",
    )


def lost_findings(results: Results, lost_trips: BoolArray, lost_holds: BoolArray) -> tuple[str, ...]:
    """Say which welds could not enter, as their arc time is not known."""
    said = []
    if lost_trips.any():
        said.append(
            f"No claim about trips: {_welds(results, lost_trips)} tripped at no known arc time, and the weld length "
            "or the travel speed is not known either."
        )
    if lost_holds.any():
        said.append(
            f"{_welds(results, lost_holds)} ran without a trip for no known arc time and could not be counted as "
            "having held."
        )
    return tuple(said)


def no_times(results: Results, response: Response, lost: BoolArray) -> str:
    """Say why nothing can be said about a trip response."""
    return (
        f"no claim about {response.name}: no arc time is known for {_welds(results, lost)}, and the weld length or "
        f"the travel speed is not known either; fill in “{response.name} time [s]”, or state weld_length and "
        "travel_speed under [job]"
    )


def _welds(results: Results, which: BoolArray) -> str:
    names = [results.weld[i] for i in np.flatnonzero(which)]
    return ("weld " if len(names) == 1 else "welds ") + ", ".join(names)


def load_findings(load: LoadTrend | None) -> tuple[str, ...]:
    """Ask for a line-current reading where the load was computed and lies high."""
    if load is None or load.kind != "computed":
        return ()
    highest = float(np.exp(load.log_ratio).max())
    if highest <= WORTH_READING:
        return ()
    return (
        f"The computed line current reaches {highest:.2f} times the breaker's rating. A reading of the line current, "
        "from a plug-in meter of sufficient rating or by a qualified person, never at an opened cable, would say "
        "more than the computation.",
    )


def cause_findings(told: Told, other_chance: float | None) -> tuple[str, ...]:
    """Say so where there are trips and they do not follow the load."""
    if other_chance is None or other_chance <= WORTH_SAYING or not told.times.tripped.any():
        return ()
    return (
        f"The trips do not follow the load on the supply: with a chance of {other_chance:.2f} they have another cause, "
        "such as something else on the circuit, an earth-fault or arc-fault device, or a breaker that was still warm. "
        "Have the cause found before any setting is relied on.",
    )


# --- assumptions


def assumptions(told: Told, load: LoadTrend | None, *, by_length: int) -> tuple[str, ...]:
    """List what was assumed about the trips and not measured."""
    name = told.response.name
    said = _unknown_load(told) if load is None else _known_load(told, load)
    if told.response.hold_s is None:
        said.insert(
            0, f"{name}: no time to hold was asked; taken is {told.hold_s:.3g} s, the middle one of the arc times."
        )
    said.append(
        f"{name}: the supply and the machine start each weld as cool as in the tests, and nothing else is on the "
        "circuit; a warm breaker trips sooner."
    )
    if by_length:
        said.append(f"{name}: the arc time of {by_length} welds was taken as weld length over travel speed.")
    return tuple(said)


def _unknown_load(told: Told) -> list[str]:
    name, typical = told.response.name, 1.65 * told.hold_s
    said = [
        f"{name}: before the welds spoke, the typical time to trip in the middle of the region was taken as "
        f"{typical:.0f} s, give or take a factor of seven, and shorter at higher voltage and feed."
    ]
    if is_breaker(told.results.study, told.response):
        said.append(
            f"{name}: the load on the supply is not known. Line-current readings, with the breaker's rating "
            "stated, would put the breaker's own time law in place of this."
        )
    else:
        said.append(_not_the_breaker(told))
    return said


def _not_the_breaker(told: Told) -> str:
    """Say that a response was not taken for the supply's breaker, and why."""
    name, whose = told.response.name, whose_trips(told.response)
    if whose == "unclear":
        return name_unclear(told.response)
    why = "by its name it is not the supply's breaker" if whose == "other" else "another response is the breaker's"
    return f"{name}: {why}, so the breaker's time law is not used for it."


def _known_load(told: Told, load: LoadTrend) -> list[str]:
    name, supply, machine = told.response.name, told.results.study.supply, told.results.study.machine
    standard = {"": "IEC 60898-1 and UL 489 alike", "UL": "UL 489"}.get(
        supply.curve, f"IEC 60898-1, curve {supply.curve}"
    )
    said = [
        f"{name}: taken as trips of the supply's {supply.breaker_a:g} A breaker. Before the welds spoke, half of the "
        "trips at 1.9 times the rating were expected within 90 s, give or take a factor of seven, and the time to "
        "fall with the load to the power 4.5 (2.1 to 9.4); times longer than the standard allows were cut out "
        f"({standard}; values from memory: check the standard)."
    ]
    said.append(f"{name}: beforehand a chance of 1 in 10 was left for trips that have nothing to do with the load.")
    if load.kind == "computed":
        said.append(
            f"{name}: the line current was computed from arc volts and amps, with an efficiency of "
            f"{machine.efficiency:g} and a power factor of {machine.power_factor:g}; it is taken to be right to 15 %."
        )
    else:
        said.append(f"{name}: the line current of other settings follows the {load.n_readings} readings.")
    return said


# --- settings in words


def describe_setting(study: Study, setting: FloatArray) -> str:
    """Write one setting: ``voltage 21.1 V (mark 4), feed 8 m/min``."""
    return ", ".join(_value(factor, float(value)) for factor, value in zip(study.factors, setting, strict=True))


def describe_settings(study: Study, settings: FloatArray, tested: FloatArray) -> str:
    """Write where some settings lie among the tested ones: one by one where few, else by their ranges."""
    distinct = np.unique(settings, axis=0)
    if len(distinct) <= LISTED:
        return "; ".join(describe_setting(study, setting) for setting in distinct)
    told = [
        _range(factor, settings[:, j])
        for j, factor in enumerate(study.factors)
        if _is_narrower(factor, settings[:, j], tested[:, j])
    ]
    if told:
        return ", ".join(told)
    return ", ".join(_range(factor, settings[:, j]) for j, factor in enumerate(study.factors))


def _is_narrower(factor: Factor, values: FloatArray, tested: FloatArray) -> bool:
    """Whether the values leave out some kind, or some part of the range, that was tested."""
    if factor.is_kind:
        return len(np.unique(values)) < len(np.unique(tested))
    return bool(values.min() > tested.min() or values.max() < tested.max())


def _value(factor: Factor, value: float) -> str:
    if factor.is_kind:
        return f"{factor.name} {factor.kinds[int(value)]}"
    mark = factor.mark_at(value)
    number = f"{value:.4g} {'' if factor.unit == 'mark' else printed_unit(factor.unit)}".strip()
    if mark is None:
        return f"{factor.name} {number}"
    return f"{factor.name} {number} (mark {mark})" if factor.calibrated else f"{factor.name} mark {mark}"


def _range(factor: Factor, values: FloatArray) -> str:
    if factor.is_kind:
        kinds = [factor.kinds[int(v)] for v in np.unique(values)]
        return f"{factor.name} " + " or ".join(kinds)
    low, high = float(values.min()), float(values.max())
    if low == high:
        return _value(factor, low)
    top = _value(factor, high).removeprefix(f"{factor.name} ")
    bottom = f"{factor.name} {low:.4g}" if factor.mark_at(low) is None else _value(factor, low)
    return f"{bottom} to {top}"
