from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest


@pytest.fixture(scope="module")
def planned(welded_once, weldwindow, tmp_path_factory):
    """The next welds, asked for once: the simulation takes its time."""
    folder = tmp_path_factory.mktemp("next") / "hinge"
    shutil.copytree(welded_once, folder)
    return folder, weldwindow("next", folder, "--welds", "3", "--json", "--seed", "2")


def test_the_next_welds_are_answered_as_the_interface_says(planned):
    _, result = planned
    assert result.exit_code == 0
    answer = json.loads(result.stdout)
    assert answer["schema"] == 1
    assert answer["seed"] == 2
    assert len(answer["welds"]) == 3
    keys = {"weld", "plate", "position", "order", "settings", "marks", "block", "role", "reason"}
    assert all(set(weld) == keys for weld in answer["welds"])
    assert {weld["role"] for weld in answer["welds"]} == {"next"}
    assert [weld["weld"] for weld in answer["welds"]] == ["W25", "W26", "W27"]
    for outlook in (answer["expected"]["now"], answer["expected"]["then"]):
        assert set(outlook) == {"found", "share"}
        assert 0.0 <= outlook["found"] <= 1.0
        assert 0.0 <= outlook["share"] <= outlook["found"]


def test_what_was_written_and_the_next_command_are_named(planned):
    folder, result = planned
    for name in ("plan-2.csv", "results-2.csv", "report/run-sheet-2.pdf"):
        assert (folder / name).stat().st_size > 0
        assert f"wrote {folder / name}" in result.stderr
    assert result.stderr.rstrip().endswith(f"then weldwindow go {folder}")
    rows = [line for line in (folder / "plan-2.csv").read_text().splitlines() if not line.startswith("#")]
    assert rows[0].startswith("weld,plate,position,order,")
    assert all(row.endswith(",next") for row in rows[1:])


def test_another_stage_waits_for_the_results_of_this_one(planned, weldwindow):
    folder, _ = planned
    before = {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}
    refused = weldwindow("next", folder, "--json")
    assert refused.exit_code == 4
    assert "plan-2.csv are waited for" in json.loads(refused.stdout)["error"]["message"]
    assert {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()} == before


@pytest.mark.parametrize("welds", ["0", "9"])
def test_one_to_eight_welds_can_be_asked_for(welded: Path, weldwindow, welds):
    assert weldwindow("next", welded, "--welds", welds).exit_code == 2


@pytest.mark.slow
def test_the_same_folder_and_seed_give_the_same_bytes_and_words_say_why(planned, welded_once, weldwindow, tmp_path):
    folder = tmp_path / "hinge"
    shutil.copytree(welded_once, folder)
    again = weldwindow("next", folder, "--welds", "3", "--json", "--seed", "2")
    assert again.stdout == planned[1].stdout
    assert (folder / "plan-2.csv").read_bytes() == (planned[0] / "plan-2.csv").read_bytes()
    shutil.rmtree(folder)
    shutil.copytree(welded_once, folder)
    words = weldwindow("next", folder, "--welds", "3", "--seed", "2").stdout
    assert "W25 on P13:" in words
    assert "What to expect of the next 3 welds" in words
