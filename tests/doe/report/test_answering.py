"""The answer as the terminal and page one tell it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from doe.report.answering import RESTS_ON, report_lines, terminal_lines
from doe.window.window import Answer, Nearest


def above_what_it_rests_on(said: tuple[str, ...]) -> tuple[str, ...]:
    return said[: said.index(RESTS_ON)]


def test_the_same_settings_for_first_and_later_welds_are_told_once(answered):
    window = answered.window
    same = tuple(replace(window.answer, position=position) for position in ("any", 1, 2))
    window = replace(window, findings=())
    said = terminal_lines(replace(window, answers=same))
    assert above_what_it_rests_on(said)[-2:] == (
        "First welds of a plate, taken alone: the same settings.",
        "Later welds, on a warm plate, taken alone: the same settings.",
    )
    assert len(said) == len(terminal_lines(window)) + 2


def test_another_window_of_first_or_later_welds_is_told_in_full(answered):
    window, box = replace(answered.window, findings=()), answered.window.answer.box
    narrow = replace(box, high=(box.low[0], *box.high[1:]))
    answers = (
        window.answer,
        replace(window.answer, position=1, box=narrow),
        replace(window.answer, position=2, box=None),
    )
    said = above_what_it_rests_on(terminal_lines(replace(window, answers=answers)))
    assert any(line.startswith("Setting window for first welds of a plate:") for line in said)
    assert said[-1] == "Later welds, on a warm plate, taken alone: nothing can be claimed."
    on_page_one = report_lines(replace(window, answers=answers))
    (at,) = [i for i, line in enumerate(on_page_one) if line.startswith("First welds of a plate, taken alone: voltage")]
    rule = "Wait before each later weld until the plate is back at the preheat setting: the first-weld window"
    assert on_page_one[at + 1].startswith(rule)
    assert any(line.startswith(rule) for line in said)


def test_what_the_claim_rests_on_is_told_once_and_last(answered):
    window = answered.window
    said = terminal_lines(window)
    at = said.index(RESTS_ON)
    assert said[at + 1 :] == tuple(f"- {line}" for line in window.assumptions)
    assert any("answered from experience" in line for line in said[at:])
    assert any("back at the preheat setting" in line for line in said[at:])
    several = tuple(replace(window.answer, position=position) for position in ("any", 1, 2))
    assert terminal_lines(replace(window, answers=several)).count(RESTS_ON) == 1


def test_no_claim_rests_on_the_same_and_what_judged_nothing_rests_on_nothing(answered, answered_none):
    assert RESTS_ON in terminal_lines(answered_none.window)
    blocked = Answer("any", nearest=Nearest(None, None, None, None, "porosity", "cannot say yet", 6))
    assert RESTS_ON not in terminal_lines(replace(answered.window, answers=(blocked,)))


def test_a_doubt_about_what_was_said_beforehand_is_told_with_the_claim(answered):
    doubt = "The counts of porosity contradict the answers from experience."
    said = terminal_lines(replace(answered.window, findings=(doubt,)))
    assert said.index(doubt) < said.index(RESTS_ON)


@pytest.mark.parametrize("position", ["any", 1])
def test_a_finding_is_not_told_twice(answered, position):
    blocked = Answer(position, nearest=Nearest(None, None, None, None, "porosity", "cannot say yet", 6))
    said = terminal_lines(replace(answered.window, answers=(blocked,), findings=("It did not settle.",)))
    assert said.count("It did not settle.") == 1
