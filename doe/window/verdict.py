"""The verdict on a claim, from the confirmation welds that were made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from doe.bench.results import Results
from doe.bench.stage import stage_path
from doe.models.fit import Fit
from doe.planning.plan import Plan, PlannedWeld
from doe.planning.reading import read_plan
from doe.study.model import Factor, Study
from doe.window.assurance import assess
from doe.window.claim_file import ClaimedLevels, ClaimFile, PassRule
from doe.window.confirmation import Confirmation, Support, Verdict
from doe.window.finding import JUDGING_STAGE, MOST_JUDGED, find_window
from doe.window.inquiry import CLAIM_DRAWS
from doe.window.outcome import WeldOutcome, judge_welds
from doe.window.placing import last_planned, stage_of
from doe.window.posing import blocked_fits, draw_source, required_fits, scenarios_of
from doe.window.search import every_setting
from doe.window.window import SettingBox


def judge_claim(fit: Fit, claim: ClaimFile, *, seed: int) -> Confirmation:
    """Judge the last round of confirmation welds."""
    study = fit.results.study
    rule, plan = _last_round(claim, study)
    box = claim.box(study)
    rows = [i for i in _rows_of(fit.results, plan.stage) if fit.results.status[i] != "not run"]
    outcomes = judge_welds(fit.results, rows, tuple(claim.requirements))
    outcomes = tuple(o for o, i in zip(outcomes, rows, strict=True) if box.contains(tuple(fit.results.planned[i])))
    held = Confirmation(
        study,
        claim,
        rule,
        plan,
        Support(claim.confidence),
        outcomes=outcomes,
        is_recheck=plan.stage != claim.stage,
        findings=_findings(fit.results, rows, box),
    )
    if not rows:
        return held
    held = replace(held, support=_support(fit, claim, box, seed=seed))
    verdict = find_verdict(outcomes, rule, claim.claim, held.support.confidence)
    now = find_window(fit, seed=seed) if verdict == "withdrawn" else None
    return replace(held, verdict=verdict, window_now=now)


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


def _last_round(claim: ClaimFile, study: Study) -> tuple[PassRule, Plan]:
    """Give rule and welds of the last round: that of claim.json, or a later check of it."""
    for stage in range(last_planned(study.folder), claim.stage, -1):
        path = stage_path(study.folder, "plan", stage)
        if not path.exists():
            continue
        plan = read_plan(path, study)
        if all(weld.role == "confirm" for weld in plan.welds):
            return PassRule(welds=len(plan.welds), failures_allowed=0), plan
    welds = tuple(
        PlannedWeld(
            w.weld,
            w.plate,
            w.position,
            w.order,
            tuple(_natural(factor, w.settings[factor.name]) for factor in study.factors),
            w.block,
            "confirm",
        )
        for w in claim.welds
    )
    return claim.rule, Plan(study, welds, claim.seed, stage=claim.stage, fingerprint=study.fingerprint)


def _natural(factor: Factor, value: float | str) -> float:
    """Give a written setting as a natural value."""
    return float(factor.kinds.index(value)) if isinstance(value, str) else value


def _rows_of(results: Results, stage: int) -> list[int]:
    """Give the rows of a round's confirmation welds."""
    return [i for i in range(results.n_welds) if results.role[i] == "confirm" and stage_of(results.file[i]) == stage]


def _support(fit: Fit, claim: ClaimFile, box: SettingBox, *, seed: int) -> Support:
    """Work out what the fit says of the claimed box now."""
    required = required_fits(fit)
    if blocked_fits(required):
        return Support(claim.confidence)
    scenario = next(s for s in scenarios_of(fit)[0] if s.position == claim.position)
    draws = draw_source(required, fit, seed)(JUDGING_STAGE, CLAIM_DRAWS)
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
