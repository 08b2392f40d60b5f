"""The hidden truth of a virtual welder, worked out.

A welder turns settings into penetration, pores and time to trip. Settings enter by their role (voltage, feed, preheat),
coded -1 to 1 over the study's region, so that one welder serves studies with any marks and units. Factors of another
role go by capital letters, A for the first; they do nothing on the named welders.
"""

from __future__ import annotations

import itertools
import math
import string
from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np
from scipy import special, stats

from doe.coding import FloatArray
from doe.study.model import Factor, Response, Role, Study
from doe.units import convert, same_dimension
from doe.virtual.named import WELDERS
from doe.virtual.parts import PorePart, TripPart, VirtualWelder, WeldPart

__all__ = [
    "WELDERS",
    "PorePart",
    "TripPart",
    "VirtualWelder",
    "WeldPart",
    "coded_roles",
    "draw_trip_time_s",
    "load_ratio",
    "log_median_trip_s",
    "mean_depth",
    "mean_penetration_mm",
    "mean_pores",
    "measured_part",
    "other_letters",
    "true_assurance",
    "true_mean",
    "true_pass",
    "true_share_between",
]

ROLES: Final[Mapping[str, Role]] = {"v": "voltage", "f": "feed", "p": "preheat"}
"""Letters of the factors that have a role."""
HERMITE: Final = np.polynomial.hermite_e.hermegauss(7)
"""Nodes and weights of Gauss-Hermite quadrature over a standard normal distribution."""
WANDER_NODES: Final = ((-math.sqrt(3.0), 1 / 6), (0.0, 4 / 6), (math.sqrt(3.0), 1 / 6))
"""Nodes, in standard deviations, and weights of the dial's wander: exact to the fifth degree."""


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
    """Give coded voltage, feed and preheat columns as "v", "f", "p", 0 where the study has no such factor; others too.

    Over the planned region, whatever coding the study asks for; kinds are spread evenly from -1 to 1.
    """
    coding = replace(study, plan=replace(study.plan, coding=())).coding
    coded = coding.to_coded(natural)
    columns = {letter: np.zeros(len(coded)) for letter in ROLES}
    for letter, factor in _lettered(study).items():
        column = coded[:, coding.index[factor.name]]
        columns[letter] = 2.0 * column / (len(factor.kinds) - 1) - 1.0 if factor.is_kind else column
    return columns


def other_letters(study: Study) -> tuple[str, ...]:
    """Give the letters of the factors without a role of their own: "A" for the first."""
    return tuple(letter for letter in _lettered(study) if letter not in ROLES)


def _lettered(study: Study) -> dict[str, Factor]:
    """Give each factor its letter."""
    by_role = {letter: study.factor_of_role(role) for letter, role in ROLES.items()}
    known = {letter: factor for letter, factor in by_role.items() if factor is not None}
    rest = [f for f in study.factors if f not in known.values() and (not f.is_kind or len(f.kinds) > 1)]
    return known | dict(zip(string.ascii_uppercase, rest, strict=False))


def mean_penetration_mm(welder: VirtualWelder, study: Study, natural: FloatArray, *, later: bool = False) -> FloatArray:
    """Mean penetration, shape (n,). [mm]."""
    return mean_depth(welder.weld, study, natural, later=later)


def mean_depth(part: WeldPart, study: Study, natural: FloatArray, *, later: bool = False) -> FloatArray:
    """Mean of one measure, shape (n,)."""
    roles = coded_roles(study, natural)
    past = ((roles["v"] + roles["f"]) / 2 - part.ridge_at) / part.ridge_width
    fall = part.ridge_fall * part.ridge_width * np.logaddexp(0.0, past)
    quadratic = _quadratic(part.coefficients, roles)
    return np.asarray((np.exp(quadratic) if part.is_log else quadratic) - fall + part.warm_gain * later)


def measured_part(welder: VirtualWelder, response: Response) -> WeldPart:
    """Give the truth of one measure."""
    return welder.others.get(response.name, welder.weld)


def one_in_unit(welder: VirtualWelder, response: Response) -> float:
    """Give one of the truth's unit in the response's: 1 where they are the same, or not of one dimension."""
    if not welder.unit or not response.unit or not same_dimension(welder.unit, response.unit):
        return 1.0
    return float(convert(1.0, welder.unit, response.unit))


def mean_pores(welder: VirtualWelder, study: Study, natural: FloatArray) -> FloatArray:
    """Mean pore count over the criterion length on a middling plate, shape (n,)."""
    part, roles = welder.pores, coded_roles(study, natural)
    step = part.step_height * special.expit(((roles["v"] - roles["f"]) / 2 - part.step_at) / part.step_width)
    return np.asarray(np.exp(_quadratic(part.coefficients, roles) + step))


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
    """Give the true chance that one weld on a new plate on a new day meets one requirement, shape (n,).

    The dials are taken to hold exactly what is asked for here.

    Raises
    ------
    ValueError
        If the response has no requirement.
    """
    if response.kind == "measure":
        part = measured_part(welder, response)
        one = one_in_unit(welder, response)
        mean, sd = one * mean_depth(part, study, natural, later=later), one * _weld_sd(part)
        below = 0.0 if response.at_least is None else stats.norm.cdf(response.at_least, mean, sd)
        above = 0.0 if response.at_most is None else stats.norm.sf(response.at_most, mean, sd)
        return np.asarray(1.0 - below - above)
    if response.kind == "pass":
        mean, sd = mean_depth(welder.weld, study, natural, later=later), _weld_sd(welder.weld)
        return np.asarray(stats.norm.sf(welder.weld.passes_at, mean, sd))
    if response.kind == "count" and response.at_most is not None:
        return _pore_pass(welder, study, natural, at_most=response.at_most)
    if response.kind == "trip" and response.hold_s is not None:
        return _hold(welder, study, natural, hold_s=response.hold_s)
    message = f"“{response.name}” ({response.kind}) has no requirement, so no weld can meet or miss it"
    raise ValueError(message)


def _weld_sd(part: WeldPart) -> float:
    """Scatter of a new weld on a new plate on a new day."""
    return math.hypot(part.weld_sd, part.plate_sd, part.block_sd)


def _pore_pass(welder: VirtualWelder, study: Study, natural: FloatArray, *, at_most: float) -> FloatArray:
    """Give the chance of few enough pores, averaged over plates."""
    size, mean = welder.pores.size, mean_pores(welder, study, natural)
    nodes, weights = HERMITE if welder.pores.plate_sd else (np.zeros(1), np.ones(1))
    rates = mean[:, None] * np.exp(welder.pores.plate_sd * nodes)
    return np.asarray(stats.nbinom.cdf(at_most, size, size / (size + rates)) @ (weights / weights.sum()))


def _hold(welder: VirtualWelder, study: Study, natural: FloatArray, *, hold_s: float) -> FloatArray:
    """Give the chance that the supply holds."""
    if welder.trip.never:
        return np.ones(len(natural))
    z = 1.28 * (np.log(hold_s) - log_median_trip_s(welder, study, natural)) / welder.trip.scatter - 0.37
    return np.asarray(np.exp(-np.exp(z)))


def true_assurance(welder: VirtualWelder, study: Study, natural: FloatArray, *, later: bool = False) -> FloatArray:
    """Give the true chance that one weld meets every requirement, shape (n,).

    Scatters are independent here. The dials wander by what each factor states (``set_within``) about where they were
    put, as they do when a plan is welded.
    """
    wanted = [r for r in study.responses if r.has_requirement]
    total = np.zeros(len(natural))
    for offset, weight in _wander(study):
        passes = [true_pass(welder, study, response, natural + offset, later=later) for response in wanted]
        total += weight * np.prod(passes, axis=0)
    return total


def true_mean(
    welder: VirtualWelder, study: Study, response: Response, natural: FloatArray, *, later: bool = False
) -> FloatArray:
    """Give the true mean that a fitted response's bands are about, shape (n,), the dials' wander averaged over.

    Measure: the mean. Count: the mean count over the criterion length. Trip and pass: the chance of meeting it.
    """
    total = np.zeros(len(natural))
    for offset, weight in _wander(study):
        total += weight * _mean(welder, study, response, natural + offset, later=later)
    return total


def true_share_between(
    welder: VirtualWelder,
    study: Study,
    response: Response,
    natural: FloatArray,
    ends: tuple[FloatArray, FloatArray],
) -> FloatArray:
    """Give the true share of welds whose measure lies between two ends, each of shape (n,), wander averaged over."""
    part, total = measured_part(welder, response), np.zeros(len(natural))
    one = one_in_unit(welder, response)
    for offset, weight in _wander(study):
        mean, sd = one * mean_depth(part, study, natural + offset), one * _weld_sd(part)
        total += weight * (stats.norm.cdf(ends[1], mean, sd) - stats.norm.cdf(ends[0], mean, sd))
    return total


def _mean(welder: VirtualWelder, study: Study, response: Response, natural: FloatArray, *, later: bool) -> FloatArray:
    if response.kind == "measure":
        depth = mean_depth(measured_part(welder, response), study, natural, later=later)
        return one_in_unit(welder, response) * depth
    if response.kind == "count":
        return mean_pores(welder, study, natural) * math.exp(welder.pores.plate_sd**2 / 2)
    return true_pass(welder, study, response, natural, later=later)


def _wander(study: Study) -> list[tuple[FloatArray, float]]:
    """Give offsets, shape (n_factors,), and weights of the dials' wander."""
    moving = [j for j, factor in enumerate(study.factors) if factor.set_within > 0 and not factor.is_kind]
    nodes = []
    for chosen in itertools.product(WANDER_NODES, repeat=len(moving)):
        offset = np.zeros(len(study.factors))
        offset[moving] = [z * study.factors[j].set_within for j, (z, _) in zip(moving, chosen, strict=True)]
        nodes.append((offset, math.prod(weight for _, weight in chosen)))
    return nodes


def draw_trip_time_s(welder: VirtualWelder, study: Study, natural: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Draw a time to trip for each setting; infinite where the supply never trips. [s]."""
    if welder.trip.never:
        return np.full(len(natural), np.inf)
    extreme = np.log(-special.log1p(-rng.random(len(natural))))
    return np.asarray(np.exp(log_median_trip_s(welder, study, natural) + welder.trip.scatter * (extreme + 0.37) / 1.28))
