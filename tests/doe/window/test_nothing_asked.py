"""Studies that ask nothing of their welds, or of nothing that was measured: answered in words."""

from __future__ import annotations

import pytest

from doe.errors import CannotAnswerError
from doe.study.model import Response
from doe.window import find_window
from doe.window.posing import open_inquiry
from doe.window.words import window_sentences

PENETRATION = Response("penetration", "measure", "mm", at_least=1.0)


def test_without_any_requirement_it_says_that_nothing_was_asked_and_how_to_ask(bench):
    study = bench.study(responses=(Response("width", "measure", "mm"),))
    window = find_window(bench.fit(study, {"width": bench.hill(study)}))
    assert (window.found, window.has_question, window.maps) == (False, False, ())
    told = window.to_dict()
    assert told["if_not"]["reason"] == "no requirement"
    assert told["if_not"]["more_welds"] == 0  # no weld could answer what was not asked
    lines = window_sentences(window, window.answer)
    assert lines[0].startswith("No requirement is set on any response")
    assert "under width at_least or at_most, a number in mm" in lines[1]
    assert not any("claim" in line for line in window.assumptions)


def test_without_any_requirement_nothing_can_be_confirmed_or_planned_further(bench):
    study = bench.study(responses=(Response("width", "measure", "mm"),))
    fit = bench.fit(study, {"width": bench.hill(study)})
    with pytest.raises(CannotAnswerError, match="no response has a requirement"):
        open_inquiry(fit, seed=1)


def test_requirements_of_which_none_was_measured_leave_everything_open(bench):
    study = bench.study(responses=(PENETRATION, Response("width", "measure", "mm")))
    window = find_window(bench.fit(study, {"width": bench.hill(study)}))
    assert window.answer.nearest.reason == "cannot say yet"
    assert window.has_question
    assert "No response with a requirement was measured" in " ".join(window_sentences(window, window.answer))
