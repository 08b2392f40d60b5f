"""The next welds: where they are expected to enlarge the window that can be claimed, and what they should bring.

The welds go to the corners of the largest box that holds with a confidence of one half (else .2, .1, else to the 16
most promising settings), the weakest corners first, opposite corners on one plate (METHOD section 5: as good as any
rule that was tried). What they should bring is simulated on machines drawn from the posterior.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.errors import StudyError
from doe.models.fit import Fit
from doe.planning.plan import Plan, PlannedWeld, without_second
from doe.planning.second_beads import second_bead_notes
from doe.window.assurance import assess, response_lows
from doe.window.claim import apply_rules
from doe.window.inquiry import CLAIM_DRAWS, Inquiry, claim_bits
from doe.window.next_round import MOST_WELDS, n_made, usual_round
from doe.window.placing import Choice, next_stage, place_welds
from doe.window.posing import UnsettledError, blocked_fits, open_inquiry, unsettled_sentence, weakest_first
from doe.window.prospect import Expected, Progress, outlook_now, outlook_then, usual_machines
from doe.window.search import search
from doe.window.welded import corners
from doe.window.window import SettingBox
from doe.window.words import at_least, box_words, frequency, level, setting_words

HOPED: Final = (0.5, 0.2, 0.1)
"""Confidences of the box whose corners are welded, the first at which there is one (METHOD section 5)."""
PROMISING: Final = 16
"""Settings to choose from where there is no such box (METHOD section 5)."""
LOOKING_STAGE: Final = 60
"""Stage of the draws from which the reasons are told."""


@dataclass(frozen=True, eq=False)
class NextPlan(Plan):
    """The next welds.

    Attributes
    ----------
    expected : Expected or None
        What they should bring; None where that was not asked for, or the draws for it did not settle.
    """

    expected: Expected | None = field(default=None)

    def to_dict(self) -> dict[str, object]:
        """Give what ``next --json`` prints."""
        expected = None if self.expected is None else self.expected.to_dict()
        return {"schema": 1, **super().to_dict(), "expected": expected}

    def words(self) -> tuple[str, ...]:
        """Say where the welds go and what they should bring, in plain sentences."""
        lines = list(self.notes)
        lines += [
            f"{weld.weld} on {weld.plate}, {setting_words(self.study, weld.settings)}: {self.reasons[weld.weld]}"
            for weld in self.designed
        ]
        return (*lines, *(() if self.expected is None else expected_words(self.expected, n=len(self.designed))))


def next_welds(
    fit: Fit,
    *,
    n: int | None = None,
    seed: int = 1,
    machines: int | None = None,
    jobs: int = 1,
    progress: Progress | None = None,
) -> NextPlan:
    """Choose the next welds, and say what they are expected to bring.

    Parameters
    ----------
    fit : Fit
        Of every weld made so far.
    n : int, optional
        1 to 8 welds; default what is left of the next stage of a study made in stages; else 6, or the few it can still
        afford.
    seed : int
    machines : int, optional
        Machines on which the outlook is simulated; 0 leaves it out. Default: 32, or 8 for a large study.
    jobs : int
        Processes that simulate them; the answer is the same, whatever their number.
    progress : callable, optional
        Called with machines done and machines in all.

    Returns
    -------
    NextPlan
        Role ``next``, the stage after the last one, names and order counted on.

    Raises
    ------
    StudyError
        If n is not 1 to 8.
    CannotAnswerError
        If the welds of the last stage are still waited for, or a response cannot be judged at all.
    """
    n = usual_round(fit.results) if n is None else n
    if not 1 <= n <= MOST_WELDS:
        message = f"{n} welds were asked for; 1 to {MOST_WELDS} can be planned at a time"
        raise StudyError(message)
    stage = next_stage(fit.results)
    unsettled: set[str] = set()
    inquiry = open_inquiry(fit, seed=seed, unsettled=unsettled)
    target = find_target(inquiry)
    rng = np.random.default_rng([seed, stage, n])
    welds = place_welds(fit.results, Choice(target.settings, spread=True), n=n, role="next", rng=rng)
    first = without_second(welds)
    study = fit.results.study
    plan = NextPlan(
        study,
        welds,
        seed,
        stage=stage,
        reasons=_reasons(inquiry, target, first),
        notes=(*_beyond(fit, n), target.words(inquiry), *second_bead_notes(welds)),
        fingerprint=study.fingerprint,
    )
    machines = usual_machines(fit) if machines is None else machines
    if machines and not unsettled:
        now = None if blocked_fits(inquiry.fits) else apply_rules(inquiry).checked
        try:
            then = outlook_then(fit, welds, seed=seed, machines=machines, jobs=jobs, progress=progress)
        except UnsettledError as error:
            unsettled.update(error.names)
        else:
            expected = Expected(outlook_now(None if now is None or unsettled else now.box), then, machines)
            plan = replace(plan, expected=expected)
    return replace(plan, notes=(*map(_guess_sentence, sorted(unsettled)), *plan.notes))


def _guess_sentence(name: str) -> str:
    """Say what the next welds are worth where draws did not settle."""
    return (
        f"{unsettled_sentence(name)} The welds below still go where they seem to help most, but how sure anything is "
        "said to be there is a guess."
    )


def _beyond(fit: Fit, n: int) -> tuple[str, ...]:
    """Say so where the welds go beyond what the study said could be afforded."""
    made, affordable = n_made(fit.results), fit.results.study.plan.welds
    if made + n <= affordable:
        return ()
    return (f"{affordable} welds were said to be affordable; with {made} made, these {n} go beyond that.",)


@dataclass(frozen=True, eq=False)
class Target:
    """Where the next welds go.

    Attributes
    ----------
    settings : ndarray, shape (n, n_factors)
        The weakest corner first; without a box the most promising setting first.
    box : SettingBox or None
    confidence : float
        With which the box was looked for; 0 without one.
    """

    settings: FloatArray
    box: SettingBox | None
    confidence: float

    def words(self, inquiry: Inquiry) -> str:
        """Say it in one sentence."""
        study, share = inquiry.region.study, frequency(inquiry.reliability)
        if self.box is None:
            return (
                f"No box of settings holds at least {share} good welds with even {level(HOPED[-1])} confidence, so the "
                "next welds go to the most promising settings."
            )
        return (
            f"The next welds go to the corners of {box_words(study, self.box)}: the largest box that may hold at "
            f"least {share} good welds everywhere (confidence {at_least(self.box.confidence)}). The more surely its "
            "corners hold, the more of it can be claimed."
        )


def find_target(inquiry: Inquiry) -> Target:
    """Find the box whose corners the next welds go to, or the most promising settings."""
    for hoped in HOPED:
        asked = replace(inquiry, confidence=min(hoped, inquiry.confidence))
        checked, _ = search(asked, claim_bits(asked), asked.confidence)
        if checked is not None:
            ends = corners(checked.box.low, checked.box.high)
            return Target(ends[weakest_first(inquiry, ends)], checked.box, asked.confidence)
    return Target(_promising(inquiry), None, 0.0)


def _promising(inquiry: Inquiry) -> FloatArray:
    """Give the settings that reach the reliability with most confidence, the most promising first."""
    settings = inquiry.region.settings(inquiry.region.claimable)
    chance = inquiry.chance[inquiry.region.claimable]
    seen = assess(inquiry.claim_draws, settings, inquiry.scenario, confidence=inquiry.confidence)
    return settings[np.lexsort((-seen.expected, -np.round(chance, 3)))[:PROMISING]]


def _reasons(inquiry: Inquiry, target: Target, welds: tuple[PlannedWeld, ...]) -> dict[str, str]:
    """Say of each weld why it is there."""
    draws = inquiry.source(LOOKING_STAGE, CLAIM_DRAWS)
    settings = np.array([weld.settings for weld in welds])
    seen = assess(
        draws, settings, inquiry.scenario, confidence=inquiry.confidence, reliabilities=(inquiry.reliability,)
    )
    lows = response_lows(draws, settings, inquiry.scenario, confidence=inquiry.confidence)
    place = "one of the most promising settings" if target.box is None else "a corner of the largest box that may hold"
    reasons, met = {}, set()
    for i, weld in enumerate(welds):
        again = " (welded again, so that the scatter is seen)" if weld.settings in met else ""
        met.add(weld.settings)
        # Every draw held: that is as far as the draws can tell, and not certainty.
        sure, name = min(float(seen.holds[0][i].mean()), 1 - 1 / CLAIM_DRAWS), draws.names[int(lows[:, i].argmin())]
        reasons[weld.weld] = (
            f"{place}{again}; that it holds is {at_least(sure)} sure so far, and {name} is what is least sure there."
        )
    return reasons


def expected_words(expected: Expected, *, n: int) -> tuple[str, ...]:
    """Say what the next welds are expected to bring, and how far that can be trusted."""
    now, then = expected.now, expected.then
    weld = "weld" if n == 1 else f"{n} welds"
    before = f"now a window of {_share(now.share)}" if now.found else "now none"
    low, high = expected.share_range
    size = f"; it would have {_share(then.share)} on average, none counted as nothing" if then.found else ""
    trust = (
        " On simulated studies windows came about as often as was foretold, or more often; their size was another: "
        f"expect anything from {_share(low)} to {_share(high)}, least where depth bends sharply."
        if then.found
        else ""
    )
    chances = round(20 * then.found)
    hope = (
        f"a window can be claimed with about {chances} {'chance' if chances == 1 else 'chances'} in 20 ({before}){size}"
        if chances
        else f"there is hardly a chance that a window can be claimed after them ({before})"
    )
    return (
        f"What to expect of the next {weld}: {hope}.",
        f"Simulated on {expected.machines} machines as the welds so far leave them possible; right as far as the "
        f"models and the stated priors are.{trust}",
    )


def _share(share: float) -> str:
    """Tell a share of the settings that can be dialled in."""
    return f"{share * 100:.0f} % of the settings" if share >= 0.01 else "under 1 % of the settings"
