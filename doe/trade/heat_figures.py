"""The figures of heat: arc energy, cooling, carbon equivalents, preheat."""

from __future__ import annotations

from typing import Final

from doe.trade import arc, cooling, preheat
from doe.trade.asked import Given, Input, NamedFigure, all_but, same
from doe.trade.inputs import AMPS, ARC_VOLTS, HEAT, JOINT, PREHEAT, PROCESS, THICKNESS, TRAVEL, share
from doe.trade.validity import Figure


def _arc_energy(given: Given) -> Figure:
    n = given.numbers
    return arc.arc_energy(n["voltage"], n["current"], travel_mm_s=n["travel"])


def _heat_input(given: Given) -> Figure:
    n = given.numbers
    return arc.heat_input(
        n["voltage"],
        n["current"],
        travel_mm_s=n["travel"],
        process=given.words.get("process", ""),
        k=n.get("efficiency", 0.0),
    )


def _cooling_time(given: Given) -> Figure:
    n = given.numbers
    return cooling.cooling_time(
        n["heat_input"], thickness_mm=n["thickness"], preheat_c=n["preheat"], joint=given.words["joint"]
    )


def _transition(given: Given) -> Figure:
    n = given.numbers
    return cooling.transition_thickness(n["heat_input"], preheat_c=n["preheat"], joint=given.words["joint"])


def _preheat(given: Given) -> Figure:
    n = given.numbers
    return preheat.preheat_by_cet(
        n["cet"], thickness_mm=n["thickness"], hydrogen_ml_100g=n["hydrogen"], heat_input_kj_mm=n["heat_input"]
    )


_OFTEN_LEFT_OUT: Final = tuple(element for element in preheat.ELEMENTS if element not in {"C", "Mn"})

HEAT_FIGURES: Final = (
    NamedFigure(
        "arc-energy",
        "arc energy, kJ/mm",
        (ARC_VOLTS, AMPS, TRAVEL),
        arc.ARC_ENERGY,
        "mean volts and amps at the arc, straight run, no pulsed or controlled waveform",
        (),
        _arc_energy,
    ),
    NamedFigure(
        "heat-input",
        "heat input with thermal efficiency k (EN), kJ/mm",
        (ARC_VOLTS, AMPS, TRAVEL, PROCESS, share("efficiency")),
        arc.HEAT_INPUT,
        "as arc-energy; k of arc welding of steel by process",
        ("arc.K_BY_PROCESS",),
        _heat_input,
        instead=(("process", "efficiency"),),
    ),
    NamedFigure(
        "cooling-time",
        "t8/5, the longer of two formulas, s",
        (HEAT, THICKNESS, PREHEAT, JOINT),
        cooling.COOLING,
        f"{cooling.TEMPERATURE}; unalloyed and low-alloy steel, wide plate",
        tuple(
            f"cooling.{name}"
            for name in (
                "HOT_C",
                "COOL_C",
                "THICK",
                "THICK_PER_C",
                "THIN",
                "THIN_PER_C",
                "JOINTS",
                "PLATE_TEMPERATURE_C",
                "USUAL_AIM_S",
            )
        ),
        _cooling_time,
    ),
    NamedFigure(
        "transition-thickness",
        "thickness between two- and three-dimensional heat flow, mm",
        (HEAT, THICKNESS, PREHEAT, JOINT),
        cooling.COOLING,
        f"{cooling.TEMPERATURE}; unalloyed and low-alloy steel",
        tuple(
            f"cooling.{name}"
            for name in (
                "HOT_C",
                "COOL_C",
                "THICK",
                "THICK_PER_C",
                "THIN",
                "THIN_PER_C",
                "JOINTS",
                "PLATE_TEMPERATURE_C",
            )
        ),
        _transition,
        needs=all_but("thickness"),
        optional=("thickness",),
    ),
    NamedFigure(
        "carbon-equivalent",
        "CE, Pcm and CET, mass per cent",
        tuple(Input(element, "%", high=100.0) for element in preheat.ELEMENTS),
        preheat.EQUIVALENTS,
        "unalloyed and low-alloy steel",
        ("preheat.CE_DIVISORS", "preheat.PCM_DIVISORS", "preheat.CET_DIVISORS"),
        lambda given: preheat.carbon_equivalents(given.numbers),
        needs=all_but(*_OFTEN_LEFT_OUT),
        optional=_OFTEN_LEFT_OUT,
        also=_OFTEN_LEFT_OUT,
    ),
    NamedFigure(
        "preheat",
        "preheat by CET (method B), °C",
        (
            Input("cet", "%", high=10.0),
            THICKNESS,
            Input("hydrogen", "ml/100 g", high=200.0),
            HEAT,
        ),
        preheat.METHOD_B,
        ", ".join(str(bound) for bound in preheat.METHOD_B_BOUNDS.values()),
        tuple(
            f"preheat.{name}"
            for name in (
                "CET_SLOPE_C",
                "THICKNESS_RISE_C",
                "THICKNESS_SCALE_MM",
                "HYDROGEN_RISE_C",
                "HYDROGEN_POWER",
                "HEAT_CET_C",
                "HEAT_C",
                "CONSTANT_C",
                "CET_RANGE",
                "THICKNESS_RANGE_MM",
                "HYDROGEN_RANGE_ML",
                "HEAT_RANGE_KJ_MM",
                "METHOD_B_STEEL",
            )
        ),
        _preheat,
    ),
    NamedFigure(
        "minimum-preheat",
        "minimum preheat of AWS D1.1, °C and °F",
        (Input("category", words=same(*preheat.CATEGORIES)), THICKNESS),
        preheat.D11_SEEN,
        "from 3 mm (1/8 in), prequalified procedures; categories A and B seen, C and D from memory",
        (
            "preheat.D11_MINIMUM",
            "preheat.D11_FROM_MM",
            "preheat.D11_FROM_IN",
            "preheat.D11_UP_TO_MM",
            "preheat.D11_UP_TO_IN",
        ),
        lambda given: preheat.minimum_preheat(
            given.words["category"], given.numbers["thickness"], in_inches=given.in_inches
        ),
    ),
)
