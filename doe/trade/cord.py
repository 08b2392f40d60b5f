"""Voltage lost along an extension cord."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from doe.trade.validity import Figure, Source, held

CORD_AWG: Final = Source("ΔU = 2 L R I; resistance of stranded uncoated copper at 75 °C: NEC chapter 9, Table 8")
"""American gauges; the resistances are from memory, edition not held."""
CORD_METRIC: Final = Source(
    "ΔU = 2 L R I; resistance of flexible copper cores (class 5): IEC 60228:2004, taken to 75 °C"
)
"""Metric sections; the resistances are from memory."""

OHM_PER_1000_FT: Final[Mapping[str, float]] = MappingProxyType(
    {"18 AWG": 7.95, "16 AWG": 4.99, "14 AWG": 3.14, "12 AWG": 1.98, "10 AWG": 1.24, "8 AWG": 0.778}
)
"""Resistance of one core at 75 degC. [ohm/1000 ft] NEC chapter 9 Table 8, edition not held, from memory. Stranded
uncoated copper."""
OHM_PER_KM: Final[Mapping[str, float]] = MappingProxyType(
    {"0.75 mm2": 26.0, "1 mm2": 19.5, "1.5 mm2": 13.3, "2.5 mm2": 7.98, "4 mm2": 4.95, "6 mm2": 3.30}
)
"""Largest resistance of one core at 20 degC. [ohm/km] IEC 60228:2004 class 5, from memory. Plain copper."""
COPPER_PER_C: Final = 0.00393
"""Rise of copper's resistance a degree, from 20 degC. [1/K] Handbook value (IEC 60028), from memory. 0 to 100
degC."""
CORE_C: Final = 75.0
"""Temperature of a loaded core. [degC] The table's in NEC chapter 9 Table 8, from memory; taken for metric cords
too."""
TABLE_C: Final = 20.0
"""Temperature of the metric table. [degC] IEC 60228:2004, from memory."""
M_PER_1000_FT: Final = 304.8
"""Metres in 1000 ft. [m] International yard and pound agreement, 1959; exact. Holds everywhere."""
SHOWN_SUPPLIES_V: Final = (120.0, 230.0)
"""Supplies the drop is also given as a share of. [V] Our choice, no source; not of the trade."""


def core_ohm_per_m(gauge: str) -> float:
    """Give the resistance of one core of a cord, warm, in ohm/m.

    Parameters
    ----------
    gauge : str
        A key of ``OHM_PER_1000_FT`` or ``OHM_PER_KM``.
    """
    if gauge in OHM_PER_1000_FT:
        return OHM_PER_1000_FT[gauge] / M_PER_1000_FT
    return OHM_PER_KM[gauge] / 1000.0 * (1.0 + COPPER_PER_C * (CORE_C - TABLE_C))


def cord_drop_v(length_m: float, *, ohm_per_m: float, current_a: float) -> float:
    """Give the voltage lost there and back: two cores, resistance only, in V.

    Examples
    --------
    >>> cord_drop_v(50 * 0.3048, ohm_per_m=core_ohm_per_m("12 AWG"), current_a=25.0)
    4.95
    """
    return 2.0 * length_m * ohm_per_m * current_a


def cord_drop(length_m: float, *, gauge: str, current_a: float) -> Figure:
    """Give the voltage lost along a cord of a gauge, as a figure, in V."""
    drop = cord_drop_v(length_m, ohm_per_m=core_ohm_per_m(gauge), current_a=current_a)
    shares = ", ".join(f"{drop / supply:.1%} of {supply:g} V" for supply in SHOWN_SUPPLIES_V)
    return held(
        drop,
        "V",
        source=CORD_AWG if gauge in OHM_PER_1000_FT else CORD_METRIC,
        notes=(
            f"{shares}; both cores of a cord {length_m:.4g} m long, copper at {CORE_C:g} °C, single phase",
            "a cord must also carry the current without overheating: its marking and the local code decide; uncoil it",
        ),
        inputs={"length": length_m, "gauge": gauge, "current": current_a},
    )
