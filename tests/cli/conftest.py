"""Folders in which welds were made, for the commands that go on from there."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from cli.main import main
from doe.bench.stage import stage_path, write_stage
from doe.planning.plan import Plan, PlannedWeld
from doe.planning.reading import read_plan
from doe.saving import write_text
from doe.shipped import shipped
from doe.study import read_study
from doe.virtual import WELDERS, filled_table, weld_plan


def fill_in(folder: Path, stage: int, *, seed: int, welder: str = "no pores") -> None:
    """Have a virtual welder make a stage's welds and fill in its table."""
    study = read_study(folder)
    plan = read_plan(stage_path(folder, "plan", stage), study)
    results = weld_plan(plan, WELDERS[welder], rng=np.random.default_rng(seed))
    write_text(stage_path(folder, "results", stage), filled_table(plan, results))


def weld_first_stage(folder: Path, *, seed: int, welder: str = "no pores", kinds: bool = False) -> None:
    """Write a study with 24 welds made: three levels of each dial, shuffled, preheat by plate."""
    text = shipped("hinge-lugs/study.toml").read_text(encoding="utf-8")
    if kinds:
        text = text.replace("[[response]]", '[[factor]]\nname = "wire"\nkinds = ["A", "B"]\n\n[[response]]', 1)
    write_text(folder / "study.toml", text)
    study = read_study(folder)
    ends = [f.positions[[0, len(f.positions) // 2, -1]] for f in study.factors[:3]]
    dials = [(float(v), float(f)) for v in ends[0] for f in ends[1]] * 3
    np.random.default_rng(seed).shuffle(dials)
    welds = tuple(
        PlannedWeld(
            f"W{i + 1:02d}",
            f"P{i // 2 + 1:02d}",
            i % 2 + 1,
            i + 1,
            (*dials[i], float(ends[2][i // 2 % 3]), *([float(i % 2)] if kinds else [])),
        )
        for i in range(24)
    )
    write_stage(Plan(study, welds, seed, fingerprint=study.fingerprint))
    fill_in(folder, 1, seed=seed, welder=welder)


@pytest.fixture(scope="session")
def fill() -> Callable[..., None]:
    """Fill in a stage's table."""
    return fill_in


@pytest.fixture(scope="session")
def weld() -> Callable[..., None]:
    """Make the first stage of a study in a folder."""
    return weld_first_stage


@pytest.fixture(scope="session")
def weldwindow() -> Callable[..., Result]:
    """Run a command."""

    def run(*arguments: str | Path) -> Result:
        return CliRunner().invoke(main, [str(a) for a in arguments], catch_exceptions=False)

    return run


@pytest.fixture(scope="session")
def welded_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a welded first stage, made once; copy it."""
    folder = tmp_path_factory.mktemp("welded")
    weld_first_stage(folder, seed=2)
    return folder


@pytest.fixture
def welded(welded_once: Path, tmp_path: Path) -> Path:
    """A folder with a welded first stage."""
    folder = tmp_path / "hinge"
    shutil.copytree(welded_once, folder)
    return folder
