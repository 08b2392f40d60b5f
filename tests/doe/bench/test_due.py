"""Which step is due, from the files alone."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from doe.bench.answer_file import made_from, read_answer, write_answer
from doe.bench.due import DueStep, due_step
from doe.bench.stage import write_stage
from doe.planning.plan import Plan
from doe.study.model import Study

CANNOT_SAY = {"found": False, "if_not": {"reason": "cannot say yet"}}
AGAINST = {"found": False, "if_not": {"reason": "data speak against"}}
UNASKED = {"found": False, "if_not": {"reason": "no requirement"}}
FOUND = {"found": True, "if_not": None}


@pytest.fixture
def folder(plan: Plan) -> Path:
    """A study whose first stage is filled in."""
    study: Study = plan.study
    (study.folder / "study.toml").write_text("[study]")
    (results,) = [path for path in write_stage(plan) if path.name == "results.csv"]
    fill(results)
    return study.folder


def fill(path: Path) -> None:
    path.write_text(path.read_text().replace("W01,", "W01 ,"))


def report(folder: Path, window: dict[str, object], confirmation: dict[str, object] | None = None) -> None:
    write_answer(folder, files=made_from(folder), window=window, confirmation=confirmation)


def test_a_filled_in_table_is_reported_once(folder: Path):
    assert due_step(folder).command == "report"
    report(folder, CANNOT_SAY)
    assert due_step(folder).command == "next"


@pytest.mark.parametrize("name", ["results.csv", "study.toml"])
def test_what_changed_since_the_report_is_reported_anew(folder: Path, name: str):
    report(folder, FOUND)
    (folder / name).write_text((folder / name).read_text() + "\n#\n")
    assert due_step(folder).command == "report"


def test_a_torn_answer_is_made_anew(folder: Path):
    report(folder, FOUND)
    path = folder / "report" / "answer.json"
    path.write_text(path.read_text()[:40])
    assert read_answer(folder) is None
    assert due_step(folder).command == "report"
    path.write_text(json.dumps({"made_from": made_from(folder)}))
    assert read_answer(folder) is None


def test_the_welds_of_a_later_stage_are_waited_for_by_name(folder: Path):
    report(folder, CANNOT_SAY)
    (folder / "plan-2.csv").write_text((folder / "plan.csv").read_text())
    blank = (folder / "plan.csv").read_text()  # sealed and untouched, as a blank table is
    (folder / "results-2.csv").write_text(blank)
    step = due_step(folder)
    assert step.command == ""
    assert "fill in results-2.csv" in step.reason
    fill(folder / "results-2.csv")
    assert due_step(folder).command == "report"


def test_tables_kept_aside_are_not_among_them(folder: Path):
    report(folder, CANNOT_SAY)
    (folder / "results.1.csv").write_text("old")
    assert due_step(folder).command == "next"


def test_a_window_is_confirmed(folder: Path):
    report(folder, FOUND)
    assert due_step(folder) == DueStep("confirm", due_step(folder).reason, anew=False)
    (folder / "claim.json").write_text("{}")  # fixed since, and its plan is not there
    assert due_step(folder).command == "confirm"


def test_more_welds_are_not_planned_where_the_data_speak_against(folder: Path):
    report(folder, AGAINST)
    step = due_step(folder)
    assert step.command == ""
    assert "mostly be wasted" in step.reason
    assert "weldwindow next" in step.reason


@pytest.mark.parametrize(
    ("window", "verdict", "stands", "command", "words"),
    [
        (FOUND, None, False, "", "some confirmation welds are waited for"),
        (FOUND, "confirmed", True, "", "nothing is due: the claim stands"),
        (CANNOT_SAY, "not contradicted", True, "", "--recheck"),
        (FOUND, "withdrawn", False, "confirm", "no longer stands"),
        (FOUND, "not contradicted", False, "confirm", "no longer stands"),
        (FOUND, "for another question", False, "confirm", "no longer stands"),
        (CANNOT_SAY, "withdrawn", False, "next", "nothing that can be claimed"),
    ],
)
def test_a_claim_leads_on_by_its_verdict(folder: Path, window, verdict, stands, command, words):
    (folder / "claim.json").write_text("{}")
    report(folder, window, {"verdict": verdict, "stands": stands})
    step = due_step(folder)
    assert step.command == command
    assert words in step.reason
    assert step.anew == (command == "confirm")


def test_results_after_a_claim_bring_its_verdict(folder: Path):
    report(folder, FOUND)
    (folder / "claim.json").write_text("{}")
    (folder / "results-2.csv").write_text("weld\nW25\n")
    step = due_step(folder)
    assert step.command == "report"
    assert "the verdict on the claim" in step.reason


def test_where_nothing_was_asked_nothing_is_due(folder: Path):
    report(folder, UNASKED)
    step = due_step(folder)
    assert step.command == ""
    assert "no response has a requirement" in step.reason
