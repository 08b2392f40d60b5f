"""Confirmation: welds and pass rule fixed beforehand, and the verdict afterwards (METHOD section 8).

Before a weld is made, claim.json takes down the window, the claim, the confirmation welds and how many of them may
fail. Afterwards there are three verdicts. *Confirmed*: the rule was kept, and keeping it proves the claim by itself
(22 of 22 for 90 % at 90 %). *Not contradicted*: fewer welds, none beyond those allowed failed, and with them added
to the fit the same box still holds with the claim's confidence. *Withdrawn*: more failed, or the confidence fell
below the claim's. A failure is data and is not explained away: the rule does not look at why.

A card is checked again later (a new spool, another outlet, another season) by another round of confirmation welds on
the same claim.json: 2 to 4 welds, none of which may fail.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Final

import numpy as np

from doe.bench.stage import is_cut_short, stage_path, write_stage
from doe.errors import CannotAnswerError, StudyError, WouldOverwriteError
from doe.models.fit import Fit
from doe.planning.plan import Plan, PlannedWeld, setting_value
from doe.study.model import Study
from doe.window.claim_file import (
    NAME,
    ClaimedLevels,
    ClaimedSide,
    ClaimedWeld,
    ClaimFile,
    PassRule,
    differences,
    program_version,
    read_claim,
    requirement_of,
    write_claim,
)
from doe.window.confirmation import Confirmation, Support
from doe.window.finding import find_window
from doe.window.placing import Choice, next_stage, place_welds
from doe.window.posing import open_inquiry, required_fits, weakest_first
from doe.window.standing import Round
from doe.window.verdict import judge_claim
from doe.window.welded import corners
from doe.window.window import Answer, SettingBox, Window, describe_box

DEFAULT_WELDS: Final = 4
"""Confirmation welds: two plates of two (METHOD section 8)."""


def confirm_window(
    fit: Fit,
    *,
    seed: int = 1,
    welds: int | None = None,
    failures_allowed: int | None = None,
    recheck: bool = False,
    anew: bool = False,
) -> Confirmation:
    """Fix a claim and its confirmation, or judge the confirmation welds that were made.

    Nothing is written: ``write_confirmation`` does that.

    Parameters
    ----------
    fit : Fit
        Of every weld made so far.
    seed : int
    welds, failures_allowed : int, optional
        The rule; default 4 welds, none of which may fail. A claim that stands keeps its own.
    recheck : bool
        Plan another round of welds on a claim whose confirmation welds were made.
    anew : bool
        Fix a new claim where the old one is withdrawn, or was for another question.

    Raises
    ------
    CannotAnswerError
        If there is no window to confirm, or welds are still waited for.
    WouldOverwriteError
        If claim.json says otherwise.
    """
    if recheck and (anew or failures_allowed):
        message = "a check of an old claim allows no failure and makes no new claim; give --recheck without the others"
        raise StudyError(message)
    study = fit.results.study
    claim = read_claim(study.folder)
    if claim is None:
        if recheck or anew:
            message = f"there is no {NAME} in this folder, so there is no old claim"
            raise CannotAnswerError(message)
        return _fix(fit, _rule(welds, failures_allowed), seed=seed)
    if anew:
        _refuse_a_claim_that_stands(fit, claim, seed=seed)
        return replace(_fix(fit, _rule(welds, failures_allowed), seed=seed), is_anew=True)
    _refuse_another_question(claim, study)
    if recheck:
        return _plan_recheck(fit, claim, _rule(welds, failures_allowed), seed=seed)
    _refuse_another_rule(claim, welds, failures_allowed)
    return judge_claim(fit, claim, seed=seed)


def _rule(welds: int | None, failures_allowed: int | None) -> PassRule:
    """Make the rule; more failures than welds would be no rule."""
    n, allowed = welds or DEFAULT_WELDS, failures_allowed or 0
    if n < 1 or not 0 <= allowed < n:
        message = f"of {n} confirmation welds {allowed} may not be allowed to fail: give at least one more weld"
        raise StudyError(message)
    return PassRule(welds=n, failures_allowed=allowed)


def standing_confirmation(fit: Fit, *, seed: int = 1) -> Confirmation | None:
    """Give where the claim of a study stands; None where none was fixed. For the report.

    Raises
    ------
    WouldOverwriteError
        If claim.json was fixed for another question.
    """
    study = fit.results.study
    claim = read_claim(study.folder)
    if claim is None:
        return None
    _refuse_another_question(claim, study)
    return judge_claim(fit, claim, seed=seed)


def write_confirmation(confirmation: Confirmation) -> list[Path]:
    """Write claim.json where there is none, and the plan of welds that have none yet.

    A new claim keeps the old one beside, as claim.1.json.

    Returns
    -------
    list of Path
        What was written; empty where all of it stands already.
    """
    written = []
    if _lacks_claim(confirmation):
        written.append(write_claim(confirmation.claim, confirmation.study.folder, anew=confirmation.is_anew))
    if _lacks_stage(confirmation.plan):
        written += write_stage(confirmation.plan)
    return written


def is_written(confirmation: Confirmation) -> bool:
    """Whether claim.json and the tables of its welds stand, so that ``write_confirmation`` has nothing to do."""
    return not (_lacks_claim(confirmation) or _lacks_stage(confirmation.plan))


def _lacks_claim(confirmation: Confirmation) -> bool:
    return confirmation.is_anew or not (confirmation.study.folder / NAME).exists()


def _lacks_stage(plan: Plan) -> bool:
    """Whether a stage has no plan yet, or writing its tables was cut short."""
    folder = plan.study.folder
    return not stage_path(folder, "plan", plan.stage).exists() or is_cut_short(folder, plan.stage)


# --- beforehand


def _fix(fit: Fit, rule: PassRule, *, seed: int) -> Confirmation:
    """Take down the window that can be claimed now, with its rule and its welds."""
    required_fits(fit)
    stage = next_stage(fit.results)
    window = find_window(fit, seed=seed)
    answer = window.answer
    if answer.box is None:
        message = (
            f"with these {window.n_welds} welds no window can be claimed, so there is none to confirm; "
            "“weldwindow next” plans the welds that would help most"
        )
        raise CannotAnswerError(message)
    plan = _plan(fit, answer.box, rule, stage=stage, seed=seed)
    claim = _claim_of(window, answer, answer.box, (rule, plan))
    rounds = (Round(plan.stage, rule.welds),)
    return Confirmation(fit.results.study, claim, rule, plan, Support(claim.confidence), rounds=rounds)


def _plan(fit: Fit, box: SettingBox, rule: PassRule, *, stage: int, seed: int) -> Plan:
    """Put the welds at the corners of the box with the lowest bound, the weakest first."""
    ends = corners(box.low, box.high)
    # which corner is the weakest only places welds: where draws did not settle, nothing is claimed from it
    settings = ends[weakest_first(open_inquiry(fit, seed=seed, unsettled=set()), ends)]
    rng = np.random.default_rng([seed, stage, rule.welds])
    welds = place_welds(fit.results, Choice(settings, spread=False), n=rule.welds, role="confirm", rng=rng)
    study = fit.results.study
    return Plan(study, welds, seed, stage=stage, fingerprint=study.fingerprint)


def _claim_of(window: Window, answer: Answer, box: SettingBox, made: tuple[PassRule, Plan]) -> ClaimFile:
    """Take down a window, its rule and its welds."""
    study, (rule, plan) = window.study, made
    required = [r for r in study.responses if r.has_requirement and r.name not in window.left_out]
    return ClaimFile(
        version=program_version(),
        fingerprint=study.fingerprint,
        seed=plan.seed,
        claim=ClaimedLevels(reliability=window.claim.reliability, confidence=window.claim.confidence),
        requirements={response.name: requirement_of(response) for response in required},
        window={name: ClaimedSide.model_validate(_ends(side)) for name, side in describe_box(study, box).items()},
        single_setting=answer.single_setting,
        position=answer.position,
        confidence=box.confidence,
        share=box.share,
        rests_on=window.n_welds,
        assumptions=window.assumptions,
        rule=rule,
        stage=plan.stage,
        welds=tuple(_claimed_weld(study, weld) for weld in plan.welds),
    )


def _ends(side: object) -> dict[str, object]:
    """Keep the ends, or the kind, of one side of a described window."""
    return {key: value for key, value in dict(side).items() if key in {"low", "high", "kind"}}  # type: ignore[call-overload]


def _claimed_weld(study: Study, weld: PlannedWeld) -> ClaimedWeld:
    """Take down one weld."""
    pairs = zip(study.factors, weld.settings, strict=True)
    settings = {factor.name: setting_value(factor, value) for factor, value in pairs}
    return ClaimedWeld(
        weld=weld.weld,
        plate=weld.plate,
        position=weld.position,
        order=weld.order,
        settings=settings,
        block=weld.block,
    )


def _plan_recheck(fit: Fit, claim: ClaimFile, rule: PassRule, *, seed: int) -> Confirmation:
    """Plan another round on a claim that stands."""
    before = judge_claim(fit, claim, seed=seed)
    if before.is_recheck and _lacks_stage(before.plan):
        return before  # planned already, and writing it was cut short
    if before.verdict is None:
        message = "the confirmation welds of this claim are still waited for; check it again after they are filled in"
        raise CannotAnswerError(message)
    if before.verdict == "withdrawn":
        message = (
            "this claim is withdrawn; there is nothing left of it to check again. “weldwindow confirm --anew” fixes a "
            "new one where a window can be claimed"
        )
        raise CannotAnswerError(message)
    box = claim.box(fit.results.study)
    plan = _plan(fit, box, rule, stage=next_stage(fit.results), seed=seed)
    return replace(before, rule=rule, plan=plan, outcomes=(), verdict=None, window_now=None, is_recheck=True)


def _refuse_a_claim_that_stands(fit: Fit, claim: ClaimFile, *, seed: int) -> None:
    """Refuse to put a new claim in the place of one that stands, or that was not judged yet, for the same question."""
    if differences(claim, fit.results.study):
        return
    held = judge_claim(fit, claim, seed=seed)
    if held.verdict is not None and not held.stands:
        return
    message = f"the claim in {NAME} is not withdrawn, so no other takes its place" + (
        "; judge its confirmation welds first" if held.verdict is None else ""
    )
    raise WouldOverwriteError(message)


def _refuse_another_question(claim: ClaimFile, study: Study) -> None:
    """Refuse where the study asks for something else than the claim that stands."""
    found = differences(claim, study)
    if found:
        message = (
            f"{NAME} was fixed for another question, and it is never rewritten; put the question back, or keep the old "
            "claim beside and fix a new one: “weldwindow confirm --anew”"
        )
        raise WouldOverwriteError(message, found)


def _refuse_another_rule(claim: ClaimFile, welds: int | None, failures_allowed: int | None) -> None:
    """Refuse to move the rule of a claim that stands."""
    asked = PassRule(
        welds=claim.rule.welds if welds is None else welds,
        failures_allowed=claim.rule.failures_allowed if failures_allowed is None else failures_allowed,
    )
    if asked != claim.rule:
        message = (
            f"{NAME} fixed a rule of {claim.rule.welds} welds, {claim.rule.failures_allowed} of which may fail; it was "
            "fixed beforehand and is never rewritten"
        )
        raise WouldOverwriteError(message)
