"""Limits of ISO 5817 for fillet welds in plate over 3 mm, quality levels B, C and D.

Edition 2014. Limits of level C for surface pores, lack of fusion, undercut, convexity and legs were seen; the others
and the edition are from memory.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from doe.trade.validity import Figure, Source, above, held, not_held

SEEN: Final = Source("ISO 5817:2014, Table 1 (edition from memory)", from_memory=False)
"""Limits that were seen."""
RECALLED: Final = Source("ISO 5817:2014, Table 1")
"""Limits recalled from memory."""

LEVELS: Final = ("B", "C", "D")
"""Quality levels, the strictest first."""
THINNEST_MM: Final = 3.0
"""The limits here are for plate thicker than this. [mm] ISO 5817:2014, from memory. Thinner plate has limits of its
own."""


@dataclass(frozen=True)
class Limit:
    """A limit of ``fixed + share * size``, at most ``most``.

    Attributes
    ----------
    fixed : float
        [mm]
    share : float
        Of the throat, the thickness or the face width. [1]
    most : float or None
        None: no cap. [mm]
    seen : bool
    """

    fixed: float
    share: float
    most: float | None
    seen: bool = False

    def at(self, size_mm: float) -> float:
        """Give the limit at a size, in mm."""
        return min(self.fixed + self.share * size_mm, math.inf if self.most is None else self.most)

    def __str__(self) -> str:
        """Give the rule in words."""
        if self.share == 0.0 and self.most == 0.0:
            return "not permitted"
        start = f"{self.fixed:g} mm + " if self.fixed else ""
        return f"{start}{self.share:g} of it{'' if self.most is None else f', at most {self.most:g} mm'}"


NOT_PERMITTED: Final = Limit(0.0, 0.0, 0.0)
"""The imperfection may not be there. [mm] ISO 5817:2014 Table 1, from memory. The limit is nought at any size."""

SURFACE_PORE: Final[Mapping[str, Limit]] = MappingProxyType(
    {"B": NOT_PERMITTED, "C": Limit(0.0, 0.2, 2.0, seen=True), "D": Limit(0.0, 0.3, 3.0)}
)
"""Diameter of a surface pore, by throat a. [mm] ISO 5817:2014 Table 1; C seen, B and D from memory. Fillet, over 3
mm."""
INTERNAL_PORE: Final[Mapping[str, Limit]] = MappingProxyType(
    {"B": Limit(0.0, 0.2, 3.0), "C": Limit(0.0, 0.3, 4.0), "D": Limit(0.0, 0.4, 5.0)}
)
"""Diameter of a single internal pore, by throat a. [mm] ISO 5817:2014 Table 1, from memory. Fillet, over 3 mm."""
PORE_AREA_PERCENT: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {"B": (1.0, 2.0), "C": (1.5, 3.0), "D": (2.5, 5.0)}
)
"""Projected area of porosity, single layer and multilayer. [%] ISO 5817:2014 Table 1, from memory. Over 3 mm."""
LACK_OF_FUSION: Final[Mapping[str, Limit]] = MappingProxyType(
    {"B": NOT_PERMITTED, "C": Limit(0.0, 0.0, 0.0, seen=True), "D": Limit(0.0, 0.4, 4.0)}
)
"""Lack of fusion, by throat a; at D short ones only. [mm] ISO 5817:2014 Table 1; C seen, B and D from memory. Over 3
mm."""
UNDERCUT: Final[Mapping[str, Limit]] = MappingProxyType(
    {"B": Limit(0.0, 0.05, 0.5), "C": Limit(0.0, 0.1, 0.5, seen=True), "D": Limit(0.0, 0.2, 1.0)}
)
"""Depth of undercut, by thickness t. [mm] ISO 5817:2014 Table 1; C seen, B and D from memory. Over 3 mm."""
THROAT_SHORTFALL: Final[Mapping[str, Limit]] = MappingProxyType(
    {"B": NOT_PERMITTED, "C": Limit(0.3, 0.1, 1.0), "D": Limit(0.3, 0.1, 2.0)}
)
"""Shortfall of the throat, by throat a; short ones only. [mm] ISO 5817:2014 Table 1, from memory. Over 3 mm."""
CONVEXITY: Final[Mapping[str, Limit]] = MappingProxyType(
    {"B": Limit(1.0, 0.10, 3.0), "C": Limit(1.0, 0.15, 4.0, seen=True), "D": Limit(1.0, 0.25, 5.0)}
)
"""Excess convexity, by face width b. [mm] ISO 5817:2014 Table 1; C seen, B and D from memory. Fillet, over 3 mm."""
LEG_DIFFERENCE: Final[Mapping[str, Limit]] = MappingProxyType(
    {"B": Limit(1.5, 0.15, None), "C": Limit(2.0, 0.15, None, seen=True), "D": Limit(2.0, 0.20, None)}
)
"""Difference of the legs, by throat a. [mm] ISO 5817:2014 Table 1; C seen, B and D from memory. Where equal legs are
meant."""
ROOT_GAP: Final[Mapping[str, Limit]] = MappingProxyType(
    {"B": Limit(0.5, 0.1, 2.0), "C": Limit(0.5, 0.2, 3.0), "D": Limit(1.0, 0.3, 4.0)}
)
"""Gap at the root of a fillet, by throat a. [mm] ISO 5817:2014 Table 1, from memory. Fit-up of fillets, over 3 mm."""
SHORT_MM: Final = 25.0
"""Total length of a "short" imperfection in any 100 mm of weld. [mm] ISO 5817:2014, from memory. Welds of 100 mm or
more."""
SHORT_PER_MM: Final = 100.0
"""The length of weld that is counted over. [mm] ISO 5817:2014, from memory."""
SHORT_SHARE: Final = 0.25
"""The same as a share of a weld shorter than 100 mm. [1] ISO 5817:2014, from memory."""
NO_CRACKS: Final = "cracks and crater cracks are not permitted at any level"
"""Seen, ISO 5817 Table 1."""


def source_of(limit: Limit) -> Source:
    """Give the source of a limit: seen or recalled."""
    return SEEN if limit.seen else RECALLED


def too_thin(thickness_mm: float | None) -> tuple[str, ...]:
    """Say that a plate is too thin for these limits; nothing where it is not, or not known."""
    if thickness_mm is None or above(thickness_mm, THINNEST_MM):
        return ()
    return (f"thickness is {thickness_mm:g} mm; the limits held here are for plate over {THINNEST_MM:g} mm",)


def limit_figure(
    limits: Mapping[str, Limit],
    level: str,
    *,
    size_mm: float,
    of: str,
    inputs: Mapping[str, float | str],
) -> Figure:
    """Give the limit of an imperfection at a level and a size as a figure, in mm.

    Parameters
    ----------
    limits : mapping
        One of the tables of this module.
    level : {"B", "C", "D"}
    size_mm : float
        What the limit goes by.
    of : str
        What that is: "throat", "thickness", "face width".
    inputs : mapping
        ``thickness`` among them is checked.
    """
    limit = limits[level]
    thickness = inputs.get("thickness")
    broken = too_thin(thickness if isinstance(thickness, float) else None)
    if broken:
        return not_held("mm", source=source_of(limit), why=broken, inputs=inputs)
    notes = (f"level {level}, by the {of} of {size_mm:g} mm: {limit}", f"{NO_CRACKS}; plate over {THINNEST_MM:g} mm")
    return held(limit.at(size_mm), "mm", source=source_of(limit), notes=notes, inputs=inputs)


def porosity_limits(level: str, throat_mm: float, *, inputs: Mapping[str, float | str]) -> Figure:
    """Give the limits of pores at a level and a throat as a figure: surface, single internal, projected area."""
    surface, internal = SURFACE_PORE[level], INTERNAL_PORE[level]
    thickness = inputs.get("thickness")
    broken = too_thin(thickness if isinstance(thickness, float) else None)
    if broken:
        return not_held("mm", source=RECALLED, why=broken, inputs=inputs)
    single, multi = PORE_AREA_PERCENT[level]
    value = {
        "surface_pore": surface.at(throat_mm),
        "internal_pore": internal.at(throat_mm),
        "area_single_layer_percent": single,
        "area_multilayer_percent": multi,
    }
    marks = "seen" if surface.seen else "from memory"
    notes = (
        f"level {level}, fillet with a throat of {throat_mm:g} mm: diameter of a surface pore ({surface}; {marks}), of "
        f"a single internal pore ({internal}; from memory), projected area in per cent (from memory)",
        "diameters are limited, not numbers: a count alone cannot be judged by this table",
    )
    return held(value, "mm", source=RECALLED, notes=notes, inputs=inputs)


def root_gap_limit_mm(level: str, throat_mm: float) -> float:
    """Give the largest gap at the root of a fillet, in mm.

    Examples
    --------
    >>> root_gap_limit_mm("C", 4.0)
    1.3
    """
    return ROOT_GAP[level].at(throat_mm)


def is_short(length_mm: float, *, weld_mm: float) -> bool:
    """Whether imperfections of this total length, in the worst 100 mm or all of a shorter weld, count as short."""
    most = SHORT_MM if weld_mm >= SHORT_PER_MM else SHORT_SHARE * weld_mm
    return not above(length_mm, most)
