"""The parts of a virtual welder's hidden truth. Every constant of theirs is invented; none is a fact of welding.

A quadratic in coded settings is written by letters: ``{"1": 1.9, "f": 0.5, "vf": 0.1, "vv": -0.2}``, with v voltage, f
feed and p preheat, coded -1 to 1 over the study's region; A, B ... are factors without a role of their own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

Quadratic = Mapping[str, float]


@dataclass(frozen=True)
class WeldPart:
    """Depth of penetration: a quadratic in coded settings, less a fall beyond a ridge.

    Lengths are in the unit of the response; mm for every named welder.

    Attributes
    ----------
    coefficients : mapping of str to float
        "1", "v", "f", "p", "vf", "vp", "fp", "vv", "ff", "pp" and higher products; absent ones are 0.
    is_log : bool
        Whether the quadratic is the log of the depth: a product of powers of the settings, roughly.
    ridge_at, ridge_width, ridge_fall : float
        Beyond ``(v + f) / 2 = ridge_at`` penetration falls by ``ridge_fall`` per unit, the bend being ``ridge_width``
        wide; no ridge where ``ridge_fall`` is 0.
    weld_sd, plate_sd, reading_sd : float
        Scatter between welds, plates and cuts.
    warm_gain : float
        How much deeper a later weld fuses on a warm plate.
    block_sd : float
        Scatter between days.
    drift : float
        Change from the first weld of the order to the last, even about the middle: the truth is the middle's.
    misread_share : float
        Share of readings that are grossly wrong (by a factor of 0.5 to 1.6).
    passes_at : float
        A "pass" response passes where the depth is at least this.
    """

    coefficients: Quadratic
    is_log: bool = False
    ridge_at: float = 0.0
    ridge_width: float = 0.15
    ridge_fall: float = 0.0
    weld_sd: float = 0.2
    plate_sd: float = 0.12
    reading_sd: float = 0.0
    warm_gain: float = 0.0
    block_sd: float = 0.0
    drift: float = 0.0
    misread_share: float = 0.0
    passes_at: float = 0.5


@dataclass(frozen=True)
class PorePart:
    """Pores: log of the mean count over the criterion length, quadratic in coded settings; negative binomial size.

    Attributes
    ----------
    coefficients : mapping of str to float
    size : float
        k: variance = mean + mean^2 / k.
    step_at, step_width, step_height : float
        Towards a long arc, beyond ``(v - f) / 2 = step_at``, the log of the mean rises by ``step_height`` over about
        ``4 step_width``: a shape no quadratic has. No step where the height is 0.
    plate_sd : float
        Scatter of the log mean between plates: dirt, damp.
    """

    coefficients: Quadratic
    size: float = 2.0
    step_at: float = 0.0
    step_width: float = 0.1
    step_height: float = 0.0
    plate_sd: float = 0.0


@dataclass(frozen=True)
class TripPart:
    """The supply: log load ratio rises with log voltage and log feed; log time to trip falls with it.

    Attributes
    ----------
    middle_ratio : float
        Line current over breaker rating at the centre of the region.
    voltage_power, feed_power : float
        Line current goes with voltage and feed to these powers.
    steepness : float
        b in log T = log 90 s - b (log ratio - log 1.9) + scatter.
    scatter : float
        s of the Weibull scatter (METHOD: log T has density exp(zz - e^zz) 1.28/s, zz = 1.28 (log t - eta)/s - .37).
    meter_sd : float
        Scatter of a line-current reading, of its log.
    machine_error : float
        Log of the true line current over what efficiency and power factor on the machine's plate give.
    never : bool
        The supply never trips.
    """

    middle_ratio: float = 1.35
    voltage_power: float = 1.0
    feed_power: float = 0.9
    steepness: float = 4.5
    scatter: float = 0.4
    meter_sd: float = 0.03
    machine_error: float = 0.0
    never: bool = False


@dataclass(frozen=True)
class HandPart:
    """The hand: part of the scatter between welds comes from travel speed and stick-out, which nobody holds exactly.

    Faster, and with more stick-out, it fuses less deep. The scatter ``weld_sd`` of the depth holds all of it.

    Attributes
    ----------
    travel_share, stickout_share : float
        Share of the variance between welds that comes from each.
    travel_sd : float
        Scatter of the travel speed, over its aim.
    stickout_sd_mm : float
    travel_error, stickout_error_mm : float
        Scatter of the readings of them: of the speed over its aim.
    follows : float
        How much faster the hand goes at the end of the feed's range than in the middle, in its own scatter; what that
        does is part of the depth at that setting.
    """

    travel_share: float = 0.25
    stickout_share: float = 0.10
    travel_sd: float = 0.08
    stickout_sd_mm: float = 1.5
    travel_error: float = 0.02
    stickout_error_mm: float = 0.5
    follows: float = 0.0


@dataclass(frozen=True)
class VirtualWelder:
    """A welder, a machine, a supply: the whole hidden truth.

    Attributes
    ----------
    name : str
    weld : WeldPart
    pores : PorePart
    trip : TripPart
    about : str
        What is special about it, in a few words.
    others : mapping of str to WeldPart
        Truths of measures that are not the penetration of ``weld``, by the response's name.
    hand : HandPart
        Behind the scatter of ``weld``.
    unit : str
        Of every measure's truth; empty: each response's own, as where the truth was drawn about its requirement.
    """

    name: str
    weld: WeldPart
    pores: PorePart
    trip: TripPart = field(default_factory=TripPart)
    about: str = ""
    others: Mapping[str, WeldPart] = field(default_factory=dict)
    hand: HandPart = field(default_factory=HandPart)
    unit: str = "mm"
