"""The command that feeds broken files to every reader, a few of them a reader."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest

FUZZ = Path(__file__).with_name("fuzz.py")


def fuzz(folder: Path, *arguments: str) -> str:
    command = [sys.executable, str(FUZZ), "--findings", str(folder), "--patience", "120", *arguments]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.skipif(sys.platform == "win32", reason="stops long inputs by a signal")
def test_no_reader_is_broken_by_a_broken_file(tmp_path: Path):
    said = fuzz(tmp_path, "--runs", "25", "--seed", "3")
    assert "no finding" in said
    assert len(re.findall(r"(?m)^\| [\w ]+ \| 25 \|", said)) == 12


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="stops long inputs by a signal")
def test_no_reader_is_broken_by_many_broken_files(tmp_path: Path):
    assert "no finding" in fuzz(tmp_path, "--runs", "300", "--seed", "4")
