from __future__ import annotations

import json
from pathlib import Path


def test_two_studies_are_compared(welded: Path, tmp_path: Path, weldwindow, weld):
    other = tmp_path / "other-wire"
    other.mkdir()
    weld(other, seed=1)
    result = weldwindow("compare", welded, other)
    assert result.exit_code == 0
    assert "card" in result.stdout.splitlines()[0] or "setting" in result.stdout.splitlines()[0]
    assert "penetration:" in result.stdout
    assert f"next: weldwindow report {welded}" in result.stderr
    answer = json.loads(weldwindow("compare", welded, other, "--json").stdout)
    assert answer["schema"] == 1
    assert [side["side"] for side in answer["sides"]] == ["hinge", "other-wire"]
    rows = answer["differences"][0]["responses"]
    assert {row["response"] for row in rows} == {"penetration", "porosity", "trip"}
    assert all(row["low"] <= row["difference"] <= row["high"] for row in rows)
    assert answer["one_card"]["found"] is (answer["verdict"] == "one card serves both")


def test_differences_are_told_at_the_settings_that_are_named(welded: Path, tmp_path: Path, weldwindow, weld):
    other = tmp_path / "other-wire"
    other.mkdir()
    weld(other, seed=1)
    named = ("--at", "voltage=3, feed=7, preheat=70", "--at", "voltage=4, feed=8 m/min, preheat=70")
    answer = json.loads(weldwindow("compare", welded, other, *named, "--json").stdout)
    assert [place["why"] for place in answer["differences"]] == ["as asked", "as asked"]
    assert [place["settings"]["feed"] for place in answer["differences"]] == [7.0, 8.0]
    assert [place["marks"]["voltage"] for place in answer["differences"]] == ["3", "4"]
    refused = weldwindow("compare", welded, other, "--at", "voltage=3, fed=7", "--json")
    assert refused.exit_code == 3
    assert json.loads(refused.stdout)["error"]["faults"][0]["key"] == "--at"
    beyond = weldwindow("compare", welded, other, "--at", "voltage=3, feed=70, preheat=70")
    assert beyond.exit_code == 4
    assert "cannot be set" in beyond.stderr
    assert weldwindow("compare", welded, other, "--thickness", *named).exit_code == 2


def test_kinds_inside_one_study_are_compared(tmp_path: Path, weldwindow, weld):
    weld(tmp_path, seed=2, kinds=True)
    answer = json.loads(weldwindow("compare", tmp_path, "--by", "wire", "--json").stdout)
    assert answer["by"] == "wire"
    assert [side["side"] for side in answer["sides"]] == ["A", "B"]
    assert [side["welds"] for side in answer["sides"]] == [12, 12]
    assert weldwindow("compare", tmp_path).stdout == weldwindow("compare", tmp_path, "--by", "wire").stdout


def test_without_kinds_a_second_folder_is_asked_for(welded: Path, weldwindow):
    refused = weldwindow("compare", welded)
    assert refused.exit_code == 4
    assert "name a second study’s folder" in refused.stderr


def test_two_folders_and_kinds_at_once_are_wrong_usage(welded: Path, weldwindow):
    assert weldwindow("compare", welded, welded, "--by", "wire").exit_code == 2


def test_other_factors_are_refused_with_every_difference(welded: Path, tmp_path: Path, weldwindow, weld):
    other = tmp_path / "other"
    other.mkdir()
    weld(other, seed=2, kinds=True)
    refused = weldwindow("compare", welded, other, "--json")
    assert refused.exit_code == 3
    faults = json.loads(refused.stdout)["error"]["faults"]
    assert [fault["key"] for fault in faults] == ["factor “wire”"]


def test_a_ladder_of_thicknesses_is_climbed(welded: Path, tmp_path: Path, weldwindow, weld):
    thick = tmp_path / "thick"
    thick.mkdir()
    weld(thick, seed=1, welder="no window")
    study = thick / "study.toml"
    study.write_text(study.read_text().replace('thickness = "10 mm"', 'thickness = "16 mm"'))
    result = weldwindow("compare", thick, welded, "--thickness")
    assert result.exit_code == 0
    assert result.stdout.startswith("How thick: as far as 10 mm.")
    assert "It ends between 10 mm and 16 mm" in result.stdout
    answer = json.loads(weldwindow("compare", thick, welded, "--thickness", "--json").stdout)
    assert (answer["reached_mm"], answer["stopped_at_mm"]) == (10.0, 16.0)
    assert weldwindow("compare", welded, welded, "--thickness").exit_code == 3
    assert weldwindow("compare", welded, thick, welded).exit_code == 2
