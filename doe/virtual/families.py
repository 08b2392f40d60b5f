"""Virtual welders drawn at random, so that no one of them can have been had in mind.

Ranges are METHOD.md's (section 9): pore size .8 to 5, plate scatter .1 to .3 mm, weld scatter .15 to .35 mm, curvature
.2 to 1. The rest is invented. Depths and scatters scale with the study's own requirement and expected scatter.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from doe.study.model import Response, Study
from doe.virtual.parts import PorePart, TripPart, VirtualWelder, WeldPart
from doe.virtual.welder import other_letters

Family = Literal["smooth", "bent"]

SCATTER_MM: Final = 0.25
"""Middle of the weld scatters METHOD.md names; other lengths here are in its proportion. [mm]"""
LIMIT_MM: Final = 1.2
"""Depth that a measure without a requirement, or a pass, is drawn about. [mm]"""


@dataclass(frozen=True)
class Drawing:
    """What a welder is drawn with: the family, the letters of factors without a role of their own, the randomness."""

    family: Family
    others: Sequence[str]
    rng: np.random.Generator

    def slopes(self) -> dict[str, float]:
        """Draw slopes of a depth, in mm."""
        rng = self.rng
        known = {"v": rng.uniform(-0.1, 0.3), "f": rng.uniform(0.2, 0.6), "p": rng.uniform(0.0, 0.35)}
        return known | {a: rng.choice((-1.0, 1.0)) * rng.uniform(0.1, 0.5) for a in self.others}

    def bends(self) -> dict[str, float]:
        """Draw the second order of a depth, in mm."""
        rng = self.rng
        known = {"vv": -rng.uniform(0.05, 0.4), "ff": -rng.uniform(0.05, 0.4), "vf": rng.uniform(-0.15, 0.15)}
        return known | {2 * a: -rng.uniform(0.0, 0.3) for a in self.others}


def draw_welder(study: Study, family: Family, *, rng: np.random.Generator) -> VirtualWelder:
    """Draw a welder.

    Parameters
    ----------
    study : Study
        Whose measures and requirements the depths are drawn about. Its factors without a role of their own matter too.
    family : {"smooth", "bent"}
        Smooth: quadratics in the coded settings. Bent: depth as a product of powers with a ridge anywhere in the
        region, pores with a step towards a long arc; neither is a quadratic.
    rng : numpy.random.Generator
    """
    drawing = Drawing(family, other_letters(study), rng)
    measures = [r for r in study.responses if r.kind == "measure"]
    parts = [_draw_measure(response, drawing) for response in measures]
    return VirtualWelder(
        f"family: {family}",
        parts[0] if parts else _draw_depth(LIMIT_MM, 1.0, drawing),
        _draw_pores(drawing),
        _draw_trip(rng),
        about="drawn at random",
        others={response.name: part for response, part in zip(measures[1:], parts[1:], strict=True)},
        unit="",
    )


def _draw_measure(response: Response, drawing: Drawing) -> WeldPart:
    """Draw the truth of one measure about its requirement; mirrored where that is an upper limit only."""
    low, high = response.at_least, response.at_most
    limit = next((value for value in (low, high) if value is not None), LIMIT_MM)
    scale = (response.expect_scatter or 0.2 * abs(limit) or SCATTER_MM) / SCATTER_MM
    if high is None:
        return _draw_depth(limit, scale, drawing)
    if low is not None:
        return _draw_depth(limit, scale, drawing, most=(low + high) / 2)
    upright = _draw_depth(0.0, scale, replace(drawing, family="smooth"))
    mirrored = {letters: -value for letters, value in upright.coefficients.items()}
    return replace(upright, coefficients={**mirrored, "1": limit + mirrored["1"]})


def _draw_depth(limit: float, scale: float, drawing: Drawing, *, most: float = np.inf) -> WeldPart:
    """Draw a depth that passes a lower limit over a part of the region; ``most`` bounds its middle."""
    rng = drawing.rng
    middle = min(limit + scale * rng.uniform(0.1, 0.9), most)
    slopes, bends = drawing.slopes(), drawing.bends()
    weld_sd, plate_sd = scale * rng.uniform(0.15, 0.35), scale * rng.uniform(0.1, 0.3)
    passes_at = limit - 0.3 * scale
    if drawing.family == "smooth" or middle <= 0:
        shape = {letters: scale * value for letters, value in (slopes | bends).items()}
        return WeldPart({"1": middle} | shape, weld_sd=weld_sd, plate_sd=plate_sd, passes_at=passes_at)
    powers = {letters: scale / middle * value for letters, value in slopes.items()}
    return WeldPart(
        {"1": float(np.log(middle))} | powers,
        is_log=True,
        ridge_at=rng.uniform(-0.1, 0.6),
        ridge_width=rng.uniform(0.04, 0.3),
        ridge_fall=scale * rng.uniform(0.5, 2.5),
        weld_sd=weld_sd,
        plate_sd=plate_sd,
        passes_at=passes_at,
    )


def _draw_pores(drawing: Drawing) -> PorePart:
    """Draw pores: curvature .2 to 1, size .8 to 5."""
    rng = drawing.rng
    quadratic = {
        "1": rng.uniform(-2.2, -0.1),
        "v": rng.uniform(-0.4, 0.4),
        "f": rng.uniform(-0.4, 0.4),
        "p": rng.uniform(-0.35, 0.05),
        "vf": rng.uniform(-0.4, 0.2),
        "vv": rng.uniform(0.2, 1.0),
        "ff": rng.uniform(0.2, 1.0),
    } | {a: rng.uniform(-0.4, 0.4) for a in drawing.others}
    size = float(np.exp(rng.uniform(np.log(0.8), np.log(5.0))))
    if drawing.family == "smooth":
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
