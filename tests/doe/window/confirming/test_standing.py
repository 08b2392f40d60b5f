"""Confirmation: a verdict is fixed; later welds change what can be claimed anew, and not the verdict."""

from __future__ import annotations

from dataclasses import replace

import pytest

from doe.errors import CannotAnswerError, StudyError, WouldOverwriteError
from doe.study.model import Claim
from doe.window import (
    claimed_window,
    confirm_window,
    find_window,
    standing_confirmation,
    window_with_claim,
    write_confirmation,
)
from doe.window.claim_file import NAME, read_claim
from doe.window.confirm_words import confirmation_sentences
from doe.window.confirmation import Confirmation


def test_the_report_is_told_where_the_claim_stands(fit):
    assert standing_confirmation(fit, seed=0) is None
    write_confirmation(confirm_window(fit, seed=0))
    standing = standing_confirmation(fit, seed=0)
    assert isinstance(standing, Confirmation)
    assert standing.to_dict() == confirm_window(fit, seed=0).to_dict()


def test_a_window_is_shown_with_its_claim_where_the_confirmation_is_at_hand(fit, rounds):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    after = rounds.filled_in(fit, fixed)
    found = find_window(after, seed=0)
    shown, confirmation = claimed_window(after, found, seed=0)
    assert confirmation is not None
    alike = window_with_claim(after, found, confirmation, seed=0)
    assert alike.to_dict() == shown.to_dict()
    assert alike.standing == shown.standing
    assert found.standing is None


def test_a_claim_withdrawn_for_fallen_confidence_stays_withdrawn_when_welds_are_added(fit, rounds):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    withdrawn = rounds.filled_in(fit, fixed, rounds.shallow(4, 1.21))
    first = confirm_window(withdrawn, seed=0)
    assert first.verdict == "withdrawn"
    later = rounds.more_welds(withdrawn, rounds.good_readings(8))
    again = confirm_window(later, seed=0)
    assert again.verdict == "withdrawn"
    assert again.support.confidence == pytest.approx(first.support.confidence, abs=1e-12)
    assert again.held_now != again.support.confidence  # what all welds say is told beside, and is no verdict
    assert not again.stands


def test_passes_added_to_the_round_afterwards_do_not_turn_its_verdict(fit, rounds):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    withdrawn = rounds.filled_in(fit, fixed, rounds.shallow(4, 1.21))
    first = confirm_window(withdrawn, seed=0)
    again = confirm_window(rounds.more_welds(withdrawn, rounds.good_readings(8), role="confirm", stage=2), seed=0)
    assert len(again.outcomes) == 12
    assert again.verdict == "withdrawn"
    assert again.support.confidence == pytest.approx(first.support.confidence, abs=1e-12)


def test_a_failure_added_to_the_round_afterwards_counts(fit, rounds):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    after = rounds.filled_in(fit, fixed)
    assert confirm_window(after, seed=0).verdict == "not contradicted"
    failed = rounds.more_welds(after, rounds.shallow(1, 0.4), role="confirm", stage=2, n=1)
    assert confirm_window(failed, seed=0).verdict == "withdrawn"


def test_welds_made_since_a_verdict_do_not_move_it_but_a_claim_that_no_longer_holds_is_not_shown(fit, rounds):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    later = rounds.more_welds(rounds.filled_in(fit, fixed), rounds.shallow(8, 0.9))
    judged = confirm_window(later, seed=0)
    assert judged.verdict == "not contradicted"
    assert judged.now < 0.9
    assert not judged.stands
    window, _ = claimed_window(later, find_window(later, seed=0), seed=0)
    assert not window.standing.shows_claim
    assert window.standing.stamp == "NOT CONFIRMED"
    assert "it holds with only" in " ".join(window.standing.lines)


# --- draws that did not settle


class Shaken:
    """A model that was fitted, and whose draws never settle again."""

    def __init__(self, model):
        self.model = model

    def draw(self, n_draws, rng):
        return replace(self.model.draw(n_draws, rng), settled=False)


def shaken(fit):
    first = fit.responses[0]
    return replace(fit, responses=(replace(first, model=Shaken(first.model)), *fit.responses[1:]))


def test_draws_that_did_not_settle_leave_nothing_of_the_claim(fit, rounds):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    after = rounds.filled_in(fit, fixed)
    assert confirm_window(after, seed=0).verdict == "not contradicted"
    judged = confirm_window(shaken(after), seed=0)
    assert judged.support.confidence is None
    assert judged.verdict == "withdrawn"
    assert not judged.window_now.found
    assert "a fit did not settle" in " ".join(confirmation_sentences(judged))


def test_a_claim_that_waits_is_not_shown_where_draws_did_not_settle(fit):
    found = find_window(fit, seed=0)
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    assert window_with_claim(fit, found, fixed, seed=0).standing.shows_claim
    standing = window_with_claim(shaken(fit), found, fixed, seed=0).standing
    assert not standing.shows_claim
    assert standing.stamp == "NOT CONFIRMED"
    assert "did not settle when it was worked out anew; no claim." in " ".join(standing.lines)


def test_a_later_round_does_not_lend_its_confidence_from_the_one_before(fit, rounds):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    after = rounds.filled_in(fit, fixed)
    write_confirmation(confirm_window(after, seed=0, recheck=True, welds=2))
    waiting = confirm_window(after, seed=0)  # nothing of this round was welded: the last one's confidence stands
    assert waiting.now >= 0.9
    assert waiting.stands
    one = rounds.more_welds(after, rounds.good_readings(1), role="confirm", stage=3, n=1)
    steady = confirm_window(one, seed=0)
    assert steady.verdict is None
    assert steady.stands
    stirred = confirm_window(shaken(one), seed=0)
    assert stirred.now is None
    assert not stirred.stands


# --- a new claim in the place of an old one


def test_a_withdrawn_claim_makes_way_and_is_kept_beside(fit, rounds):
    folder = fit.results.study.folder
    with pytest.raises(CannotAnswerError, match="no old claim"):
        confirm_window(fit, seed=0, anew=True)
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    with pytest.raises(WouldOverwriteError, match="judge its confirmation welds first"):
        confirm_window(fit, seed=0, anew=True)
    good = rounds.filled_in(fit, fixed)
    with pytest.raises(WouldOverwriteError, match="not withdrawn, so no other takes its place"):
        confirm_window(good, seed=0, anew=True)
    old = (folder / NAME).read_bytes()
    bad = rounds.good_readings(4)
    bad["trip"].tripped[0], bad["trip"].time_s[0] = 1.0, 29.0
    withdrawn = rounds.filled_in(fit, fixed, bad)
    assert confirm_window(withdrawn, seed=0).window_now.found  # 29 of 30 s: hardly a worse machine
    anew = confirm_window(withdrawn, seed=0, anew=True)
    assert anew.plan.stage == 3
    assert (folder / NAME).read_bytes() == old  # nothing is written yet
    write_confirmation(anew)
    assert (folder / "claim.1.json").read_bytes() == old
    assert read_claim(folder) == anew.claim
    assert confirm_window(withdrawn, seed=0).verdict is None


def test_a_claim_for_another_question_makes_way_when_asked(fit):
    write_confirmation(confirm_window(fit, seed=0))
    study = replace(fit.results.study, claim=Claim(0.8, 0.9))
    results = replace(fit.results, study=study, file=("results-2.csv",) * fit.results.n_welds)
    anew = confirm_window(replace(fit, results=results), seed=0, anew=True)
    assert anew.claim.claim.reliability == 0.8


def test_a_check_of_an_old_claim_allows_no_failure(fit):
    with pytest.raises(StudyError, match="allows no failure"):
        confirm_window(fit, seed=0, recheck=True, failures_allowed=1)


# --- what the report shows


def test_without_a_claim_the_window_is_shown_as_it_was_found(fit):
    window = find_window(fit, seed=0)
    shown, confirmation = claimed_window(fit, window, seed=0)
    assert confirmation is None
    assert shown is window


def test_the_claimed_window_is_shown_with_its_stamp_welds_and_date(fit, rounds):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    waiting, _ = claimed_window(fit, find_window(fit, seed=0), seed=0)
    assert waiting.standing.stamp == "NOT CONFIRMED"
    assert "Not yet confirmed: 0 of 4" in waiting.standing.lines[0]
    after = rounds.filled_in(fit, fixed)
    n = after.results.n_welds
    times = ("",) * (n - 4) + ("2031-05-03 09:10", "2031-05-04T10:30", "yesterday", "")
    spools = ("A3",) * (n - 4) + ("B7",) * 4
    after = replace(after, results=replace(after.results, remarks={"time": times, "spool": spools}))
    shown, confirmation = claimed_window(after, find_window(after, seed=0), seed=0)
    box = shown.answer.box
    assert (box.low, box.high) == (fixed.box.low, fixed.box.high)
    assert box.confidence == pytest.approx(confirmation.support.confidence, abs=0.02)
    assert shown.standing.stamp == "NOT CONTRADICTED"
    (made,) = shown.standing.judged
    assert (made.passed, made.judged, made.date) == (4, 4, "2031-05-04")
    assert made.changed == ("spool: B7 (before: A3)",)
    assert "2031-05-04" in " ".join(shown.standing.lines)
    assert box.contains(shown.answer.best.settings)


def test_a_withdrawn_claim_shows_what_can_be_claimed_now(fit, rounds):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    after = rounds.filled_in(fit, fixed, rounds.shallow(4, 0.4))
    window = find_window(after, seed=0)
    shown, _ = claimed_window(after, window, seed=0)
    assert shown.answer is window.answer
    assert shown.standing.verdict == "withdrawn"
    assert not shown.standing.shows_claim
    assert shown.standing.lines[0].startswith("Claim withdrawn: 0 of 4")


def test_a_check_under_way_leaves_the_verdict_so_far(fit, rounds):
    fixed = confirm_window(fit, seed=0)
    write_confirmation(fixed)
    after = rounds.filled_in(fit, fixed)
    write_confirmation(confirm_window(after, seed=0, recheck=True, welds=2))
    shown, _ = claimed_window(after, find_window(after, seed=0), seed=0)
    assert shown.standing.stamp == "NOT CONTRADICTED"
    assert "Not contradicted so far: 4 of 4" in shown.standing.lines[0]
    assert "Another check is under way" in " ".join(shown.standing.lines)


def test_a_check_of_a_confirmed_claim_looks_at_the_welds_alone_and_leaves_it_confirmed(fit, rounds):
    fixed = confirm_window(fit, seed=0, welds=22)
    write_confirmation(fixed)
    after = rounds.filled_in(fit, fixed)
    again = confirm_window(after, seed=0, recheck=True, welds=2)
    write_confirmation(again)
    close = rounds.filled_in(after, again, rounds.shallow(2, 1.21))
    judged = confirm_window(close, seed=0)
    assert judged.verdict == "not contradicted"
    assert judged.stands
    shown, _ = claimed_window(close, find_window(close, seed=0), seed=0)
    assert shown.standing.stamp == "CONFIRMED"
    assert [made.verdict for made in shown.standing.rounds] == ["confirmed", "not contradicted"]
    broken = confirm_window(rounds.filled_in(after, again, rounds.shallow(2, 0.4)), seed=0)
    assert broken.verdict == "withdrawn"
    assert not broken.stands


def test_a_claim_for_another_question_is_told_on_the_report_and_does_not_stop_it(fit):
    write_confirmation(confirm_window(fit, seed=0))
    study = replace(fit.results.study, claim=Claim(0.8, 0.9))
    other = replace(fit, results=replace(fit.results, study=study))
    window = find_window(other, seed=0)
    shown, confirmation = claimed_window(other, window, seed=0)
    assert confirmation is None
    assert shown.answer is window.answer
    assert shown.standing.stamp == "NOT CONFIRMED"
    words = " ".join(shown.standing.lines)
    assert "another question" in words
    assert "claim.reliability: claimed at 0.9, the study now asks for 0.8" in words
