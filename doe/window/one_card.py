"""One card for several sides: the largest box that holds on every one of them at once."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.study.model import Claim
from doe.window.assurance import assess
from doe.window.best import most_assured
from doe.window.box import Bits, enough, pack
from doe.window.claim import Again, is_single_setting, is_unproven_trip, limiting_faces, search_again
from doe.window.comparison import Card
from doe.window.growth import find_box
from doe.window.inquiry import CLAIM_DRAWS, FINDING_STAGE
from doe.window.search import CHECKED_SETTINGS, MOST_ROUNDS, check, every_setting
from doe.window.sides import SharedGround, Side, all_hold

CARD_STAGE: Final = 70
"""First stage of the fresh draws that check a card."""


def find_card(sides: Sequence[Side], ground: SharedGround, claim: Claim) -> tuple[Card | None, tuple[str, ...]]:
    """Find the largest box that holds on every side at once, by the rules of a window (METHOD section 1).

    Parameters
    ----------
    sides : sequence of Side
        Each with a question.
    ground : SharedGround
    claim : Claim

    Returns
    -------
    card : Card or None
    findings : tuple of str
    """
    holds = np.zeros((ground.claimable.size, CLAIM_DRAWS), dtype=bool)
    at = np.flatnonzero(ground.claimable)
    holds[at] = all_hold(
        sides,
        ground.settings(ground.claimable),
        reliability=claim.reliability,
        stage=FINDING_STAGE,
        n_draws=CLAIM_DRAWS,
    )
    bits = pack(holds, ground.claimable.shape)
    found = _search(sides, ground, bits, (claim, claim.confidence))
    if found is None:
        return None, ()
    again, barred = _doubts(sides, found, claim)
    level, findings = claim.confidence, []
    if again is not None:
        level += again.taken_off * (1.0 - level)
        findings.append(f"{again.why}, so {level * 100:.4g} % confidence was asked of one card for both.")
        found = _search(sides, ground, bits, (claim, level))
        barred = () if found is None else _doubts(sides, found, claim)[1]
    if found is not None and barred:
        findings.append(
            f"{barred[0]} limits, the load on the supply is not known, and the arc was held for less than twice the "
            "time the supply must hold: one card for both is not contradicted, but it cannot be claimed."
        )
        found = None
    return (None if found is None else _card(sides, found, level)), tuple(findings)


@dataclass(frozen=True, eq=False)
class _Found:
    """A box on the shared ground: ends as shared settings, confidence from fresh draws, share of the settings."""

    low: FloatArray
    high: FloatArray
    confidence: float
    share: float
    stage: int


def _search(sides: Sequence[Side], ground: SharedGround, bits: Bits, asked: tuple[Claim, float]) -> _Found | None:
    """Find the largest box at a confidence and check it on fresh draws, as ``doe.window.search`` does."""
    claim, level = asked
    error = math.sqrt(level * (1.0 - level) / bits.n_draws)
    for turn in range(MOST_ROUNDS):
        largest = _largest(ground, bits, enough(min(level + turn * error, 1.0), bits.n_draws))
        if largest is None:
            return None
        low, high, share = largest
        stage = CARD_STAGE + turn
        held = [_held_everywhere(side, (low, high), claim.reliability, stage) for side in sides]
        confidence = float(np.all(held, axis=0).mean())
        if confidence >= level:
            return _Found(low, high, confidence, share, stage)
    return None


def _largest(ground: SharedGround, bits: Bits, need: int) -> tuple[FloatArray, FloatArray, float] | None:
    """Find the largest box over the kinds: its ends, and its share of the shared settings of its kind."""
    best: tuple[float, int, FloatArray, FloatArray] | None = None
    numeric = tuple(len(axis) for j, axis in enumerate(ground.axes) if j not in ground.kind_axes) or (1,)
    for kinds, cut in ground.cuts():
        words = bits.words[(slice(None), *cut)].reshape(len(bits.words), *numeric)
        box, _ = find_box(Bits(np.ascontiguousarray(words), bits.n_draws), need)
        if box is None:
            continue
        share = box.size / max(int(np.count_nonzero(ground.reachable[cut])), 1)
        if best is None or (share, box.count) > best[:2]:
            best = (share, box.count, *ground.whole(box, kinds))
    return None if best is None else (best[2], best[3], best[0])


def _held_everywhere(side: Side, ends: tuple[FloatArray, FloatArray], reliability: float, stage: int) -> FloatArray:
    """Tell in which fresh draws a side holds at every one of its own settings inside a box, shape (n_draws,)."""
    checked = check(replace(side.question, reliability=reliability), side.box(*ends), stage=stage)
    return np.asarray(checked.assurance.holds[0].all(axis=0))


def _doubts(sides: Sequence[Side], found: _Found, claim: Claim) -> tuple[Again | None, tuple[str, ...]]:
    """Say why more confidence is asked for (METHOD section 1, rule 3), and which trips forbid the claim."""
    reasons, barred = [], []
    for side in sides:
        inquiry = replace(side.question, reliability=claim.reliability, confidence=claim.confidence)
        box = replace(side.box(found.low, found.high), share=found.share)
        checked = check(inquiry, box, stage=found.stage)
        faces = limiting_faces(inquiry, checked, claim.confidence)
        reasons.append(search_again(inquiry, checked, faces))
        barred += [f"{side.label}: {f.name}" for f in inquiry.fits if f.name in faces.values() and is_unproven_trip(f)]
    return max((again for again in reasons if again is not None), key=lambda a: a.taken_off, default=None), tuple(
        barred
    )


def _card(sides: Sequence[Side], found: _Found, level: float) -> Card:
    """Make the card: its best setting is where the worst side has most assurance."""
    first = sides[0]
    box = replace(first.box(found.low, found.high), share=found.share, confidence=found.confidence)
    shared = first.shared(every_setting(box, at_most=CHECKED_SETTINGS))
    shared = shared[np.all([side.can_be_set(shared) for side in sides], axis=0)]
    seen = [
        assess(
            side.question.source(found.stage, CLAIM_DRAWS),
            side.settings(shared),
            side.question.scenario,
            confidence=side.question.confidence,
        )
        for side in sides
    ]
    low, expected = np.min([s.low for s in seen], axis=0), np.min([s.expected for s in seen], axis=0)
    best = shared[most_assured(shared, expected, low)]
    single = any(is_single_setting(side.study, side.box(found.low, found.high)) for side in sides)
    return Card(box, tuple(float(v) for v in best), single, level)
