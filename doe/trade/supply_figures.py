"""The figures of the supply: line current, duty, breaker, cord."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Final

from doe.trade import breaker, cord, supply
from doe.trade.asked import Given, Input, NamedFigure, same
from doe.trade.inputs import AMPS, PROCESS, share
from doe.trade.validity import Figure, Source


def _gauges() -> Mapping[str, str]:
    """Give every way to write a cord's gauge; a bare number is an American gauge only where it can be no section."""
    known: dict[str, str] = {}
    for gauge in cord.OHM_PER_1000_FT:
        number = gauge.split()[0]
        known |= dict.fromkeys((gauge, f"AWG {number}", f"#{number}"), gauge)
        known |= {number: gauge} if f"{number} mm2" not in cord.OHM_PER_KM else {}
    for gauge in cord.OHM_PER_KM:
        number = gauge.split()[0]
        known |= dict.fromkeys((gauge, f"{number} mm²", f"{number.replace('.', ',')} mm2"), gauge)
        known |= {number: gauge} if "." in number else {}
    return MappingProxyType(known)


def _line_current(given: Given) -> Figure:
    n = given.numbers
    return supply.line_current(
        n["arc_voltage"],
        n["arc_current"],
        supply_voltage_v=n["supply_voltage"],
        efficiency=n["efficiency"],
        power_factor=n["power_factor"],
    )


def _effective_current(given: Given) -> Figure:
    n = given.numbers
    return supply.effective_current(n["maximum_current"], idle_a=n["idle_current"], duty=n["duty"])


def _duty(given: Given) -> Figure:
    n = given.numbers
    return supply.duty(n["rated_current"], rated_duty=n["rated_duty"], current_a=n["current"])


SUPPLY_FIGURES: Final = (
    NamedFigure(
        "line-current",
        "current the machine takes from the line, A",
        (
            Input("arc_voltage", "V", high=200.0, open_low=True),
            Input("arc_current", "A", high=10000.0, open_low=True),
            Input("supply_voltage", "V", high=1000.0, open_low=True),
            share("efficiency"),
            share("power_factor"),
        ),
        supply.LINE_CURRENT,
        "single phase; efficiency and power factor of the machine at that load",
        (),
        _line_current,
    ),
    NamedFigure(
        "effective-current",
        "effective supply current, A",
        (
            Input("maximum_current", "A", high=10000.0),
            Input("idle_current", "A", high=10000.0),
            Input("duty", "1", high=1.0),
        ),
        supply.EFFECTIVE_CURRENT,
        "over whole duty periods of 10 min",
        ("supply.PERIOD_MIN",),
        _effective_current,
    ),
    NamedFigure(
        "duty",
        "duty cycle at a current, share of 10 min",
        (Input("rated_current", "A", high=10000.0, open_low=True), share("rated_duty"), AMPS),
        supply.DUTY,
        "up to the rated current; ratings over 10 min at 40 °C",
        ("supply.PERIOD_MIN",),
        _duty,
    ),
    NamedFigure(
        "load-voltage",
        "conventional load voltage, V",
        (Input("current", "A", high=10000.0), PROCESS),
        supply.LOAD_VOLTAGE,
        f"{supply.LOAD_LINE_RANGE}; processes {', '.join(supply.LINE_OF_PROCESS)}",
        ("supply.LOAD_LINES", "supply.HIGHEST_LOAD_LINE_A"),
        lambda given: supply.load_voltage(given.numbers["current"], process=given.words["process"]),
    ),
    NamedFigure(
        "breaker",
        "band of times to trip, s",
        (
            Input("rating", "A", high=10000.0, open_low=True),
            Input("curve", words=MappingProxyType({**same("B", "C", "D", "UL"), "UL 489": "UL"})),
            Input("current", "A", high=100000.0),
        ),
        Source(f"{breaker.IEC.text}; {breaker.UL.text}"),
        "from a cold start; B, C, D up to 63 A (IEC 60898-1), UL up to 100 A (UL 489)",
        (
            "breaker.IEC_HOLDS",
            "breaker.IEC_SLOW",
            "breaker.IEC_SLOW_S",
            "breaker.IEC_FAST",
            "breaker.IEC_FAST_SHORTEST_S",
            "breaker.IEC_FAST_LONGEST_S",
            "breaker.IEC_SMALL_A",
            "breaker.IEC_LARGEST_A",
            "breaker.IEC_INSTANT",
            "breaker.IEC_INSTANT_S",
            "breaker.UL_HOLDS",
            "breaker.UL_SLOW",
            "breaker.UL_SLOW_S",
            "breaker.UL_SLOW_UP_TO_A",
            "breaker.UL_FAST",
            "breaker.UL_FAST_S",
            "breaker.UL_FAST_UP_TO_A",
            "breaker.UL_LARGEST_A",
            "supply.CONTINUOUS_SHARE",
        ),
        lambda given: breaker.breaker_band(
            given.numbers["rating"], curve=given.words["curve"], current_a=given.numbers["current"]
        ),
    ),
    NamedFigure(
        "cord-drop",
        "voltage lost along an extension cord, V",
        (
            Input("length", "m", bare=False, high=10000.0),
            Input("gauge", words=_gauges()),
            Input("current", "A", high=10000.0),
        ),
        Source(f"{cord.CORD_AWG.text}; {cord.CORD_METRIC.text}"),
        "single phase, copper at 75 °C, resistance only; length is one way",
        ("cord.OHM_PER_1000_FT", "cord.OHM_PER_KM", "cord.COPPER_PER_C", "cord.CORE_C", "cord.TABLE_C"),
        lambda given: cord.cord_drop(
            given.numbers["length"], gauge=given.words["gauge"], current_a=given.numbers["current"]
        ),
    ),
)
