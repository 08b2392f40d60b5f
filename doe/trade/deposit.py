"""What a wire leaves behind: deposition rate, size of a fillet, wire and plate used."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from doe.trade.validity import Figure, Source, held

DEPOSIT: Final = Source(
    "deposition = wire feed × wire section × density × yield: mass balance; density of steel 7.85 g/cm³"
)
"""Mass balance; the density is a handbook value from memory."""
FILLET: Final = Source("plane geometry of an equal-leg fillet: A = z² (1 + c) / 2, throat z/√2", from_memory=False)
"""Geometry, not a standard."""
THROAT: Final = Source("plane geometry: throat = z1 z2 / √(z1² + z2²), the triangle's height", from_memory=False)
"""Geometry, not a standard."""

STEEL_G_MM3: Final = 7.85e-3
"""Density of plain steel. [g/mm3] Handbook value, from memory. Plain and low-alloy steel, within 1 %."""
KG_H_PER_G_S: Final = 3.6
"""Kilograms an hour in a gram a second. [1] Exact by definition. Holds everywhere."""
DEPOSITION_EFFICIENCY: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "GMAW": (0.93, 0.98),
        "GMAW-C": (0.90, 0.95),
        "FCAW-G": (0.80, 0.90),
        "FCAW-S": (0.75, 0.87),
        "SMAW": (0.60, 0.70),
    }
)
"""Deposit over wire used, by mass: usual range. [1] Common practice, from memory, no source. Weigh before and after
to know."""
CORED_DENSITY_RATIO: Final = (0.80, 0.90)
"""Mass of a metre of cored wire over solid wire. [1] Common practice, from memory, no source. Weigh a metre to
know."""


EFFICIENCY_OF_PROCESS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "111": "SMAW",
        "114": "FCAW-S",
        "131": "GMAW",
        "132": "FCAW-G",
        "133": "GMAW-C",
        "135": "GMAW",
        "136": "FCAW-G",
        "138": "GMAW-C",
    }
)
"""Which row of ``DEPOSITION_EFFICIENCY`` a process has, by ISO 4063 number; the others have none here."""


def yield_range(process: str, *, cored: bool) -> tuple[float, float] | None:
    """Give the usual range of deposit over wire used, by volume of solid steel; None where the process has none.

    Parameters
    ----------
    process : str
        ISO 4063 number.
    cored : bool
        Whether the wire is cored: its density ratio then counts too.

    Examples
    --------
    >>> yield_range("136", cored=True), yield_range("135", cored=False)
    ((0.64, 0.81), (0.93, 0.98))
    """
    row = EFFICIENCY_OF_PROCESS.get(process)
    if row is None:
        return None
    ratio = CORED_DENSITY_RATIO if cored else (1.0, 1.0)
    low, high = DEPOSITION_EFFICIENCY[row]
    return low * ratio[0], high * ratio[1]


def wire_section_mm2(wire_diameter_mm: float) -> float:
    """Give the section of a round wire, in mm2."""
    return math.pi / 4.0 * wire_diameter_mm**2


def wire_mass_kg(wire_length_mm: float, *, wire_diameter_mm: float, density_ratio: float = 1.0) -> float:
    """Give the mass of a length of wire, in kg.

    Parameters
    ----------
    wire_length_mm : float
        Wire feed times arc time. [mm]
    wire_diameter_mm : float
    density_ratio : float
        Mass of a metre over that of solid wire; 1 for solid. [1]

    Examples
    --------
    >>> wire_mass_kg(1000.0, wire_diameter_mm=1.0)
    0.006165
    """
    return wire_length_mm * wire_section_mm2(wire_diameter_mm) * STEEL_G_MM3 * density_ratio / 1000.0


def plate_mass_kg(length_mm: float, *, width_mm: float, thickness_mm: float) -> float:
    """Give the mass of a piece of steel plate, in kg."""
    return length_mm * width_mm * thickness_mm * STEEL_G_MM3 / 1000.0


def deposit_rate_kg_h(
    feed_mm_s: float, *, wire_diameter_mm: float, efficiency: float, density_ratio: float = 1.0
) -> float:
    """Give the weld metal an hour of arc, in kg/h.

    Parameters
    ----------
    feed_mm_s : float
        Wire feed. [mm/s]
    wire_diameter_mm : float
    efficiency : float
        Deposit over wire used, by mass, 0 to 1. [1]
    density_ratio : float
        Mass of a metre over that of solid wire; 1 for solid. [1]

    Examples
    --------
    >>> deposit_rate_kg_h(50.0, wire_diameter_mm=0.9, efficiency=0.95)
    0.854
    """
    grams_a_second = feed_mm_s * wire_section_mm2(wire_diameter_mm) * STEEL_G_MM3 * density_ratio * efficiency
    return grams_a_second * KG_H_PER_G_S


def deposit_rate(feed_mm_s: float, *, wire_diameter_mm: float, efficiency: float, density_ratio: float) -> Figure:
    """Give the weld metal an hour of arc, as a figure, in kg/h."""
    low, high = CORED_DENSITY_RATIO
    return held(
        deposit_rate_kg_h(
            feed_mm_s, wire_diameter_mm=wire_diameter_mm, efficiency=efficiency, density_ratio=density_ratio
        ),
        "kg/h",
        source=DEPOSIT,
        notes=(
            "an hour of arc, not of work",
            f"density ratio: 1 for solid wire, {low:g} to {high:g} for cored (common practice); weigh a metre to know",
        ),
        inputs={
            "feed": feed_mm_s,
            "wire_diameter": wire_diameter_mm,
            "efficiency": efficiency,
            "density_ratio": density_ratio,
        },
    )


def fillet_leg_mm(
    feed_mm_s: float, *, wire_diameter_mm: float, yield_share: float, travel_mm_s: float, convexity: float = 0.0
) -> float:
    r"""Give the leg of an equal-leg fillet that the wire fills.

    .. math:: z = \sqrt{2 A / (1 + c)}, \quad A = W A_{wire} y / v

    Parameters
    ----------
    feed_mm_s : float
        Wire feed W. [mm/s]
    wire_diameter_mm : float
    yield_share : float
        Deposit over wire used, by volume of solid steel: for cored wire density ratio times efficiency. [1]
    travel_mm_s : float
        Travel speed v, above 0. [mm/s]
    convexity : float
        Area of the bulge over that of the triangle c, at least 0. [1]

    Examples
    --------
    >>> fillet_leg_mm(50.0, wire_diameter_mm=0.9, yield_share=0.7, travel_mm_s=4.0, convexity=0.15)
    3.1114
    """
    area = feed_mm_s * wire_section_mm2(wire_diameter_mm) * yield_share / travel_mm_s
    return math.sqrt(2.0 * area / (1.0 + convexity))


def fillet_leg(
    feed_mm_s: float, *, wire_diameter_mm: float, yield_share: float, travel_mm_s: float, convexity: float = 0.0
) -> Figure:
    """Give the leg of an equal-leg fillet, as a figure, in mm."""
    leg = fillet_leg_mm(
        feed_mm_s,
        wire_diameter_mm=wire_diameter_mm,
        yield_share=yield_share,
        travel_mm_s=travel_mm_s,
        convexity=convexity,
    )
    face = "flat face" if convexity == 0 else f"face bulging by {convexity:.3g} of the triangle's area"
    return held(
        leg,
        "mm",
        source=FILLET,
        notes=(
            f"equal legs, {face}; throat {throat_mm(leg):.3g} mm",
            "one pass, tight joint: gravity makes the lower leg of a horizontal fillet longer",
        ),
        inputs={
            "feed": feed_mm_s,
            "wire_diameter": wire_diameter_mm,
            "yield": yield_share,
            "travel": travel_mm_s,
            "convexity": convexity,
        },
    )


def throat_mm(leg_mm: float, leg2_mm: float | None = None) -> float:
    """Give the theoretical throat of a flat-faced fillet from its legs, in mm.

    Parameters
    ----------
    leg_mm : float
        Above 0. [mm]
    leg2_mm : float or None
        The other leg; None: as the first. [mm]

    Examples
    --------
    >>> throat_mm(5.0), throat_mm(4.0, 6.0)
    (3.5355, 3.328)
    """
    return leg_mm * (other := leg_mm if leg2_mm is None else leg2_mm) / math.hypot(leg_mm, other)


def throat(leg_mm: float, leg2_mm: float | None = None) -> Figure:
    """Give the theoretical throat as a figure, in mm."""
    inputs = {"leg": leg_mm} | ({} if leg2_mm is None else {"leg2": leg2_mm})
    notes = (
        *(("equal legs",) if leg2_mm is None else ()),
        "square corner and flat face; a hollow face has less, root penetration adds to the effective throat",
    )
    return held(throat_mm(leg_mm, leg2_mm), "mm", source=THROAT, notes=notes, inputs=inputs)
