"""What would be left of a claim, had another prior been taken (METHOD sections 4 and 6).

Where the welds say little of trips, pores or passes a claim leans on what was taken beforehand. So each prior is moved
in turn (``shifts`` of the models), the claim's own draws are weighed again, and it is said with what confidence the
same box would hold. Where it would not, the box is sought anew on the draws it was found on, resampled by the same
weights; if less than half would be left, that is said with the answer.

The draws of the responses are independent of one another, so the weights of one response's draws are those of the
pairs. Settings far from the claim's confidence, which the search leaves out, stay left out.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.models.sampled import SampledModel, Shift
from doe.models.sampling import resample
from doe.models.shifting import effective_draws, shiftable, shifted_weights
from doe.study.model import Study
from doe.window.assurance import Draws, blocks
from doe.window.box import WORD_BITS, Bits, BoolArray, IntArray, pack
from doe.window.claim import is_single_setting
from doe.window.inquiry import Inquiry
from doe.window.search import CheckedBox, largest_on_draws
from doe.window.window import SettingBox, ShiftedClaim
from doe.window.words import at_least, box_words

LEAST_EFFECTIVE: Final = 400.0
"""Reweighted draws worth fewer than so many equal ones say nothing: a confidence of 90 % would be known to 1.5 points
only. Our rule."""
SHIFT_STAGE: Final = 50
"""Of the random numbers that resample the draws."""


def shifted_claims(
    inquiry: Inquiry, checked: CheckedBox, level: float, *, bits: Bits | None = None
) -> tuple[ShiftedClaim, ...]:
    """Move each prior in turn, and work out what would be left of a claim.

    Parameters
    ----------
    inquiry : Inquiry
    checked : CheckedBox
        The claimed box on its fresh draws.
    level : float
        The confidence it was searched at.
    bits : Bits, optional
        The draws it was found on (``claim_bits``); without them no box is sought anew.

    Returns
    -------
    tuple of ShiftedClaim
        Response by response, each in the order of its model's ``shifts``; none for responses without such priors.
    """
    held = np.asarray(checked.assurance.holds[0].all(axis=0))
    before: SettingBox | None = None  # sought once it is needed
    found = []
    for name, model, shift in _shifts(inquiry):
        weights, worth = _weigh(checked.draws, name, model, shift)
        claim = ShiftedClaim(name, shift.assumption, shift.supposing, worth, None)
        if worth >= LEAST_EFFECTIVE:
            claim = replace(claim, confidence=weighted_share(held, weights))
            if claim.confidence is not None and claim.confidence >= level:
                claim = replace(claim, size_left=1.0)
            elif bits is not None:
                before = before or largest_on_draws(inquiry.region, bits, level) or checked.box
                claim = _seek_anew(inquiry, claim, (model, shift), bits=bits, level=level, before=before)
        found.append(claim)
    return tuple(found)


def weighted_share(held: BoolArray, weights: FloatArray) -> float:
    """Give the share of weighted draws that hold; the weights, shape (n_draws,), add up to 1."""
    return min(float(weights[held].sum()), 1.0)


def take_draws(bits: Bits, chosen: IntArray) -> Bits:
    """Take some of the draws, in an order of their own and some of them several times.

    Parameters
    ----------
    bits : Bits
    chosen : ndarray of int, shape (n_chosen,)
        Numbers of draws.
    """
    flat = bits.words.reshape(len(bits.words), -1)
    n_words = -(-len(chosen) // WORD_BITS)
    out = np.zeros((n_words, flat.shape[1]), dtype=np.uint64)
    live = np.flatnonzero(flat.any(axis=0))
    for block in blocks(len(live), bits.n_draws):
        columns = np.ascontiguousarray(flat[:, live[block]].T)
        held = np.unpackbits(columns.view(np.uint8), axis=1, count=bits.n_draws).astype(bool)
        out[:, live[block]] = pack(held[:, chosen]).words
    return Bits(out.reshape(n_words, *bits.shape), len(chosen))


def _shifts(inquiry: Inquiry) -> Iterator[tuple[str, SampledModel, Shift]]:
    """Give every prior that can be moved: the response, its model, the shift."""
    for fit in inquiry.fits:
        model = shiftable(fit.model)
        if model is not None:
            for shift in model.shifts():
                yield fit.name, model, shift


def _weigh(draws: Draws, name: str, model: SampledModel, shift: Shift) -> tuple[FloatArray, float]:
    """Weigh draws by a moved prior, and say how many they are worth."""
    posterior = draws.posteriors[draws.names.index(name)]
    weights = shifted_weights(model, shift.model, posterior)
    return weights, effective_draws(weights, posterior)


def _seek_anew(
    inquiry: Inquiry,
    claim: ShiftedClaim,
    shifted: tuple[SampledModel, Shift],
    *,
    bits: Bits,
    level: float,
    before: SettingBox,
) -> ShiftedClaim:
    """Seek the largest box under a moved prior, beside the one that the same search finds as it was taken."""
    weights, worth = _weigh(inquiry.claim_draws, claim.response, *shifted)
    if worth < LEAST_EFFECTIVE:
        return claim
    chosen = resample(weights, bits.n_draws, np.random.default_rng([inquiry.seed, SHIFT_STAGE]))
    box = largest_on_draws(inquiry.region, take_draws(bits, chosen), level)
    return replace(claim, size_left=0.0 if box is None else box.share / before.share, box=box)


# --- in words


def shift_sentences(study: Study, box: SettingBox, shifted: tuple[ShiftedClaim, ...]) -> tuple[str, ...]:
    """Say how the confidence in a claimed box hangs on each prior, a sentence a response; and what cannot be said."""
    what = "this window"
    if is_single_setting(study, box):
        what = "this setting" if box.n_settings == 1 else "these settings"
    lines = []
    for name in dict.fromkeys(claim.response for claim in shifted):
        own = [claim for claim in shifted if claim.response == name]
        told = [
            (f"with {supposing}", _range_words(values, box.confidence))
            for supposing, values in _by_assumption(own).items()
        ]
        if told:
            (first, shown), *rest = told
            opening = f"Had something else been taken beforehand about {name}: {first}, the confidence in {what} would"
            lines.append(
                "; ".join([f"{opening} {shown}", *(f"{other}, it would {then}" for other, then in rest)]) + "."
            )
        untold = [f"with {claim.assumption}" for claim in own if claim.confidence is None]
        if untold:
            lines.append(
                f"What the confidence would be {_or(untold)} cannot be told for {name}: too few of the draws speak for "
                "it."
            )
    return tuple(lines)


def _by_assumption(shifted: list[ShiftedClaim]) -> dict[str, list[float]]:
    """Gather the confidences, as far as they can be told, that either way of moving an assumption leads to."""
    found: dict[str, list[float]] = {}
    for claim in shifted:
        if claim.confidence is not None:
            found.setdefault(claim.supposing, []).append(claim.confidence)
    return found


def _range_words(values: list[float], before: float) -> str:
    """Tell where a confidence would lie."""
    low, high, now = at_least(min(values)), at_least(max(values)), at_least(before)
    if low == high == now:
        return f"stay at {now}"
    between = low if low == high else f"{low.removesuffix(' %')} to {high}"
    return f"be {between} instead of {now}"


def halved_sentences(study: Study, shifted: tuple[ShiftedClaim, ...]) -> tuple[str, ...]:
    """Say where less than half of a claim would be left, a sentence a response, the worst first."""
    lines = []
    for name in dict.fromkeys(claim.response for claim in shifted if claim.is_halved):
        own = sorted((c for c in shifted if c.response == name and c.is_halved), key=lambda c: c.size_left or 0.0)
        worst, *rest = own
        left = (
            "nothing could be claimed"
            if worst.box is None
            else f"the largest window would be less than half as large: {box_words(study, worst.box)}"
        )
        also = f" Less than half would be left also {_or([f'with {c.assumption}' for c in rest])}." if rest else ""
        lines.append(
            f"The claim leans on what was taken beforehand about {name}: with {worst.assumption}, {left}.{also}"
        )
    return tuple(lines)


def _or(parts: list[str]) -> str:
    """Join alternatives.

    Examples
    --------
    >>> _or(["a"]), _or(["a", "b"]), _or(["a", "b", "c"])
    ('a', 'a or b', 'a, b or c')
    """
    *most, last = parts
    return f"{', '.join(most)} or {last}" if most else last
