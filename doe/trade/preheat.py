"""Carbon equivalents, preheat by the CET formula inside its range, and the minimum preheat of AWS D1.1."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from doe.trade.validity import MM_PER_INCH, Bound, Figure, Source, below, breaches, held, not_held, row_of

EQUIVALENTS: Final = Source(
    "CE: IIW formula, EN 1011-2:2001 method A; Pcm: Ito and Bessyo, AWS D1.1 preheat annex; "
    "CET: EN 1011-2:2001 method B"
)
"""The three carbon equivalents, from memory."""
METHOD_B: Final = Source("preheat by CET: EN 1011-2:2001, Annex C.3 (method B)")
"""The preheat formula and its range, from memory."""
D11_SEEN: Final = Source("AWS D1.1:2015, Table 3.3 (2020: Table 5.8), minimum preheat and interpass", from_memory=False)
"""Rows A and B of the minimum preheat table, seen in copies of the page."""
D11_RECALLED: Final = Source("AWS D1.1:2015, Table 3.3 (2020: Table 5.8), minimum preheat and interpass")
"""Rows C and D, from memory."""
CODE_FIRST: Final = "the governing code and the steel maker's instructions come first"
"""The caution that goes with every preheat."""

CE_DIVISORS: Final[Mapping[str, float]] = MappingProxyType(
    {"C": 1.0, "Mn": 6.0, "Cr": 5.0, "Mo": 5.0, "V": 5.0, "Ni": 15.0, "Cu": 15.0}
)
"""CE(IIW) = sum of mass per cent over these. [1] EN 1011-2:2001 method A, from memory. Carbon-manganese and low-alloy
steel."""
PCM_DIVISORS: Final[Mapping[str, float]] = MappingProxyType(
    {"C": 1.0, "Si": 30.0, "Mn": 20.0, "Cu": 20.0, "Cr": 20.0, "Ni": 60.0, "Mo": 15.0, "V": 10.0, "B": 0.2}
)
"""Pcm = sum of mass per cent over these. [1] Ito and Bessyo; AWS D1.1 annex, from memory. Low-carbon low-alloy
steel."""
CET_DIVISORS: Final[Mapping[str, float]] = MappingProxyType(
    {"C": 1.0, "Mn": 10.0, "Mo": 10.0, "Cr": 20.0, "Cu": 20.0, "Ni": 40.0}
)
"""CET = sum of mass per cent over these. [1] EN 1011-2:2001 method B, from memory. Within ``METHOD_B_STEEL``."""
ELEMENTS: Final = ("C", "Mn", "Si", "Cr", "Mo", "V", "Ni", "Cu", "B")
"""The elements the three formulas ask for."""

CET_SLOPE_C: Final = 697.0
"""Preheat per per cent of CET. [degC] EN 1011-2:2001 Annex C.3, from memory. CET 0.2 to 0.5."""
THICKNESS_RISE_C: Final = 160.0
"""What a very thick plate adds. [degC] EN 1011-2:2001 Annex C.3, from memory. 10 to 90 mm."""
THICKNESS_SCALE_MM: Final = 35.0
"""Thickness over which that sets in. [mm] EN 1011-2:2001 Annex C.3, from memory. 10 to 90 mm."""
HYDROGEN_RISE_C: Final = 62.0
"""What diffusible hydrogen of 1 ml/100 g adds. [degC] EN 1011-2:2001 Annex C.3, from memory. 1 to 20 ml/100 g."""
HYDROGEN_POWER: Final = 0.35
"""Power of hydrogen. [1] EN 1011-2:2001 Annex C.3, from memory. 1 to 20 ml/100 g."""
HEAT_CET_C: Final = 53.0
"""Preheat per kJ/mm and per cent of CET. [degC mm/kJ] EN 1011-2:2001 Annex C.3, from memory. 0.5 to 4 kJ/mm."""
HEAT_C: Final = -32.0
"""Preheat per kJ/mm. [degC mm/kJ] EN 1011-2:2001 Annex C.3, from memory. 0.5 to 4 kJ/mm."""
CONSTANT_C: Final = -328.0
"""The formula's constant. [degC] EN 1011-2:2001 Annex C.3, from memory. Within the four ranges."""
CET_RANGE: Final = (0.2, 0.5)
"""Where the formula holds. [mass %] EN 1011-2:2001 Annex C.3, from memory."""
THICKNESS_RANGE_MM: Final = (10.0, 90.0)
"""Where the formula holds. [mm] EN 1011-2:2001 Annex C.3, from memory."""
HYDROGEN_RANGE_ML: Final = (1.0, 20.0)
"""Where the formula holds. [ml/100 g] EN 1011-2:2001 Annex C.3, from memory."""
HEAT_RANGE_KJ_MM: Final = (0.5, 4.0)
"""Where the formula holds. [kJ/mm] EN 1011-2:2001 Annex C.3, from memory."""
METHOD_B_STEEL: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {
        "C": (0.05, 0.32),
        "Si": (0.0, 0.8),
        "Mn": (0.5, 1.9),
        "Cr": (0.0, 1.5),
        "Cu": (0.0, 0.7),
        "Mo": (0.0, 0.75),
        "Nb": (0.0, 0.06),
        "Ni": (0.0, 2.5),
        "Ti": (0.0, 0.12),
        "V": (0.0, 0.18),
        "B": (0.0, 0.005),
    }
)
"""Composition the formula was made for. [mass %] EN 1011-2:2001 Annex C.3, from memory. Yield strength up to 1000
MPa."""

METHOD_B_BOUNDS: Final = {
    "cet": Bound("CET", *CET_RANGE, "%"),
    "thickness": Bound("thickness", *THICKNESS_RANGE_MM, "mm"),
    "hydrogen": Bound("diffusible hydrogen", *HYDROGEN_RANGE_ML, "ml/100 g"),
    "heat_input": Bound("heat input", *HEAT_RANGE_KJ_MM, "kJ/mm"),
}
"""The four ranges of method B, by input."""

D11_FROM_MM: Final = 3.0
"""Thinnest part of the minimum preheat table. [mm] AWS D1.1:2015 Table 3.3. Seen. Metric rows."""
D11_FROM_IN: Final = 0.125
"""Thinnest part of the minimum preheat table. [in] AWS D1.1:2015 Table 3.3, from memory. Inch rows."""
D11_UP_TO_MM: Final = (20.0, 38.0, 65.0)
"""Top of each row but the last, thickest part at the weld. [mm] AWS D1.1:2015 Table 3.3. Seen. From 3 mm."""
D11_UP_TO_IN: Final = (0.75, 1.5, 2.5)
"""The same rows in inches. [in] AWS D1.1:2015 Table 3.3, from memory. From 1/8 in."""


@dataclass(frozen=True)
class PreheatRow:
    """Minimum preheat of one category, one value a thickness row; the code prints both scales, neither is converted."""

    celsius: tuple[float, ...]
    fahrenheit: tuple[float, ...]
    seen: bool


D11_MINIMUM: Final[Mapping[str, PreheatRow]] = MappingProxyType(
    {
        "A": PreheatRow((0.0, 65.0, 110.0, 150.0), (32.0, 150.0, 225.0, 300.0), seen=True),
        "B": PreheatRow((0.0, 10.0, 65.0, 110.0), (32.0, 50.0, 150.0, 225.0), seen=True),
        "C": PreheatRow((10.0, 65.0, 110.0, 150.0), (50.0, 150.0, 225.0, 300.0), seen=False),
        "D": PreheatRow((0.0, 0.0, 0.0, 0.0), (32.0, 32.0, 32.0, 32.0), seen=False),
    }
)
"""Minimum preheat and interpass temperature, prequalified. [degC and degF] AWS D1.1:2015 Table 3.3; A and B seen, C
and D from memory. From 3 mm (1/8 in)."""
CATEGORIES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "A": "SMAW with other than low-hydrogen electrodes; common mild steels",
        "B": "low-hydrogen SMAW, SAW, GMAW, FCAW; mild and 345 MPa class steels",
        "C": "higher-strength grades; low-hydrogen SMAW, SAW, GMAW, FCAW",
        "D": "certain quenched or thermomechanical grades with filler of hydrogen class H8 or lower",
    }
)
"""What each category is for, in our words."""
WARM_UP: Final = "steel below 0 °C (32 °F) is warmed to at least 20 °C (70 °F) and kept there (from memory)"
"""The table's footnote, in our words."""


def carbon_equivalent_iiw(composition: Mapping[str, float]) -> float:
    """Give CE = C + Mn/6 + (Cr+Mo+V)/5 + (Ni+Cu)/15, in mass %.

    Parameters
    ----------
    composition : mapping
        Mass per cent by element; an element left out counts 0.

    Examples
    --------
    >>> carbon_equivalent_iiw({"C": 0.20, "Mn": 0.90, "Cu": 0.20, "Ni": 0.10, "Cr": 0.10, "Mo": 0.02})
    0.394
    """
    return _over(composition, CE_DIVISORS)


def carbon_equivalent_pcm(composition: Mapping[str, float]) -> float:
    """Give Pcm = C + Si/30 + (Mn+Cu+Cr)/20 + Ni/60 + Mo/15 + V/10 + 5B, in mass %."""
    return _over(composition, PCM_DIVISORS)


def carbon_equivalent_cet(composition: Mapping[str, float]) -> float:
    """Give CET = C + (Mn+Mo)/10 + (Cr+Cu)/20 + Ni/40, in mass %."""
    return _over(composition, CET_DIVISORS)


def _over(composition: Mapping[str, float], divisors: Mapping[str, float]) -> float:
    return math.fsum(composition.get(element, 0.0) / divisor for element, divisor in divisors.items())


def carbon_equivalents(composition: Mapping[str, float]) -> Figure:
    """Give CE, Pcm and CET as a figure; says which elements were not given and count as 0, in mass %."""
    values = {
        "CE": carbon_equivalent_iiw(composition),
        "Pcm": carbon_equivalent_pcm(composition),
        "CET": carbon_equivalent_cet(composition),
    }
    missing = [element for element in ELEMENTS if element not in composition]
    notes = ["from the mill certificate of this heat; a grade's limits give the highest it may be"]
    if missing:
        notes.insert(0, f"not given and counted as 0: {', '.join(missing)}; the true values are no lower than these")
    return held(values, "wt%", source=EQUIVALENTS, notes=notes, inputs=dict(composition))


def preheat_by_cet(
    cet_percent: float, *, thickness_mm: float, hydrogen_ml_100g: float, heat_input_kj_mm: float
) -> Figure:
    r"""Give the preheat against hydrogen cracking, inside the formula's range only, in degC.

    .. math:: T_p = 697 CET + 160 \tanh(d/35) + 62 H_D^{0.35} + (53 CET - 32) Q - 328

    Parameters
    ----------
    cet_percent : float
        CET of the plate, or of the weld metal plus 0.03 where that is higher. [mass %]
    thickness_mm : float
        Plate thickness d. [mm]
    hydrogen_ml_100g : float
        Diffusible hydrogen of the deposit. [ml/100 g]
    heat_input_kj_mm : float
        Heat input Q, thermal efficiency in it. [kJ/mm]

    Examples
    --------
    >>> preheat_by_cet(0.36, thickness_mm=30.0, hydrogen_ml_100g=4.0, heat_input_kj_mm=1.5).number
    115.425
    >>> preheat_by_cet(0.36, thickness_mm=6.0, hydrogen_ml_100g=4.0, heat_input_kj_mm=1.5).valid
    False
    """
    inputs = {
        "cet": cet_percent,
        "thickness": thickness_mm,
        "hydrogen": hydrogen_ml_100g,
        "heat_input": heat_input_kj_mm,
    }
    broken = breaches(*((METHOD_B_BOUNDS[name], value) for name, value in inputs.items()))
    if broken:
        return not_held("degC", source=METHOD_B, why=broken, inputs=inputs)
    value = (
        CET_SLOPE_C * cet_percent
        + THICKNESS_RISE_C * math.tanh(thickness_mm / THICKNESS_SCALE_MM)
        + HYDROGEN_RISE_C * hydrogen_ml_100g**HYDROGEN_POWER
        + (HEAT_CET_C * cet_percent + HEAT_C) * heat_input_kj_mm
        + CONSTANT_C
    )
    return held(value, "degC", source=METHOD_B, notes=_method_b_notes(value), inputs=inputs)


def _method_b_notes(value_c: float) -> tuple[str, ...]:
    limits = ", ".join(f"{element} {low:g} to {high:g}" for element, (low, high) in METHOD_B_STEEL.items())
    cold = ("at or below room temperature: the formula asks for no preheat; the plate must still be dry and not cold",)
    return (
        *(cold if value_c <= 20.0 else ()),
        f"holds for steel within (mass %) {limits}, yield up to 1000 MPa: not checked here",
        "use the weld metal's CET plus 0.03 where that is higher; heat input includes the thermal efficiency",
        CODE_FIRST,
    )


def outside_method_b(composition: Mapping[str, float]) -> tuple[str, ...]:
    """Say which elements are outside the composition that method B was made for; elements left out count 0."""
    return breaches(
        *((Bound(element, *limits, "%"), composition.get(element, 0.0)) for element, limits in METHOD_B_STEEL.items())
    )


def minimum_preheat(category: str, thickness_mm: float, *, in_inches: bool = False) -> Figure:
    """Give the minimum preheat of a prequalified procedure, by category and the thickest part at the weld.

    Parameters
    ----------
    category : {"A", "B", "C", "D"}
    thickness_mm : float
    in_inches : bool
        Whether the thickness was stated in inches: the code's inch rows then decide, not the millimetre ones.

    Returns
    -------
    Figure
        ``value`` is ``{"C": degrees Celsius, "F": degrees Fahrenheit}``, both as the code prints them.
    """
    row = D11_MINIMUM[category]
    source = D11_SEEN if row.seen else D11_RECALLED
    inputs: dict[str, float | str] = {"category": category, "thickness": thickness_mm}
    size, thinnest, tops, unit = (
        (thickness_mm / MM_PER_INCH, D11_FROM_IN, D11_UP_TO_IN, "in")
        if in_inches
        else (thickness_mm, D11_FROM_MM, D11_UP_TO_MM, "mm")
    )
    if below(size, thinnest):
        why = f"thickness is {size:.4g} {unit}, below {thinnest:g} {unit}, where the table begins"
        return not_held("deg", source=source, why=(why,), inputs=inputs)
    place = row_of(size, tops)
    value = {"C": row.celsius[place], "F": row.fahrenheit[place]}
    notes = (f"category {category}: {CATEGORIES[category]}", _row_words(place, tops, unit), WARM_UP, CODE_FIRST)
    return held(value, "deg", source=source, notes=notes, inputs=inputs)


def _row_words(place: int, tops: tuple[float, ...], unit: str) -> str:
    if place == len(tops):
        return f"row: over {tops[-1]:g} {unit}, by the thickest part at the weld"
    start = "" if place == 0 else f"over {tops[place - 1]:g} "
    return f"row: {start}up to {tops[place]:g} {unit}, by the thickest part at the weld"


def combined_thickness_mm(paths_mm: Iterable[float]) -> float:
    """Give the combined thickness of method A: the sum over the heat's paths, each a mean over 75 mm, in mm.

    EN 1011-2:2001 Annex C.2, from memory: two paths in a butt of plates, three in a tee fillet.

    Examples
    --------
    >>> combined_thickness_mm((6.0, 6.0, 6.0))
    18.0
    """
    return math.fsum(paths_mm)
