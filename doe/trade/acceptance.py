"""Published acceptance limits as figures, by standard; the edition is named with each.

``STANDARDS`` are the two that are held. A limit is for a weld the standard covers: a coupon test qualifies neither a
procedure nor a welder.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final, Literal

from doe.trade import aws_d11, iso_5817
from doe.trade.validity import Figure, Source, not_held

ISO: Final = "ISO 5817"
AWS: Final = "AWS D1.1"
STANDARDS: Final = (ISO, AWS)
"""Standards whose limits are held."""

STANDARD_NAMES: Final[Mapping[str, str]] = MappingProxyType(
    {
        **dict.fromkeys(("ISO 5817", "EN ISO 5817", "5817", "ISO 5817:2014"), ISO),
        **dict.fromkeys(("AWS D1.1", "D1.1", "AWS D1.1/D1.1M", "AWS D1.1:2015"), AWS),
    }
)
"""The names a standard may be called by."""

LimitName = Literal["minimum-fillet", "undercut-limit", "porosity-limit", "convexity-limit", "leg-difference-limit"]
Sizes = Mapping[str, float]
"""What is known of the weld, by "thickness", "throat", "width". [mm]"""

NEEDS: Final[Mapping[tuple[str, str], tuple[str, ...]]] = MappingProxyType(
    {
        ("minimum-fillet", ISO): (),
        ("undercut-limit", ISO): ("level", "thickness"),
        ("porosity-limit", ISO): ("level", "throat"),
        ("convexity-limit", ISO): ("level", "width"),
        ("leg-difference-limit", ISO): ("level", "throat"),
        ("minimum-fillet", AWS): ("thickness",),
        ("undercut-limit", AWS): ("thickness",),
        ("porosity-limit", AWS): (),
        ("convexity-limit", AWS): ("width",),
        ("leg-difference-limit", AWS): (),
    }
)
"""What each limit goes by."""
COUPON: Final = "a coupon test qualifies neither a procedure nor a welder; where a code applies, the code decides"
"""The caution that goes with every limit."""


def acceptance_limit(
    name: LimitName, standard: str, *, level: str = "", sizes: Sizes, in_inches: bool = False
) -> Figure:
    """Give a published limit as a figure.

    Parameters
    ----------
    name : str
        Which limit.
    standard : {"ISO 5817", "AWS D1.1"}
    level : {"B", "C", "D", ""}
        Quality level of ISO 5817.
    sizes : mapping
        What ``NEEDS`` asks for, in mm; a thickness that is not needed is still checked against the standard's range.
    in_inches : bool
        Whether the thickness was stated in inches (minimum fillet: the inch rows decide).

    Returns
    -------
    Figure
    """
    inputs: dict[str, float | str] = {"standard": standard, **({"level": level} if level else {}), **sizes}
    figure = _iso(name, level, sizes, inputs) if standard == ISO else _aws(name, sizes, in_inches=in_inches)
    return replace(figure, inputs=MappingProxyType(inputs), notes=(*figure.notes, COUPON))


def _iso(name: LimitName, level: str, sizes: Sizes, inputs: Mapping[str, float | str]) -> Figure:
    if name == "minimum-fillet":
        why = "ISO 5817 sets no minimum fillet size: the drawing states the size, the standard limits the shortfall"
        return not_held("mm", source=iso_5817.RECALLED, why=(why,), inputs=inputs)
    if name == "porosity-limit":
        return iso_5817.porosity_limits(level, sizes["throat"], inputs=inputs)
    limits, size, of = {
        "undercut-limit": (iso_5817.UNDERCUT, "thickness", "thickness"),
        "convexity-limit": (iso_5817.CONVEXITY, "width", "face width"),
        "leg-difference-limit": (iso_5817.LEG_DIFFERENCE, "throat", "throat"),
    }[name]
    return iso_5817.limit_figure(limits, level, size_mm=sizes[size], of=of, inputs=inputs)


def _aws(name: LimitName, sizes: Sizes, *, in_inches: bool) -> Figure:
    if name == "minimum-fillet":
        return aws_d11.minimum_fillet(sizes["thickness"], in_inches=in_inches)
    if name == "undercut-limit":
        return aws_d11.undercut_limit(sizes["thickness"])
    if name == "porosity-limit":
        return aws_d11.porosity_limits()
    if name == "convexity-limit":
        return aws_d11.convexity_limit(sizes["width"])
    source = Source("AWS D1.1:2015, Table 6.1 (2020: Table 8.1), visual acceptance")
    why = "AWS D1.1 sets no limit on the difference of the legs as such: each leg must reach the specified size"
    return not_held("mm", source=source, why=(why,), inputs={})
