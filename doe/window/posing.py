"""Putting a fit's question: which responses take part, for which welds, and where the draws come from."""

from __future__ import annotations

import zlib
from collections.abc import Iterable
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.errors import CannotAnswerError
from doe.models.fit import Fit, ResponseFit
from doe.window.assurance import EVERY_WELD, WARM_SCENARIOS, Assurance, Draws, Scenario, assess, find_wander
from doe.window.box import IntArray
from doe.window.inquiry import (
    EXPLORING_DRAWS,
    EXPLORING_STAGE,
    FLOOR_BELOW,
    DrawSource,
    Inquiry,
    explore,
)
from doe.window.nearest import LESSER_RELIABILITY
from doe.window.welded import WeldedRegion, find_welded_region

KEPT_BYTES: Final = 50_000_000
"""Draws of earlier stages are kept at hand up to so many bytes: all of them for some responses on a few dials. Our
choice."""


class UnsettledError(CannotAnswerError):
    """Draws that a claim would rest on came from a sampler that did not settle.

    Parameters
    ----------
    names : iterable of str
        The responses.
    """

    def __init__(self, names: Iterable[str]) -> None:
        self.names = tuple(names)
        super().__init__(" ".join(unsettled_sentence(name) for name in self.names))


def unsettled_sentence(name: str) -> str:
    """Say that a fit which had settled did not, where it was drawn afresh."""
    return f"The fit of {name} did not settle when it was worked out anew; no claim."


def with_requirement(fit: Fit) -> tuple[ResponseFit, ...]:
    """Give the fitted responses that take part in the window; none where nothing was asked for, or measured."""
    return tuple(f for f in fit.responses if f.response.has_requirement)


def required_fits(fit: Fit) -> tuple[ResponseFit, ...]:
    """Give the fitted responses that take part in the window.

    Raises
    ------
    CannotAnswerError
        If there is none.
    """
    required = with_requirement(fit)
    if required:
        return required
    if any(response.has_requirement for response in fit.results.study.responses):
        message = "no response with a requirement was measured, so there is nothing to claim a window for"
    else:
        message = (
            "no response has a requirement, so there is nothing a window could meet; give one in study.toml: at_least "
            "or at_most for a measure, at_most for a count, hold for a trip"
        )
    raise CannotAnswerError(message)


def blocked_fits(required: tuple[ResponseFit, ...]) -> list[ResponseFit]:
    """Give the responses that forbid any claim: not settled, not to be judged, or not able to draw."""
    return [f for f in required if not f.settled or not f.can_claim or f.model is None]


def scenarios_of(fit: Fit) -> tuple[tuple[Scenario, ...], list[str]]:
    """Give the positions to answer for, and what there is to say about them."""
    wishes = fit.results.study.plan
    if wishes.welds_per_plate < 2 or wishes.later_welds != "warm":
        return (EVERY_WELD,), []
    run = np.array([status != "not run" for status in fit.results.status], dtype=bool)
    if not (fit.results.position[run] > 1).any():
        return WARM_SCENARIOS, ["No later weld on a warm plate was made: what is said of later welds is assumed."]
    return WARM_SCENARIOS, []


def draw_source(
    required: tuple[ResponseFit, ...], fit: Fit, seed: int, *, unsettled: set[str] | None = None
) -> DrawSource:
    """Make the source of draws: each stage and response has a random stream of its own.

    Parameters
    ----------
    required : tuple of ResponseFit
        Able to draw.
    fit : Fit
    seed : int
    unsettled : set of str, optional
        Takes down the responses whose draws did not settle, for whoever goes on without a claim. By default such draws
        raise ``UnsettledError``: a fit that settled once may not do so when it is drawn afresh.
    """
    wander = find_wander(fit.results)

    kept: dict[tuple[int, int], Draws] = {}  # several positions and a lesser reliability ask for the same stages

    def draw(stage: int, n_draws: int) -> Draws:
        found = kept.pop((stage, n_draws), None)
        if found is None:
            while sum(other.n_bytes for other in kept.values()) > KEPT_BYTES:
                kept.pop(next(iter(kept)))  # the one not asked for the longest
            posteriors = tuple(
                f.model.draw(n_draws, np.random.default_rng([seed, stage, zlib.crc32(f.name.encode())]))
                for f in required
                if f.model is not None
            )
            found = Draws(tuple(f.name for f in required), posteriors, wander)
            if found.unsettled and unsettled is None:
                raise UnsettledError(found.unsettled)
        if unsettled is not None:
            unsettled.update(found.unsettled)
        kept[stage, n_draws] = found
        return found

    return draw


def pose(
    fit: Fit, region: WeldedRegion, scenario: Scenario, *, source: DrawSource, seed: int
) -> tuple[Inquiry, Assurance]:
    """Put one position's question, and look at every reachable setting with the exploring draws."""
    claim = fit.results.study.claim
    exploring = source(EXPLORING_STAGE, EXPLORING_DRAWS)
    reliabilities = (claim.reliability, LESSER_RELIABILITY, claim.reliability - FLOOR_BELOW)
    seen, ground = explore(exploring, region, scenario, confidence=claim.confidence, reliabilities=reliabilities)
    inquiry = Inquiry(
        region,
        scenario,
        required_fits(fit),
        source,
        ground,
        reliability=claim.reliability,
        confidence=claim.confidence,
        seed=seed,
    )
    return inquiry, seen


def open_inquiry(fit: Fit, *, seed: int, unsettled: set[str] | None = None) -> Inquiry:
    """Put the question that the window answers for every weld; ``unsettled`` as for ``draw_source``.

    Raises
    ------
    CannotAnswerError
        If a response cannot be judged at all, or no setting is both allowed and welded.
    """
    required, region = required_fits(fit), find_welded_region(fit.results)
    mute = [f.name for f in required if f.model is None]
    if mute or not region.claimable.any():
        why = f"{' and '.join(mute)} cannot be judged from these results" if mute else "no setting can be claimed"
        message = f"{why}, so it cannot be said where more welds would help; make the welds of the plan first"
        raise CannotAnswerError(message)
    source = draw_source(required, fit, seed, unsettled=unsettled)
    return pose(fit, region, scenarios_of(fit)[0][0], source=source, seed=seed)[0]


def weakest_first(inquiry: Inquiry, settings: FloatArray) -> IntArray:
    """Order settings by the bound of their assurance, the lowest first, shape (n,)."""
    seen = assess(inquiry.claim_draws, settings, inquiry.scenario, confidence=inquiry.confidence)
    return np.asarray(np.lexsort((seen.expected, seen.low)))
