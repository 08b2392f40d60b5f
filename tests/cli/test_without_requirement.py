"""A study that asks nothing of its welds: everything is fitted and reported, and no window is asked for."""

from __future__ import annotations

import json
import re
from pathlib import Path

import html5lib
import pytest

REQUIREMENTS = ("at_least = 1.2\n", "at_most = 2\n", 'hold = "30 s"\n')


@pytest.fixture
def unasked(welded: Path) -> Path:
    study = welded / "study.toml"
    text = study.read_text()
    for line in REQUIREMENTS:
        assert line in text
        text = text.replace(line, "")
    study.write_text(text)
    return welded


def test_window_exits_with_4_and_says_that_nothing_was_asked(unasked: Path, weldwindow):
    shown = weldwindow("window", unasked, "--json")
    assert shown.exit_code == 4
    answer = json.loads(shown.stdout)
    assert (answer["found"], answer["if_not"]["reason"]) == (False, "no requirement")
    assert "under penetration at_least or at_most, a number in mm" in answer["findings"][1]
    plain = weldwindow("window", unasked).stdout
    assert plain.startswith("No requirement is set on any response")


def test_the_report_is_written_with_every_response(unasked: Path, weldwindow):
    shown = weldwindow("report", unasked, "--json")
    assert shown.exit_code == 0
    assert json.loads(shown.stdout)["window"]["found"] is False
    tree = html5lib.parse((unasked / "report" / "report.html").read_text(), namespaceHTMLElements=False)
    text = " ".join(" ".join(tree.itertext()).split())
    assert "No requirement is set on any response" in text
    found = re.findall(r"(penetration|porosity|trip): .{0,60}(?:on average|chance of no trip)", text)
    assert {"penetration", "porosity"} <= set(found)
    assert re.search(r"trip: chance of no trip within \d+ s", text)
    assert "trip: no time to hold was asked; taken is" in text
    for response in ("penetration", "porosity", "trip"):
        assert f"{response}: the model" in text
    assert "expected to be good" not in text
    assert "of 24 good" not in text
    assert "No setting can be claimed" not in text
    assert len(tree.findall(".//img")) >= 9  # three curves a response, and the residuals
    assert (unasked / "report" / "setting-card.pdf").exists()


def test_go_reports_once_and_then_says_what_is_missing(unasked: Path, weldwindow):
    assert "Due now: report" in weldwindow("go", unasked).stderr
    assert "no response has a requirement" in weldwindow("go", unasked).stderr


@pytest.mark.parametrize("command", ["next", "confirm"])
def test_what_needs_a_requirement_is_refused_with_its_reason(unasked: Path, weldwindow, command: str):
    refused = weldwindow(command, unasked)
    assert refused.exit_code == 4
    assert "no response has a requirement" in refused.stderr


def test_a_comparison_needs_none_but_a_ladder_of_thicknesses_does(unasked: Path, tmp_path: Path, weldwindow, weld):
    asked = tmp_path / "other-wire"
    asked.mkdir()
    weld(asked, seed=1)
    study = asked / "study.toml"
    for line in REQUIREMENTS:
        study.write_text(study.read_text().replace(line, ""))
    shown = weldwindow("compare", unasked, asked)
    assert shown.exit_code == 0
    assert shown.stdout.startswith("No requirement is set on any response, so there is no window to ask for")
    assert shown.stdout.count("  penetration: ") == 3  # in the middle and at both ends
    assert re.search(r"chance that the supply holds for \d+ s \(trip\)", shown.stdout)
    answer = json.loads(weldwindow("compare", unasked, asked, "--json").stdout)
    assert (answer["verdict"], answer["one_card"]["if_not"]) == ("no requirement", {"reason": "no requirement"})
    assert {row["response"] for row in answer["differences"][0]["responses"]} == {"penetration", "porosity", "trip"}
    study.write_text(study.read_text().replace("10 mm", "16 mm"))
    refused = weldwindow("compare", unasked, asked, "--thickness")
    assert refused.exit_code == 4
    assert "how thick it can go is asked of what a good weld must meet" in refused.stderr


def test_trips_are_compared_at_one_arc_time_or_not_at_all(unasked: Path, tmp_path: Path, weldwindow, weld):
    other = tmp_path / "shorter"
    other.mkdir()
    weld(other, seed=1)
    study, table = other / "study.toml", other / "results.csv"
    for line in REQUIREMENTS:
        study.write_text(study.read_text().replace(line, ""))
    table.write_text(table.read_text().replace(",60,", ",45,"))
    shown = weldwindow("compare", unasked, other).stdout
    assert "trip is not compared: no time to hold is asked, and the middle one of the arc times is 60 s on" in shown
    assert "chance that the supply holds" not in shown


def test_a_requirement_added_later_is_answered_from_the_same_welds(unasked: Path, weldwindow):
    study = unasked / "study.toml"
    study.write_text(study.read_text().replace("full = 10.0\n", "full = 10.0\nat_least = 1.2\n"))
    answer = json.loads(weldwindow("report", unasked, "--json").stdout)
    assert answer["window"]["if_not"] is None or answer["window"]["if_not"]["reason"] != "no requirement"
