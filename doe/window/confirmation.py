"""What a confirmation is: the claim, its rule, its welds, and what came of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from scipy import special

from doe.models.textbook.tolerance import success_run
from doe.planning.plan import Plan
from doe.study.model import Study
from doe.window.claim_file import ClaimFile, PassRule
from doe.window.foretold import Foretold
from doe.window.outcome import WeldOutcome
from doe.window.standing import Round, Verdict, standing_verdict
from doe.window.window import SettingBox, Window, describe_box

LEVELS: Final = ((0.8, 0.9), (0.9, 0.9), (0.9, 0.95), (0.95, 0.9), (0.95, 0.95), (0.99, 0.9))
"""Reliabilities and confidences for which the welds of a proof are listed, beside the claim's own."""
BAD: Final = (0.9, 0.8, 0.7, 0.5)
"""True assurances for which the chance of being found out is told (METHOD section 8)."""


@dataclass(frozen=True)
class Support:
    """What the fit says of the claimed box: before the confirmation welds, and with all welds so far.

    Attributes
    ----------
    before : float
        The confidence it was claimed with.
    confidence : float or None
        That of the same box now; None where a response cannot be judged.
    expected, low : float or None
        The assurance of its weakest setting now: posterior mean, and the bound held with the claim's confidence.
    """

    before: float
    confidence: float | None = None
    expected: float | None = None
    low: float | None = None


@dataclass(frozen=True, eq=False)
class Confirmation:
    """The claim, its rule, its welds, and what came of them.

    Attributes
    ----------
    study : Study
    claim : ClaimFile
    rule : PassRule
        Of this round.
    plan : Plan
        This round's welds.
    outcomes : tuple of WeldOutcome
        Of the welds made so far.
    verdict : {"confirmed", "not contradicted", "withdrawn"} or None
        None while welds are waited for.
    support : Support
    window_now : Window or None
        Where the claim is withdrawn: what can be claimed now.
    findings : tuple of str
    is_recheck : bool
        Whether this is a later round on an old claim.
    rounds : tuple of Round
        Every round so far in short, this one last.
    is_anew : bool
        Whether this claim takes the place of an old one, which is kept beside.
    held_now : float or None
        Where welds were made that do not count for the verdict: the confidence of the box with these as well.
    foretold : tuple of Foretold
        Of a check of an old claim: its welds beside what the earlier ones foretold.
    """

    study: Study
    claim: ClaimFile
    rule: PassRule
    plan: Plan
    support: Support
    outcomes: tuple[WeldOutcome, ...] = ()
    verdict: Verdict | None = None
    window_now: Window | None = None
    findings: tuple[str, ...] = ()
    is_recheck: bool = False
    rounds: tuple[Round, ...] = ()
    is_anew: bool = False
    held_now: float | None = None
    foretold: tuple[Foretold, ...] = ()

    @property
    def box(self) -> SettingBox:
        """The claimed box."""
        return self.claim.box(self.study)

    @property
    def now(self) -> float | None:
        """The confidence of the claimed box with every weld so far; None where it cannot be told."""
        return self.support.confidence if self.held_now is None else self.held_now

    @property
    def stands(self) -> bool:
        """Whether the claim can be shown as it was made.

        The last verdict given did not withdraw it, and where the passes alone are no proof, it is still as sure with
        every weld so far as it was claimed.
        """
        verdict = standing_verdict(self.rounds)
        if verdict == "confirmed":
            return True
        return verdict == "not contradicted" and self.now is not None and self.now >= self.claim.claim.confidence

    @property
    def is_broken(self) -> bool:
        """Whether more welds failed than the rule allows."""
        return len(self.failures) > self.rule.failures_allowed

    @property
    def failures(self) -> tuple[WeldOutcome, ...]:
        """The welds that failed."""
        return tuple(o for o in self.outcomes if o.passed is False)

    def to_dict(self) -> dict[str, object]:
        """Give what ``confirm --json`` prints."""
        claim, now = self.claim.claim, self.window_now
        return {
            "schema": 1,
            "claim": {"reliability": claim.reliability, "confidence": claim.confidence},
            "window": describe_box(self.study, self.box),
            "position": self.claim.position,
            "rule": self.rule.to_dict(claim.confidence),
            "stage": self.plan.stage,
            "recheck": self.is_recheck,
            "welds": self.plan.to_dict()["welds"],
            "outcomes": [outcome.to_dict() for outcome in self.outcomes],
            "verdict": self.verdict,
            "assurance": {
                "confidence_before": self.support.before,
                "confidence": self.support.confidence,
                "expected": self.support.expected,
                "low": self.support.low,
            },
            "zero_failure_welds": zero_failure_welds(claim.reliability, claim.confidence),
            "reveals": {f"{p:g}": chance_revealed(self.rule, p) for p in BAD},
            "window_now": None if now is None or now.answer.box is None else describe_box(self.study, now.answer.box),
            "stands": self.stands,
            "confidence_now": self.now,
            "rounds": [made.to_dict() for made in self.rounds],
            "foretold": [found.to_dict() for found in self.foretold],
            "findings": list(self.findings),
        }


def zero_failure_welds(reliability: float, confidence: float) -> dict[str, int]:
    """Give the welds that must all pass to prove a claim by themselves, keyed ``reliability/confidence``."""
    levels = dict.fromkeys([(reliability, confidence), *LEVELS])
    return {f"{r:g}/{c:g}": success_run(reliability=r, confidence=c) for r, c in sorted(levels)}


def chance_revealed(rule: PassRule, assurance: float) -> float:
    """Give the chance that a rule is broken where each weld truly meets every requirement with this probability.

    Examples
    --------
    >>> chance_revealed(PassRule(welds=4, failures_allowed=0), 0.7)
    0.760
    """
    return float(special.bdtrc(rule.failures_allowed, rule.welds, 1.0 - assurance))
