"""Check what was measured on one weld against a published acceptance table: passes, fails, cannot be judged."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from doe.trade import aws_d11, iso_5817
from doe.trade.acceptance import ISO
from doe.trade.deposit import throat_mm
from doe.trade.validity import Source, above, below

Outcome = Literal["passes", "fails", "cannot be judged"]


@dataclass(frozen=True)
class PoreClass:
    """Pores counted by size: ``number`` of them, from ``low_mm`` up to ``high_mm`` in diameter."""

    low_mm: float
    high_mm: float
    number: int


@dataclass(frozen=True)
class Pores:
    """What is known of the visible pores; one of the three ways is enough.

    Attributes
    ----------
    inspected_mm : float
        Length of weld looked at.
    count : int or None
        How many, whatever their size.
    diameters_mm : tuple of float or None
        Each one's diameter.
    positions_mm : tuple of float or None
        Each one's place along the weld, in the order of ``diameters_mm``.
    classes : tuple of PoreClass or None
        Numbers by class of diameter.
    """

    inspected_mm: float
    count: int | None = None
    diameters_mm: tuple[float, ...] | None = None
    positions_mm: tuple[float, ...] | None = None
    classes: tuple[PoreClass, ...] | None = None


@dataclass(frozen=True)
class Macro:
    """What was measured; None where it was not.

    Attributes
    ----------
    leg1_mm, leg2_mm, throat_mm, convexity_mm, face_width_mm, undercut_mm : float or None
    undercut_over_1_mm : float or None
        Length over which the undercut is deeper than 1 mm, in the worst 300 mm. [mm]
    root_fused, cracked : bool or None
    pores : Pores or None
    """

    leg1_mm: float | None = None
    leg2_mm: float | None = None
    throat_mm: float | None = None
    convexity_mm: float | None = None
    face_width_mm: float | None = None
    undercut_mm: float | None = None
    undercut_over_1_mm: float | None = None
    root_fused: bool | None = None
    cracked: bool | None = None
    pores: Pores | None = None


@dataclass(frozen=True)
class Wanted:
    """What the weld is checked against.

    Attributes
    ----------
    standard : {"ISO 5817", "AWS D1.1"}
    leg_mm : float
        Specified leg of the fillet.
    thickness_mm : float
        The thinner part.
    level : {"B", "C", "D", ""}
        Quality level of ISO 5817.
    """

    standard: str
    leg_mm: float
    thickness_mm: float
    level: str = ""

    @property
    def throat_mm(self) -> float:
        """Throat of the specified leg, in mm."""
        return throat_mm(self.leg_mm)


@dataclass(frozen=True)
class Verdict:
    """One check.

    Attributes
    ----------
    check : str
        "legs", "throat", "root fusion", "undercut", "pores", "convexity", "cracks", "unequal legs", "minimum size".
    outcome : {"passes", "fails", "cannot be judged"}
    reason : str
        What was found and what is allowed.
    source : str
    from_memory : bool
    """

    check: str
    outcome: Outcome
    reason: str
    source: str
    from_memory: bool


def check_macro(macro: Macro, wanted: Wanted) -> tuple[Verdict, ...]:
    """Check one weld's macro and visual readings against a standard's table.

    Parameters
    ----------
    macro : Macro
    wanted : Wanted

    Returns
    -------
    tuple of Verdict
        One a check of the standard, in a fixed order; what was not measured cannot be judged.
    """
    return tuple(_iso(macro, wanted) if wanted.standard == ISO else _aws(macro, wanted))


def _say(check: str, outcome: Outcome, reason: str, source: Source) -> Verdict:
    return Verdict(check, outcome, reason, source.text, source.from_memory)


def _not_measured(check: str, what: str, source: Source) -> Verdict:
    return _say(check, "cannot be judged", f"{what} was not measured", source)


def _at_most(check: str, found: float | None, limit: float, source: Source) -> Verdict:
    """Judge a reading by an upper limit."""
    if found is None:
        return _not_measured(check, check, source)
    outcome: Outcome = "fails" if above(found, limit) else "passes"
    return _say(check, outcome, f"{found:g} mm found, at most {limit:.4g} mm allowed", source)


def _cracks(macro: Macro, source: Source) -> Verdict:
    if macro.cracked is None:
        return _not_measured("cracks", "whether there is a crack", source)
    return _say("cracks", "fails" if macro.cracked else "passes", "no crack is allowed", source)


# --- AWS D1.1


def _aws(macro: Macro, wanted: Wanted) -> Iterator[Verdict]:
    yield _cracks(macro, aws_d11.VISUAL)
    yield _aws_root(macro)
    yield _aws_legs(macro, wanted)
    least = aws_d11.minimum_fillet_mm(wanted.thickness_mm)
    least = min(least, wanted.thickness_mm)
    outcome: Outcome = "fails" if below(wanted.leg_mm, least) else "passes"
    reason = f"{wanted.leg_mm:g} mm specified, at least {least:g} mm for {wanted.thickness_mm:g} mm plate"
    yield _say("minimum size", outcome, reason, aws_d11.MINIMUM_FILLET)
    yield _aws_undercut(macro, wanted)
    yield _aws_convexity(macro)
    yield _aws_pores(macro.pores)


def _aws_root(macro: Macro) -> Verdict:
    source = Source("AWS D1.1:2015, fillet macro-etch: fusion to the root, not necessarily beyond")
    if macro.root_fused is None:
        return _not_measured("root fusion", "fusion at the root", source)
    return _say("root fusion", "passes" if macro.root_fused else "fails", "fusion to the root is required", source)


def _aws_legs(macro: Macro, wanted: Wanted) -> Verdict:
    """Judge the smaller leg: some undersize is allowed over a tenth of the length, which one section cannot show."""
    if macro.leg1_mm is None or macro.leg2_mm is None:
        return _not_measured("legs", "a leg", aws_d11.VISUAL)
    smaller = min(macro.leg1_mm, macro.leg2_mm)
    allowance = aws_d11.allowed_undersize_mm(wanted.leg_mm)
    found = f"smaller leg {smaller:g} mm, {wanted.leg_mm:g} mm specified"
    if not below(smaller, wanted.leg_mm):
        return _say("legs", "passes", found, aws_d11.VISUAL)
    if below(smaller, wanted.leg_mm - allowance):
        return _say("legs", "fails", f"{found}, at most {allowance:g} mm undersize allowed", aws_d11.VISUAL)
    reason = f"{found}: allowed over a tenth of the length, which one section does not show"
    return _say("legs", "cannot be judged", reason, aws_d11.VISUAL)


def _aws_undercut(macro: Macro, wanted: Wanted) -> Verdict:
    source = aws_d11.VISUAL
    limit = aws_d11.undercut_limit(wanted.thickness_mm)
    if not limit.valid:
        return _say("undercut", "cannot be judged", "; ".join(limit.notes), source)
    if macro.undercut_mm is None:
        return _not_measured("undercut", "undercut", source)
    depth, length = macro.undercut_mm, macro.undercut_over_1_mm
    needs_length = above(depth, aws_d11.UNDERCUT_MM) and not above(depth, aws_d11.UNDERCUT_SHORT_MM)
    if needs_length and length is None:
        reason = f"{depth:g} mm found: allowed over a short length only, and how long it is was not measured"
        return _say("undercut", "cannot be judged", reason, source)
    allowed = aws_d11.undercut_is_allowed(depth, length_over_1_mm=length or 0.0)
    reason = f"{depth:g} mm found; allowed are {aws_d11.UNDERCUT_MM:g} mm, and {limit.notes[0]}"
    return _say("undercut", "passes" if allowed else "fails", reason, source)


def _aws_convexity(macro: Macro) -> Verdict:
    if macro.face_width_mm is None:
        return _not_measured("convexity", "the width of the face", aws_d11.CONVEX)
    limit = aws_d11.convexity_limit(macro.face_width_mm)
    if not limit.valid:
        return _say("convexity", "cannot be judged", "; ".join(limit.notes), aws_d11.CONVEX)
    return _at_most("convexity", macro.convexity_mm, limit.number, aws_d11.CONVEX)


def _aws_pores(pores: Pores | None) -> Verdict:
    """Judge sums of diameters; what only a count or classes leave open cannot be judged."""
    if pores is None:
        return _not_measured("pores", "porosity", aws_d11.VISUAL)
    low, high = _counted_sums(pores)
    found = f"diameters of counted pores add up to {_span(low, high)} in {pores.inspected_mm:g} mm"
    limits = f"{aws_d11.PORE_SUM_SHORT_MM:g} mm in any 25 mm and {aws_d11.PORE_SUM_LONG_MM:g} mm in any 300 mm allowed"
    if pores.diameters_mm is not None and pores.positions_mm is not None:
        worst = [
            aws_d11.worst_sum_mm(pores.diameters_mm, pores.positions_mm, length_mm=length) for length, _ in _STRETCHES
        ]
        fails = any(above(sum_, most) for sum_, (_, most) in zip(worst, _STRETCHES, strict=True))
        reason = f"worst 25 mm {worst[0]:g} mm, worst 300 mm {worst[1]:g} mm; {limits}"
        return _say("pores", "fails" if fails else "passes", reason, aws_d11.VISUAL)
    if not above(high, aws_d11.PORE_SUM_SHORT_MM):
        return _say("pores", "passes", f"{found}; {limits}", aws_d11.VISUAL)
    # With a weld cut into so many stretches, one of them holds more than its share.
    if any(above(low, most * math.ceil(pores.inspected_mm / length)) for length, most in _STRETCHES):
        return _say("pores", "fails", f"{found}; {limits}", aws_d11.VISUAL)
    missing = "a count says nothing of diameters" if math.isinf(high) else "sizes or places are not known well enough"
    return _say("pores", "cannot be judged", f"{missing}: {found}; {limits}", aws_d11.VISUAL)


_STRETCHES: Final = (
    (aws_d11.SHORT_LENGTH_MM, aws_d11.PORE_SUM_SHORT_MM),
    (aws_d11.LONG_LENGTH_MM, aws_d11.PORE_SUM_LONG_MM),
)


def _counted_sums(pores: Pores) -> tuple[float, float]:
    """Give the least and the most that the counted diameters can add up to, in mm."""
    if pores.diameters_mm is not None:
        total = aws_d11.counted_sum_mm(pores.diameters_mm)
        return total, total
    if pores.classes is not None:
        low = math.fsum(c.number * c.low_mm for c in pores.classes if not below(c.low_mm, aws_d11.PORE_COUNTED_MM))
        high = math.fsum(c.number * c.high_mm for c in pores.classes if above(c.high_mm, aws_d11.PORE_COUNTED_MM))
        return low, high
    return 0.0, 0.0 if pores.count == 0 else math.inf


def _span(low: float, high: float) -> str:
    if math.isinf(high):
        return "an unknown sum"
    return f"{low:g} mm" if low == high else f"{low:g} to {high:g} mm"


# --- ISO 5817


def _iso(macro: Macro, wanted: Wanted) -> Iterator[Verdict]:
    thin = iso_5817.too_thin(wanted.thickness_mm)
    if thin:
        yield _say("every check", "cannot be judged", "; ".join(thin), iso_5817.RECALLED)
        return
    level, throat = wanted.level, wanted.throat_mm
    yield _cracks(macro, iso_5817.SEEN)
    yield _iso_root(macro, wanted)
    yield _iso_throat(macro, wanted)
    legs = None if macro.leg1_mm is None or macro.leg2_mm is None else abs(macro.leg1_mm - macro.leg2_mm)
    difference = iso_5817.LEG_DIFFERENCE[level]
    yield _at_most("unequal legs", legs, difference.at(throat), iso_5817.source_of(difference))
    undercut = iso_5817.UNDERCUT[level]
    yield _at_most("undercut", macro.undercut_mm, undercut.at(wanted.thickness_mm), iso_5817.source_of(undercut))
    convexity = iso_5817.CONVEXITY[level]
    if macro.face_width_mm is None:
        yield _not_measured("convexity", "the width of the face", iso_5817.source_of(convexity))
    else:
        limit = convexity.at(macro.face_width_mm)
        yield _at_most("convexity", macro.convexity_mm, limit, iso_5817.source_of(convexity))
    yield _iso_pores(macro.pores, wanted)


def _iso_root(macro: Macro, wanted: Wanted) -> Verdict:
    limit = iso_5817.LACK_OF_FUSION[wanted.level]
    source = iso_5817.source_of(limit)
    if macro.root_fused is None:
        return _not_measured("root fusion", "fusion at the root", source)
    if macro.root_fused:
        return _say("root fusion", "passes", "fused to the root", source)
    if limit.most == 0.0:
        return _say("root fusion", "fails", f"lack of fusion is not permitted at level {wanted.level}", source)
    reason = (
        f"up to {limit.at(wanted.throat_mm):.4g} mm is allowed over a short length; height and length are not known"
    )
    return _say("root fusion", "cannot be judged", reason, source)


def _iso_throat(macro: Macro, wanted: Wanted) -> Verdict:
    limit = iso_5817.THROAT_SHORTFALL[wanted.level]
    source = iso_5817.source_of(limit)
    if macro.throat_mm is None:
        return _not_measured("throat", "throat", source)
    shortfall = wanted.throat_mm - macro.throat_mm
    found = f"throat {macro.throat_mm:g} mm, {wanted.throat_mm:.4g} mm wanted"
    if not above(wanted.throat_mm, macro.throat_mm):
        return _say("throat", "passes", found, source)
    allowed = limit.at(wanted.throat_mm)
    if above(shortfall, allowed):
        return _say("throat", "fails", f"{found}, at most {allowed:.4g} mm short allowed", source)
    reason = f"{found}: {allowed:.4g} mm short is allowed over a short length, which one section does not show"
    return _say("throat", "cannot be judged", reason, source)


def _iso_pores(pores: Pores | None, wanted: Wanted) -> Verdict:
    """Judge the largest surface pore; where pores are not permitted a count is enough."""
    limit = iso_5817.SURFACE_PORE[wanted.level]
    source = iso_5817.source_of(limit)
    allowed = limit.at(wanted.throat_mm)
    if pores is None:
        return _not_measured("pores", "porosity", source)
    low, high = _largest(pores)
    size = "of unknown size" if math.isinf(high) else f"the largest {high:g} mm" if high else "none"
    reason = f"surface pores: {size}; a diameter of at most {allowed:.4g} mm is allowed"
    if not above(high, allowed):
        return _say("pores", "passes", reason, source)
    if above(low, allowed):
        return _say("pores", "fails", reason, source)
    return _say("pores", "cannot be judged", f"sizes are not known well enough: {reason}", source)


def _largest(pores: Pores) -> tuple[float, float]:
    """Give the least and the most that the largest pore's diameter can be; of any pore it is over 0, in mm."""
    if pores.diameters_mm is not None:
        largest = max(pores.diameters_mm, default=0.0)
        return largest, largest
    some = math.ulp(0.0)
    if pores.classes is not None:
        filled = [c for c in pores.classes if c.number]
        return max((max(c.low_mm, some) for c in filled), default=0.0), max((c.high_mm for c in filled), default=0.0)
    return (0.0, 0.0) if pores.count == 0 else (some if pores.count else 0.0, math.inf)
