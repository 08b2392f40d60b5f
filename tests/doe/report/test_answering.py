"""The answer as the terminal and page one tell it."""

from __future__ import annotations

from dataclasses import replace

from doe.report.answering import report_lines, terminal_lines


def test_the_same_settings_for_first_and_later_welds_are_told_once(answered):
    window = answered.window
    same = tuple(replace(window.answer, position=position) for position in ("any", 1, 2))
    said = terminal_lines(replace(window, answers=same))
    assert said[-2:] == (
        "First welds of a plate, taken alone: the same settings.",
        "Later welds, on a warm plate, taken alone: the same settings.",
    )
    assert len(said) == len(terminal_lines(window)) + 2


def test_another_window_of_first_or_later_welds_is_told_in_full(answered):
    window, box = answered.window, answered.window.answer.box
    narrow = replace(box, high=(box.low[0], *box.high[1:]))
    answers = (
        window.answer,
        replace(window.answer, position=1, box=narrow),
        replace(window.answer, position=2, box=None),
    )
    said = terminal_lines(replace(window, answers=answers))
    assert any(line.startswith("Setting window for first welds of a plate:") for line in said)
    assert said[-1] == "Later welds, on a warm plate, taken alone: nothing can be claimed."
    on_page_one = report_lines(replace(window, answers=answers))
    assert any(line.startswith("First welds of a plate, taken alone: voltage") for line in on_page_one)
