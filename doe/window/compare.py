"""Comparing two studies, or the kinds inside one: the difference, and whether one card serves both.

The difference of a response is that of its means, draw by draw, at settings that both sides can be set to; its band
is two-sided at the claim's confidence, each by itself. One card serves both where a box holds on every side at once,
with the joint confidence: by the same rules as a window. Where nothing is asked of a weld there is no window and no
card, and the differences are told all the same. Draws of the kinds of one study belong together; draws of
two studies are independent.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.errors import CannotAnswerError
from doe.models.fit import Fit, Points, Posterior
from doe.study.model import Claim, Response
from doe.window.best import most_assured
from doe.window.claim import apply_rules, is_single_setting
from doe.window.compact import log_hold_of
from doe.window.comparison import Card, Comparison, Place, ResponseDifference, SideAnswer, Verdict
from doe.window.inquiry import CLAIM_DRAWS, Inquiry
from doe.window.landmarks import find_landmarks
from doe.window.named_settings import named_settings
from doe.window.one_card import find_card
from doe.window.posing import UnsettledError, blocked_fits, with_requirement
from doe.window.sides import SharedGround, Side, find_shared_ground, kind_sides, side_rng, study_sides
from doe.window.window import SettingBox

DIFFERENCE_STAGE: Final = 80
"""Stage of the draws from which differences are told."""
AS_ASKED: Final = "as asked"
"""Why a setting that was named is told of."""
TIMING_DRAWS: Final = 8
"""Draws from which the arc time that a trip is judged at is read off."""


def compare_studies(first: Fit, second: Fit, *, seed: int = 1, at: Sequence[str] = ()) -> Comparison:
    """Compare two studies with the same factors in the same units.

    Parameters
    ----------
    first, second : Fit
    seed : int
    at : sequence of str
        Settings to tell the differences at, in place of those of interest; see ``named_settings``.

    Raises
    ------
    StudyError
        If the factors are not the same: every difference at once.
    DoeError
        If a setting that was named is not understood.
    CannotAnswerError
        If no setting can be set on both, or nothing that was measured can be compared, or a side was not welded at a
        setting that was named.
    """
    return _compare(study_sides((first, second), seed=seed), "", seed, at)


def compare_kinds(fit: Fit, *, factor: str | None = None, seed: int = 1, at: Sequence[str] = ()) -> Comparison:
    """Compare the kinds inside one study.

    Parameters
    ----------
    fit : Fit
    factor : str, optional
        Factor of kinds; default the first.
    seed : int
    at : sequence of str
        Settings to tell the differences at, without the factor; see ``named_settings``.

    Raises
    ------
    DoeError
        If a setting that was named is not understood.
    CannotAnswerError
        If there are no two kinds that were welded, or nothing was measured, or one was not welded at a setting that
        was named.
    """
    sides = kind_sides(fit, factor=factor, seed=seed)
    column = sides[0].kind[0] if sides[0].kind is not None else 0
    return _compare(sides, fit.results.study.factors[column].name, seed, at)


def _compare(sides: tuple[Side, ...], by: str, seed: int, at: Sequence[str]) -> Comparison:
    """Compare sides."""
    named = named_settings(at, sides)
    ground = find_shared_ground(sides)
    claims = [side.study.claim for side in sides]
    claim = Claim(max(c.reliability for c in claims), max(c.confidence for c in claims))
    answers = tuple(_alone(side) for side in sides)
    may_claim = all(a.best is not None and not a.blocked for a in answers)
    card, findings = _card(sides, ground, claim) if may_claim else (None, ())
    responses, not_compared = _comparable(sides)
    if not responses and not any(a.best is not None for a in answers):
        message = f"nothing can be compared: {' '.join(not_compared).removesuffix('.')}"
        raise CannotAnswerError(message)
    wanted = [(settings, AS_ASKED) for settings in named] or _settings_of_interest(sides, answers, ground, card)
    places = tuple(
        Place(settings, why, tuple(_differences(sides, responses, settings, claim.confidence)))
        for settings, why in wanted
    )
    blocked = tuple(
        f"{a.label}: {' and '.join(a.blocked)} cannot be judged, so nothing is claimed." for a in answers if a.blocked
    )
    told = {difference.response.name for place in places for difference in place.differences}
    untold = tuple(
        f"{r.name} is not compared: its fit did not settle when it was worked out anew."
        for r in responses
        if r.name not in told
    )
    return Comparison(
        claim, by, answers, places, card, _verdict(answers, card), (*not_compared, *untold), (*blocked, *findings), seed
    )


def _card(sides: tuple[Side, ...], ground: SharedGround, claim: Claim) -> tuple[Card | None, tuple[str, ...]]:
    """Find one card for every side; none where draws for it did not settle."""
    try:
        return find_card(sides, ground, claim)
    except UnsettledError as error:
        return None, (error.message,)


def _verdict(answers: Sequence[SideAnswer], card: Card | None) -> Verdict:
    """Put it in a few words."""
    if card is not None:
        return "one card serves both"
    if not all(answer.has_question for answer in answers):
        return "no requirement"
    n = sum(answer.box is not None for answer in answers)
    if n == len(answers):
        return "each needs its own card"
    return "only one has a card" if n else "cannot say yet"


def _alone(side: Side) -> SideAnswer:
    """Find what one side says alone."""
    results, required = side.fit.results, with_requirement(side.fit)
    blocked = tuple(f.name for f in blocked_fits(required)) or _unmeasured(side) or side.unsettled
    box, best = None, None
    if side.inquiry is not None:
        try:
            box, best = _box_and_best(side.inquiry, may_claim=not blocked)
        except UnsettledError as error:
            blocked = error.names
            _, best = _box_and_best(side.inquiry, may_claim=False)
    made = np.array([status != "not run" for status in results.status], dtype=bool)
    if side.kind is not None:
        made &= results.planned[:, side.kind[0]].astype(int) == side.kind[1]
    single = box is not None and is_single_setting(side.study, box)
    return SideAnswer(side.label, side.study, int(made.sum()), box, best, single, blocked)


def _unmeasured(side: Side) -> tuple[str, ...]:
    """Give the responses with a requirement, where none of them was measured."""
    asked = tuple(response.name for response in side.study.responses if response.has_requirement)
    return () if with_requirement(side.fit) else asked


def _box_and_best(inquiry: Inquiry, *, may_claim: bool) -> tuple[SettingBox | None, tuple[float, ...]]:
    """Find a side's own window with its best setting; without one the setting that promises most."""
    checked = apply_rules(inquiry).checked if may_claim else None
    if checked is not None:
        row = most_assured(checked.settings, checked.assurance.expected, checked.assurance.low)
        return checked.box, tuple(float(v) for v in checked.settings[row])
    settings = inquiry.region.settings(inquiry.region.claimable)
    best = settings[int(np.argmax(inquiry.chance[inquiry.region.claimable]))]
    return None, tuple(float(v) for v in best)


# --- differences


def _settings_of_interest(
    sides: Sequence[Side], answers: Sequence[SideAnswer], ground: SharedGround, card: Card | None
) -> Iterator[tuple[tuple[float, ...], str]]:
    """Give the settings at which differences are told: the card's best, each side's best, as far as all can be set.

    Where none of these can be set on every side, the shared setting that promises most on the worst side. Where nothing
    is asked on a side, the middle of the shared ground and its ends.
    """
    wanted = [] if card is None else [(card.best, "the best setting of the card for both")]
    for side, answer in zip(sides, answers, strict=True):
        if answer.best is None:
            continue
        best = "the best setting" if answer.box is not None else "the most promising setting"
        wanted.append((tuple(float(v) for v in side.shared(np.array([answer.best]))[0]), f"{best} of {answer.label}"))
    if any(answer.best is None for answer in answers):
        wanted += find_landmarks(sides, ground)
    given: dict[tuple[float, ...], str] = {}
    for settings, why in wanted:
        if all(bool(side.can_be_claimed(np.array([settings]))[0]) for side in sides):
            given[settings] = f"{given[settings]}, and {why}" if settings in given else why
    if not given:
        given[_most_promising(sides, ground)] = "the setting, of those that can be set on both, that promises most"
    yield from given.items()


def _most_promising(sides: Sequence[Side], ground: SharedGround) -> tuple[float, ...]:
    """Give the shared setting whose worst side reaches the reliability with most confidence."""
    shared = ground.settings(ground.claimable)
    chance = np.min([side.chance(shared) for side in sides], axis=0)
    return tuple(float(v) for v in shared[int(np.argmax(chance))])


def _comparable(sides: Sequence[Side]) -> tuple[tuple[Response, ...], tuple[str, ...]]:
    """Give the responses that mean the same on every side, and why others are not compared."""
    compared, left = [], []
    for response in sides[0].study.responses:
        why = next((why for side in sides if (why := _why_not(response, side))), "") or _times_apart(sides, response)
        if why:
            left.append(f"{response.name} is not compared: {why}.")
        else:
            compared.append(response)
    known = {response.name for response in sides[0].study.responses}
    others = {r.name: side.label for side in sides[1:] for r in side.study.responses if r.name not in known}
    left += [f"{name} is not compared: only {label} has it." for name, label in others.items()]
    return tuple(compared), tuple(left)


def _why_not(response: Response, side: Side) -> str:
    """Say why a response cannot be compared with that of a side; empty where it can."""
    other = next((r for r in side.study.responses if r.name == response.name), None)
    if other is None:
        return f"{side.label} does not have it"
    fitted = next((f for f in side.fit.responses if f.name == response.name), None)
    if fitted is None or fitted.model is None:
        return f"it was not measured, or cannot be judged, on {side.label}"
    if (other.kind, other.unit) != (response.kind, response.unit):
        return f"it is another kind of reading, or in another unit, on {side.label}"
    if (other.per_mm, other.hold_s) != (response.per_mm, response.hold_s):
        return f"{side.label} counts over another length, or asks for another arc time"
    return ""


def _times_apart(sides: Sequence[Side], response: Response) -> str:
    """Say so where trips without a time to hold are judged at another arc time on each side; else empty."""
    times = [_hold_s(_posterior(side, response, TIMING_DRAWS)) for side in sides]
    if len({f"{t:.3g}" for t in times if t is not None}) < 2:
        return ""
    told = " and ".join(f"{t:.3g} s on {side.label}" for side, t in zip(sides, times, strict=True))
    return (
        f"no time to hold is asked, and the middle one of the arc times is {told}; write the same hold in the study "
        "files to compare it"
    )


def _differences(
    sides: Sequence[Side], responses: Sequence[Response], settings: tuple[float, ...], level: float
) -> Iterator[ResponseDifference]:
    """Give the difference of every response of every other side from the first, at one shared setting.

    A response whose draws did not settle on one side is left out.
    """
    for response in responses:
        (first, hold_s), *others = [_means(side, response, settings) for side in sides]
        if first is None or any(other is None for other, _ in others):
            continue
        for side, (other, _) in zip(sides[1:], others, strict=True):
            assert other is not None, "looked at above"
            change = other - first
            low, high = np.quantile(change, [0.5 - level / 2.0, 0.5 + level / 2.0])
            yield ResponseDifference(
                response,
                side.label,
                float(first.mean()),
                float(other.mean()),
                float(change.mean()),
                float(low),
                float(high),
                hold_s,
            )


def _means(side: Side, response: Response, settings: tuple[float, ...]) -> tuple[FloatArray | None, float | None]:
    """Draw a response's mean for the first weld of a plate, shape (n_draws,); and a trip's time to hold. [s].

    No mean where the draws did not settle.
    """
    posterior = _posterior(side, response, CLAIM_DRAWS)
    if not posterior.settled:
        return None, None
    mean = posterior.mean(Points(side.settings(np.array([settings]))))[:, 0]
    return np.asarray(mean), _hold_s(posterior)


def _hold_s(posterior: Posterior) -> float | None:
    """Give the arc time within which a trip counts; None where the response is no trip. [s]."""
    log_hold = log_hold_of(posterior)
    return None if log_hold is None else math.exp(log_hold)


def _posterior(side: Side, response: Response, n_draws: int) -> Posterior:
    """Draw a response on one side."""
    model = side.fit.response(response.name).model
    if model is None:
        message = f"{response.name} cannot be drawn"
        raise TypeError(message)
    return model.draw(n_draws, side_rng(side, DIFFERENCE_STAGE, response.name))
