"""The published limits as named figures."""

from __future__ import annotations

from typing import Final

from doe.trade import acceptance
from doe.trade.acceptance import LimitName
from doe.trade.asked import Given, Input, NamedFigure, same
from doe.trade.inputs import THICKNESS, THROAT, WIDTH
from doe.trade.validity import Figure, Source

_STANDARD: Final = Input("standard", words=acceptance.STANDARD_NAMES)
_LEVEL: Final = Input("level", words=same("B", "C", "D"))


def _limit(name: LimitName, gives: str, validity: str, constants: tuple[str, ...]) -> NamedFigure:
    """Make one of the five published limits; what it needs goes by the standard."""

    def needs(given: Given, _: tuple[Input, ...]) -> tuple[str, ...]:
        standard = given.words.get("standard")
        return ("standard", *(acceptance.NEEDS[name, standard] if standard else ()))

    def compute(given: Given) -> Figure:
        return acceptance.acceptance_limit(
            name,
            given.words["standard"],
            level=given.words.get("level", ""),
            sizes=given.numbers,
            in_inches=given.in_inches,
        )

    inputs = (_STANDARD, _LEVEL, THICKNESS, THROAT, WIDTH)
    source = Source("ISO 5817:2014, Table 1; AWS D1.1:2015, Tables 5.7 and 6.1 (2020: 7.7 and 8.1)")
    optional = ("level", "thickness", "throat", "width")
    return NamedFigure(
        name, gives, inputs, source, validity, constants, compute, needs, optional=optional, also=("thickness",)
    )


LIMIT_FIGURES: Final = (
    _limit(
        "minimum-fillet",
        "smallest fillet leg for a plate, mm",
        "AWS D1.1: thickness of the thinner part, low-hydrogen process; ISO 5817 sets none",
        (
            "aws_d11.FILLET_UP_TO_MM",
            "aws_d11.FILLET_MM",
            "aws_d11.FILLET_UP_TO_IN",
            "aws_d11.FILLET_IN",
            "aws_d11.CYCLIC_FLOOR_MM",
        ),
    ),
    _limit(
        "undercut-limit",
        "deepest undercut, mm",
        "ISO 5817: level and thickness, over 3 mm; AWS D1.1: thickness under 25 mm, static load",
        (
            "iso_5817.UNDERCUT",
            "iso_5817.THINNEST_MM",
            "aws_d11.UNDERCUT_BELOW_MM",
            "aws_d11.UNDERCUT_MM",
            "aws_d11.UNDERCUT_SHORT_MM",
            "aws_d11.UNDERCUT_SHORT_LENGTH_MM",
            "aws_d11.LONG_LENGTH_MM",
        ),
    ),
    _limit(
        "porosity-limit",
        "pores: diameters (ISO 5817), sums of diameters (AWS D1.1), mm",
        "ISO 5817: level and throat, over 3 mm; AWS D1.1: fillets, static load",
        (
            "iso_5817.SURFACE_PORE",
            "iso_5817.INTERNAL_PORE",
            "iso_5817.PORE_AREA_PERCENT",
            "aws_d11.PORE_COUNTED_MM",
            "aws_d11.PORE_SUM_SHORT_MM",
            "aws_d11.PORE_SUM_LONG_MM",
            "aws_d11.CYCLIC_PORE_EVERY_MM",
            "aws_d11.CYCLIC_PORE_MM",
        ),
    ),
    _limit(
        "convexity-limit",
        "highest bulge of a fillet's face, mm",
        "ISO 5817: level and face width, over 3 mm; AWS D1.1: face width up to 25 mm",
        ("iso_5817.CONVEXITY", "aws_d11.CONVEXITY_FACE_MM", "aws_d11.CONVEXITY_MM", "aws_d11.WIDEST_FACE_MM"),
    ),
    _limit(
        "leg-difference-limit",
        "largest difference of the legs, mm",
        "ISO 5817: level and throat, over 3 mm; AWS D1.1 sets none",
        ("iso_5817.LEG_DIFFERENCE",),
    ),
)
