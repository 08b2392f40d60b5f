"""One command at a time in a study's folder."""

from __future__ import annotations

import errno
import fcntl
import subprocess
import sys
from pathlib import Path

import pytest

from doe.errors import CANNOT_WRITE, CannotWriteError
from doe.locking import held

HOLDER = """
import sys
from pathlib import Path
from doe.locking import held
with held(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.readline()
"""


@pytest.fixture
def holder(tmp_path: Path):
    """Another process that holds the folder until it is told to end."""
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        yield process
        process.kill()


def test_a_folder_that_is_held_is_refused_after_a_wait_that_is_told(tmp_path: Path, holder: subprocess.Popen[str]):
    told: list[bool] = []
    with (
        pytest.raises(
            CannotWriteError, match=r"Another weldwindow command is at work in .* nothing was changed"
        ) as caught,
        held(tmp_path, patience_s=0.3, waiting=lambda: told.append(True)),
    ):
        pytest.fail("it was held twice")
    assert caught.value.exit_code == CANNOT_WRITE
    assert told == [True]


def test_a_command_that_waits_goes_on_when_the_other_ends(tmp_path: Path, holder: subprocess.Popen[str]):
    def end_the_other() -> None:
        assert holder.stdin is not None
        holder.stdin.write("\n")
        holder.stdin.flush()

    with held(tmp_path, patience_s=60.0, waiting=end_the_other):
        holder.wait()
    assert holder.returncode == 0


def test_the_lock_of_a_killed_command_ends_with_it_and_leaves_nothing(tmp_path: Path, holder: subprocess.Popen[str]):
    holder.kill()
    holder.wait()
    with held(tmp_path, patience_s=0.0):
        assert list(tmp_path.iterdir()) == []


def test_a_folder_can_be_held_again_and_one_that_is_not_there_is_not_held(tmp_path: Path):
    for _ in range(2):
        with held(tmp_path, patience_s=0.0):
            pass
    with held(tmp_path / "none"), held(tmp_path / "none"):
        assert not (tmp_path / "none").exists()


def test_a_disk_that_knows_no_locks_is_used_without(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    def refuse(number: int, how: int) -> None:
        raise OSError(errno.ENOLCK, "no locks")

    monkeypatch.setattr(fcntl, "flock", refuse)
    with held(tmp_path), held(tmp_path):
        pass


def test_any_other_refusal_of_the_system_is_not_hidden(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    def refuse(number: int, how: int) -> None:
        raise OSError(errno.EIO, "broken disk")

    monkeypatch.setattr(fcntl, "flock", refuse)
    with pytest.raises(OSError, match="broken disk"), held(tmp_path):
        pass
