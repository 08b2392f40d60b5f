"""The circuit the machine hangs on: line current, load line, duty cycle, effective current."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from doe.trade.processes import find_process
from doe.trade.validity import Bound, Figure, Source, breaches, held, not_held

LINE_CURRENT: Final = Source(
    "line current I1 = U2 I2 / (efficiency × power factor × U1): definitions of IEC 60974-1:2017"
)
"""Energy balance; the definitions are from memory."""
LOAD_VOLTAGE: Final = Source("conventional load voltage: IEC 60974-1:2017")
"""The load lines, from memory."""
DUTY: Final = Source("duty cycle X2 = X1 (I1/I2)², constant heating over 10 min at 40 °C: after IEC 60974-1:2017")
"""Scaling of the duty cycle, from memory."""
EFFECTIVE_CURRENT: Final = Source(
    "effective supply current √(I1² X + I0² (1 − X)): IEC 60974-1:2017; quantities named in the note to NEC 630.12"
)
"""The formula is from memory; the quantities were seen in the note."""

PERIOD_MIN: Final = 10.0
"""Period of a duty cycle. [min] IEC 60974-1:2017, from memory. Rated at 40 degC ambient; not for ratings after IEC
60974-6."""
CONTINUOUS_SHARE: Final = 0.8
"""Share of a breaker's rating that a load of three hours or more may take. [1] NEC 210.20(A), 210.23; edition not
held, from memory. General branch circuits under the NEC."""
HIGHEST_LOAD_LINE_A: Final = 600.0
"""Where the rising load lines end. [A] IEC 60974-1:2017, from memory."""


@dataclass(frozen=True)
class LoadLine:
    """Conventional load voltage U2 = volts + ohms * I2."""

    volts: float
    ohms: float


LOAD_LINES: Final[Mapping[str, LoadLine]] = MappingProxyType(
    {"arc with wire": LoadLine(14.0, 0.05), "stick": LoadLine(20.0, 0.04), "tungsten": LoadLine(10.0, 0.04)}
)
"""Load lines of MIG, MAG and cored wire, of MMA, of TIG. [V, ohm] IEC 60974-1:2017, from memory. Up to 600 A."""
LINE_OF_PROCESS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "111": "stick",
        **dict.fromkeys(("114", "131", "132", "133", "135", "136", "137", "138"), "arc with wire"),
        "141": "tungsten",
    }
)
"""Which load line a process has; the others have none here."""
LOAD_LINE_RANGE: Final = Bound("current", 0.0, HIGHEST_LOAD_LINE_A, "A")
"""Where the load lines hold."""


def line_current_a(arc_power_w: float, *, efficiency: float, power_factor: float, supply_voltage_v: float) -> float:
    r"""Give the line current of a single-phase welding machine.

    .. math:: I_1 = P / (\eta \, \lambda \, U_1)

    from the definitions of efficiency (arc power over power taken) and power factor (power taken over
    volts times amps of the line), IEC 60974-1; the definitions are from memory.

    Parameters
    ----------
    arc_power_w : float
        Arc volts times arc amps. [W]
    efficiency : float
        Of the machine, above 0, at most 1. [1]
    power_factor : float
        Of the machine, above 0, at most 1. [1]
    supply_voltage_v : float
        Line voltage under load, above 0. [V]

    Returns
    -------
    float
        Line current. [A]

    Examples
    --------
    >>> line_current_a(18.0 * 100.0, efficiency=0.80, power_factor=0.70, supply_voltage_v=120.0)
    26.8
    """
    return arc_power_w / (efficiency * power_factor * supply_voltage_v)


def line_current(
    arc_voltage_v: float, arc_current_a: float, *, supply_voltage_v: float, efficiency: float, power_factor: float
) -> Figure:
    """Give the line current as a figure; see ``line_current_a``, in A."""
    power = arc_voltage_v * arc_current_a
    return held(
        line_current_a(power, efficiency=efficiency, power_factor=power_factor, supply_voltage_v=supply_voltage_v),
        "A",
        source=LINE_CURRENT,
        notes=(
            f"arc power {power:.5g} W; single phase; only as good as the stated efficiency and power factor",
            "a sagging line makes an inverter draw more; a reading at the line is better: by a plug-in meter of "
            "sufficient rating or a qualified person, never on an opened cable",
        ),
        inputs={
            "arc_voltage": arc_voltage_v,
            "arc_current": arc_current_a,
            "supply_voltage": supply_voltage_v,
            "efficiency": efficiency,
            "power_factor": power_factor,
        },
    )


def load_voltage_v(current_a: float, *, line: LoadLine) -> float:
    """Give the conventional load voltage, in V.

    Examples
    --------
    >>> load_voltage_v(100.0, line=LOAD_LINES["stick"])
    24.0
    """
    return line.volts + line.ohms * current_a


def load_voltage(current_a: float, *, process: str) -> Figure:
    """Give the conventional load voltage of a process as a figure, in V.

    Raises
    ------
    DoeError
        If the process is not known.
    """
    number = find_process(process)
    inputs: dict[str, float | str] = {"current": current_a, "process": process}
    broken = breaches((LOAD_LINE_RANGE, current_a))
    if number not in LINE_OF_PROCESS:
        broken = (*broken, f"no load line is held for process {number}; held are {', '.join(LINE_OF_PROCESS)}")
    if broken:
        return not_held("V", source=LOAD_VOLTAGE, why=broken, inputs=inputs)
    line = LOAD_LINES[LINE_OF_PROCESS[number]]
    notes = (
        f"U2 = {line.volts:g} + {line.ohms:g} I2",
        "the line machines are rated on, not a recommended setting: many small self-shielded wires run at 14 to 18 V",
    )
    return held(load_voltage_v(current_a, line=line), "V", source=LOAD_VOLTAGE, notes=notes, inputs=inputs)


def largest_arc_current_a(
    line_current: float, *, supply_voltage_v: float, efficiency: float, power_factor: float, process: str
) -> float:
    r"""Give the arc current at which a machine on its conventional load line takes a given line current.

    The positive root of :math:`(u + r I) I = \eta \lambda U_1 I_1`.

    Parameters
    ----------
    line_current : float
        At least 0. [A]
    supply_voltage_v, efficiency, power_factor : float
        As for ``line_current_a``.
    process : str
        ISO 4063 number or AWS letters, with a load line.

    Returns
    -------
    float
        [A]

    Examples
    --------
    >>> largest_arc_current_a(20.0, supply_voltage_v=120.0, efficiency=0.8, power_factor=0.7, process="135")
    75.592
    """
    line = LOAD_LINES[LINE_OF_PROCESS[find_process(process)]]
    power = efficiency * power_factor * supply_voltage_v * line_current
    return (math.sqrt(line.volts**2 + 4.0 * line.ohms * power) - line.volts) / (2.0 * line.ohms)


def effective_current_a(maximum_a: float, *, idle_a: float, duty: float) -> float:
    """Give the effective supply current, the one that heats cables, in A.

    Parameters
    ----------
    maximum_a : float
        Line current with the arc lit I1. [A]
    idle_a : float
        Line current without an arc I0. [A]
    duty : float
        Share of time with the arc lit X, 0 to 1. [1]

    Examples
    --------
    >>> effective_current_a(30.0, idle_a=2.0, duty=0.2)
    13.5351
    """
    return math.sqrt(maximum_a**2 * duty + idle_a**2 * (1.0 - duty))


def effective_current(maximum_a: float, *, idle_a: float, duty: float) -> Figure:
    """Give the effective supply current as a figure; see ``effective_current_a``, in A."""
    return held(
        effective_current_a(maximum_a, idle_a=idle_a, duty=duty),
        "A",
        source=EFFECTIVE_CURRENT,
        notes=(
            "the heating value over a duty cycle; a breaker also answers to the current while the arc burns",
            "circuits and cables are sized by a licensed electrician to the local code",
        ),
        inputs={"maximum_current": maximum_a, "idle_current": idle_a, "duty": duty},
    )


def duty_at(rated_current_a: float, *, rated_duty: float, current_a: float) -> float:
    """Give the duty cycle at a lower current, for the same mean heating of the copper, at most 1.

    Examples
    --------
    >>> duty_at(90.0, rated_duty=0.2, current_a=70.0)
    0.3306
    """
    return min(1.0, rated_duty * (rated_current_a / current_a) ** 2)


def duty(rated_current_a: float, *, rated_duty: float, current_a: float) -> Figure:
    """Give the duty cycle at a current as a figure, up to the rated current only."""
    inputs = {"rated_current": rated_current_a, "rated_duty": rated_duty, "current": current_a}
    broken = breaches((Bound("current", 0.0, rated_current_a, "A"), current_a))
    if broken:
        why = (*broken, "above its rated current a machine is not to be judged by this rule")
        return not_held("1", source=DUTY, why=why, inputs=inputs)
    value = duty_at(rated_current_a, rated_duty=rated_duty, current_a=current_a)
    notes = (
        f"{arc_minutes(value):.3g} min of arc in any {PERIOD_MIN:g} min",
        "copper heating only: fan, ambient and transformer shift it; a guide, the machine's own plate comes first",
        "a rating after IEC 60974-6 (limited duty, 20 °C) is something else: do not mix the two",
    )
    return held(value, "1", source=DUTY, notes=notes, inputs=inputs)


def arc_minutes(duty_share: float) -> float:
    """Give minutes of arc in one duty period, in min.

    Examples
    --------
    >>> arc_minutes(0.2)
    2.0
    """
    return PERIOD_MIN * duty_share


def duty_used(arc_s: float, rest_s: float) -> float:
    """Give the share of time with the arc lit when every weld is followed by the same rest.

    Where one arc is longer than a duty period the share of the worst period is 1.

    Examples
    --------
    >>> duty_used(30.0, 90.0)
    0.25
    """
    return 1.0 if arc_s >= 60.0 * PERIOD_MIN else arc_s / (arc_s + rest_s)


def continuous_limit_a(breaker_a: float) -> float:
    """Give the load of three hours or more that a general circuit may carry under the NEC, in A.

    Examples
    --------
    >>> continuous_limit_a(20.0)
    16.0
    """
    return CONTINUOUS_SHARE * breaker_a
