from __future__ import annotations

import functools
import json
from pathlib import Path

import joblib
import pytest
from click.testing import CliRunner, Result

from cli.main import main
from doe.planning.sizes import how_many as sizes_compared
from doe.rehearsal import how_many

STUDY = """
[study]
title = "Two dials"

{job}

[[factor]]
name = "voltage"
unit = "V"
low = 17
high = 23
step = 1

[[factor]]
name = "feed"
unit = "m/min"
low = 5
high = 9
step = 1

[[response]]
name = "penetration"
kind = "measure"
unit = "mm"
at_least = 1.2{scatter}

[plan]
welds = 12
repeats = 1{stages}
"""


JOB = """
[job]
joint = "lap fillet"
weld_length = "150 mm"
travel_speed = "300 mm/min"
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    text = STUDY.format(job=JOB, scatter="\nexpect_scatter = 0.25", stages="\nstages = [12]")
    (tmp_path / "study.toml").write_text(text)
    return tmp_path


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    (tmp_path / "study.toml").write_text(STUDY.format(job="", scatter="", stages=""))
    return tmp_path


def run(*arguments: str | Path) -> Result:
    return CliRunner(env={"COLUMNS": "120"}).invoke(main, [str(a) for a in arguments], catch_exceptions=False)


def test_numbers_of_welds_are_compared_and_no_plan_is_written(folder: Path):
    result = run("plan", folder, "--how-many", "--no-simulate")
    assert result.exit_code == 0
    assert sorted(p.name for p in folder.iterdir()) == ["report", "study.toml"]
    assert (folder / "report" / "how-many.png").read_bytes().startswith(b"\x89PNG")
    drawing = (folder / "report" / "how-many.svg").read_text()
    assert drawing.startswith("<svg")
    rows = [line.split() for line in result.stdout.splitlines() if line[:1].isdigit()]
    assert [int(row[0]) for row in rows] == list(range(8, 31))
    assert sum("(knee)" in row for row in rows) == 1
    knee = next(row[0] for row in rows if "(knee)" in row)
    assert f"The knee is at {knee} welds" in result.stdout
    assert "penetration ± [mm]" in result.stdout
    assert "how-many.svg" in result.stderr


def test_the_comparison_as_json_rises_in_cost_and_falls_in_width_with_the_same_bytes(
    folder: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr("doe.planning.how_many", functools.partial(_compare, sizes=(8, 9, 12, 20)))
    first, second = (run("plan", folder, "--how-many", "--no-simulate", "--json") for _ in range(2))
    assert first.stdout == second.stdout
    answer = json.loads(first.stdout)
    assert answer["schema"] == 1
    assert "simulated" not in answer
    sizes = answer["sizes"]
    assert [row["welds"] for row in sizes] == [8, 9, 12, 20]
    assert sizes[-1]["half_widths"]["penetration"] < sizes[0]["half_widths"]["penetration"]
    assert sizes[-1]["power"] > sizes[0]["power"]
    assert [row["cost"]["plates"] for row in sizes] == [8, 9, 12, 20]


def test_the_chance_of_a_window_is_simulated_on_every_processor(folder: Path, monkeypatch: pytest.MonkeyPatch):
    real = how_many.simulate_sizes
    processes = []

    def few(study, *, jobs, seed, progress):
        processes.append(jobs)
        return real(study, (8, 20), n_studies=2, seed=seed, progress=progress)

    monkeypatch.setattr(how_many, "simulate_sizes", few)
    monkeypatch.setattr("doe.planning.how_many", functools.partial(_compare, sizes=(8, 10, 20)))
    result = run("plan", folder, "--how-many")
    assert result.exit_code == 0
    rows = {line.split()[0]: line.split() for line in result.stdout.splitlines() if line[:1].isdigit()}
    assert rows["20"][-1].endswith("%")
    assert rows["20"][-2].endswith("%")
    assert not rows["10"][-1].endswith("%")
    assert "on 2 simulated machines" in result.stdout
    answer = json.loads(run("plan", folder, "--how-many", "--simulate", "--jobs", "1", "--json").stdout)
    assert processes == [joblib.cpu_count(), 1]
    assert answer["not_simulated"] is None
    assert [row["welds"] for row in answer["simulated"]] == [8, 20]
    assert f"{answer['simulated'][1]['chance']:.0%}" == rows["20"][-2]


def test_where_it_cannot_be_simulated_the_comparison_stands_without_it(bare: Path, monkeypatch: pytest.MonkeyPatch):
    text = (bare / "study.toml").read_text()
    (bare / "study.toml").write_text(text.replace("at_least = 1.2", ""))
    monkeypatch.setattr("doe.planning.how_many", functools.partial(_compare, sizes=(8, 12)))
    result = run("plan", bare, "--how-many")
    assert result.exit_code == 0
    assert "The chance of a window was not simulated: no response has a requirement" in " ".join(result.stdout.split())
    assert [line.split()[0] for line in result.stdout.splitlines() if line[:1].isdigit()] == ["8", "12"]
    answer = json.loads(run("plan", bare, "--how-many", "--json").stdout)
    assert answer["simulated"] == []
    assert "no response has a requirement" in answer["not_simulated"]
    assert run("plan", bare, "--how-many", "--simulate").exit_code == 4


def _compare(study, *, seed, progress, sizes):
    return sizes_compared(study, sizes, seed=seed, progress=progress)


def test_sizes_that_cannot_be_planned_are_said_with_what_would_work(bare: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.setattr("doe.planning.how_many", functools.partial(_compare, sizes=(4, 5, 8, 9, 10, 13)))
    result = run("plan", bare, "--how-many", "--no-simulate")
    assert result.exit_code == 0
    assert "4 to 5 welds: The model has 6 terms and takes at least 6 welds" in result.stdout
    assert "± [scatter between welds]" in result.stdout
    rows = {line.split()[0]: line.split() for line in result.stdout.splitlines() if line[:1].isdigit()}
    assert set(rows) == {"8", "9", "10", "13", "4"}
    assert rows["9"].count("h") == 1  # without [job] only the time to cut, etch and measure is known
    assert rows["8"][1].endswith("%")  # with two welds to spare no width is compared
    drawing = (bare / "report" / "how-many.svg").read_text()
    assert drawing.startswith("<svg")


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--simulate"], "--simulate goes with --how-many"),
        (["--no-simulate"], "--no-simulate goes with --how-many"),
        (["--jobs", "2"], "--jobs goes with --how-many"),
        (["--how-many", "--no-simulate", "--jobs", "2"], "--jobs goes with --how-many where it simulates"),
        (["--how-many", "--design", "study.toml"], "--design and --how-many ask for different things"),
    ],
)
def test_options_that_contradict_one_another_are_wrong_usage(
    folder: Path, options: list[str], said: str, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.chdir(folder)
    result = run("plan", folder, *options)
    assert result.exit_code == 2
    assert said in result.stderr


def test_a_budget_sets_the_number_of_welds_and_leaves_the_study_alone(folder: Path):
    before = (folder / "study.toml").read_bytes()
    result = run("plan", folder, "--afford", "9 plates")
    assert result.exit_code == 0
    assert "9 plates: enough for 9 welds on 9 plates" in result.stdout
    assert "9 welds on 9 plates, for a second order model" in result.stdout
    assert (folder / "study.toml").read_bytes() == before
    assert sum(line.startswith("W") for line in (folder / "plan.csv").read_text().splitlines()) == 9
    answer = json.loads(run("plan", folder, "--afford", "9 plates", "--json").stdout)
    assert answer["afford"]["welds"] == len(answer["welds"]) == 9


def test_a_budget_that_is_too_small_is_refused_and_nothing_is_written(folder: Path):
    result = run("plan", folder, "--afford", "20 min")
    assert result.exit_code == 4
    assert "20 min is not enough: the model takes at least 6 welds on 6 plates" in result.stderr
    assert not (folder / "plan.csv").exists()
    assert run("plan", folder, "--afford", "a lot").exit_code == 3


def test_the_edges_are_written_once_and_come_back_as_a_limit(folder: Path):
    result = run("plan", folder, "--edges")
    assert result.exit_code == 0
    assert "never replaced by a larger one" in result.stdout
    path = folder / "edges.csv"
    assert not (folder / "plan.csv").exists()
    blank = path.read_text()
    again = run("plan", folder, "--edges")
    assert again.exit_code == 4
    assert path.read_text() == blank
    filled = [
        line.removesuffix(",,") + (",no," if line.startswith("E1") else ",yes,") for line in blank.splitlines()[2:]
    ]
    path.write_text("\n".join([*blank.splitlines()[:2], *filled]))
    before = path.read_bytes()
    result = run("plan", folder, "--edges")
    assert result.exit_code == 0
    assert '[[limit]]\nrule = "' in result.stdout
    assert path.read_bytes() == before
    answer = json.loads(run("plan", folder, "--edges", "--json").stdout)
    assert answer["limits"][0]["why"] == "stubbing"
    assert answer["limits"][0]["rule"] in result.stdout
    replaced = json.loads(run("plan", folder, "--edges", "--replace", "--json").stdout)
    assert (folder / "edges.1.csv").read_bytes() == before
    assert replaced["beads"][0]["settings"] == {"voltage": 17.0, "feed": 9.0}


PREHEAT = '[[factor]]\nname = "preheat"\nunit = "degC"\nlevels = {levels}\nhard_to_change = true\n'


@pytest.mark.parametrize(
    ("code", "levels", "plan", "said"),
    [
        (4, "[20, 70, 120]", "welds = 9", "takes at least 10 welds, but only 9 are planned: plan 10 or more"),
        (3, "[20, 70, 120]", 'welds = 12\n[[limit]]\nrule = "feed <= 4"', "the limits leave no setting"),
        (4, "[20, 70, 120]", "welds = 18\nwelds_per_plate = 6", "take at least 4 plates"),
        (4, "[20, 120]", "welds = 12", "preheat^2 takes 3: give it a third value, or ask for model = “first order"),
        (4, "[20, 70, 120]", 'welds = 12\n[[limit]]\nrule = "voltage <= 18"', "loosen a limit, give the factors more"),
        (4, "[20, 70, 120]", "welds = 18\nstages = [3, 15]", "give it 5 or more"),
    ],
)
def test_what_no_plan_can_meet_is_refused_in_one_sentence_with_what_would_work(
    tmp_path: Path, code: int, levels: str, plan: str, said: str
):
    text = STUDY.format(job="", scatter="", stages="").split("[plan]")[0]
    stages = "" if "stages" in plan else f"\n[plan]\nstages = [{plan.split()[2]}]\n"
    text += PREHEAT.format(levels=levels) + (stages or "\n[plan]\n") + plan + "\n"
    (tmp_path / "study.toml").write_text(text)
    result = CliRunner().invoke(main, ["plan", str(tmp_path)])
    assert result.exit_code == code
    assert said in result.stderr
    assert not (tmp_path / "plan.csv").exists()
