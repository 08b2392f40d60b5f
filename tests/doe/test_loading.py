"""A file is read whole, or not at all."""

from __future__ import annotations

import io
import os
from pathlib import Path

import pytest

from doe.bench import read_results
from doe.errors import INVALID_INPUT, ResultsError, StudyError
from doe.loading import ChangedWhileReadError, read_whole
from doe.planning.reading import read_plan
from doe.study import read_study
from doe.study.model import Study


class Slow(io.BufferedReader):
    """A file to which another program writes while it is read."""

    def read(self, size: int | None = -1, /) -> bytes:
        data = super().read(size)
        with open(str(self.name), "ab") as other:  # noqa: PTH123 - Path.open is what is replaced
            other.write(b"\nW99")
        return data


@pytest.fixture
def disturbed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Path, "open", lambda path, mode="r": Slow(io.FileIO(os.fspath(path))))


def test_a_file_is_read_to_its_end_and_one_byte_over_the_most(tmp_path: Path):
    (tmp_path / "a.csv").write_bytes(b"12345")
    assert read_whole(tmp_path / "a.csv", at_most=5) == b"12345"
    assert read_whole(tmp_path / "a.csv", at_most=3) == b"1234"


def test_a_file_written_to_meanwhile_is_refused(tmp_path: Path, request: pytest.FixtureRequest):
    (tmp_path / "a.csv").write_bytes(b"12345")
    request.getfixturevalue("disturbed")
    with pytest.raises(ChangedWhileReadError, match="wrote to it while it was read"):
        read_whole(tmp_path / "a.csv", at_most=5)


@pytest.mark.parametrize("name", ["study.toml", "plan.csv", "results.csv"])
def test_each_reader_says_that_its_file_was_changed_while_it_was_read(
    name: str, hinge: Study, request: pytest.FixtureRequest
):
    (hinge.folder / name).write_bytes(b"weld,order\nW01,1\n")
    request.getfixturevalue("disturbed")
    readers = {
        "study.toml": lambda: read_study(hinge.folder),
        "plan.csv": lambda: read_plan(hinge.folder, hinge),
        "results.csv": lambda: read_results(hinge.folder, hinge),
    }
    with pytest.raises((StudyError, ResultsError)) as caught:
        readers[name]()
    assert caught.value.exit_code == INVALID_INPUT
    assert any("another program wrote to it while it was read" in fault.message for fault in caught.value.faults)


def test_a_pipe_can_be_read(tmp_path: Path):
    reading, writing = os.pipe()
    os.write(writing, b"abc")
    os.close(writing)
    try:
        assert read_whole(Path(f"/dev/fd/{reading}"), at_most=10) == b"abc"
    finally:
        os.close(reading)
