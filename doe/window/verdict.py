"""The verdict on a claim, from the confirmation welds that were made.

What a verdict rests on is fixed beforehand: the welds up to its round, and of that round as many as the rule asked
for. Welds made later change what can be claimed anew, and not the verdict on the old claim; one that was withdrawn
stays withdrawn.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from doe.bench.results import Results, only_welds
from doe.models import fit_responses
from doe.models.fit import Fit
from doe.planning.plan import Plan
from doe.window.assurance import assess
from doe.window.claim_file import ClaimedLevels, ClaimFile, PassRule
from doe.window.confirmation import Confirmation, Support
from doe.window.finding import JUDGING_STAGE, MOST_JUDGED, find_window
from doe.window.foretold import foretell
from doe.window.inquiry import CLAIM_DRAWS
from doe.window.outcome import WeldOutcome, judge_welds
from doe.window.posing import UnsettledError, blocked_fits, draw_source, required_fits, scenarios_of
from doe.window.rounds import changed_conditions, date_of, rounds_of, rows_of, welds_that_count
from doe.window.search import every_setting
from doe.window.standing import Round, Verdict
from doe.window.window import SettingBox


def judge_claim(fit: Fit, claim: ClaimFile, *, seed: int) -> Confirmation:
    """Judge every round of confirmation welds; give the last, or the one that withdraws the claim."""
    rounds: list[Round] = []
    before = None
    for rule, plan in rounds_of(claim, fit.results.study):
        held = _judge_round(fit, claim, (rule, plan), seed=seed)
        if before is not None and not rows_of(fit.results, plan.stage):  # nothing of this round was welded yet
            held = replace(held, held_now=before.now)
        if held.verdict == "withdrawn" and not held.is_broken and any(r.verdict == "confirmed" for r in rounds):
            held = replace(held, verdict="not contradicted")  # the passes proved it: the models are no part of that
        before = held
        rounds.append(_summed_up(held, fit.results))
        if held.verdict in {None, "withdrawn"}:
            break
    now = find_window(fit, seed=seed) if held.verdict == "withdrawn" else None
    return replace(held, window_now=now, rounds=tuple(rounds))


def _judge_round(fit: Fit, claim: ClaimFile, made: tuple[PassRule, Plan], *, seed: int) -> Confirmation:
    """Judge one round by the welds that count for it."""
    results, (rule, plan) = fit.results, made
    box = claim.box(results.study)
    rows = rows_of(results, plan.stage)
    inside = [i for i in rows if box.contains(tuple(results.planned[i]))]
    outcomes = judge_welds(results, inside, tuple(claim.requirements))
    held = Confirmation(
        results.study,
        claim,
        rule,
        plan,
        Support(claim.confidence),
        outcomes=outcomes,
        is_recheck=plan.stage != claim.stage,
        findings=_findings(results, rows, box),
    )
    if not rows:
        return held
    counted = _fit_of(fit, welds_that_count(results, inside, outcomes, rule=rule, stage=plan.stage))
    held = replace(held, support=_support(counted, claim, box, seed=seed))
    if counted is not fit:
        held = replace(held, held_now=_support(fit, claim, box, seed=seed).confidence)
    held = replace(held, verdict=find_verdict(outcomes, rule, claim.claim, held.support.confidence))
    if held.is_recheck and held.verdict is not None:
        held = replace(held, foretold=foretell(results, inside, stage=plan.stage, seed=seed))
    return held


def _fit_of(fit: Fit, keep: np.ndarray[tuple[int], np.dtype[np.bool_]]) -> Fit:
    """Give the fit of the welds that count: the one at hand where that is all of them."""
    made = np.array([status != "not run" for status in fit.results.status], dtype=bool)
    if keep[made].all():
        return fit
    return fit_responses(only_welds(fit.results, keep), seed=fit.seed)


def _summed_up(held: Confirmation, results: Results) -> Round:
    """Put one round in short."""
    rows = rows_of(results, held.plan.stage)
    judged = [o for o in held.outcomes if o.passed is not None]
    return Round(
        stage=held.plan.stage,
        planned=held.rule.welds,
        judged=len(judged),
        passed=len(judged) - len(held.failures),
        verdict=held.verdict,
        date=date_of(results, rows),
        changed=changed_conditions(results, rows, held.plan.stage),
    )


def find_verdict(
    outcomes: Sequence[WeldOutcome], rule: PassRule, claim: ClaimedLevels, confidence: float | None
) -> Verdict | None:
    """Give the verdict of a round of confirmation welds.

    Parameters
    ----------
    outcomes : sequence of WeldOutcome
        Of every confirmation weld made.
    rule : PassRule
        Fixed beforehand.
    claim : ClaimedLevels
    confidence : float or None
        That of the same box with these welds added to the fit.

    Returns
    -------
    str or None
        None while too few of the welds can be judged. One failure more than allowed withdraws at once.
    """
    if sum(o.passed is False for o in outcomes) > rule.failures_allowed:
        return "withdrawn"
    if sum(o.passed is not None for o in outcomes) < rule.welds:
        return None
    if rule.proves(claim.confidence) >= claim.reliability:
        return "confirmed"
    return "not contradicted" if confidence is not None and confidence >= claim.confidence else "withdrawn"


def _support(fit: Fit, claim: ClaimFile, box: SettingBox, *, seed: int) -> Support:
    """Work out what the fit says of the claimed box now."""
    required = required_fits(fit)
    if blocked_fits(required):
        return Support(claim.confidence)
    scenario = next(s for s in scenarios_of(fit)[0] if s.position == claim.position)
    try:
        draws = draw_source(required, fit, seed)(JUDGING_STAGE, CLAIM_DRAWS)
    except UnsettledError:
        return Support(claim.confidence)
    settings = every_setting(box, at_most=MOST_JUDGED)
    reliability = claim.claim.reliability
    seen = assess(draws, settings, scenario, confidence=claim.claim.confidence, reliabilities=(reliability,))
    weakest = int(np.lexsort((seen.expected, seen.low))[0])
    confidence = float(seen.holds[0].all(axis=0).mean())
    return Support(claim.confidence, confidence, float(seen.expected[weakest]), float(seen.low[weakest]))


def _findings(results: Results, rows: Sequence[int], box: SettingBox) -> tuple[str, ...]:
    """Say which confirmation welds do not count, and why."""
    outside = [results.weld[i] for i in rows if not box.contains(tuple(results.planned[i]))]
    scrapped = [results.weld[i] for i in rows if results.status[i] == "scrapped"]
    found = []
    if outside:
        found.append(f"{', '.join(outside)}: planned outside the claimed window, so not counted.")
    if scrapped:
        found.append(
            f"{', '.join(scrapped)}: scrapped, so not a pass. A weld that failed is not scrapped; one that was spoilt "
            "is made again under a number of its own, with the role confirm."
        )
    return tuple(found)
