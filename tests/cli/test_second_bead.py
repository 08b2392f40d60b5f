"""A study with second beads, from the key in study.toml to the report."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from cli.main import main
from cli.steps import weld_demo
from doe.planning import read_plan
from doe.shipped import shipped
from doe.study import read_study

STUDY = shipped("hinge-lugs/study.toml").read_text(encoding="utf-8")


@pytest.fixture
def lugs(tmp_path: Path) -> Path:
    text = STUDY.replace("[plan]\nwelds = 24", "[plan]\nsecond_bead = true\nwelds = 18")
    assert "second_bead" in text
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    return tmp_path


def run(*words: str) -> str:
    result = CliRunner().invoke(main, list(words))
    assert result.exit_code == 0, result.stderr
    return result.stdout


def test_a_study_with_second_beads_is_planned_welded_and_reported(lugs: Path):
    planned = json.loads(run("plan", str(lugs), "--json"))
    roles = [weld["role"] for weld in planned["welds"]]
    assert (len(roles), roles.count("second")) == (36, 18)
    assert planned["cost"]["second_beads"]["beads"] == 18
    assert planned["cost"]["bench_time"] == {"value": 270, "unit": "min"}
    assert planned["quality"]["residual_df"] == 8
    assert not any("econd bead" in line for line in planned["tells_more"])
    assert len(planned["feasibility"]) == 36
    study = read_study(lugs)
    weld_demo(read_plan(lugs, study), seed=1)
    checked = json.loads(run("check", str(lugs), "--json"))
    assert (checked["welds"], checked["faults"], checked["questions"]) == (36, [], [])
    assert not checked.get("rescue")
    fitted = json.loads(run("fit", str(lugs), "--json"))["responses"]
    assert {name: part["n"] for name, part in fitted.items()} == {"penetration": 18, "porosity": 36, "trip": 18}
    reported = json.loads(run("report", str(lugs), "--json"))
    assert reported["window"]["found"]
    page = (lugs / "report" / "report.html").read_text(encoding="utf-8")
    assert "W18b" in page
    assert "of 36 good" not in page


def test_the_same_study_and_seed_give_the_same_bytes(lugs: Path):
    run("plan", str(lugs))
    first = {path.name: path.read_bytes() for path in sorted(lugs.rglob("*")) if path.is_file()}
    run("plan", str(lugs))
    assert first == {path.name: path.read_bytes() for path in sorted(lugs.rglob("*")) if path.is_file()}


def test_second_beads_of_nothing_counted_are_refused_in_one_sentence(tmp_path: Path):
    text = STUDY.replace("[plan]", "[plan]\nsecond_bead = true").replace("at_most = 2\n", "")
    (tmp_path / "study.toml").write_text(text, encoding="utf-8")
    result = CliRunner().invoke(main, ["plan", str(tmp_path)])
    assert result.exit_code == 3
    assert "plan.second_bead" in result.stderr
    assert "no response of kind “count” has a requirement here" in " ".join(result.stderr.split())


def test_plan_tells_of_second_beads_where_they_are_not_asked_for(lugs: Path):
    (lugs / "study.toml").write_text(STUDY, encoding="utf-8")
    assert "second_bead = true under [plan]" in " ".join(run("plan", str(lugs)).split())
