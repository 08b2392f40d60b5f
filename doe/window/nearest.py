"""The honest answer where no window can be claimed (METHOD section 6, "No window")."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.window.assurance import assess, response_lows
from doe.window.claim import Ruling, apply_rules, is_unproven_trip
from doe.window.inquiry import Inquiry
from doe.window.window import Chance, Nearest, Reason, SettingBox

AGAINST: Final = 0.1
"""Below this confidence everywhere the data speak against any such setting (METHOD section 6)."""
RELIABILITY_STEP: Final = 0.05
LEAST_RELIABILITY: Final = 0.5
"""The reliabilities that are tried: one of two, 11 of 20, ... 19 of 20."""
LESSER_RELIABILITY: Final = 0.8
"""The largest window at this reliability is told as well (METHOD section 6)."""


def explain(inquiry: Inquiry, ruling: Ruling, expected: FloatArray, low: FloatArray, *, more_welds: int) -> Nearest:
    """Say what can be said: the best candidate, what could be claimed there, what limits, knowledge or ignorance.

    The candidate is where the reliability is reached with most confidence among the exploring draws (then by the bound,
    then by the expectation); all that is said about it comes from the claim draws, which had no part in choosing it.

    Parameters
    ----------
    inquiry : Inquiry
    ruling : Ruling
    expected, low : ndarray, shape (n_reachable,)
        Exploring draws' assurance at the reachable settings.
    more_welds : int
    """
    region, draws = inquiry.region, inquiry.claim_draws
    claimable = region.claimable[region.reachable]
    settings = region.settings(region.claimable)
    chance = inquiry.chance[region.claimable]
    at = settings[[np.lexsort((-expected[claimable], -low[claimable], -chance))[0]]]
    # What is claimable must be held with the confidence searched with: rule (4) forbids going back to the first.
    strict = assess(draws, at, inquiry.scenario, confidence=ruling.searched_at, reliabilities=(inquiry.reliability,))
    seen = assess(draws, at, inquiry.scenario, confidence=inquiry.confidence)
    g = float(strict.holds[0].mean())
    lows = response_lows(draws, at, inquiry.scenario, confidence=inquiry.confidence)
    limiting = int(lows[:, 0].argmin())
    reason: Reason = "data speak against" if g < AGAINST else "cannot say yet"
    claimable_there = largest_reliability(float(strict.low[0]), below=inquiry.reliability)
    if ruling.not_contradicted is not None or is_unproven_trip(inquiry.fits[limiting]):
        claimable_there = None
    return Nearest(
        tuple(float(v) for v in at[0]),
        Chance(float(seen.expected[0]), float(seen.low[0])),
        claimable_there,
        g,
        draws.names[limiting],
        reason,
        more_welds,
    )


def largest_reliability(low: float, *, below: float) -> float | None:
    """Give the largest tried reliability that a bound reaches, below the one that was asked."""
    steps = math.floor((min(low, 1.0) + 1e-12) / RELIABILITY_STEP)
    while steps * RELIABILITY_STEP >= below - 1e-9:
        steps -= 1
    reached = round(steps * RELIABILITY_STEP, 2)
    return reached if reached >= LEAST_RELIABILITY else None


def lesser_window(inquiry: Inquiry) -> SettingBox | None:
    """Find the largest window at a reliability of 80 %, under the same rules; None where the claim asks for no more."""
    if inquiry.reliability <= LESSER_RELIABILITY or LESSER_RELIABILITY not in inquiry.ground.reliabilities:
        return None
    ruling = apply_rules(replace(inquiry, reliability=LESSER_RELIABILITY))
    return None if ruling.checked is None else ruling.checked.box
