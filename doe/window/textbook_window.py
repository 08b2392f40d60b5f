"""The setting window from textbook limits alone: no prior information, no draws.

Each response's share of good welds is bounded at all settings at once (``doe.window.textbook_bounds``). Several
responses share the doubt evenly (Bonferroni), and their failures are added up: the sum bounds the chance that anything
fails. With one response and ``terms = ["constant"]`` this is the handbook: the one-sided normal tolerance factor, the
exact Poisson limit, the success run.

The search is that of the Bayesian window with a single "draw" that is the bound itself. METHOD's rules about a second
search do not apply: they mend what priors and draws can get wrong.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from doe.coding import FloatArray
from doe.errors import CannotAnswerError, Fault
from doe.models.fit import Fit, Points
from doe.study.model import Claim
from doe.window.assurance import EVERY_WELD, Draws, quadrature
from doe.window.best import most_assured
from doe.window.claim import is_single_setting, limiting_faces
from doe.window.cool_down import cool_down_assumptions
from doe.window.inquiry import FLOOR_BELOW, Inquiry, claim_bits, explore
from doe.window.nearest import largest_reliability
from doe.window.next_round import n_made, usual_round
from doe.window.search import CheckedBox, search
from doe.window.textbook_bounds import Promise, is_constant, promise_of
from doe.window.welded import WeldedRegion
from doe.window.window import Answer, AssuranceMap, BestSetting, Chance, Nearest, ResponseNumbers, Window


@dataclass(frozen=True, eq=False)
class _Bound:
    """A promise in the place of a posterior, with the bound as its only draw."""

    promise: Promise
    n_draws: int = 1
    settled: bool = True

    def failure(self, points: Points) -> FloatArray:
        """Give the most failures, shape (1, n_points)."""
        return 1.0 - self.promise.held(points.natural)[None, :]

    def mean(self, points: Points) -> FloatArray:
        """Give the expected share of good welds, shape (1, n_points)."""
        return self.promise.expected(points.natural)[None, :]

    def weld_band(self, points: Points, *, level: float) -> tuple[FloatArray, FloatArray]:
        """Give the same twice: a bound has no scatter of its own."""
        del level
        mean = self.mean(points)[0]
        return mean, mean


def find_textbook_window(fit: Fit, region: WeldedRegion, *, seed: int) -> Window:
    """Find the window that textbook limits can claim.

    Parameters
    ----------
    fit : Fit
        With at least one measured response that has a requirement.
    region : WeldedRegion
        With at least one claimable setting.
    seed : int
        Kept with the answer; nothing is drawn.

    Raises
    ------
    CannotAnswerError
        If a response has no rightly derived limit: every reason at once, and what is possible.
    """
    study = fit.results.study
    claim = study.claim
    promises = _promises(fit, claim)
    inquiry = _inquiry(region, promises, claim, seed)
    checked, _ = search(inquiry, claim_bits(inquiry), claim.confidence)
    answer = _none(inquiry, promises, fit) if checked is None else _found(inquiry, checked, promises)
    return Window(
        study=study,
        claim=claim,
        answers=(answer,),
        maps=(_bound_map(inquiry, promises),),
        axes=region.axes,
        reachable=region.reachable,
        claimable=region.claimable,
        assumptions=_assumptions(fit, promises),
        left_out=tuple(name for name in fit.left_out if study.response(name).has_requirement),
        findings=tuple(finding for promise in promises for finding in promise.findings),
        n_welds=n_made(fit.results),
        seed=seed,
        method="textbook",
    )


def _promises(fit: Fit, claim: Claim) -> tuple[Promise, ...]:
    """Work out every response's promise; every refusal at once."""
    required = [f.response for f in fit.responses if f.response.has_requirement]
    promises, refusals = [], []
    for response in required:
        try:
            promise = promise_of(
                fit.results,
                response,
                reliability=claim.reliability,
                confidence=claim.confidence,
                doubt=(1.0 - claim.confidence) / len(required),
            )
        except CannotAnswerError as error:
            refusals.append(Fault(error.message, key=f"response “{response.name}”"))
        else:
            promises.append(promise)
    if refusals:
        message = "no textbook window can be claimed from these results"
        raise CannotAnswerError(message, refusals)
    return tuple(promises)


def _inquiry(region: WeldedRegion, promises: tuple[Promise, ...], claim: Claim, seed: int) -> Inquiry:
    """Put the bounds in the place of draws."""
    names = tuple(promise.name for promise in promises)
    draws = Draws(names, tuple(_Bound(p) for p in promises), quadrature([0.0] * len(region.study.factors)))
    _, ground = explore(
        draws,
        region,
        EVERY_WELD,
        confidence=claim.confidence,
        reliabilities=(claim.reliability, claim.reliability - FLOOR_BELOW),
    )
    return Inquiry(
        region=region,
        scenario=EVERY_WELD,
        fits=(),
        source=lambda _stage, _n: draws,
        ground=ground,
        reliability=claim.reliability,
        confidence=claim.confidence,
        seed=seed,
    )


def _joint(promises: Sequence[Promise], settings: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give the expected assurance and its bound at settings: failures are added up."""
    expected = 1.0 - np.sum([1.0 - p.expected(settings) for p in promises], axis=0)
    low = 1.0 - np.sum([1.0 - p.held(settings) for p in promises], axis=0)
    return np.maximum(expected, 0.0), np.maximum(low, 0.0)


def _found(inquiry: Inquiry, checked: CheckedBox, promises: tuple[Promise, ...]) -> Answer:
    """Answer where a window can be claimed."""
    expected, low = _joint(promises, checked.settings)
    best = most_assured(checked.settings, expected, low)
    at, confidence = checked.settings[[best]], inquiry.confidence
    return Answer(
        "any",
        box=replace(checked.box, confidence=confidence),
        searched_at=confidence,
        single_setting=is_single_setting(inquiry.region.study, checked.box),
        limited_by=limiting_faces(inquiry, checked, confidence),
        best=BestSetting(
            tuple(float(v) for v in at[0]),
            Chance(float(expected[best]), float(low[best])),
            {promise.name: _numbers(promise, at) for promise in promises},
        ),
    )


def _numbers(promise: Promise, at: FloatArray) -> ResponseNumbers:
    """Give a response's bands at a setting, with its chance of meeting the requirement."""
    return replace(promise.numbers(at), passes=Chance(float(promise.expected(at)[0]), float(promise.held(at)[0])))


def _none(inquiry: Inquiry, promises: tuple[Promise, ...], fit: Fit) -> Answer:
    """Answer where no window can be claimed."""
    settings = inquiry.region.settings(inquiry.region.claimable)
    expected, low = _joint(promises, settings)
    best = most_assured(settings, expected, low)
    at = settings[[best]]
    against = min(float(p.most(at)[0]) for p in promises) < inquiry.reliability
    nearest = Nearest(
        tuple(float(v) for v in at[0]),
        Chance(float(expected[best]), float(low[best])),
        largest_reliability(float(low[best]), below=inquiry.reliability),
        None,
        min(promises, key=lambda p: float(p.held(at)[0])).name,
        "data speak against" if against else "cannot say yet",
        usual_round(fit.results),
    )
    return Answer("any", searched_at=inquiry.confidence, nearest=nearest)


def _bound_map(inquiry: Inquiry, promises: tuple[Promise, ...]) -> AssuranceMap:
    """Lay the bounds over the grid."""
    reachable = inquiry.region.reachable
    settings = inquiry.region.settings(reachable)
    expected, low = _joint(promises, settings)

    def over_grid(values: FloatArray) -> FloatArray:
        grid = np.full(reachable.shape, np.nan)
        grid[reachable] = values
        return grid

    return AssuranceMap(
        "any",
        over_grid(expected),
        over_grid(low),
        over_grid((low >= inquiry.reliability).astype(float)),
        {promise.name: over_grid(promise.expected(settings)) for promise in promises},
    )


def _assumptions(fit: Fit, promises: tuple[Promise, ...]) -> tuple[str, ...]:
    """Say what the textbook takes for granted."""
    alike = (
        "The factors were taken to have no effect: every weld counts as made alike." if is_constant(fit.results) else ""
    )
    shared = (
        "Several requirements share the doubt evenly, and their failures are added up." if len(promises) > 1 else ""
    )
    methods = [f"{promise.name}: {promise.method}." for promise in promises]
    new = "The claim is for a weld made as these test welds were, on a plate like theirs."
    cooled = cool_down_assumptions(fit.results) if fit.results.study.plan.later_welds == "cooled" else ()
    return tuple(text for text in (*methods, alike, shared, *cooled, new) if text)
