from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from cli.main import COMMANDS, main

HEAVY = {"pandas", "scipy", "statsmodels", "sklearn", "matplotlib", "numpy", "pydantic", "fpdf", "jinja2", "openpyxl"}


STUDY = """[study]
title = "Lugs"
[[factor]]
name = "feed"
levels = [5.0, 6.0, 7.0]
[[response]]
name = "depth"
kind = "measure"
unit = "mm"
at_least = 1.2
expect_scatter = 0.2
[plan]
welds = 6
"""


def test_help_loads_nothing_heavy():
    code = (
        "import sys\n"
        "from cli.main import main\n"
        "try:\n    main(['--help'])\nexcept SystemExit:\n    pass\n"
        "print('LOADED', *sorted(m.partition('.')[0] for m in sys.modules), file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stderr.split("LOADED")[1].split())
    assert not loaded & HEAVY
    assert "weldwindow new hinge" in done.stdout


def test_checking_a_plain_table_loads_nothing_that_only_fits_need(tmp_path: Path):
    (tmp_path / "study.toml").write_text(STUDY, encoding="utf-8")
    rows = [f"W{i},{5 + i % 3},{2.0 + 0.1 * i:.1f}" for i in range(1, 7)]
    (tmp_path / "results.csv").write_text("\n".join(["weld,feed,depth [mm]", *rows, ""]), encoding="utf-8")
    code = (
        "import sys\n"
        "from cli.main import main\n"
        f"try:\n    main(['check', {str(tmp_path)!r}])\nexcept SystemExit:\n    pass\n"
        "print('LOADED', *sorted(m.partition('.')[0] for m in sys.modules), file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stderr.split("LOADED")[1].split())
    assert "welds read, no fault" in done.stdout
    assert not loaded & (HEAVY - {"numpy", "pydantic"})


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_with_an_example(name: str):
    result = CliRunner().invoke(main, [name, "--help"])
    assert result.exit_code == 0
    assert f"weldwindow {name}" in result.stdout
    assert "Examples" in result.stdout


@pytest.mark.parametrize("name", COMMANDS)
def test_a_command_is_loaded_by_its_name(name: str):
    result = CliRunner().invoke(main, [name, "-h"])
    assert result.exit_code == 0


@pytest.mark.parametrize("name", [name for name in COMMANDS if name != "completion"])
def test_every_command_that_answers_takes_json_and_a_seed(name: str):
    text = CliRunner().invoke(main, [name, "--help"]).stdout
    assert "--json" in text
    assert "--seed" in text


def test_a_bare_call_shows_help_and_is_wrong_usage():
    result = CliRunner().invoke(main, [])
    assert result.exit_code == 2
    assert "Commands, in the order of the work" in result.output


def test_an_unknown_command_is_wrong_usage():
    result = CliRunner().invoke(main, ["weave"])
    assert result.exit_code == 2


def test_the_version_is_told():
    result = CliRunner().invoke(main, ["--version"])
    assert result.exit_code == 0
    assert "weldwindow" in result.stdout
