"""The hidden truth of a virtual welder.

A welder turns settings into penetration, pores and time to trip. Settings enter by their role (voltage, feed, preheat),
coded -1 to 1 over the study's region, so that one welder serves studies with any marks and units; factors of another
role do nothing. Every constant is invented.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from scipy import special, stats

from doe.coding import FloatArray
from doe.study.model import Response, Study


@dataclass(frozen=True)
class WeldPart:
    """Penetration in mm: a quadratic in coded settings, less a fall beyond a ridge where hot settings widen the bead.

    Attributes
    ----------
    coefficients : mapping of str to float
        "1", "v", "f", "p", "vf", "vp", "fp", "vv", "ff", "pp"; absent ones are 0. [mm]
    ridge_at, ridge_width, ridge_fall : float
        Beyond ``(v + f) / 2 = ridge_at`` penetration falls by ``ridge_fall`` mm per unit, the bend being
        ``ridge_width`` wide; no ridge where ``ridge_fall`` is 0.
    weld_sd, plate_sd, reading_sd : float
        Scatter between welds, plates and cuts. [mm]
    warm_gain : float
        How much deeper a later weld fuses on a warm plate. [mm]
    block_sd : float
        Scatter between days. [mm]
    drift : float
        Change from the first weld of the order to the last. [mm]
    misread_share : float
        Share of readings that are grossly wrong (by a factor of 0.5 to 1.6).
    """

    coefficients: Mapping[str, float]
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


@dataclass(frozen=True)
class PorePart:
    """Pores: log of the mean count over the criterion length, quadratic in coded settings; negative binomial size."""

    coefficients: Mapping[str, float]
    size: float = 2.0


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
    never : bool
        The supply never trips.
    """

    middle_ratio: float = 1.35
    voltage_power: float = 1.0
    feed_power: float = 0.9
    steepness: float = 4.5
    scatter: float = 0.4
    meter_sd: float = 0.03
    never: bool = False


@dataclass(frozen=True)
class VirtualWelder:
    """A welder, a machine, a supply: the whole hidden truth."""

    name: str
    weld: WeldPart
    pores: PorePart
    trip: TripPart = field(default_factory=TripPart)


def _quadratic(coefficients: Mapping[str, float], roles: Mapping[str, FloatArray]) -> FloatArray:
    """Evaluate a quadratic given by letters: "vf" is the product of v and f."""
    total = np.zeros_like(roles["v"])
    for letters, coefficient in coefficients.items():
        product = np.full_like(total, coefficient)
        for letter in letters.replace("1", ""):
            product *= roles[letter]
        total += product
    return total


def coded_roles(study: Study, natural: FloatArray) -> dict[str, FloatArray]:
    """Give coded voltage, feed and preheat columns as "v", "f", "p"; 0 where the study has no such factor."""
    coded = study.coding.to_coded(natural)
    columns = {}
    for letter, role in (("v", "voltage"), ("f", "feed"), ("p", "preheat")):
        factor = study.factor_of_role(role)  # type: ignore[arg-type]
        column = np.zeros(len(coded)) if factor is None else coded[:, study.coding.index[factor.name]]
        columns[letter] = column
    return columns


def mean_penetration_mm(welder: VirtualWelder, study: Study, natural: FloatArray, *, later: bool = False) -> FloatArray:
    """Mean penetration, shape (n,). [mm]."""
    part, roles = welder.weld, coded_roles(study, natural)
    past = ((roles["v"] + roles["f"]) / 2 - part.ridge_at) / part.ridge_width
    fall = part.ridge_fall * part.ridge_width * np.logaddexp(0.0, past)
    return _quadratic(part.coefficients, roles) - fall + part.warm_gain * later


def mean_pores(welder: VirtualWelder, study: Study, natural: FloatArray) -> FloatArray:
    """Mean pore count over the criterion length, shape (n,)."""
    return np.exp(_quadratic(welder.pores.coefficients, coded_roles(study, natural)))


def load_ratio(welder: VirtualWelder, study: Study, natural: FloatArray) -> FloatArray:
    """Line current over breaker rating, shape (n,): voltage spans ±13 %, feed ±28 % about the centre."""
    roles, part = coded_roles(study, natural), welder.trip
    voltage, feed = 1 + 0.13 * roles["v"], 1 + 0.28 * roles["f"]
    return np.asarray(part.middle_ratio * voltage**part.voltage_power * feed**part.feed_power)


def log_median_trip_s(welder: VirtualWelder, study: Study, natural: FloatArray) -> FloatArray:
    """Log of the median time to trip, shape (n,). [log s]."""
    part = welder.trip
    return np.asarray(np.log(90.0) - part.steepness * np.log(load_ratio(welder, study, natural) / 1.9))


def true_pass(
    welder: VirtualWelder, study: Study, response: Response, natural: FloatArray, *, later: bool = False
) -> FloatArray:
    """Give the true chance that one weld on a new plate meets one requirement, shape (n,).

    Raises
    ------
    ValueError
        If the welder has no truth for this kind of response.
    """
    if response.kind == "measure":
        mean = mean_penetration_mm(welder, study, natural, later=later)
        sd = np.hypot(welder.weld.weld_sd, welder.weld.plate_sd)
        below = 0.0 if response.at_least is None else stats.norm.cdf(response.at_least, mean, sd)
        above = 0.0 if response.at_most is None else stats.norm.sf(response.at_most, mean, sd)
        return np.asarray(1.0 - below - above)
    if response.kind == "count":
        size, mean = welder.pores.size, mean_pores(welder, study, natural)
        return np.asarray(stats.nbinom.cdf(response.at_most, size, size / (size + mean)))
    if response.kind == "trip" and response.hold_s is not None:
        if welder.trip.never:
            return np.ones(len(natural))
        z = 1.28 * (np.log(response.hold_s) - log_median_trip_s(welder, study, natural)) / welder.trip.scatter - 0.37
        return np.asarray(np.exp(-np.exp(z)))
    message = f"the virtual welder has no truth for “{response.name}” ({response.kind})"
    raise ValueError(message)


def true_assurance(welder: VirtualWelder, study: Study, natural: FloatArray, *, later: bool = False) -> FloatArray:
    """Give the true chance that one weld meets every requirement; scatters are independent here. shape (n,)."""
    wanted = [r for r in study.responses if r.has_requirement]
    passes = [true_pass(welder, study, response, natural, later=later) for response in wanted]
    return np.asarray(np.prod(passes, axis=0))


def draw_trip_time_s(welder: VirtualWelder, study: Study, natural: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Draw a time to trip for each setting; infinite where the supply never trips. [s]."""
    if welder.trip.never:
        return np.full(len(natural), np.inf)
    extreme = np.log(-special.log1p(-rng.random(len(natural))))
    return np.asarray(np.exp(log_median_trip_s(welder, study, natural) + welder.trip.scatter * (extreme + 0.37) / 1.28))


def _welders() -> dict[str, VirtualWelder]:
    """Make the named welders: each a different shape of truth."""
    ridge = WeldPart(
        {"1": 2.1, "v": 0.15, "f": 0.55, "p": 0.28, "vf": 0.12, "vv": -0.15, "ff": -0.10},
        ridge_at=0.35,
        ridge_fall=1.6,
    )
    bowl = PorePart({"1": -1.6, "v": 0.25, "f": -0.15, "p": -0.2, "vf": -0.35, "vv": 0.75, "ff": 0.45}, size=3.0)
    listed = [
        VirtualWelder("hinge lugs", ridge, bowl, TripPart(middle_ratio=1.45)),
        VirtualWelder(
            "warm second sides",
            WeldPart({**ridge.coefficients, "1": 1.9}, ridge_at=0.35, ridge_fall=1.6, warm_gain=0.35),
            bowl,
            TripPart(middle_ratio=1.45),
        ),
        VirtualWelder("no pores", ridge, PorePart({"1": -12.0}), TripPart(middle_ratio=1.45)),
        VirtualWelder("never trips", ridge, bowl, TripPart(never=True)),
        VirtualWelder("always trips in a corner", ridge, bowl, TripPart(middle_ratio=1.7, steepness=6.0)),
        VirtualWelder("no window", WeldPart({"1": 0.7, "f": 0.3, "p": 0.1}), bowl),
    ]
    return {welder.name: welder for welder in listed}


WELDERS: Mapping[str, VirtualWelder] = MappingProxyType(_welders())
"""The named virtual welders."""
