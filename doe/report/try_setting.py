"""The page part where a reader turns the dials: what its script needs, and what stands on the page.

Numbers and draws go into one block of JSON; every word of the study in it has been formatted here, so that the script
converts no unit. The script (``templates/try.js``) mirrors ``doe.window.best.expect``.
"""

from __future__ import annotations

import base64
import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from scipy.special import ndtri

from doe.coding import FactorCoding
from doe.models.count import CountPosterior
from doe.models.fit import Fit, Points, Posterior
from doe.planning.region import kind_ranges, slack_of
from doe.report.formatting import requirement_words, setting, shown_reading
from doe.report.settings import reference_setting
from doe.report.templating import script_data
from doe.report.weld_row import large_and_small
from doe.study.model import Factor, Response, Study
from doe.units import printed_unit
from doe.window.box import enough
from doe.window.compact import CompactPosterior, compact, log_hold_of
from doe.window.explore import Explorer
from doe.window.hull import SLACK, hulls_of
from doe.window.welded import WeldedRegion, find_welded_region
from doe.window.window import Window
from doe.window.words import POSITIONS, level

AXIS_SETTINGS: Final = 60
"""Settings from which a bar's ends are found."""


@dataclass(frozen=True)
class TryDial:
    """One dial on the page: a row of stops, or kinds to choose from."""

    name: str
    is_kind: bool
    stops: tuple[str, ...]


@dataclass(frozen=True)
class TryBar:
    """One response's bar: what stands beside it, and whether ground fails below or above."""

    name: str
    requirement: str
    has_weld_band: bool
    fails_below: bool
    fails_above: bool


@dataclass(frozen=True)
class TrySetting:
    """What stands on the page, and the script's data."""

    dials: tuple[TryDial, ...]
    positions: tuple[str, ...]
    bars: tuple[TryBar, ...]
    confidence: str
    n_draws: int
    left_out: tuple[str, ...]
    data: str


def try_setting(fit: Fit, explorer: Explorer) -> TrySetting:
    """Gather the page part.

    Parameters
    ----------
    fit : Fit
    explorer : Explorer
        Of the window that was found from the same fit.
    """
    window = explorer.window
    study = window.study
    drawn = explorer.posteriors
    return TrySetting(
        dials=tuple(_dial(factor) for factor in study.factors),
        positions=tuple(POSITIONS[answer.position] for answer in window.answers),
        bars=tuple(_bar(study.response(name), study) for name in drawn),
        confidence=level(window.claim.confidence),
        n_draws=explorer.n_draws,
        left_out=window.left_out,
        data=script_data(try_data(fit, explorer)),
    )


def try_data(fit: Fit, explorer: Explorer) -> dict[str, Any]:
    """Give what the script works from, as JSON takes it."""
    window, study = explorer.window, explorer.window.study
    region = find_welded_region(fit.results)
    compacts = {name: compact(posterior) for name, posterior in explorer.posteriors.items()}
    draws = b"".join(part.codes.astype("<u2").tobytes() for part in compacts.values())
    confidence = window.claim.confidence
    return {
        "confidence": confidence,
        "nDraws": explorer.n_draws,
        "rank": explorer.n_draws - enough(confidence, explorer.n_draws),
        "score": float(ndtri((1.0 + confidence) / 2.0)),
        "every": _every(window),
        "claimed": "This is the claimed setting."
        if window.answer.is_one_setting
        else "This setting lies in the window.",
        "wander": {
            "offsets": explorer.draws.wander.offsets.tolist(),
            "weights": explorer.draws.wander.weights.tolist(),
        },
        "positions": [
            {
                "laters": list(scenario.laters),
                "box": None if answer.box is None else {"low": answer.box.low, "high": answer.box.high},
            }
            for scenario, answer in zip(explorer.scenarios, window.answers, strict=True)
        ],
        "factors": [_factor(region, j) for j in range(len(study.factors))],
        "start": _start(window),
        "limits": [_limit(study, i) for i in range(len(study.limits))],
        "hulls": _hulls(fit),
        "hullSlack": SLACK,
        "responses": [
            _response(study, study.response(name), posterior, compacts[name], region)
            for name, posterior in explorer.posteriors.items()
        ],
        "draws": base64.b64encode(draws).decode(),
    }


def _every(window: Window) -> str:
    """Name the requirements that the assurance is about; empty where nothing is asked of a weld."""
    if not window.has_question:
        return ""
    if not window.left_out:
        return "every requirement"
    return f"every requirement but {' and '.join(window.left_out)}, which was not measured"


# --- dials


def _dial(factor: Factor) -> TryDial:
    stops = tuple(setting(factor, float(v)) for v in factor.positions)
    return TryDial(factor.name, factor.is_kind, stops)


def _factor(region: WeldedRegion, j: int) -> dict[str, Any]:
    """Describe one dial: its stops, its coding, and how far it was welded."""
    study, factor = region.study, region.study.factors[j]
    stops = []
    for value in factor.positions.tolist():
        large, small = large_and_small(factor, value)
        if not small and not factor.is_kind and factor.mark_at(value) is None:
            large, _, small = large.partition(" ")
        label = setting(factor, value)
        stops.append({"value": int(value) if factor.is_kind else value, "large": large, "small": small, "label": label})
    described: dict[str, Any] = {"name": factor.name, "isKind": factor.is_kind, "stops": stops, "by": -1}
    if factor.is_kind:
        return {**described, "weldedKinds": sorted(region.welded_kinds[j])}
    described |= _scales(study.coding.factors[j], study)
    if factor.ranges:
        low, high = kind_ranges(study, factor)
        room = 1e-9 * max(abs(factor.low), abs(factor.high))
        described["by"] = study.coding.index[factor.range_by]
        described["stopsByKind"] = [
            [i for i, v in enumerate(factor.values) if a - room <= v <= b + room]
            for a, b in zip(low, high, strict=True)
        ]
    rows = range(len(study.factor(factor.range_by).kinds)) if factor.ranges else (0,)
    return {
        **described,
        "weldedLow": [_finite(region.low[row, j]) for row in rows],
        "weldedHigh": [_finite(region.high[row, j]) for row in rows],
        "slack": 1e-9 * max(1.0, abs(factor.low), abs(factor.high)),
    }


def _scales(coding: FactorCoding, study: Study) -> dict[str, Any]:
    """Give centre and half-range, one a kind where the range depends on one."""
    if coding.by:
        return {"by": study.coding.index[coding.by], "centre": coding.centres, "half": coding.halves}
    return {"centre": [coding.centre], "half": [coding.half]}


def _finite(value: float) -> float:
    """Give a number JSON takes: a kind that was never welded has no range, which no setting lies in."""
    return float(value) if np.isfinite(value) else float(np.sign(value)) * 1e300


def _start(window: Window) -> list[int]:
    """Give the stop of each dial at which the page opens."""
    at = reference_setting(window)
    pairs = zip(window.study.factors, at, strict=True)
    return [int(np.abs(factor.positions - value).argmin()) for factor, value in pairs]


def _limit(study: Study, i: int) -> dict[str, Any]:
    limit = study.limits[i]
    why = f"{limit.why} ({limit.rule})" if limit.why else limit.rule
    index = study.coding.index
    return {
        "coefficients": [[index[name], c] for name, c in limit.coefficients],
        "bound": limit.bound + slack_of(limit, study),
        "words": f"the limit is {why}",
    }


def _hulls(fit: Fit) -> dict[str, Any] | None:
    """Give the ground between the welds, by kinds."""
    hulls = hulls_of(fit.results)
    if hulls is None:
        return None
    return {
        ",".join(str(k) for k in kinds): {
            "normals": hull.normals.round(10).tolist(),
            "offsets": hull.offsets.round(10).tolist(),
        }
        for kinds, hull in hulls.items()
    }


# --- responses


def _bar(response: Response, study: Study) -> TryBar:
    is_number = response.kind in {"measure", "count"}
    return TryBar(
        response.name,
        requirement_words(response, study),
        is_number,
        is_number and response.at_least is not None,
        is_number and response.at_most is not None,
    )


def _response(
    study: Study, response: Response, posterior: Posterior, part: CompactPosterior, region: WeldedRegion
) -> dict[str, Any]:
    """Describe one response: its draws, its requirement, its bar."""
    per_unit, unit = shown_reading(response, study.units)
    at_most = posterior.limit if isinstance(posterior, CountPosterior) else response.at_most
    is_chance = response.kind in {"trip", "pass"}
    requirement = requirement_words(response, study)
    return {
        "name": response.name,
        "form": part.form,
        "columns": part.columns,
        "first": part.first,
        "later": part.later,
        "shifted": part.shifted,
        "lows": part.lows.tolist(),
        "steps": part.steps.tolist(),
        "atLeast": response.at_least,
        "atMost": at_most,
        "logHold": log_hold_of(posterior),
        "isRequired": response.has_requirement,
        "isChance": is_chance,
        "says": f"Chance of no {response.name}" if response.kind == "trip" else f"Chance of {response.name}",
        "requirement": requirement[:1].upper() + requirement[1:],
        "perUnit": per_unit,
        "unit": f"in {response.per_text}" if response.kind == "count" and response.per_text else printed_unit(unit),
        "axis": [0.0, 1.0] if is_chance else _axis(response, posterior, region),
        "lineLow": None if is_chance else response.at_least,
        "lineHigh": None if is_chance else response.at_most,
    }


def _axis(response: Response, posterior: Posterior, region: WeldedRegion) -> list[float]:
    """Give a bar's ends: what the next weld may read over the region, and the requirement, with a little room."""
    settings = region.settings(region.reachable)
    every = max(len(settings) // AXIS_SETTINGS, 1)
    low, high = posterior.weld_band(Points(settings[::every]), level=0.9)
    limits = [v for v in (response.at_least, response.at_most) if v is not None]
    bottom, top = min([float(np.quantile(low, 0.02)), *limits]), max([float(np.quantile(high, 0.98)), *limits])
    room = 0.08 * (top - bottom) or 1.0
    is_below_zero = response.kind == "measure" and min([*limits, 0.0]) < 0.0
    ends = bottom - room if is_below_zero else max(bottom - room, 0.0), top + room
    step = 10.0 ** math.floor(math.log10(ends[1] - ends[0])) / 10.0
    return [math.floor(ends[0] / step + 1e-9) * step, math.ceil(ends[1] / step - 1e-9) * step]
