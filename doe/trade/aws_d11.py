"""Limits of AWS D1.1: visual acceptance of fillets under static load, and the minimum fillet size.

Table 6.1 of the 2015 edition (2020: Table 8.1), minimum fillet Table 5.7 (2020: Table 7.7); AISC 360 Table J2.4 has
the same sizes. Most of it was seen in copies of the pages; what was not says so.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from doe.trade.validity import MM_PER_INCH, Bound, Figure, Source, above, below, breaches, held, not_held, row_of

VISUAL: Final = Source("AWS D1.1:2015, Table 6.1 (2020: Table 8.1), visual acceptance, static load", from_memory=False)
"""Seen in copies of the table."""
CYCLIC: Final = Source("AWS D1.1:2015, Table 6.1 (2020: Table 8.1), visual acceptance, cyclic load")
"""From memory."""
CONVEX: Final = Source("AWS D1.1:2015, weld profiles, convexity of fillets")
"""From memory."""
MINIMUM_FILLET: Final = Source(
    "AWS D1.1:2015, Table 5.7 (2020: Table 7.7), minimum fillet size; AISC 360 Table J2.4", from_memory=False
)
"""Seen in copies of the tables."""
MINIMUM_FILLET_INCH: Final = Source(
    "AWS D1.1:2015, Table 5.7 (2020: Table 7.7), minimum fillet size, inch rows; AISC 360 Table J2.4"
)
"""The inch rows are from memory."""

FILLET_UP_TO_MM: Final = (6.0, 12.0, 20.0)
"""Top of each row but the last, by the thinner part. [mm] AWS D1.1:2015 Table 5.7. Seen. Low-hydrogen processes."""
FILLET_UP_TO_IN: Final = (0.25, 0.5, 0.75)
"""The same rows in inches. [in] AWS D1.1:2015 Table 5.7, from memory. Low-hydrogen processes."""
FILLET_MM: Final = (3.0, 5.0, 6.0, 8.0)
"""Minimum fillet leg of each row. [mm] AWS D1.1:2015 Table 5.7. Seen. Single pass; need not exceed the thinner
part."""
FILLET_IN: Final = (0.125, 0.1875, 0.25, 0.3125)
"""Minimum fillet leg of each row. [in] AWS D1.1:2015 Table 5.7, from memory. Single pass; need not exceed the thinner
part."""
CYCLIC_FLOOR_MM: Final = 5.0
"""Least fillet leg of cyclically loaded members. [mm] AWS D1.1:2015 Table 5.7. Seen."""

UNDERSIZE_LEG_MM: Final = (6.0, 8.0)
"""Specified legs at which the allowance steps up. [mm] AWS D1.1:2015 Table 6.1. Seen. Rows 5, 6 and 8 mm."""
UNDERSIZE_MM: Final = (2.0, 2.5, 3.0)
"""Allowed undersize up to 5 mm, at 6 mm, from 8 mm; between rows the smaller. [mm] AWS D1.1:2015 Table 6.1. Seen.
Over at most a tenth of the length."""
UNDERSIZE_LEG_IN: Final = (0.25, 0.3125)
"""Specified legs at which the allowance steps up. [in] AWS D1.1:2015 Table 6.1, from memory. Rows 3/16, 1/4 and 5/16
in."""
UNDERSIZE_IN: Final = (0.0625, 0.09375, 0.125)
"""The same allowances in inches. [in] AWS D1.1:2015 Table 6.1, from memory. Over at most a tenth of the length."""
UNDERSIZE_SHARE: Final = 0.1
"""Share of the length that may be undersize. [1] AWS D1.1:2015 Table 6.1. Seen. Fillets."""

UNDERCUT_BELOW_MM: Final = 25.0
"""Thickness below which the undercut limit here holds. [mm] AWS D1.1:2015 Table 6.1. Seen. Static load."""
UNDERCUT_MM: Final = 1.0
"""Undercut allowed over any length. [mm] AWS D1.1:2015 Table 6.1. Seen. Under 25 mm, static load."""
UNDERCUT_SHORT_MM: Final = 2.0
"""Undercut allowed over a short length. [mm] AWS D1.1:2015 Table 6.1. Seen. Under 25 mm, static load."""
UNDERCUT_SHORT_LENGTH_MM: Final = 50.0
"""Accumulated length of it in any 300 mm. [mm] AWS D1.1:2015 Table 6.1. Seen. Under 25 mm, static load."""

PORE_COUNTED_MM: Final = 1.0
"""Smallest visible piping pore that is counted. [mm] AWS D1.1:2015 Table 6.1. Seen. Fillets, static load."""
PORE_SUM_SHORT_MM: Final = 10.0
"""Largest sum of diameters in any 25 mm of weld. [mm] AWS D1.1:2015 Table 6.1. Seen. Fillets, static load."""
PORE_SUM_LONG_MM: Final = 20.0
"""Largest sum of diameters in any 300 mm of weld. [mm] AWS D1.1:2015 Table 6.1. Seen. Fillets, static load."""
SHORT_LENGTH_MM: Final = 25.0
"""The short length. [mm] AWS D1.1:2015 Table 6.1. Seen. Fillets, static load."""
LONG_LENGTH_MM: Final = 300.0
"""The long length. [mm] AWS D1.1:2015 Table 6.1. Seen. Fillets, static load."""
CYCLIC_PORE_EVERY_MM: Final = 100.0
"""Length that may hold one pore under cyclic load. [mm] AWS D1.1:2015 Table 6.1, from memory. Fillets."""
CYCLIC_PORE_MM: Final = 2.5
"""Largest diameter of that pore. [mm] AWS D1.1:2015 Table 6.1, from memory. Fillets."""

CONVEXITY_FACE_MM: Final = (8.0,)
"""Face width up to which the first convexity holds. [mm] AWS D1.1:2015 weld profiles, from memory. Up to 25 mm."""
CONVEXITY_MM: Final = (2.0, 3.0)
"""Largest convexity of a fillet's face. [mm] AWS D1.1:2015 weld profiles, from memory. Faces up to 25 mm."""
WIDEST_FACE_MM: Final = 25.0
"""Widest face held here. [mm] AWS D1.1:2015 weld profiles, from memory."""


def minimum_fillet_mm(thickness_mm: float) -> float:
    """Give the minimum fillet leg by the thinner part, millimetre rows, in mm.

    Examples
    --------
    >>> minimum_fillet_mm(6.0), minimum_fillet_mm(6.1)
    (3.0, 5.0)
    """
    return FILLET_MM[row_of(thickness_mm, FILLET_UP_TO_MM)]


def minimum_fillet_in(thickness_in: float) -> float:
    """Give the minimum fillet leg by the thinner part, inch rows, in inches.

    Examples
    --------
    >>> minimum_fillet_in(0.25)
    0.125
    """
    return FILLET_IN[row_of(thickness_in, FILLET_UP_TO_IN)]


def minimum_fillet(thickness_mm: float, *, in_inches: bool = False) -> Figure:
    """Give the minimum fillet leg as a figure, by the inch rows where the thickness was stated in inches."""
    value, unit = (
        (minimum_fillet_in(thickness_mm / MM_PER_INCH), "in") if in_inches else (minimum_fillet_mm(thickness_mm), "mm")
    )
    notes = (
        "by the thinner part joined, low-hydrogen process, single pass; need not be more than the thinner part",
        f"cyclic load: at least {CYCLIC_FLOOR_MM:g} mm (3/16 in)",
    )
    source = MINIMUM_FILLET_INCH if in_inches else MINIMUM_FILLET
    return held(value, unit, source=source, notes=notes, inputs={"thickness": thickness_mm})


def allowed_undersize_mm(leg_mm: float) -> float:
    """How much smaller than specified a fillet may be over a tenth of its length; between rows the smaller, in mm.

    Examples
    --------
    >>> [allowed_undersize_mm(leg) for leg in (5.0, 6.0, 8.0)]
    [2.0, 2.5, 3.0]
    """
    return UNDERSIZE_MM[sum(not below(leg_mm, step) for step in UNDERSIZE_LEG_MM)]


def allowed_undersize_in(leg_in: float) -> float:
    """How much smaller than specified a fillet may be over a tenth of its length, inch rows, in inches.

    Examples
    --------
    >>> allowed_undersize_in(5 / 16)
    0.125
    """
    return UNDERSIZE_IN[sum(not below(leg_in, step) for step in UNDERSIZE_LEG_IN)]


def undercut_limit(thickness_mm: float) -> Figure:
    """Give the undercut allowed over any length, as a figure, in mm."""
    inputs = {"thickness": thickness_mm}
    if not below(thickness_mm, UNDERCUT_BELOW_MM):
        why = f"thickness is {thickness_mm:g} mm; the limit held here is for less than {UNDERCUT_BELOW_MM:g} mm"
        return not_held("mm", source=VISUAL, why=(why,), inputs=inputs)
    notes = (
        f"up to {UNDERCUT_SHORT_MM:g} mm over a length of {UNDERCUT_SHORT_LENGTH_MM:g} mm added up in any "
        f"{LONG_LENGTH_MM:g} mm",
        f"static load, plate under {UNDERCUT_BELOW_MM:g} mm",
    )
    return held(UNDERCUT_MM, "mm", source=VISUAL, notes=notes, inputs=inputs)


def porosity_limits() -> Figure:
    """Give the limits of visible piping porosity in fillets as a figure: sums of diameters, not numbers."""
    value = {
        "smallest_counted": PORE_COUNTED_MM,
        "sum_in_25_mm": PORE_SUM_SHORT_MM,
        "sum_in_300_mm": PORE_SUM_LONG_MM,
    }
    notes = (
        f"sums of the diameters of visible pores of {PORE_COUNTED_MM:g} mm and over: a count alone cannot be judged",
        f"static load; cyclic load (from memory): one pore in {CYCLIC_PORE_EVERY_MM:g} mm, "
        f"at most {CYCLIC_PORE_MM:g} mm",
    )
    return held(value, "mm", source=VISUAL, notes=notes, inputs={})


def convexity_limit(face_width_mm: float) -> Figure:
    """Give the largest convexity of a fillet's face as a figure, in mm."""
    inputs = {"width": face_width_mm}
    broken = breaches((Bound("face width", 0.0, WIDEST_FACE_MM, "mm"), face_width_mm))
    if broken:
        return not_held("mm", source=CONVEX, why=broken, inputs=inputs)
    value = CONVEXITY_MM[row_of(face_width_mm, CONVEXITY_FACE_MM)]
    notes = (
        f"faces up to {CONVEXITY_FACE_MM[0]:g} mm: {CONVEXITY_MM[0]:g} mm; up to {WIDEST_FACE_MM:g} mm: "
        f"{CONVEXITY_MM[1]:g} mm",
    )
    return held(value, "mm", source=CONVEX, notes=notes, inputs=inputs)


def counted_sum_mm(diameters_mm: Sequence[float]) -> float:
    """Give the sum of the diameters of the pores that count, in mm.

    Examples
    --------
    >>> counted_sum_mm((1.2, 1.5, 2.0, 0.8))
    4.7
    """
    return math.fsum(d for d in diameters_mm if not below(d, PORE_COUNTED_MM))


def worst_sum_mm(diameters_mm: Sequence[float], positions_mm: Sequence[float], *, length_mm: float) -> float:
    """Give the largest sum of counted diameters in any stretch of a length, in mm.

    Parameters
    ----------
    diameters_mm, positions_mm : sequence of float
        One a pore; positions are of the centres along the weld.
    length_mm : float
        Length of the stretch.

    Examples
    --------
    >>> worst_sum_mm((3.0, 3.0, 3.0), (0.0, 20.0, 40.0), length_mm=25.0)
    6.0
    """
    pores = list(zip(diameters_mm, positions_mm, strict=True))
    sums = [
        counted_sum_mm([d for d, place in pores if not below(place, start) and not above(place, start + length_mm)])
        for start in positions_mm
    ]
    return max(sums, default=0.0)


def undercut_is_allowed(depth_mm: float, *, length_over_1_mm: float) -> bool:
    """Whether an undercut is within the limits under static load, under 25 mm thick.

    Parameters
    ----------
    depth_mm : float
        Deepest undercut.
    length_over_1_mm : float
        Length over which it is deeper than 1 mm, in the worst 300 mm. [mm]

    Examples
    --------
    >>> undercut_is_allowed(1.4, length_over_1_mm=40.0), undercut_is_allowed(1.4, length_over_1_mm=60.0)
    (True, False)
    """
    if not above(depth_mm, UNDERCUT_MM):
        return True
    return not above(depth_mm, UNDERCUT_SHORT_MM) and not above(length_over_1_mm, UNDERCUT_SHORT_LENGTH_MM)
