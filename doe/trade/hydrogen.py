"""Hydrogen: the scales of EN 1011-2 method A, and hydrogen control after the preheat annex of AWS D1.1.

All of it from memory: check the standard before a temperature from here is used.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from doe.trade.preheat import CODE_FIRST
from doe.trade.validity import MM_PER_INCH, Figure, Source, above, held, not_held

HYDROGEN_CONTROL: Final = Source("hydrogen control: AWS D1.1:2015, annex on preheat")
"""The index, its groups and the temperatures, from memory."""

SCALE_ABOVE_ML: Final[Mapping[str, float]] = MappingProxyType({"A": 15.0, "B": 10.0, "C": 5.0, "D": 3.0})
"""Hydrogen scale: the first whose value the deposit exceeds, E below all. [ml/100 g] EN 1011-2:2001 Annex C.2, from
memory."""
PCM_FACTOR: Final = 12.0
"""Susceptibility index per per cent of Pcm. [1] AWS D1.1:2015 annex, from memory. Groups A to G."""
HYDROGEN_LEVELS_ML: Final[Mapping[str, float]] = MappingProxyType({"H1": 5.0, "H2": 10.0, "H3": 30.0})
"""Hydrogen of each level of the index. [ml/100 g] AWS D1.1:2015 annex, from memory."""
GROUP_UP_TO: Final[Mapping[str, float]] = MappingProxyType(
    {"A": 3.0, "B": 3.5, "C": 4.0, "D": 4.5, "E": 5.0, "F": 5.5, "G": 7.0}
)
"""Top of each index group, index rounded to one decimal. [1] AWS D1.1:2015 annex, from memory. Up to 7.0."""
RESTRAINTS: Final = ("low", "medium", "high")
"""Restraint of the joint, in the order of the temperatures below."""
UNDER_10_MM_F: Final[Mapping[str, tuple[float, ...]]] = MappingProxyType(
    {"D": (65.0, 65.0, 100.0), "E": (140.0, 160.0, 230.0), "F": (280.0, 280.0, 300.0), "G": (300.0, 320.0, 320.0)}
)
"""Minimum preheat under 10 mm (3/8 in) by group, at low, medium, high restraint; 65 means below 65. [degF] AWS
D1.1:2015 annex, from memory."""
UP_TO_20_MM_F: Final[Mapping[str, tuple[float, ...]]] = MappingProxyType(
    {
        "C": (65.0, 65.0, 150.0),
        "D": (140.0, 175.0, 220.0),
        "E": (210.0, 240.0, 280.0),
        "F": (280.0, 290.0, 320.0),
        "G": (300.0, 320.0, 320.0),
    }
)
"""The same from 10 to 20 mm (3/8 to 3/4 in). [degF] AWS D1.1:2015 annex, from memory."""
NO_PREHEAT_F: Final = 65.0
"""The table's way to say that a plate at shop temperature will do. [degF] AWS D1.1:2015 annex, from memory."""
THIN_BELOW_MM: Final = 10.0
"""Where the thinner table ends. [mm] AWS D1.1:2015 annex, from memory."""
THICKEST_MM: Final = 20.0
"""Thickest plate of the tables held here. [mm] AWS D1.1:2015 annex, from memory."""


def hydrogen_scale(hydrogen_ml_100g: float) -> str:
    """Give hydrogen scale A (most) to E of EN 1011-2 method A.

    Examples
    --------
    >>> [hydrogen_scale(h) for h in (16.0, 15.0, 10.0, 5.0, 3.0)]
    ['A', 'B', 'C', 'D', 'E']
    """
    return next((scale for scale, least in SCALE_ABOVE_ML.items() if above(hydrogen_ml_100g, least)), "E")


def susceptibility_index(pcm_percent: float, hydrogen_ml_100g: float) -> float:
    """Give the susceptibility index 12 Pcm + log10 H.

    Examples
    --------
    >>> susceptibility_index(0.27133, 30.0)
    4.7331
    """
    return PCM_FACTOR * pcm_percent + math.log10(hydrogen_ml_100g)


def index_group(index: float) -> str | None:
    """Give the group A to G of a susceptibility index, rounded to one decimal first; None above the table.

    Examples
    --------
    >>> index_group(4.256), index_group(4.733), index_group(7.06)
    ('D', 'E', None)
    """
    rounded = round(index, 1)
    return next((group for group, top in GROUP_UP_TO.items() if not above(rounded, top)), None)


def hydrogen_control_preheat(group: str, thickness_mm: float, *, restraint: str) -> Figure:
    """Give the minimum preheat by index group, thickness and restraint, where the table held here has it, in degF.

    Parameters
    ----------
    group : {"A", "B", "C", "D", "E", "F", "G"}
    thickness_mm : float
        Thicker part at the weld. [mm]
    restraint : {"low", "medium", "high"}
    """
    inputs: dict[str, float | str] = {"group": group, "thickness": thickness_mm, "restraint": restraint}
    table = UNDER_10_MM_F if thickness_mm < THIN_BELOW_MM else UP_TO_20_MM_F
    if above(thickness_mm, THICKEST_MM) or group not in table:
        why = (
            f"group {group} at {thickness_mm:g} mm ({thickness_mm / MM_PER_INCH:.3g} in) is not in the part of the "
            f"table held here: up to {THICKEST_MM:g} mm, groups {', '.join(UNDER_10_MM_F)} under {THIN_BELOW_MM:g} mm, "
            f"{', '.join(UP_TO_20_MM_F)} from there"
        )
        return not_held("degF", source=HYDROGEN_CONTROL, why=(why,), inputs=inputs)
    value = table[group][RESTRAINTS.index(restraint)]
    shop = ("the table says below 65 °F: no preheat above shop temperature",) if value == NO_PREHEAT_F else ()
    notes = (*shop, "from memory: verify in the code before use", CODE_FIRST)
    return held(value, "degF", source=HYDROGEN_CONTROL, notes=notes, inputs=inputs)
