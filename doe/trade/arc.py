"""Arc energy and heat input: what the arc puts into a length of weld.

Two conventions share a word. EN 1011-1 calls arc energy times the thermal efficiency k "heat input"; ASME IX and AWS
mostly call the arc energy itself "heat input", without k. Here arc energy has no k and heat input always has it.
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from doe.trade.processes import find_process
from doe.trade.validity import Figure, Source, held

ARC_ENERGY: Final = Source(
    "arc energy E = U I / (1000 v), kJ/mm with v in mm/s: ISO/TR 18491:2015; EN 1011-1:2009; as “heat input” "
    "60 U I / (1000 v), kJ/in with v in in/min: ASME IX QW-409.1(a)"
)
"""Formula of arc energy, from memory."""
HEAT_INPUT: Final = Source("heat input Q = k E: EN 1011-1:2009, clause on heat input and Table 1 (k)")
"""Formula of heat input; the clause is from memory, most of the k were seen."""
TECHNIQUE: Final = Source("technique performance factor P = K (I^4 / (v U^2))^(1/3): Jackson & Shrubsall")
"""Scaling of penetration, from memory."""

K_BY_PROCESS: Final[Mapping[str, float]] = MappingProxyType(
    {
        "111": 0.8,
        "114": 0.8,
        "121": 1.0,
        "131": 0.8,
        "132": 0.8,
        "133": 0.8,
        "135": 0.8,
        "136": 0.8,
        "137": 0.8,
        "138": 0.8,
        "141": 0.6,
        "15": 0.6,
    }
)
"""Thermal efficiency k by ISO 4063 number. [1] EN 1011-1:2009 Table 1. Seen for 111, 121, 135, 136, 138 and 141; 114,
131, 137 and 15 from memory, 132 and 133 read as 137 (the numbers of ISO 4063:2009). Holds for arc welding of
steel."""

JACKSON_CURRENT_POWER: Final = 4.0
"""Power of current in the technique performance factor. [1] Jackson & Shrubsall, from memory. Ratios of like welds
only."""
JACKSON_VOLTAGE_POWER: Final = -2.0
"""Power of voltage in the technique performance factor. [1] Jackson & Shrubsall, from memory. Ratios of like welds
only."""
JACKSON_TRAVEL_POWER: Final = -1.0
"""Power of travel speed in the same factor. [1] Jackson & Shrubsall, from memory. Ratios of like welds only."""
JACKSON_ROOT: Final = 3.0
"""The root that is taken of the product. [1] Jackson & Shrubsall, from memory. Ratios of like welds only."""


def travel_speed_mm_s(length_mm: float, arc_time_s: float) -> float:
    """Give the travel speed from the weld's length and the time with the arc lit, restarts left out, in mm/s.

    Examples
    --------
    >>> travel_speed_mm_s(150.0, 36.0)
    4.1667
    """
    return length_mm / arc_time_s


def arc_energy_kj_mm(voltage_v: float, current_a: float, *, travel_mm_s: float) -> float:
    r"""Give arc energy of a length of weld, without any efficiency.

    .. math:: E = 10^{-3} \, U I / v

    Parameters
    ----------
    voltage_v : float
        Mean voltage U, measured at the arc. [V]
    current_a : float
        Mean current I. [A]
    travel_mm_s : float
        Travel speed v, above 0. [mm/s]

    Returns
    -------
    float
        Arc energy E. [kJ/mm]

    Notes
    -----
    Means only multiply to a mean power where neither pulses: for controlled waveforms use
    ``arc_energy_of_power_kj_mm`` with the mean power. A weave needs the length the arc really ran.

    Examples
    --------
    >>> arc_energy_kj_mm(18.0, 100.0, travel_mm_s=250.0 / 60.0)
    0.432
    """
    return voltage_v * current_a / (1000.0 * travel_mm_s)


def arc_energy_kj_in(voltage_v: float, current_a: float, *, travel_in_min: float) -> float:
    """Give arc energy in customary units, as ASME IX QW-409.1(a) writes it, in kJ/in.

    Examples
    --------
    >>> arc_energy_kj_in(18.0, 100.0, travel_in_min=10.0)
    10.8
    """
    return 60.0 * voltage_v * current_a / (1000.0 * travel_in_min)


def arc_energy_of_power_kj_mm(power_w: float, arc_time_s: float, *, length_mm: float) -> float:
    """Give arc energy from the mean of the instantaneous power (ASME IX QW-409.1(c), ISO/TR 18491), in kJ/mm.

    Examples
    --------
    >>> arc_energy_of_power_kj_mm(1800.0, 36.0, length_mm=150.0)
    0.432
    """
    return arc_energy_of_total_kj_mm(power_w * arc_time_s, length_mm=length_mm)


def arc_energy_of_total_kj_mm(energy_j: float, *, length_mm: float) -> float:
    """Give arc energy from the energy a machine counted over the weld (ASME IX QW-409.1(c)), in kJ/mm.

    Examples
    --------
    >>> arc_energy_of_total_kj_mm(64800.0, length_mm=150.0)
    0.432
    """
    return energy_j / (1000.0 * length_mm)


def heat_input_kj_mm(arc_energy: float, *, k: float) -> float:
    """Give the heat input Q = k E, as EN 1011-1 means it, in kJ/mm.

    Examples
    --------
    >>> heat_input_kj_mm(0.432, k=0.8)
    0.3456
    """
    return k * arc_energy


def thermal_efficiency(process: str) -> float:
    """Give the thermal efficiency k of a process, by ISO 4063 number or AWS letters .

    Raises
    ------
    DoeError
        If the process is not known.
    """
    return K_BY_PROCESS[find_process(process)]


def arc_energy(voltage_v: float, current_a: float, *, travel_mm_s: float) -> Figure:
    """Give arc energy as a figure; see ``arc_energy_kj_mm``."""
    return held(
        arc_energy_kj_mm(voltage_v, current_a, travel_mm_s=travel_mm_s),
        "kJ/mm",
        source=ARC_ENERGY,
        notes=(
            "no thermal efficiency in it; ASME IX and AWS call this “heat input”, EN 1011-1 does not",
            "mean volts and amps at the arc, straight run; pulsed or controlled waveforms need the mean power",
        ),
        inputs={"voltage": voltage_v, "current": current_a, "travel": travel_mm_s},
    )


def heat_input(voltage_v: float, current_a: float, *, travel_mm_s: float, process: str = "", k: float = 0.0) -> Figure:
    """Give the heat input as a figure, by process or by a stated thermal efficiency.

    Parameters
    ----------
    voltage_v, current_a, travel_mm_s : float
        As for ``arc_energy_kj_mm``.
    process : str
        ISO 4063 number or AWS letters; gives k where ``k`` is 0.
    k : float
        Thermal efficiency; 0: that of the process. [1]

    Raises
    ------
    DoeError
        If the process is not known.
    """
    efficiency = k or thermal_efficiency(process)
    energy = arc_energy_kj_mm(voltage_v, current_a, travel_mm_s=travel_mm_s)
    whose = "as given" if k else f"process {find_process(process)}, EN 1011-1 Table 1"
    given: dict[str, float | str] = {"efficiency": k} if k else {"process": process}
    return held(
        heat_input_kj_mm(energy, k=efficiency),
        "kJ/mm",
        source=Source(f"{HEAT_INPUT.text}; {ARC_ENERGY.text}"),
        notes=(
            f"thermal efficiency k = {efficiency:g} ({whose}) times an arc energy of {energy:.4g} kJ/mm",
            f"EN convention, with k; where ASME IX or AWS says “heat input” it is the arc energy, {energy:.4g} kJ/mm",
        ),
        inputs={"voltage": voltage_v, "current": current_a, "travel": travel_mm_s, **given},
    )


def penetration_ratio(*, current_ratio: float = 1.0, voltage_ratio: float = 1.0, travel_ratio: float = 1.0) -> float:
    r"""How penetration scales when one weld's settings are multiplied, by the technique performance factor.

    .. math:: P_2 / P_1 = (i^4 u^{-2} v^{-1})^{1/3}

    A check on signs and sizes, never to be imposed on a fit: directions of effects differ between setups.

    Parameters
    ----------
    current_ratio, voltage_ratio, travel_ratio : float
        New over old, above 0. [1]

    Examples
    --------
    >>> penetration_ratio(current_ratio=100.0 / 90.0)
    1.1508
    """
    product = (
        current_ratio**JACKSON_CURRENT_POWER * voltage_ratio**JACKSON_VOLTAGE_POWER * travel_ratio**JACKSON_TRAVEL_POWER
    )
    return float(product ** (1.0 / JACKSON_ROOT))
