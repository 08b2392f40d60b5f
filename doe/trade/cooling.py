"""Cooling time t8/5 from 800 to 500 degrees Celsius, and the thickness between thin-plate and thick-plate heat flow."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from doe.trade.validity import Bound, Figure, Source, breaches, held, not_held

COOLING: Final = Source("t8/5 and transition thickness: EN 1011-2:2001, Annex D (as SEW 088:1993)")
"""The formulas and the joint factors, from memory."""

HOT_C: Final = 800.0
"""Upper temperature of t8/5. [degC] EN 1011-2:2001 Annex D, from memory. Unalloyed and low-alloy steel."""
COOL_C: Final = 500.0
"""Lower temperature of t8/5. [degC] EN 1011-2:2001 Annex D, from memory. Unalloyed and low-alloy steel."""
THICK: Final = 6700.0
"""Constant of three-dimensional heat flow. [K s mm/kJ] EN 1011-2:2001 Annex D, from memory; answers to a conductivity
of 23.8 W/(m K). Plate temperature 0 to 250 degC."""
THICK_PER_C: Final = 5.0
"""What a degree of plate temperature takes off ``THICK``. [s mm/kJ] EN 1011-2:2001 Annex D, from memory. 0 to 250
degC."""
THIN: Final = 4300.0e5
"""Constant of two-dimensional heat flow. [K2 s mm4/kJ2] EN 1011-2:2001 Annex D, from memory. 0 to 250 degC."""
THIN_PER_C: Final = 4.3e5
"""What a degree of plate temperature takes off ``THIN``. [K s mm4/kJ2] EN 1011-2:2001 Annex D, from memory. 0 to 250
degC."""
PLATE_TEMPERATURE_C: Final = (0.0, 250.0)
"""Plate temperatures the formulas are used for. [degC] The top from memory of EN 1011-2:2001 Annex D; 0 is ours: a
colder plate is warmed first."""
USUAL_AIM_S: Final = (5.0, 25.0)
"""Usual aim for structural steel, tighter for high strength. [s] Common practice, from memory, no source."""


@dataclass(frozen=True)
class JointFactors:
    """Factors F2 (thin plate) and F3 (thick plate) of a joint."""

    thin: float
    thick: float


JOINTS: Final[Mapping[str, JointFactors]] = MappingProxyType(
    {
        "plate": JointFactors(1.0, 1.0),
        "butt": JointFactors(0.9, 0.9),
        "corner": JointFactors(0.9, 0.67),
        "tee": JointFactors(0.45, 0.67),
    }
)
"""F2 and F3 of a run on plate, between runs in a butt, a single-run fillet at a corner and at a tee. [1] EN
1011-2:2001 Annex D, from memory. A second side of a tee has a range of its own (SEW 088: 0.3 to 0.67)."""

_NAMED: Final = (
    ("tee", re.compile(r"\b(tee|t[- ]?joint)\b")),
    ("corner", re.compile(r"\bcorner\b")),
    ("butt", re.compile(r"\bbutt\b")),
    ("plate", re.compile(r"\b(bead|run)[- ]on[- ]plate\b")),
)


def named_joint(text: str) -> str:
    """Give the joint whose factors are held that a description names; empty where it names none, or two.

    A lap joint has no factors here: which ones to take is for the user to say.

    Examples
    --------
    >>> named_joint("T-joint, fillet"), named_joint("butt"), named_joint("lap fillet")
    ('tee', 'butt', '')
    """
    found = [joint for joint, words in _NAMED if words.search(text.casefold())]
    return found[0] if len(found) == 1 else ""


TEMPERATURE: Final = Bound("plate temperature before the arc (preheat)", *PLATE_TEMPERATURE_C, "°C")
"""Where the formulas hold; see ``PLATE_TEMPERATURE_C``."""


def thick_plate_s(heat_input_kj_mm: float, preheat_c: float, *, factor: float = 1.0) -> float:
    r"""Give t8/5 where the heat flows off in three dimensions.

    .. math:: t = (6700 - 5 T_0) Q \left(\frac{1}{500 - T_0} - \frac{1}{800 - T_0}\right) F_3

    Parameters
    ----------
    heat_input_kj_mm : float
        Heat input Q, thermal efficiency in it. [kJ/mm]
    preheat_c : float
        Plate temperature before the arc T0, below 500. [degC]
    factor : float
        F3 of the joint. [1]

    Examples
    --------
    >>> thick_plate_s(1.0, 20.0)
    5.2885
    """
    difference = 1.0 / (COOL_C - preheat_c) - 1.0 / (HOT_C - preheat_c)
    return (THICK - THICK_PER_C * preheat_c) * heat_input_kj_mm * difference * factor


def thin_plate_s(heat_input_kj_mm: float, preheat_c: float, *, thickness_mm: float, factor: float = 1.0) -> float:
    r"""Give t8/5 where the heat flows off in two dimensions.

    .. math::

        t = (4300 - 4.3 T_0) 10^5 \frac{Q^2}{d^2} \left(\frac{1}{(500 - T_0)^2} - \frac{1}{(800 - T_0)^2}\right) F_2

    Parameters
    ----------
    heat_input_kj_mm, preheat_c : float
        As for ``thick_plate_s``.
    thickness_mm : float
        Plate thickness d, above 0. [mm]
    factor : float
        F2 of the joint. [1]

    Examples
    --------
    >>> thin_plate_s(1.0, 20.0, thickness_mm=10.0)
    11.3636
    """
    difference = (COOL_C - preheat_c) ** -2 - (HOT_C - preheat_c) ** -2
    return (THIN - THIN_PER_C * preheat_c) * (heat_input_kj_mm / thickness_mm) ** 2 * difference * factor


def transition_thickness_mm(heat_input_kj_mm: float, preheat_c: float, *, joint: str) -> float:
    """Give the thickness at which both formulas give the same time, in mm; thinner is the two-dimensional case.

    Parameters
    ----------
    heat_input_kj_mm, preheat_c : float
        As for ``thick_plate_s``.
    joint : {"plate", "butt", "corner", "tee"}

    Examples
    --------
    >>> transition_thickness_mm(1.0, 20.0, joint="plate")
    14.659
    """
    factors = JOINTS[joint]
    ratio = (THIN - THIN_PER_C * preheat_c) / (THICK - THICK_PER_C * preheat_c)
    total = 1.0 / (COOL_C - preheat_c) + 1.0 / (HOT_C - preheat_c)
    return math.sqrt(ratio * heat_input_kj_mm * total * factors.thin / factors.thick)


def cooling_time(heat_input_kj_mm: float, *, thickness_mm: float, preheat_c: float, joint: str) -> Figure:
    """Give t8/5 as a figure: the longer of the two formulas, both in the notes, in s.

    Parameters
    ----------
    heat_input_kj_mm : float
        Thermal efficiency in it. [kJ/mm]
    thickness_mm, preheat_c : float
    joint : {"plate", "butt", "corner", "tee"}
    """
    inputs = _inputs(heat_input_kj_mm, preheat_c, joint) | {"thickness": thickness_mm}
    broken = breaches((TEMPERATURE, preheat_c))
    if broken:
        return not_held("s", source=COOLING, why=broken, inputs=inputs)
    factors = JOINTS[joint]
    thin = thin_plate_s(heat_input_kj_mm, preheat_c, thickness_mm=thickness_mm, factor=factors.thin)
    thick = thick_plate_s(heat_input_kj_mm, preheat_c, factor=factors.thick)
    between = transition_thickness_mm(heat_input_kj_mm, preheat_c, joint=joint)
    flow = "two-dimensional" if thin >= thick else "three-dimensional"
    notes = (
        f"two-dimensional {thin:.4g} s, three-dimensional {thick:.4g} s: the longer is taken ({flow} heat flow; "
        f"transition thickness {between:.4g} mm)",
        f"usual aim for structural steel {USUAL_AIM_S[0]:g} to {USUAL_AIM_S[1]:g} s (common practice)",
        "unalloyed and low-alloy steel, settled arc, wide plate: a small coupon heats up and cools more slowly",
    )
    return held(max(thin, thick), "s", source=COOLING, notes=notes, inputs=inputs)


def transition_thickness(heat_input_kj_mm: float, *, preheat_c: float, joint: str) -> Figure:
    """Give the transition thickness as a figure; see ``transition_thickness_mm``, in mm."""
    inputs = _inputs(heat_input_kj_mm, preheat_c, joint)
    broken = breaches((TEMPERATURE, preheat_c))
    if broken:
        return not_held("mm", source=COOLING, why=broken, inputs=inputs)
    value = transition_thickness_mm(heat_input_kj_mm, preheat_c, joint=joint)
    notes = ("thinner plates cool by two-dimensional heat flow, thicker ones by three-dimensional",)
    return held(value, "mm", source=COOLING, notes=notes, inputs=inputs)


def _inputs(heat_input_kj_mm: float, preheat_c: float, joint: str) -> dict[str, float | str]:
    return {"heat_input": heat_input_kj_mm, "preheat": preheat_c, "joint": joint}
