"""The command that kills commands, on the quick ones, and two commands at once."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from doe.planning.reading import read_plan
from doe.study import read_study

KILLS = Path(__file__).with_name("kills.py")

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="kills by signal")

SMALL = """
[study]
title = "Lugs"
[[factor]]
name = "voltage"
unit = "V"
low = 17.0
high = 22.0
[[response]]
name = "penetration"
kind = "measure"
unit = "mm"
[plan]
welds = 6
repeats = 0
model = "first order"
"""


def kill(*arguments: str) -> str:
    done = subprocess.run([sys.executable, str(KILLS), *arguments], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


def test_taking_an_export_survives_a_kill_at_every_step():
    assert "nothing lost" in kill("take", "--random", "1")


@pytest.mark.slow
def test_every_command_survives_a_kill_at_every_step():
    assert "nothing lost" in kill("--random", "3")


def test_two_plans_at_once_leave_the_files_of_one_of_them(tmp_path: Path):
    (tmp_path / "study.toml").write_text(SMALL)
    command = [sys.executable, "-m", "cli.main", "plan", str(tmp_path), "--seed"]
    both = [subprocess.Popen([*command, seed], stderr=subprocess.PIPE, stdout=subprocess.PIPE) for seed in ("3", "4")]
    said = [process.communicate()[1].decode() for process in both]
    codes = [process.returncode for process in both]
    assert set(codes) <= {0, 6}, said
    assert 0 in codes, said
    seed = read_plan(tmp_path, read_study(tmp_path)).seed
    assert seed in (3, 4)
    for name in ("plan.csv", "results.csv"):
        assert f"# seed {seed}\n" in (tmp_path / name).read_text()
    assert f"# seed {seed}" in (tmp_path / "report" / "bench.html").read_text()
