"""The named virtual welders: each a different shape of truth. Every constant is invented.

They are not made to suit the fitted models: ridges and steps that no polynomial of the second order has, scatters that
change from plate to plate, day to day and over the order, readings that are wrong, answers that do not hold.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final

from doe.virtual.parts import PorePart, TripPart, VirtualWelder, WeldPart

RIDGE: Final = WeldPart(
    {"1": 1.95, "v": 0.15, "f": 0.55, "p": 0.28, "vf": 0.12, "vv": -0.15, "ff": -0.10},
    ridge_at=0.35,
    ridge_fall=1.6,
)
"""Deeper with every setting, up to a ridge beyond which the bead only widens."""
BOWL: Final = PorePart({"1": -1.2, "v": 0.25, "f": -0.15, "p": -0.2, "vf": -0.35, "vv": 0.75, "ff": 0.45})
"""Fewest pores in the middle, more towards both ends of voltage and feed."""
EASY: Final = TripPart(middle_ratio=1.45)
"""A supply that holds over most of the region."""
DEEPER: Final = replace(RIDGE, coefficients={**RIDGE.coefficients, "1": 2.1})
"""The ridge, a little deeper."""
FEWER: Final = PorePart({**BOWL.coefficients, "1": -1.6}, size=3.0)
"""The bowl, with fewer pores."""
CLEAN: Final = PorePart({"1": -2.6, "vv": 0.3, "ff": 0.3})
"""Hardly any pores."""
LIGHT: Final = TripPart(middle_ratio=1.2)
"""A supply that is hardly loaded."""


def _ordinary() -> list[VirtualWelder]:
    """Welders with a window in the middle, at an edge, and where one response has nothing to say."""
    return [
        VirtualWelder("hinge lugs", DEEPER, FEWER, EASY, "the workshop of the examples"),
        VirtualWelder(
            "interior ridge",
            WeldPart(
                {"1": 2.05, "v": 0.2, "f": 0.45, "p": 0.15, "vv": -0.2, "ff": -0.3}, ridge_at=0.15, ridge_fall=2.6
            ),
            PorePart({"1": -2.0, "v": 0.3, "f": -0.2, "vf": -0.6, "vv": 1.1, "ff": 1.9}, size=1.5),
            TripPart(middle_ratio=1.5),
            "good settings lie inside the region, cold and hot ends are bad",
        ),
        VirtualWelder(
            "edge window",
            WeldPart({"1": 1.45, "v": 0.1, "f": 0.6, "p": 0.35, "vf": 0.1}, weld_sd=0.18, plate_sd=0.1),
            PorePart({"1": -1.6, "v": -0.2, "f": -0.3, "p": -0.3, "vv": 0.3, "ff": 0.2}, size=3.0),
            LIGHT,
            "the hotter the better: good settings run out of the region",
        ),
        VirtualWelder("no pores", RIDGE, PorePart({"1": -12.0}), EASY, "not one pore anywhere"),
        VirtualWelder("never trips", RIDGE, BOWL, TripPart(never=True), "the supply holds whatever is set"),
        VirtualWelder(
            "always trips in a corner",
            RIDGE,
            BOWL,
            TripPart(middle_ratio=1.7, steepness=9.0),
            "the hot corner always trips, and sharply so",
        ),
    ]


def _without_window() -> list[VirtualWelder]:
    """Welders without one good setting: plainly so, and only just (a true assurance of about .885 at best)."""
    return [
        VirtualWelder("no window", WeldPart({"1": 0.7, "f": 0.3, "p": 0.1}), BOWL, about="far too shallow everywhere"),
        VirtualWelder(
            "just short of depth",
            WeldPart({"1": 1.364, "v": 0.05, "f": 0.2, "p": 0.08, "vv": -0.15, "ff": -0.25, "vf": 0.05}),
            CLEAN,
            LIGHT,
            "penetration keeps the best setting at .885",
        ),
        VirtualWelder(
            "just too many pores",
            WeldPart({"1": 2.3, "v": 0.1, "f": 0.3, "p": 0.2}),
            PorePart({"1": 0.122, "v": 0.15, "f": -0.1, "p": -0.1, "vv": 0.5, "ff": 0.4}),
            LIGHT,
            "porosity keeps the best setting at .885",
        ),
        VirtualWelder(
            "trips just too soon",
            WeldPart({"1": 2.2, "v": 0.1, "f": 0.3, "p": 0.15}),
            CLEAN,
            TripPart(middle_ratio=2.63, voltage_power=0.5, feed_power=0.4),
            "the supply holds .885 of welds at the coldest setting, fewer at any other",
        ),
        VirtualWelder(
            "trips alike everywhere",
            WeldPart({"1": 2.3, "v": 0.1, "f": 0.3, "p": 0.2}),
            CLEAN,
            TripPart(middle_ratio=2.15, voltage_power=0.0, feed_power=0.0),
            "the supply holds .885 of welds whatever is set",
        ),
    ]


def _otherwise_shaped() -> list[VirtualWelder]:
    """Welders whose answers bend in ways that the models do not expect."""
    return [
        VirtualWelder(
            "sharp ridge",
            WeldPart(
                {"1": 1.7, "v": 0.25, "f": 0.6, "p": 0.15}, ridge_at=0.1, ridge_width=0.04, ridge_fall=2.6, weld_sd=0.16
            ),
            BOWL,
            EASY,
            "penetration bends sharply, on one side",
        ),
        VirtualWelder(
            "pores at a step",
            WeldPart({"1": 0.62, "v": 0.08, "f": 0.3, "p": 0.13}, is_log=True),
            PorePart({"1": -2.2, "f": -0.2, "p": -0.2}, size=1.2, step_at=0.25, step_width=0.08, step_height=3.2),
            EASY,
            "a long arc brings pores all at once; depth goes with powers of the settings",
        ),
        VirtualWelder(
            "answers that do not hold",
            RIDGE,
            PorePart({"1": -0.9, "v": 0.9, "f": 0.5, "p": -0.2, "vv": -0.5, "ff": -0.4}, size=1.0),
            EASY,
            "most pores in the middle and at high voltage, over ten times between corners: not as was said",
        ),
    ]


def _otherwise_scattered() -> list[VirtualWelder]:
    """Welders whose plates, days, order or readings bring more than the scatter of a weld."""
    return [
        VirtualWelder(
            "plate-heavy scatter",
            replace(RIDGE, weld_sd=0.15, plate_sd=0.3),
            BOWL,
            EASY,
            "plates differ more than welds",
        ),
        VirtualWelder(
            "warm second sides",
            replace(RIDGE, coefficients={**RIDGE.coefficients, "1": 1.9}, warm_gain=0.35),
            BOWL,
            EASY,
            "a later weld on the warm plate fuses deeper",
        ),
        VirtualWelder("days differ", replace(RIDGE, block_sd=0.15), BOWL, EASY, "every day is a little different"),
        VirtualWelder("drift", replace(RIDGE, drift=-0.3), BOWL, EASY, "the contact tip wears from weld to weld"),
        VirtualWelder(
            "gross errors", replace(RIDGE, misread_share=0.1), BOWL, EASY, "one reading in ten is grossly wrong"
        ),
        VirtualWelder(
            "dirty plates",
            replace(RIDGE, reading_sd=0.1),
            replace(BOWL, plate_sd=0.5, size=4.0),
            EASY,
            "some plates are dirtier, and depth is read off a rough section",
        ),
    ]


WELDERS: Mapping[str, VirtualWelder] = MappingProxyType(
    {
        welder.name: welder
        for welder in (*_ordinary(), *_without_window(), *_otherwise_shaped(), *_otherwise_scattered())
    }
)
"""The named virtual welders."""
