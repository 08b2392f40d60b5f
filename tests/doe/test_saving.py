"""Writing whole or not at all, and never over what must stay."""

from __future__ import annotations

import errno
import os
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from doe.errors import CANNOT_WRITE, CannotWriteError
from doe.saving import all_or_nothing, keep_aside, keep_copy, make_folder, write_bytes, write_text


def only_files(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_a_text_is_written_as_utf8_with_its_line_ends_kept(tmp_path: Path) -> None:
    write_text(tmp_path / "plan.csv", "20 °C\r\nx\n")
    assert (tmp_path / "plan.csv").read_bytes() == b"20 \xc2\xb0C\r\nx\n"
    assert only_files(tmp_path) == {"plan.csv"}


def test_an_old_file_is_replaced_and_keeps_its_permissions(tmp_path: Path) -> None:
    path = tmp_path / "plan.csv"
    path.write_text("old")
    path.chmod(0o640)
    write_bytes(path, b"new")
    assert path.read_bytes() == b"new"
    assert stat.S_IMODE(path.stat().st_mode) == 0o640


def test_a_new_file_gets_the_permissions_any_new_file_gets(tmp_path: Path) -> None:
    (tmp_path / "plain").write_text("")
    write_text(tmp_path / "ours", "")
    assert (tmp_path / "ours").stat().st_mode == (tmp_path / "plain").stat().st_mode


def test_the_bytes_are_on_the_disk_before_the_name_changes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    steps: list[str] = []
    fsync, replace = os.fsync, Path.replace

    def noted_fsync(number: int) -> None:
        steps.append("folder flushed" if stat.S_ISDIR(os.fstat(number).st_mode) else "file flushed")
        fsync(number)

    def noted_replace(self: Path, target: Path) -> Path:
        steps.append("renamed")
        assert self.parent == target.parent
        assert self.read_bytes() == b"new"
        return replace(self, target)

    monkeypatch.setattr(os, "fsync", noted_fsync)
    monkeypatch.setattr(Path, "replace", noted_replace)
    write_bytes(tmp_path / "plan.csv", b"new")
    assert steps == ["file flushed", "renamed", "folder flushed"]


@pytest.mark.parametrize(
    ("number", "sentence"),
    [
        (errno.ENOSPC, "the disk is full"),
        (errno.EROFS, "the disk is read-only"),
        (errno.EACCES, "writing is not permitted there, or another program holds the file open"),
        (errno.EIO, os.strerror(errno.EIO)),
    ],
)
def test_a_failed_write_leaves_the_old_file_and_nothing_else(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, sentence: str
) -> None:
    path = tmp_path / "results.csv"
    path.write_text("what a person filled in")

    def refuse(_: int) -> None:
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(CannotWriteError, match=rf"results.csv cannot be written in .*: {sentence}") as caught:
        write_text(path, "new")
    assert caught.value.exit_code == CANNOT_WRITE
    assert path.read_text() == "what a person filled in"
    assert only_files(tmp_path) == {"results.csv"}


def test_an_interruption_leaves_no_temporary_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def interrupt(_: int) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_text(tmp_path / "plan.csv", "new")
    assert only_files(tmp_path) == set()


def test_a_file_system_that_cannot_flush_folders_is_good_enough(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fsync = os.fsync

    def only_files_flush(number: int) -> None:
        if stat.S_ISDIR(os.fstat(number).st_mode):
            raise OSError(errno.EINVAL, "no")
        fsync(number)

    monkeypatch.setattr(os, "fsync", only_files_flush)
    write_text(tmp_path / "plan.csv", "new")
    assert (tmp_path / "plan.csv").read_text() == "new"


def test_a_folder_that_cannot_be_flushed_for_another_reason_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fsync = os.fsync

    def broken_folder(number: int) -> None:
        if stat.S_ISDIR(os.fstat(number).st_mode):
            raise OSError(errno.EIO, "broken")
        fsync(number)

    monkeypatch.setattr(os, "fsync", broken_folder)
    with pytest.raises(CannotWriteError, match="broken"):
        write_text(tmp_path / "plan.csv", "new")


def test_without_folder_handles_the_file_is_written_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delattr(os, "O_DIRECTORY", raising=False)
    write_text(tmp_path / "plan.csv", "new")
    assert (tmp_path / "plan.csv").read_text() == "new"


def test_a_temporary_file_left_by_a_killed_process_is_not_in_the_way(tmp_path: Path) -> None:
    left = tmp_path / f".plan.csv.{os.getpid()}-0.tmp"
    left.write_text("half")
    write_text(tmp_path / "plan.csv", "new")
    assert (tmp_path / "plan.csv").read_text() == "new"
    assert left.read_text() == "half"


def test_a_folder_in_the_way_is_told(tmp_path: Path) -> None:
    (tmp_path / "plan.csv").mkdir()
    with pytest.raises(CannotWriteError, match="a folder of that name stands in the way"):
        write_text(tmp_path / "plan.csv", "new")


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(CannotWriteError, match="its folder does not exist"):
        write_text(tmp_path / "nowhere" / "plan.csv", "new")


def test_a_file_for_a_folder_is_told(tmp_path: Path) -> None:
    (tmp_path / "hinge").write_text("")
    with pytest.raises(CannotWriteError, match="a file stands where the folder should be"):
        write_text(tmp_path / "hinge" / "plan.csv", "new")


def test_too_long_a_name_is_told(tmp_path: Path) -> None:
    with pytest.raises(CannotWriteError, match="the name is too long"):
        write_text(tmp_path / ("x" * 300), "new")


def test_a_file_marked_read_only_is_not_replaced(tmp_path: Path) -> None:
    path = tmp_path / "claim.json"
    path.write_text("old")
    path.chmod(0o444)
    with pytest.raises(CannotWriteError, match=r"claim\.json is marked read-only"):
        write_text(path, "new")
    assert path.read_text() == "old"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this platform has no pipes in folders")
def test_something_that_is_no_ordinary_file_is_not_replaced(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "plan.csv")
    with pytest.raises(CannotWriteError, match="not an ordinary file"):
        write_text(tmp_path / "plan.csv", "new")


@pytest.mark.parametrize("lock", [".~lock.results.csv#", "~$results.csv"])
def test_a_table_open_in_a_spreadsheet_is_neither_replaced_nor_moved(tmp_path: Path, lock: str) -> None:
    path = tmp_path / "results.csv"
    path.write_text("old")
    (tmp_path / lock).write_text("")
    for write in (lambda: write_text(path, "new"), lambda: keep_aside(path)):
        with pytest.raises(CannotWriteError, match=r"results\.csv is open in a spreadsheet program"):
            write()
    assert path.read_text() == "old"


def test_a_link_out_of_the_folder_is_not_followed(tmp_path: Path) -> None:
    outside = tmp_path / "outside.csv"
    outside.write_text("precious")
    study = tmp_path / "hinge"
    study.mkdir()
    (study / "plan.csv").symlink_to(outside)
    with pytest.raises(CannotWriteError, match=r"a symbolic link leads to .*outside\.csv, out of the folder"):
        write_text(study / "plan.csv", "new")
    assert outside.read_text() == "precious"
    assert (study / "plan.csv").is_symlink()


def test_a_dangling_link_out_of_the_folder_is_not_followed_either(tmp_path: Path) -> None:
    study = tmp_path / "hinge"
    study.mkdir()
    (study / "plan.csv").symlink_to(tmp_path / "new.csv")
    with pytest.raises(CannotWriteError, match="out of the folder"):
        write_text(study / "plan.csv", "new")
    assert not (tmp_path / "new.csv").exists()


def test_a_link_inside_the_folder_is_followed(tmp_path: Path) -> None:
    (tmp_path / "real.csv").write_text("old")
    (tmp_path / "plan.csv").symlink_to("real.csv")
    write_text(tmp_path / "plan.csv", "new")
    assert (tmp_path / "real.csv").read_text() == "new"
    assert (tmp_path / "plan.csv").is_symlink()


def test_a_linked_folder_inside_a_study_is_refused_where_the_study_must_not_be_left(tmp_path: Path) -> None:
    study, elsewhere = tmp_path / "hinge", tmp_path / "elsewhere"
    study.mkdir()
    elsewhere.mkdir()
    (study / "report").symlink_to(elsewhere)
    with pytest.raises(CannotWriteError, match="out of the folder"):
        write_text(study / "report" / "report.html", "new", within=study)
    with pytest.raises(CannotWriteError, match="out of the folder"):
        make_folder(study / "report", within=study)
    assert only_files(elsewhere) == set()


def test_a_study_folder_that_is_itself_a_link_can_be_written(tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "hinge").symlink_to("real")
    write_text(tmp_path / "hinge" / "plan.csv", "new")
    assert (tmp_path / "real" / "plan.csv").read_text() == "new"


def test_links_in_a_circle_are_told(tmp_path: Path) -> None:
    (tmp_path / "plan.csv").symlink_to("other.csv")
    (tmp_path / "other.csv").symlink_to("plan.csv")
    with pytest.raises(CannotWriteError, match=r"circle|symbolic links"):
        write_text(tmp_path / "plan.csv", "new")


def test_files_are_kept_aside_under_the_next_free_number(tmp_path: Path) -> None:
    path = tmp_path / "plan.csv"
    for count in (1, 2, 3):
        path.write_text(f"version {count}")
        assert keep_aside(path) == tmp_path / f"plan.{count}.csv"
    assert only_files(tmp_path) == {"plan.1.csv", "plan.2.csv", "plan.3.csv"}
    assert (tmp_path / "plan.2.csv").read_text() == "version 2"


def test_keeping_aside_never_takes_a_name_that_is_used(tmp_path: Path) -> None:
    (tmp_path / "plan.1.csv").write_text("precious")
    (tmp_path / "plan.csv").write_text("old")
    assert keep_aside(tmp_path / "plan.csv").name == "plan.2.csv"
    assert (tmp_path / "plan.1.csv").read_text() == "precious"


def test_a_file_that_is_not_there_cannot_be_kept(tmp_path: Path) -> None:
    with pytest.raises(CannotWriteError, match=r"There is no file plan.csv to keep aside"):
        keep_aside(tmp_path / "plan.csv")


def test_a_failed_rename_leaves_the_file_and_no_empty_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "plan.csv"
    path.write_text("old")

    def refuse(self: Path, target: Path) -> Path:
        raise PermissionError(errno.EACCES, "no", str(target))

    monkeypatch.setattr(Path, "replace", refuse)
    monkeypatch.setattr(os, "link", refuse)
    with pytest.raises(CannotWriteError, match="another program holds the file open"):
        keep_aside(path)
    assert only_files(tmp_path) == {"plan.csv"}


def test_folders_are_made_with_those_they_lie_in(tmp_path: Path) -> None:
    assert make_folder(tmp_path / "a" / "b") == tmp_path / "a" / "b"
    assert make_folder(tmp_path / "a" / "b").is_dir()


def test_a_file_in_the_place_of_a_folder_is_told(tmp_path: Path) -> None:
    (tmp_path / "report").write_text("")
    with pytest.raises(CannotWriteError, match="a file stands where the folder should be"):
        make_folder(tmp_path / "report")


WRITER = """
import sys
from pathlib import Path
from doe.saving import write_bytes
path = Path(sys.argv[1])
print("ready", flush=True)
while True:
    for letter in b"ab":
        write_bytes(path, bytes([letter]) * 300_000)
"""


@pytest.mark.skipif(os.name != "posix", reason="kills by signal")
def test_a_writer_killed_at_any_moment_leaves_a_whole_file(tmp_path: Path) -> None:
    path = tmp_path / "plan.csv"
    write_bytes(path, b"a" * 300_000)
    survived = 0
    for attempt in range(8):
        with subprocess.Popen([sys.executable, "-c", WRITER, str(path)], stdout=subprocess.PIPE) as writer:
            assert writer.stdout is not None
            writer.stdout.readline()
            time.sleep(0.003 * attempt)
            writer.send_signal(signal.SIGKILL)
        data = path.read_bytes()
        survived += data in {b"a" * 300_000, b"b" * 300_000}
    assert survived == 8


def test_two_writers_at_once_leave_one_of_the_two_texts_whole(tmp_path: Path) -> None:
    path = tmp_path / "plan.csv"
    program = (
        "import sys; from pathlib import Path; from doe.saving import write_text\n"
        "for _ in range(20): write_text(Path(sys.argv[1]), sys.argv[2] * 50_000)"
    )
    writers = [subprocess.Popen([sys.executable, "-c", program, str(path), letter]) for letter in "ab"]
    assert [writer.wait() for writer in writers] == [0, 0]
    assert path.read_text() in {"a" * 50_000, "b" * 50_000}
    assert only_files(tmp_path) == {"plan.csv"}


def test_a_temporary_file_that_another_writer_has_renamed_meanwhile_is_no_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    gone, listed = tmp_path / ".plan.csv.1-0.tmp", Path.iterdir
    monkeypatch.setattr(Path, "iterdir", lambda folder: [*listed(folder), gone])
    write_text(tmp_path / "plan.csv", "new")
    assert (tmp_path / "plan.csv").read_text() == "new"


def test_what_is_written_together_appears_at_the_end_in_the_order_of_writing(tmp_path: Path) -> None:
    (tmp_path / "plan.csv").write_text("old")
    with all_or_nothing():
        write_text(tmp_path / "plan.csv", "new")
        write_text(tmp_path / "results.csv", "first thought")
        write_text(tmp_path / "results.csv", "second thought")
        assert (tmp_path / "plan.csv").read_text() == "old"
        assert not (tmp_path / "results.csv").exists()
    assert (tmp_path / "plan.csv").read_text() == "new"
    assert (tmp_path / "results.csv").read_text() == "second thought"
    assert only_files(tmp_path) == {"plan.csv", "results.csv"}


def test_where_one_of_several_cannot_be_written_all_is_as_it_was(tmp_path: Path) -> None:
    for name in ("plan.csv", "results.csv", "results.xlsx"):
        (tmp_path / name).write_text(f"old {name}")
    with pytest.raises(CannotWriteError), all_or_nothing():  # noqa: PT012 - the failure comes after the others
        keep_copy(tmp_path / "plan.csv")
        keep_aside(tmp_path / "results.xlsx")
        write_text(tmp_path / "plan.csv", "new")
        with all_or_nothing():
            write_text(tmp_path / "results.csv", "new")
        write_text(tmp_path / "missing" / "bench.html", "new")
    assert only_files(tmp_path) == {"plan.csv", "results.csv", "results.xlsx"}
    assert all((tmp_path / name).read_text() == f"old {name}" for name in only_files(tmp_path))
    write_text(tmp_path / "plan.csv", "new")  # nothing waits any more
    assert (tmp_path / "plan.csv").read_text() == "new"


def test_what_was_kept_stays_where_putting_in_place_itself_fails(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "plan.csv").write_text("old")
    replace, done = Path.replace, []

    def fail_the_second_time(self: Path, target: Path) -> Path:
        if done:
            raise OSError(errno.ENOSPC, "full")
        done.append(target)
        return replace(self, target)

    with pytest.raises(CannotWriteError), all_or_nothing():  # noqa: PT012
        keep_copy(tmp_path / "plan.csv")
        write_text(tmp_path / "plan.csv", "new")
        write_text(tmp_path / "results.csv", "new")
        monkeypatch.setattr(Path, "replace", fail_the_second_time)
    assert (tmp_path / "plan.1.csv").read_text() == "old"  # plan.csv was replaced: its copy is all there is of it
    assert only_files(tmp_path) == {"plan.csv", "plan.1.csv"}
