"""The figures of the wire: burn-off, deposit, the fillet it fills."""

from __future__ import annotations

from typing import Final

from doe.trade import burn_off, deposit
from doe.trade.asked import Given, Input, NamedFigure, all_but
from doe.trade.inputs import AMPS, COEFFICIENTS, DIAMETER, FEED, STICKOUT, TRAVEL, share
from doe.trade.validity import Figure


def _burn_off_needs(given: Given, _: tuple[Input, ...]) -> tuple[str, ...]:
    """Ask for the wire's diameter, or for both of one's own coefficients."""
    wire = ("a", "b") if "a" in given or "b" in given else ("wire_diameter",)
    return ("stickout", *wire)


def _own(given: Given) -> burn_off.BurnOff | None:
    return burn_off.BurnOff(given.numbers["a"], given.numbers["b"]) if "a" in given else None


def _wire_feed(given: Given) -> Figure:
    n = given.numbers
    return burn_off.wire_feed(
        n["current"], stickout_mm=n["stickout"], wire_diameter_mm=n.get("wire_diameter"), own=_own(given)
    )


def _wire_current(given: Given) -> Figure:
    n = given.numbers
    return burn_off.wire_current(
        n["feed"], stickout_mm=n["stickout"], wire_diameter_mm=n.get("wire_diameter"), own=_own(given)
    )


def _deposit_rate(given: Given) -> Figure:
    n = given.numbers
    return deposit.deposit_rate(
        n["feed"],
        wire_diameter_mm=n["wire_diameter"],
        efficiency=n["efficiency"],
        density_ratio=n["density_ratio"],
    )


def _fillet_leg(given: Given) -> Figure:
    n = given.numbers
    return deposit.fillet_leg(
        n["feed"],
        wire_diameter_mm=n["wire_diameter"],
        yield_share=n["yield"],
        travel_mm_s=n["travel"],
        convexity=n.get("convexity", 0.0),
    )


_BURN_OFF_CONSTANTS: Final = tuple(
    f"burn_off.{name}"
    for name in (
        "REFERENCE_DIAMETER_MM",
        "REFERENCE_A",
        "REFERENCE_B",
        "HIGHEST_CURRENT_A",
        "DIAMETERS_MM",
        "STICKOUTS_MM",
    )
)
_BURN_OFF_VALIDITY: Final = (
    f"solid plain-carbon wire, electrode positive, {burn_off.DIAMETER}, {burn_off.STICKOUT}, {burn_off.CURRENT}; "
    "with a and b of one's own: that wire, polarity and range"
)

WIRE_FIGURES: Final = (
    NamedFigure(
        "wire-feed",
        "wire feed that a current melts, mm/s",
        (AMPS, DIAMETER, STICKOUT, *COEFFICIENTS),
        burn_off.BURN_OFF,
        _BURN_OFF_VALIDITY,
        _BURN_OFF_CONSTANTS,
        _wire_feed,
        needs=lambda given, inputs: ("current", *_burn_off_needs(given, inputs)),
        optional=("a", "b"),
    ),
    NamedFigure(
        "wire-current",
        "current at a wire feed, A",
        (FEED, DIAMETER, STICKOUT, *COEFFICIENTS),
        burn_off.BURN_OFF,
        _BURN_OFF_VALIDITY,
        _BURN_OFF_CONSTANTS,
        _wire_current,
        needs=lambda given, inputs: ("feed", *_burn_off_needs(given, inputs)),
        optional=("a", "b"),
    ),
    NamedFigure(
        "deposit-rate",
        "weld metal an hour of arc, kg/h",
        (FEED, DIAMETER, share("efficiency"), Input("density_ratio", "1", high=1.5, open_low=True)),
        deposit.DEPOSIT,
        "steel wire; density_ratio 1 for solid wire",
        ("deposit.STEEL_G_MM3", "deposit.KG_H_PER_G_S", "deposit.DEPOSITION_EFFICIENCY", "deposit.CORED_DENSITY_RATIO"),
        _deposit_rate,
    ),
    NamedFigure(
        "fillet-leg",
        "leg of an equal-leg fillet, mm",
        (FEED, DIAMETER, share("yield"), TRAVEL, Input("convexity", "1", high=1.0)),
        deposit.FILLET,
        "one pass, equal legs, square corner, tight joint",
        ("deposit.CORED_DENSITY_RATIO", "deposit.DEPOSITION_EFFICIENCY"),
        _fillet_leg,
        needs=all_but("convexity"),
        optional=("convexity",),
        also=("convexity",),
    ),
    NamedFigure(
        "throat",
        "theoretical throat of a fillet, mm",
        (
            Input("leg", "mm", bare=False, high=200.0, open_low=True),
            Input("leg2", "mm", bare=False, high=200.0, open_low=True),
        ),
        deposit.THROAT,
        "square corner, flat face",
        (),
        lambda given: deposit.throat(given.numbers["leg"], given.numbers.get("leg2")),
        needs=all_but("leg2"),
        optional=("leg2",),
        also=("leg2",),
    ),
)
