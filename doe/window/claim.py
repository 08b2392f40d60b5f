"""The rules of the claim, in METHOD's order, for one position on the plate.

Search at the claim's confidence C; search again half way to 1 where a computed load limits or the box is small, and a
part of the way where a measure limits after many welds; an empty second search means no window, never the first box
again. Trips fitted without the load, on arcs that were held for less than twice the time, never carry a claim where
they limit.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from doe.coding import FloatArray
from doe.models.fit import ResponseFit
from doe.study.model import Study
from doe.window.assurance import holding, response_lows
from doe.window.box import Bits, enough
from doe.window.inquiry import Inquiry, claim_bits
from doe.window.search import CheckedBox, face_layer, next_value, search
from doe.window.window import SettingBox

SMALL_SHARE: Final = 0.04
"""A box smaller than this share of the reachable settings is searched again (METHOD section 1, rule 3)."""
LONG_ARC: Final = 1.99
"""Arc time over hold from which trips by coded factors can carry a claim: twice (METHOD section 1), less
what a stopwatch rounds off."""


FEW_WELDS: Final = 17
"""Up to so many welds a limiting measure is searched at the claim's confidence."""
TAKEN_OFF_A_WELD: Final = 1 / 18
"""Part of the doubt that each further weld takes off, half of it at most: bands narrow with more welds, and a bend
sharper than the model can make is what is left to be wrong. On a sharp ridge 22 of 200 studies of 24 welds and 14 of
100 of 20 welds claimed wrongly at .925 and .908; 14 and 11 at .939 and .917, which is what is asked there (and 43 and
48 of 400 others)."""


@dataclass(frozen=True)
class Again:
    """A second search: the part of the doubt, 1 - C, that is taken off, and why."""

    taken_off: float
    why: str


@dataclass(frozen=True, eq=False)
class Ruling:
    """What the rules came to.

    Attributes
    ----------
    checked : CheckedBox or None
        None: no window.
    searched_at : float
    limited_by : mapping of str to str
    not_contradicted : SettingBox or None
        The box that trips by coded factors with a short arc time forbid to claim.
    findings : tuple of str
    bits : Bits or None
        The draws that the box was found on; None where there is no window.
    """

    checked: CheckedBox | None
    searched_at: float
    limited_by: dict[str, str]
    not_contradicted: SettingBox | None = None
    findings: tuple[str, ...] = ()
    bits: Bits | None = None


def apply_rules(inquiry: Inquiry) -> Ruling:
    """Apply METHOD section 1, rules (2) to (4), and the refusal where trips by coded factors limit."""
    bits = claim_bits(inquiry)
    level = inquiry.confidence
    checked, findings = search(inquiry, bits, level)
    if checked is None:
        return Ruling(None, level, {}, findings=findings)
    faces = limiting_faces(inquiry, checked, level)
    limiting = set(faces.values())
    again = search_again(inquiry, checked, faces)
    if again is not None:
        level += again.taken_off * (1.0 - level)
        checked, findings = search(inquiry, bits, level)
        reached = "" if checked is not None else " That was not reached."
        findings = (*findings, f"{again.why}, so {level * 100:.3g} % confidence was asked for.{reached}")
        if checked is None:
            return Ruling(None, level, {}, findings=findings)
        faces = limiting_faces(inquiry, checked, level)
        limiting |= set(faces.values())
    barred = sorted(name for name in limiting if _is_barred(inquiry, name))
    if barred:
        return Ruling(None, level, {}, checked.box, findings=(*findings, _barred_sentence(barred[0])))
    return Ruling(checked, level, faces, findings=findings, bits=bits)


def _barred_sentence(name: str) -> str:
    """Say why trips by coded factors do not carry a claim."""
    return (
        f"Here {name} limits, the load on the supply is not known, and the arc was held for less than twice the time "
        "the supply must hold: a window is not contradicted by these welds, but it cannot be claimed."
    )


def search_again(inquiry: Inquiry, checked: CheckedBox, faces: dict[str, str]) -> Again | None:
    """Say whether to search again more strictly, and why.

    METHOD section 1, rule 3. Short arcs are ours: with a measured load, a quick breaker and arcs held no longer than
    the supply must hold, 33 of 100 simulated claims about trips were wrong; 3 of 100 at twice the time. So is what many
    welds ask for.
    """
    limiting = [f for f in inquiry.fits if f.name in faces.values()]
    trips = [f for f in limiting if f.kind == "trip"]
    if any(f.conditions.get("load") == "computed" for f in trips):
        return Again(0.5, "The load on the supply was computed and not measured, and it limits")
    if any(has_short_arcs(f) for f in trips):
        return Again(0.5, "The supply limits, and the arc was held for less than twice the time it must hold")
    if checked.box.share < SMALL_SHARE:
        why = f"So small a box (less than {SMALL_SHARE * 100:.0f} % of those that can be set) is easily wrong"
        return Again(0.5, why)
    bending = [f for f in limiting if f.kind == "measure" and f.n > FEW_WELDS]
    if bending:
        why = (
            f"After so many welds what is left to doubt is a bend of {bending[0].name} sharper than the model can make"
        )
        return Again(min(TAKEN_OFF_A_WELD * (bending[0].n - FEW_WELDS), 0.5), why)
    return None


def _is_barred(inquiry: Inquiry, name: str) -> bool:
    """Whether a limiting response forbids the claim: trips, supply unknown, arc time below twice the hold."""
    fit = next((f for f in inquiry.fits if f.name == name), None)
    return fit is not None and is_unproven_trip(fit)


def is_unproven_trip(fit: ResponseFit) -> bool:
    """Whether trips were fitted without the load, on arcs held for less than twice the time the supply must hold."""
    return fit.kind == "trip" and fit.conditions.get("load", "unknown") == "unknown" and has_short_arcs(fit)


def has_short_arcs(fit: ResponseFit) -> bool:
    """Whether the arcs without a trip were held for less than twice the time the supply must hold."""
    ratio = fit.conditions.get("arc_time_ratio")
    return not isinstance(ratio, int | float) or not ratio >= LONG_ARC


def limiting_faces(inquiry: Inquiry, checked: CheckedBox, level: float) -> dict[str, str]:
    """Name what limits each side: the response with the lowest bound just outside, or the region (METHOD 7.5)."""
    box, found = checked.box, {}
    for j, factor in enumerate(inquiry.region.study.factors):
        if not factor.is_kind:
            found[f"{factor.name}.low"] = _limiting(inquiry, checked, (j, False), level)
            found[f"{factor.name}.high"] = _limiting(inquiry, checked, (j, True), level)
    return found if box.n_settings else {}


def _limiting(inquiry: Inquiry, checked: CheckedBox, side: tuple[int, bool], level: float) -> str:
    """Name what limits one side."""
    ends = (checked.box.low, checked.box.high)
    value = next_value(inquiry.region, ends, side)
    if value is None:
        return "region"
    layer = face_layer(inquiry.region, ends, side[0], value)
    inside = inquiry.region.is_claimable(layer)
    if not inside.any():
        return "region"
    layer = layer[inside]
    if not inside.all() and _would_hold(inquiry, checked, layer, level):
        return "region"  # only the limits or the welded ground keep the box from growing here
    lows = response_lows(checked.draws, layer, inquiry.scenario, confidence=inquiry.confidence)
    return checked.draws.names[int(lows.min(axis=1).argmin())]


def _would_hold(inquiry: Inquiry, checked: CheckedBox, layer: FloatArray, level: float) -> bool:
    """Whether the box together with a layer would still pass."""
    held = holding(checked.draws, layer, inquiry.scenario, reliability=inquiry.reliability).all(axis=0)
    both = held & checked.assurance.holds[0].all(axis=0)
    return int(both.sum()) >= enough(level, checked.draws.n_draws)


def is_single_setting(study: Study, box: SettingBox) -> bool:
    """Whether a box is too small for the word window: fewer than two values of a main dial.

    Main dials: voltage and feed; where there is neither, every numeric factor that is easy to change; where there is
    none of these, every numeric factor.
    """
    return any(len(box.dials[j]) < 2 for j in main_dials(study))


def main_dials(study: Study) -> tuple[int, ...]:
    """Give the main dials' places among the factors."""
    numeric = [(j, f) for j, f in enumerate(study.factors) if not f.is_kind]
    dials = [j for j, f in numeric if f.role in {"voltage", "feed"}]
    easy = [j for j, f in numeric if not f.hard_to_change]
    return tuple(dials or easy or [j for j, _ in numeric])
