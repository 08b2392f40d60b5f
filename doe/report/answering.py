"""The answer on page one and on the card, in the sentences of ``doe.window.words``."""

from __future__ import annotations

import math
from importlib.metadata import version

import numpy as np

from doe.bench.results import Results
from doe.models.textbook.tolerance import success_run
from doe.planning.telling import tells_more
from doe.report.formatting import asked_of
from doe.study.model import Study
from doe.window.cool_down import cool_down_sentence, is_same_box
from doe.window.standing import Standing
from doe.window.window import Answer, Window
from doe.window.words import (
    POSITIONS,
    at_least,
    best_sentence,
    box_words,
    claim_sentence,
    claimed_name,
    frequency,
    frequency_sentence,
    left_out_sentences,
    level,
    limit_sentences,
    none_sentences,
    not_tested_sentence,
    window_sentences,
)

RESTS_ON = "This rests on what was assumed and not measured:"
"""Leads the assumptions in the terminal."""
NOT_CONFIRMED = "NOT CONFIRMED"
"""Stands on every answer until confirmation welds were made."""
WITHDRAWN = "CLAIM WITHDRAWN"
"""Stands where confirmation welds failed and nothing can be claimed now."""


def heading(window: Window) -> str:
    """Give the answer's heading: a window, a single setting, or none."""
    if not window.has_question:
        return "No requirement was set"
    if not window.found:
        return "No setting can be claimed yet"
    return claimed_name(window.answer)


def sentence(window: Window) -> str:
    """Say what the claim means to a welder."""
    return frequency_sentence(window.claim, single=window.answer.is_one_setting)


def terminal_lines(window: Window) -> tuple[str, ...]:
    """Give every sentence of the answer, as the terminal prints them; for first or later welds alone what differs.

    What was found of the whole, and what it rests on, stand once below them all.
    """
    first, *others = window.answers
    lines = window_sentences(window, first)
    for other in others:
        has_more = other.box is not None and not is_same_box(first.box, other.box)
        lines += window_sentences(window, other) if has_more else [_position_line(window, other)]
    return (*lines, *(found for found in window.findings if found not in lines), *_resting_lines(window))


def _resting_lines(window: Window) -> tuple[str, ...]:
    """List what an answer rests on; nothing where no setting could be judged, so that nothing was claimed of any."""
    judged = any(a.found or (a.nearest is not None and a.nearest.settings is not None) for a in window.answers)
    return (RESTS_ON, *(f"- {line}" for line in window.assumptions)) if judged and window.assumptions else ()


def report_lines(window: Window) -> tuple[str, ...]:
    """Give the sentences of page one: the plain frequency first, then what every requirement is."""
    answer = window.answer
    if answer.best is None:
        first, *rest = none_sentences(window, answer)
    else:
        first, rest = sentence(window), [best_sentence(window.study, answer.best), *answer.findings]
    alone = [line for other in window.answers[1:] for line in _position_lines(window, other)]
    return (first, *requirement_lines(window), *rest, *alone)


def requirement_lines(window: Window) -> tuple[str, ...]:
    """Say what a good weld is: every requirement that was judged; none where nothing was asked."""
    asked = [r for r in window.study.responses if r.has_requirement and r.name not in window.left_out]
    if not asked:
        return ()
    return (f"A good weld here: {'; '.join(asked_of(response, window.study) for response in asked)}.",)


def _position_line(window: Window, answer: Answer) -> str:
    """Say what holds for the first or for later welds alone."""
    whom = POSITIONS[answer.position]
    alone = f"{whom[0].upper()}{whom[1:]}, taken alone"
    if answer.box is None:
        return f"{alone}: nothing can be claimed."
    if is_same_box(window.answer.box, answer.box):
        return f"{alone}: the same settings."
    return f"{alone}: {box_words(window.study, answer.box)}."


def _position_lines(window: Window, answer: Answer) -> list[str]:
    """Say what holds for the first or for later welds alone, and how the first welds' answer serves every weld."""
    rule = cool_down_sentence(window) if answer.position == 1 else ""
    return [_position_line(window, answer), *([rule] if rule else [])]


def side_lines(window: Window) -> tuple[str, ...]:
    """Say what limits each side of the window."""
    return tuple(limit_sentences(window.study, window.answer))


def not_tested_lines(window: Window, results: Results) -> tuple[str, ...]:
    """Say what the answer says nothing about."""
    lines = [not_tested_sentence(), *conditions_tested(results), *left_out_sentences(window)]
    scrapped = [weld for weld, status in zip(results.weld, results.status, strict=True) if status == "scrapped"]
    if scrapped:
        lines.append(f"Scrapped and not counted: {', '.join(scrapped)}.")
    return tuple(lines)


def conditions_tested(results: Results) -> tuple[str, ...]:
    """Name the outlets, cords and places of the test, as far as they were written down."""
    lines = []
    for heading in ("outlet", "cord", "place", "spool"):
        known = sorted({text for text in results.remarks.get(heading, ()) if text})
        if known:
            lines.append(f"{heading} tested: {', '.join(known)}")
    return tuple(lines)


def stamp(window: Window) -> str:
    """Give the stamp of page and card: confirmed or not, with welds and date; empty where nothing ever was claimed."""
    standing = window.standing
    if not window.found:
        return WITHDRAWN if standing is not None and standing.verdict == "withdrawn" else ""
    if standing is None or not standing.judged or not standing.shows_claim:
        return NOT_CONFIRMED
    made = standing.judged[0]
    return ", ".join(part for part in (standing.stamp, f"{made.passed} of {made.judged} welds", made.date) if part)


def recheck_lines(window: Window) -> tuple[str, ...]:
    """Say for the card when its claim was checked again."""
    if window.standing is None or not window.standing.shows_claim:
        return ()
    return tuple(f"Checked again: {made.words}." for made in window.standing.judged[1:])


def standing_lines(window: Window) -> tuple[str, ...]:
    """Say where the claim stands, once one was fixed."""
    return () if window.standing is None else window.standing.lines


def next_lines(window: Window, results: Results) -> tuple[str, ...]:
    """Say what to do next: first of all with a card whose claim is withdrawn."""
    standing = window.standing
    withdrawn = standing is not None and standing.verdict == "withdrawn"
    off = ("Take the card of the withdrawn claim off the machine.",) if withdrawn else ()
    kinds = [factor.name for factor in window.study.factors if factor.is_kind]
    beside = (f"What {' and '.join(kinds)} changes, side by side: weldwindow compare.",) if kinds else ()
    return (*off, *_next_step(window, results), *beside)


def _next_step(window: Window, results: Results) -> tuple[str, ...]:
    """Say what is due; where nothing can be claimed, also what would tell more beside the next welds."""
    standing = window.standing
    if standing is not None and standing.shows_claim and window.found:
        return _next_of_a_claim(standing)
    if window.found:
        fix = "weldwindow confirm --anew" if standing is not None else "weldwindow confirm"
        return (
            "Before you rely on it, weld again at the weakest corners of the window, and measure those welds too: "
            f"{fix} fixes which, and the rule, beforehand. A failure there is data, not bad luck.",
            f"Few passes do not prove a claim by themselves: for {frequency(window.claim.reliability)} at "
            f"{level(window.claim.confidence)} confidence it takes {_needed(window)} of {_needed(window)}.",
        )
    nearest = window.answer.nearest
    if not window.has_question:
        return ()  # the answer says it already
    if nearest is None or nearest.settings is None:
        return window.findings
    more = f"{nearest.more_welds} weld{'' if nearest.more_welds == 1 else 's'}"
    if nearest.reason == "data speak against":
        return (
            "More welds in this region would mostly be wasted. Ask for something else in study.toml: another region, "
            f"another requirement, or a claim that asks for less. To weld on all the same, {more} "
            "around the best candidate: weldwindow next plans them.",
        )
    return (
        f"Make {more.replace('weld', 'more weld')} around the best candidate, fill them in, and ask again: weldwindow "
        "next plans them.",
        *(f"Without a coupon more to cut, this tells more: {line}" for line in _tells_more(window.study, results)),
    )


def _tells_more(study: Study, results: Results) -> tuple[str, ...]:
    """Say what the next welds could be read for that these were not."""
    read = [name for name, values in results.conditions.items() if np.isfinite(values).any()]
    return tells_more(study, read=read, is_before=False)


def _next_of_a_claim(standing: Standing) -> tuple[str, ...]:
    """Say what to do next where the claimed window is shown."""
    if any(made.verdict is None for made in standing.rounds):
        return (
            "Make the confirmation welds, fill them in, and ask for the verdict: weldwindow confirm. Their number, "
            "settings and rule were fixed beforehand.",
        )
    return (
        "The card holds as long as nothing changes. After a new spool, on another outlet, outdoors or in another "
        "season check it again with 2 to 4 welds: weldwindow confirm --recheck plans them.",
    )


def _needed(window: Window) -> int:
    """Give the welds that would all have to pass to prove the claim by themselves."""
    return success_run(reliability=window.claim.reliability, confidence=window.claim.confidence)


def working_lines(window: Window) -> tuple[str, ...]:
    """Say where most settings are good, not all; it comes second and is no claim about every setting."""
    working = window.answer.working
    if working is None:
        return ()
    bad = max(math.ceil(working.expected_bad_share * 100 - 1e-9), 1)
    return (
        f"A larger region, {box_words(window.study, working.box)}, where most settings are good, not all: about "
        f"{bad} % of its settings fall short of {frequency(window.claim.reliability)}, none is expected below "
        f"{level(working.floor)}.",
        "Good for finding your way; the claim above does not hold for it.",
    )


def claim_heading(window: Window) -> str:
    """Head what the answer rests on."""
    if not window.has_question:
        return "What these numbers rest on"
    return "The claim, word for word, and what it rests on"


def claim_lines(window: Window) -> tuple[str, ...]:
    """Give the claim word for word, and how it was found; nothing where none was asked for."""
    if not window.has_question:
        return ()
    lines = []
    for answer in window.answers:
        if answer.box is None:
            continue
        lines += [
            claim_sentence(window, answer),
            f"Searched at a confidence of {level(round(answer.searched_at, 3))}; on fresh draws from the posterior "
            f"this box holds with {at_least(answer.box.confidence, asked=answer.searched_at)}. It has "
            f"{at_least(answer.box.share)} of the settings that can be dialled in"
            + (", and no larger box holds." if answer.box.proven_largest else "; it is not proven to be the largest."),
            *answer.prior_lines,
        ]
    return (*lines, *window.findings)


def said(window: Window) -> dict[str, str]:
    """Give the answer in a few words, as it is kept beside the report."""
    box = window.answer.box
    return {
        "heading": heading(window),
        "setting": "" if box is None else box_words(window.study, box),
        "standing": stamp(window),
        "study": window.study.fingerprint,
        "version": version("weldwindow"),
    }
