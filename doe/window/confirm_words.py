"""A confirmation in plain sentences: the rule beforehand, the verdict afterwards."""

from __future__ import annotations

from doe.models.textbook.tolerance import success_run
from doe.study.model import Claim
from doe.window.claim_file import NAME
from doe.window.confirmation import Confirmation, chance_revealed
from doe.window.words import at_least, box_words, frequency, frequency_sentence, level


def confirmation_sentences(confirmation: Confirmation) -> tuple[str, ...]:
    """Say everything, the verdict first where there is one."""
    if confirmation.verdict is None:
        return (
            *_claim_lines(confirmation),
            *_rule_lines(confirmation),
            *_waiting(confirmation),
            *confirmation.findings,
        )
    verdict = {"confirmed": _confirmed, "not contradicted": _not_contradicted, "withdrawn": _withdrawn}
    first, *rest = verdict[confirmation.verdict](confirmation)
    claimed = "Withdrawn" if confirmation.verdict == "withdrawn" else f"The {_name(confirmation)}"
    box = f"{claimed}: {box_words(confirmation.study, confirmation.box)}."
    return (first, box, *rest, *recheck_lines(confirmation), *confirmation.findings)


def recheck_lines(confirmation: Confirmation) -> tuple[str, ...]:
    """Say of a check of an old claim what had changed, what its welds are beside what was foretold, and its limits."""
    if not confirmation.is_recheck:
        return ()
    changed = confirmation.rounds[-1].changed if confirmation.rounds else ()
    what = (
        f"Changed since the welds before, as written down: {'; '.join(changed)}."
        if changed
        else "Nothing was written down as changed (spool, outlet, cord, place): it is not known what this check is of."
    )
    n, rule = sum(o.passed is not None for o in confirmation.outcomes), confirmation.rule
    lines = [what, *(found.sentence for found in confirmation.foretold)]
    if confirmation.verdict == "not contradicted":
        missed = 1.0 - chance_revealed(rule, 0.8)
        lines.append(
            f"{n} welds cannot say more: where only 16 of 20 welds were still good, {at_least(missed)} of such checks "
            "would see nothing."
        )
    return tuple(lines)


def standing_sentences(confirmation: Confirmation) -> tuple[str, ...]:
    """Say where the claim stands, for the report: the verdict in full, then every round with its welds and date.

    Parameters
    ----------
    confirmation : Confirmation
        The last round, or the one that withdrew the claim.
    """
    judged = [made for made in confirmation.rounds if made.verdict is not None]
    if not judged:
        made = sum(o.passed is not None for o in confirmation.outcomes)
        return (
            f"Not yet confirmed: {made} of {confirmation.rule.welds} confirmation welds can be judged so far.",
            rule_sentence(confirmation),
        )
    if confirmation.verdict is None:
        lines = [f"{(judged[-1].verdict or '').capitalize()} so far: {judged[-1].words}."]
        lines.append(f"Another check is under way. {rule_sentence(confirmation)}")
        judged = judged[:-1]
    else:
        first, box, *rest = confirmation_sentences(confirmation)
        lines = [first, *([box] if confirmation.verdict == "withdrawn" else []), *rest]
        judged = judged if len(judged) > 1 or judged[0].date or judged[0].changed else []
    return (*lines, *(f"{_when(made.stage, confirmation)}: {made.words}." for made in judged), *_since(confirmation))


def _when(stage: int, confirmation: Confirmation) -> str:
    """Name a round."""
    return "Confirmation welds" if stage == confirmation.claim.stage else f"Checked again (plan-{stage}.csv)"


def _since(confirmation: Confirmation) -> tuple[str, ...]:
    """Say what welds made since the verdict leave of the claim."""
    if confirmation.held_now is None or confirmation.verdict in {None, "withdrawn"}:
        return ()
    sure = at_least(confirmation.held_now)
    if confirmation.stands:
        return (f"With the welds made since, it holds with {sure}.",)
    return (
        f"With the welds made since, it holds with only {sure}; {level(confirmation.claim.claim.confidence)} was "
        "claimed, so what is shown is what can be claimed now, and not this claim.",
    )


def _claim_lines(confirmation: Confirmation) -> tuple[str, ...]:
    """Say what is claimed."""
    return (
        f"To be confirmed: the {_name(confirmation)} {box_words(confirmation.study, confirmation.box)}.",
        frequency_sentence(_levels(confirmation), single=confirmation.box.n_settings == 1),
    )


def _name(confirmation: Confirmation) -> str:
    """Name what is claimed: what is too narrow is never called a window."""
    if confirmation.box.n_settings == 1:
        return "setting"
    return "few settings" if confirmation.claim.single_setting else "window"


def _holds(confirmation: Confirmation) -> str:
    """Name what is claimed, with the verb."""
    return f"{_name(confirmation)} {'hold' if _name(confirmation) == 'few settings' else 'holds'}"


def _levels(confirmation: Confirmation) -> Claim:
    claim = confirmation.claim.claim
    return Claim(claim.reliability, claim.confidence)


def rule_sentence(confirmation: Confirmation) -> str:
    """Say the rule."""
    rule = confirmation.rule
    must = "all must meet" if not rule.failures_allowed else f"at most {rule.failures_allowed} may fail to meet"
    whose = {
        "setting": "at this setting",
        "few settings": "at the weakest of these settings",
        "window": "at the window's weakest corners",
    }[_name(confirmation)]
    if rule.welds == 1:
        return f"Rule, fixed beforehand: 1 weld {whose}; it must meet every requirement."
    return f"Rule, fixed beforehand: {rule.welds} welds {whose}; {must} every requirement."


def _rule_lines(confirmation: Confirmation) -> tuple[str, ...]:
    """Say the rule, and what keeping it can and cannot show."""
    rule, claim = confirmation.rule, confirmation.claim.claim
    shows, asked = rule.proves(claim.confidence), frequency(claim.reliability)
    needed = success_run(reliability=claim.reliability, confidence=claim.confidence)
    if shows >= claim.reliability:
        worth = f"Keeping it proves at least {asked} good welds by itself, at {level(claim.confidence)} confidence."
    else:
        worth = (
            f"Keeping it shows by itself no more than {at_least(shows)} good welds (at {level(claim.confidence)} "
            f"confidence); {asked} takes {needed} of {needed}. It catches gross errors: another cord, another hand, a "
            "wrong model. The readings are added to the fit, and the claim must still hold with them: welds that pass "
            "narrowly can withdraw it too."
        )
    noted = (
        ["Write down beside each weld what has changed: spool, outlet, cord, place."] if confirmation.is_recheck else []
    )
    return (
        rule_sentence(confirmation),
        worth,
        f"Where only 16 of 20 welds are truly good, such a rule finds it out in {at_least(chance_revealed(rule, 0.8))} "
        f"of cases; where 10 of 20 are, in {at_least(chance_revealed(rule, 0.5))}.",
        "A weld that fails is data, whatever the reason seems to be.",
        *noted,
    )


def _waiting(confirmation: Confirmation) -> tuple[str, ...]:
    """Say what is waited for, once some welds are filled in."""
    if not confirmation.outcomes:
        return ()
    judged = {o.weld for o in confirmation.outcomes if o.passed is not None}
    lines = [f"{len(judged)} of {confirmation.rule.welds} confirmation welds can be judged so far."]
    unread = [o for o in confirmation.outcomes if o.passed is None]
    lines += [
        f"{o.weld}: {' and '.join(o.unknown)} still to be measured (or measured over too little)." for o in unread
    ]
    return tuple(lines)


def _passes(confirmation: Confirmation) -> str:
    """Tell passes of welds."""
    n = sum(o.passed is not None for o in confirmation.outcomes)
    return f"{n - len(confirmation.failures)} of {n}"


def _confirmed(confirmation: Confirmation) -> tuple[str, ...]:
    claim, support = confirmation.claim.claim, confirmation.support
    lines = [
        f"Confirmed: {_passes(confirmation)} confirmation welds met every requirement. That was the rule, fixed "
        f"beforehand, and by itself it proves at least {frequency(claim.reliability)} good welds, at "
        f"{level(claim.confidence)} confidence, over the settings that were welded.",
    ]
    if support.confidence is None or support.confidence < claim.confidence:
        lines.append(
            "The models are less sure than the welds: with everything fitted again they give it "
            f"{_sure(support.confidence)}. Look at the report before relying on what lies between the welds."
        )
    return tuple(lines)


def _not_contradicted(confirmation: Confirmation) -> tuple[str, ...]:
    claim = confirmation.claim.claim
    needed = success_run(reliability=claim.reliability, confidence=claim.confidence)
    return (
        f"Not contradicted: {_passes(confirmation)} confirmation welds met every requirement, and with them added the "
        f"same {_holds(confirmation)} with {_sure(confirmation.support.confidence)} (before: "
        f"{at_least(confirmation.support.before)}; asked: {level(claim.confidence)}).",
        f"That is not a proof: by themselves, only {needed} of {needed} would prove it.",
    )


def _withdrawn(confirmation: Confirmation) -> tuple[str, ...]:
    claim, support = confirmation.claim.claim, confirmation.support
    failures = "; ".join(f"{o.weld}: {' and '.join(o.failed)}" for o in confirmation.failures)
    if confirmation.is_broken:
        why = (
            f"Claim withdrawn: {_passes(confirmation)} confirmation welds met every requirement ({failures} failed), "
            f"and the rule fixed beforehand allowed {confirmation.rule.failures_allowed or 'no'} failure"
            f"{'s' if confirmation.rule.failures_allowed > 1 else ''}. A failure is data and is not explained away."
        )
    else:
        why = (
            f"Claim withdrawn: the rule was kept ({_passes(confirmation)}), but with these welds added the same "
            f"{_holds(confirmation)} with only {_sure(support.confidence)}; {level(claim.confidence)} is asked."
        )
    return (why, *_what_now(confirmation))


def _what_now(confirmation: Confirmation) -> tuple[str, ...]:
    """Say what can be claimed instead."""
    now = confirmation.window_now
    if now is None or now.answer.box is None:
        return ("With all welds together no window can be claimed now.",)
    return (
        f"From all {now.n_welds} welds together this can be claimed now: "
        f"{box_words(confirmation.study, now.answer.box)}. It is a new claim: “weldwindow confirm --anew” fixes it, "
        f"and keeps {NAME} of the old one beside.",
    )


def _sure(confidence: float | None) -> str:
    """Tell a confidence; a fit that did not settle gives none."""
    return "no confidence at all (a fit did not settle)" if confidence is None else at_least(confidence)
