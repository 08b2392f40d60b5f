"""Breaker trip bands: the shortest and the longest time a standard allows at a current, never one time.

Where a standard tests at one current only, a lower current may take longer and a higher one may be quicker. A band here
says no more than follows from the tests: what must trip within a time at one current must do so at any higher one, and
what must hold for a time at one current must do so at any lower one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from doe.trade.supply import continuous_limit_a
from doe.trade.validity import ROUNDING, Bound, Figure, Source, breaches, held, not_held, row_of

IEC: Final = Source("IEC 60898-1:2015, time-current zone")
"""Trip tests of IEC breakers: 1.13 and 1.45 seen in a secondary source, the rest from memory."""
UL: Final = Source("UL 489, inverse-time calibration at 100, 135 and 200 %")
"""Trip tests of UL breakers: that there are tests at 100, 135 and 200 % was seen, the times are from memory; edition
not held."""

IEC_HOLDS: Final = 1.13
"""Multiple of the rating that is carried for an hour. [1] IEC 60898-1:2015. Seen in a secondary source. Up to 63
A."""
IEC_SLOW: Final = 1.45
"""Multiple that trips within an hour. [1] IEC 60898-1:2015. Seen in a secondary source. Up to 63 A."""
IEC_SLOW_S: Final = 3600.0
"""Longest time at ``IEC_SLOW``. [s] IEC 60898-1:2015, from memory (one secondary source says 2 h). Up to 63 A."""
IEC_FAST: Final = 2.55
"""Multiple that trips within a minute or two. [1] IEC 60898-1:2015, from memory. Up to 63 A."""
IEC_FAST_SHORTEST_S: Final = 1.0
"""Shortest time at ``IEC_FAST``. [s] IEC 60898-1:2015, from memory. At that current; up to 63 A."""
IEC_FAST_LONGEST_S: Final = (60.0, 120.0)
"""Longest time at ``IEC_FAST``, ratings up to ``IEC_SMALL_A`` and above. [s] IEC 60898-1:2015, from memory. Up to 63
A."""
IEC_SMALL_A: Final = 32.0
"""Rating up to which the shorter time holds. [A] IEC 60898-1:2015, from memory."""
IEC_LARGEST_A: Final = 63.0
"""Largest rating these times are held for. [A] IEC 60898-1:2015, from memory."""
IEC_INSTANT_S: Final = 0.1
"""Time that parts instantaneous tripping from the rest. [s] IEC 60898-1:2015, from memory."""
IEC_INSTANT: Final[Mapping[str, tuple[float, float]]] = MappingProxyType(
    {"B": (3.0, 5.0), "C": (5.0, 10.0), "D": (10.0, 20.0)}
)
"""Multiples between which the instantaneous trip lies, by curve. [1] IEC 60898-1:2015, from memory. Up to 63 A."""

UL_HOLDS: Final = 1.0
"""Multiple of the rating that is carried without tripping. [1] UL 489. Seen. Calibrated at 40 degC for some types, 25
degC for others."""
UL_SLOW: Final = 1.35
"""Multiple that trips within an hour or two. [1] UL 489. Seen. Inverse-time types."""
UL_SLOW_S: Final = (3600.0, 7200.0)
"""Longest time at ``UL_SLOW``, ratings up to 50 A and above. [s] UL 489, from memory. Up to 100 A."""
UL_SLOW_UP_TO_A: Final = (50.0,)
"""Rating up to which the first of these holds. [A] UL 489, from memory."""
UL_FAST: Final = 2.0
"""Multiple that trips within minutes. [1] UL 489. Seen. Inverse-time types."""
UL_FAST_S: Final = (120.0, 240.0, 360.0)
"""Longest time at ``UL_FAST``, ratings up to 30 A, 50 A and 100 A. [s] UL 489, from memory. Up to 100 A."""
UL_FAST_UP_TO_A: Final = (30.0, 50.0)
"""Ratings up to which the first two of these hold. [A] UL 489, from memory."""
UL_LARGEST_A: Final = 100.0
"""Largest rating these times are held for. [A] UL 489, from memory."""

CAUTIONS: Final = (
    "a band, not a time: a warm breaker, a warm panel or other loads on the circuit make it trip sooner, and "
    "ground-fault and arc-fault devices trip for reasons of their own",
    "after a trip let it cool and reset once; if it trips again, that setting is done. Wiring questions go to a "
    "licensed electrician",
)
"""Said with every band."""


@dataclass(frozen=True)
class Band:
    """What a standard says of the time to trip at one current; None: it sets no bound.

    Attributes
    ----------
    shortest_s, longest_s : float or None
    holds : bool
        Whether the breaker must not trip at all (IEC: for an hour).
    """

    shortest_s: float | None
    longest_s: float | None
    holds: bool


def iec_band(ratio: float, *, curve: str, rating_a: float) -> Band:
    """Give the band of a breaker after IEC 60898-1, from a cold start.

    Parameters
    ----------
    ratio : float
        Current over rating. [1]
    curve : {"B", "C", "D"}
    rating_a : float
        Up to 63. [A]

    Examples
    --------
    >>> iec_band(2.55, curve="B", rating_a=16.0)
    Band(shortest_s=1.0, longest_s=60.0, holds=False)
    """
    low, high = IEC_INSTANT[curve]
    fast = IEC_FAST_LONGEST_S[row_of(rating_a, (IEC_SMALL_A,))]
    if _at_most(ratio, IEC_HOLDS):
        return Band(None, None, True)
    if not _at_least(ratio, IEC_SLOW):
        return Band(None, None, False)
    if not _at_least(ratio, IEC_FAST):
        return Band(None, IEC_SLOW_S, False)
    if _at_most(ratio, IEC_FAST):
        return Band(IEC_FAST_SHORTEST_S, fast, False)
    if _at_most(ratio, low):
        return Band(IEC_INSTANT_S, fast, False)
    return Band(None, IEC_INSTANT_S if _at_least(ratio, high) else fast, False)


def ul_band(ratio: float, *, rating_a: float) -> Band:
    """Give the band of an inverse-time breaker after UL 489.

    Parameters
    ----------
    ratio : float
        Current over rating. [1]
    rating_a : float
        Up to 100. [A]

    Examples
    --------
    >>> ul_band(1.35, rating_a=20.0)
    Band(shortest_s=None, longest_s=3600.0, holds=False)
    """
    if _at_most(ratio, UL_HOLDS):
        return Band(None, None, True)
    if not _at_least(ratio, UL_SLOW):
        return Band(None, None, False)
    if not _at_least(ratio, UL_FAST):
        return Band(None, UL_SLOW_S[row_of(rating_a, UL_SLOW_UP_TO_A)], False)
    return Band(None, UL_FAST_S[row_of(rating_a, UL_FAST_UP_TO_A)], False)


def _at_least(ratio: float, mark: float) -> bool:
    """Whether a ratio reaches a test current, rounding aside: 40.8 A on 16 A is 2.55."""
    return ratio >= mark * (1.0 - ROUNDING)


def _at_most(ratio: float, mark: float) -> bool:
    return ratio <= mark * (1.0 + ROUNDING)


def instantaneous_a(curve: str, rating_a: float) -> tuple[float, float]:
    """Give the currents between which an IEC breaker's instantaneous trip lies, in A.

    Examples
    --------
    >>> instantaneous_a("B", 16.0)
    (48.0, 80.0)
    """
    low, high = IEC_INSTANT[curve]
    return low * rating_a, high * rating_a


def breaker_band(rating_a: float, *, curve: str, current_a: float) -> Figure:
    """Give the trip band of a breaker at a current, as a figure, in s.

    Parameters
    ----------
    rating_a : float
    curve : {"B", "C", "D", "UL"}
        Curve of IEC 60898-1, or UL 489.
    current_a : float

    Returns
    -------
    Figure
        ``value`` is ``{"shortest": s or None, "longest": s or None, "holds": bool}``.
    """
    is_ul = curve == "UL"
    source = UL if is_ul else IEC
    inputs: dict[str, float | str] = {"rating": rating_a, "curve": curve, "current": current_a}
    broken = breaches((Bound("breaker rating", 0.0, UL_LARGEST_A if is_ul else IEC_LARGEST_A, "A"), rating_a))
    if broken:
        return not_held("s", source=source, why=broken, inputs=inputs)
    ratio = current_a / rating_a
    band = ul_band(ratio, rating_a=rating_a) if is_ul else iec_band(ratio, curve=curve, rating_a=rating_a)
    value = {"shortest": band.shortest_s, "longest": band.longest_s, "holds": band.holds}
    notes = (f"{ratio:.3g} times the rating: {band_words(band)}", _standing_note(curve, rating_a), *CAUTIONS)
    return held(value, "s", source=source, notes=notes, inputs=inputs)


def band_words(band: Band) -> str:
    """Say a band in words.

    Examples
    --------
    >>> band_words(Band(1.0, 60.0, False))
    'it trips after 1 s at the soonest and within 60 s'
    """
    if band.holds:
        return "it must not trip"
    if band.longest_s is None:
        return "the standard sets no bound here: it may trip or hold"
    longest = f"{band.longest_s / 3600:g} h" if band.longest_s >= 3600 else f"{band.longest_s:g} s"
    if band.shortest_s is None:
        return f"it trips within {longest}; how soon, the standard does not say"
    return f"it trips after {band.shortest_s:g} s at the soonest and within {longest}"


def _standing_note(curve: str, rating_a: float) -> str:
    if curve == "UL":
        limit = continuous_limit_a(rating_a)
        return f"a load of three hours or more: at most {limit:g} A on a general circuit (NEC, from memory)"
    low, high = instantaneous_a(curve, rating_a)
    return f"curve {curve}: the instantaneous trip lies between {low:g} and {high:g} A"
