"""The window as the report shows it once a claim was fixed: the claimed box, and where its claim stands.

Until the claim is withdrawn the claimed box is shown, also where more could be claimed from all welds now: that would
be a new claim, not confirmed by welds that were made for the old one.
"""

from __future__ import annotations

from dataclasses import replace

from doe.errors import WouldOverwriteError
from doe.models.fit import Fit
from doe.window.best import best_setting
from doe.window.claim import is_single_setting, limiting_faces
from doe.window.confirm import standing_confirmation
from doe.window.confirm_words import standing_sentences
from doe.window.confirmation import Confirmation
from doe.window.finding import JUDGING_STAGE
from doe.window.posing import UnsettledError, blocked_fits, open_inquiry, required_fits
from doe.window.prior_shift import shift_sentences, shifted_claims
from doe.window.search import check
from doe.window.standing import Standing, standing_verdict
from doe.window.window import Answer, SettingBox, Window
from doe.window.words import at_least, box_words, level


def claimed_window(fit: Fit, window: Window, *, seed: int = 1) -> tuple[Window, Confirmation | None]:
    """Give the window to show, with where its claim stands; and the confirmation, None where no claim was fixed.

    Parameters
    ----------
    fit : Fit
    window : Window
        Found from the same fit: what can be claimed now.
    seed : int

    A claim for another question than the study now asks is not judged: the window is shown as it was found, and what
    differs is told.
    """
    try:
        confirmation = standing_confirmation(fit, seed=seed)
    except WouldOverwriteError as error:
        told = (error.message, *(str(fault) for fault in error.faults))
        return replace(window, standing=Standing(None, (), told, shows_claim=False)), None
    if confirmation is None:
        return window, None
    return window_with_claim(fit, window, confirmation, seed=seed), confirmation


def window_with_claim(fit: Fit, window: Window, confirmation: Confirmation, *, seed: int = 1) -> Window:
    """Give the window to show where a claim was fixed: the claimed box while its claim can be shown.

    Parameters
    ----------
    fit : Fit
    window : Window
        Found from the same fit: what can be claimed now.
    confirmation : Confirmation
        Of the study's claim.
    seed : int

    Returns
    -------
    Window
        With its ``standing``.
    """
    verdict = standing_verdict(confirmation.rounds)
    shows_claim = (verdict is None or confirmation.stands) and not blocked_fits(required_fits(fit))
    lines, shown = [*standing_sentences(confirmation)], window
    if shows_claim:
        try:
            answer = _answer_for(fit, confirmation, seed=seed)
        except UnsettledError as error:
            shows_claim = False
            lines.append(error.message)
        else:
            shown = replace(window, answers=(answer, *window.answers[1:]))
            lines += _beside(window, answer)
    return replace(shown, standing=Standing(verdict, confirmation.rounds, tuple(lines), shows_claim))


def _answer_for(fit: Fit, confirmation: Confirmation, *, seed: int) -> Answer:
    """Answer for the claimed box with everything that was fitted."""
    inquiry = open_inquiry(fit, seed=seed)
    checked = check(inquiry, confirmation.box, stage=JUDGING_STAGE)
    others = tuple(f for f in fit.responses if not f.response.has_requirement)
    shifted = shifted_claims(inquiry, checked, confirmation.claim.claim.confidence)
    return Answer(
        confirmation.claim.position,
        box=checked.box,
        searched_at=confirmation.claim.claim.confidence,
        single_setting=is_single_setting(fit.results.study, checked.box),
        limited_by=limiting_faces(inquiry, checked, confirmation.claim.claim.confidence),
        best=best_setting(inquiry, checked, others),
        findings=confirmation.findings,
        shifted=shifted,
        prior_lines=shift_sentences(fit.results.study, checked.box, shifted),
        stage=JUDGING_STAGE,
    )


def _beside(window: Window, answer: Answer) -> list[str]:
    """Say what could be claimed from all welds now, where that is another box."""
    now, box = window.answer.box, answer.box
    if box is None or (now is not None and _is_same(now, box)):
        return []
    if now is None:
        asked = level(window.claim.confidence)
        return [
            f"Searched for anew, none would be found from all {window.n_welds} welds: a new search asks for more than "
            f"{asked} where a box is small or the supply limits. This one was fixed beforehand, and holds with "
            f"{at_least(box.confidence)}."
        ]
    return [
        f"From all {window.n_welds} welds together {box_words(window.study, now)} could be claimed now; that would be "
        "a new claim, and these welds did not confirm it."
    ]


def _is_same(one: SettingBox, other: SettingBox) -> bool:
    """Whether two boxes have the same ends."""
    return one.contains(other.low) and one.contains(other.high) and other.contains(one.low) and other.contains(one.high)
