from __future__ import annotations

import json
import subprocess

import pytest
from click.testing import CliRunner

from cli.main import main


def run(*arguments: str):
    return CliRunner().invoke(main, arguments, catch_exceptions=False)


def test_a_word_of_two_needs_no_quotes():
    assert run("explain", "prediction", "band").stdout.startswith("prediction band: Where your next single weld")


def test_words_are_listed_and_given_as_json():
    assert "assurance" in run("explain").stdout
    assert json.loads(run("explain", "seed", "--json").stdout)["see"] == ["fingerprint"]
    assert "window" in json.loads(run("explain", "--json").stdout)["words"]


def test_an_unknown_word_leaves_with_its_exit_code():
    result = run("explain", "zzz")
    assert result.exit_code == 3
    assert "does not have “zzz”" in result.stderr


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_a_shell_gets_its_script(shell):
    result = run("completion", shell)
    assert result.exit_code == 0
    assert "_WELDWINDOW_COMPLETE" in result.stdout


def test_the_script_for_bash_is_good_bash():
    script = run("completion", "bash").stdout
    assert subprocess.run(["bash", "-n"], input=script, text=True, check=False).returncode == 0
