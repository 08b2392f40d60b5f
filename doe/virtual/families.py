"""Virtual welders drawn at random, so that no one of them can have been had in mind.

Ranges are METHOD.md's (section 9): pore size .8 to 5, plate scatter .1 to .3 mm, weld scatter .15 to .35 mm, curvature
.2 to 1. The rest is invented. Depths and scatters scale with the study's own requirement and expected scatter.
"""

from __future__ import annotations

from typing import Final, Literal

import numpy as np

from doe.study.model import Response, Study
from doe.virtual.parts import PorePart, TripPart, VirtualWelder, WeldPart

Family = Literal["smooth", "bent"]

SCATTER_MM: Final = 0.25
"""Middle of the weld scatters METHOD.md names; other lengths here are in its proportion. [mm]"""


def draw_welder(study: Study, family: Family, *, rng: np.random.Generator) -> VirtualWelder:
    """Draw a welder.

    Parameters
    ----------
    study : Study
        Whose measures and requirements the depths are drawn about.
    family : {"smooth", "bent"}
        Smooth: quadratics in the coded settings. Bent: depth as a product of powers with a ridge anywhere in the
        region, pores with a step towards a long arc; neither is a quadratic.
    rng : numpy.random.Generator
    """
    measures = [r for r in study.responses if r.kind == "measure"]
    parts = {r.name: _draw_measure(r, family, rng) for r in measures}
    first = next(iter(parts.values()), None) or _draw_depth(1.2, 1.0, family, rng)
    others = {name: part for name, part in parts.items() if part is not first}
    return VirtualWelder(
        f"family: {family}", first, _draw_pores(family, rng), _draw_trip(rng), "drawn at random", others
    )


def _draw_measure(response: Response, family: Family, rng: np.random.Generator) -> WeldPart:
    """Draw the truth of one measure about its requirement; mirrored where that is an upper limit only."""
    limit = response.at_least if response.at_least is not None else response.at_most
    limit = 1.2 if limit is None else limit
    scale = (response.expect_scatter or 0.2 * abs(limit) or SCATTER_MM) / SCATTER_MM
    if response.at_least is not None or response.at_most is None:
        return _draw_depth(limit, scale, family, rng)
    upright = _draw_depth(0.0, scale, "smooth", rng)
    mirrored = {letters: -value for letters, value in upright.coefficients.items()}
    mirrored["1"] += limit
    return WeldPart(mirrored, weld_sd=upright.weld_sd, plate_sd=upright.plate_sd)


def _draw_depth(limit: float, scale: float, family: Family, rng: np.random.Generator) -> WeldPart:
    """Draw a depth that passes a lower limit over a part of the region."""
    middle = limit + scale * rng.uniform(0.1, 0.9)
    slopes = {"v": rng.uniform(-0.1, 0.3), "f": rng.uniform(0.2, 0.6), "p": rng.uniform(0.0, 0.35)}
    bend = {"vv": -rng.uniform(0.05, 0.4), "ff": -rng.uniform(0.05, 0.4), "vf": rng.uniform(-0.15, 0.15)}
    weld_sd, plate_sd = scale * rng.uniform(0.15, 0.35), scale * rng.uniform(0.1, 0.3)
    if family == "smooth" or middle <= 0:
        shape = {letters: scale * value for letters, value in (slopes | bend).items()}
        return WeldPart({"1": middle} | shape, weld_sd=weld_sd, plate_sd=plate_sd)
    powers = {letters: scale / middle * value for letters, value in slopes.items()}
    return WeldPart(
        {"1": float(np.log(middle))} | powers,
        is_log=True,
        ridge_at=rng.uniform(-0.1, 0.6),
        ridge_width=rng.uniform(0.04, 0.3),
        ridge_fall=scale * rng.uniform(0.5, 2.5),
        weld_sd=weld_sd,
        plate_sd=plate_sd,
    )


def _draw_pores(family: Family, rng: np.random.Generator) -> PorePart:
    """Draw pores: curvature .2 to 1, size .8 to 5."""
    quadratic = {
        "1": rng.uniform(-2.2, -0.1),
        "v": rng.uniform(-0.4, 0.4),
        "f": rng.uniform(-0.4, 0.4),
        "p": rng.uniform(-0.35, 0.05),
        "vf": rng.uniform(-0.4, 0.2),
        "vv": rng.uniform(0.2, 1.0),
        "ff": rng.uniform(0.2, 1.0),
    }
    size = float(np.exp(rng.uniform(np.log(0.8), np.log(5.0))))
    if family == "smooth":
        return PorePart(quadratic, size)
    flat = {letters: (0.4 if len(letters) == 2 else 1.0) * value for letters, value in quadratic.items()}
    return PorePart(
        flat,
        size,
        step_at=rng.uniform(0.1, 0.6),
        step_width=rng.uniform(0.05, 0.2),
        step_height=rng.uniform(1.0, 3.0),
        plate_sd=rng.uniform(0.0, 0.4),
    )


def _draw_trip(rng: np.random.Generator) -> TripPart:
    """Draw a supply."""
    return TripPart(
        middle_ratio=rng.uniform(1.2, 2.0),
        voltage_power=rng.uniform(0.7, 1.2),
        feed_power=rng.uniform(0.7, 1.1),
        steepness=float(np.exp(rng.normal(np.log(4.5), 0.3))),
        scatter=float(np.exp(rng.normal(np.log(0.4), 0.3))),
        machine_error=rng.normal(0.0, 0.1),
    )
