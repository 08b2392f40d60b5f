"""Writing files so that nothing is lost: whole or not at all, and never over what must stay."""

from __future__ import annotations

import errno
import itertools
import os
import re
import stat
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from doe.errors import CannotWriteError

_SENTENCES: Final = {
    errno.ENOSPC: "the disk is full",
    errno.EDQUOT: "the disk quota is used up",
    errno.EROFS: "the disk is read-only",
    errno.EISDIR: "a folder of that name stands in the way",
    errno.ENOTDIR: "a file stands where the folder should be",
    errno.ENOENT: "its folder does not exist",
    errno.ENAMETOOLONG: "the name is too long",
    errno.EACCES: "writing is not permitted there, or another program holds the file open",
    errno.EPERM: "writing is not permitted there",
    errno.EBUSY: "another program holds the file",
    errno.ELOOP: "its symbolic links lead in a circle",
    errno.EFBIG: "it would be too large for this disk",
}
_NO_FOLDER_SYNC: Final = frozenset({errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP})
"""A file system that cannot flush a folder says so by one of these; the file itself has been flushed."""
_LEFT_BEHIND_S: Final = 60.0
"""A temporary file this old belongs to a process that was killed: writing one takes less than a second."""


Ready = dict[Path, tuple[Path, Path]]
"""The temporary file of each path, written and flushed, and the file it will be."""


@dataclass
class _Batch:
    """Files that wait to be put in place together, and how to take back what was kept aside for them."""

    ready: Ready = field(default_factory=dict)
    undo: list[Callable[[], object]] = field(default_factory=list)


_BATCH: ContextVar[_Batch | None] = ContextVar("batch", default=None)


@contextmanager
def all_or_nothing() -> Iterator[None]:
    """Let all that is written inside appear when the last of it stands ready, or nothing of it.

    Each file is written beside its place at once, so that a full disk or a folder that may not be written in is found
    before the first old file is touched; they are renamed at the end, in the order of writing. Folders that were made,
    stay. Inside another one this joins it.
    """
    if _BATCH.get() is not None:
        yield
        return
    batch = _Batch()
    token = _BATCH.set(batch)
    try:
        yield
    except BaseException:
        _throw_away(batch.ready)
        for step in reversed(batch.undo):
            step()
        raise
    finally:
        _BATCH.reset(token)
    _put_in_place(batch.ready)


def write_text(path: Path, text: str, *, within: Path | None = None) -> None:
    """Write a text file in UTF-8, whole or not at all; line ends are kept as they are.

    Parameters
    ----------
    path : Path
        The file.
    text : str
        Its contents.
    within : Path or None
        The folder that must not be left by symbolic links; None: the file's own folder.

    Raises
    ------
    CannotWriteError
        If it cannot be written; what stood there before is untouched.
    """
    write_bytes(path, text.encode("utf-8"), within=within)


def write_bytes(path: Path, data: bytes, *, within: Path | None = None) -> None:
    """Write a file, whole or not at all.

    The bytes go to a temporary file in the same folder, which is flushed to the disk and then renamed over the old
    one, so that at every moment the folder holds either the old file or the new.

    Parameters
    ----------
    path : Path
        The file.
    data : bytes
        Its contents.
    within : Path or None
        The folder that must not be left by symbolic links; None: the file's own folder.

    Raises
    ------
    CannotWriteError
        If it cannot be written; what stood there before is untouched.
    """
    write_together({path: data}, within=within)


def write_together(files: Mapping[Path, bytes], *, within: Path | None = None) -> None:
    """Write files that belong together: all of them stand ready beside the old ones before the first is renamed.

    Parameters
    ----------
    files : mapping of Path to bytes
        Each file's contents.
    within : Path or None
        As for ``write_bytes``.

    Raises
    ------
    CannotWriteError
        If one cannot be written; then all of them are as they were, unless a rename itself failed.
    """
    ready: Ready = {}
    try:
        for path, data in files.items():
            with _plain_errors(path):
                ready[path] = _make_ready(path, data, within or path.parent)
    except BaseException:
        _throw_away(ready)
        raise
    batch = _BATCH.get()
    if batch is None:
        _put_in_place(ready)
        return
    _throw_away({path: batch.ready.pop(path) for path in ready if path in batch.ready})
    batch.ready |= ready


def _put_in_place(ready: Ready) -> None:
    """Rename files that stand ready to what they will be."""
    try:
        for path, (temporary, target) in ready.items():
            with _plain_errors(path):
                temporary.replace(target)
        for folder in dict.fromkeys(target.parent for _, target in ready.values()):
            with _plain_errors(next(iter(ready))):
                _flush_folder(folder)
    except BaseException:
        _throw_away(ready)
        raise


def _throw_away(ready: Ready) -> None:
    """Delete temporary files that were not renamed."""
    for temporary, _ in ready.values():
        temporary.unlink(missing_ok=True)


def _make_ready(path: Path, data: bytes, within: Path) -> tuple[Path, Path]:
    """Write the bytes to a temporary file beside the target; give both."""
    target = _true_place(path, within)
    mode = _mode_of_old(target, path)
    _clear_away_left_behind(target)
    temporary, number = _open_temporary(target)
    try:
        _fill(number, data, mode)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise
    return temporary, target


def keep_aside(path: Path) -> Path:
    """Rename a file to the next free numbered name: ``plan.csv`` to ``plan.1.csv``, then ``plan.2.csv`` ...

    Parameters
    ----------
    path : Path
        The file to keep.

    Returns
    -------
    Path
        Where it is now.

    Raises
    ------
    CannotWriteError
        If it is not there or cannot be renamed.
    """
    with _plain_errors(path):
        if not path.is_file():
            message = f"There is no file {path.name} to keep aside in {path.parent}."
            raise CannotWriteError(message)
        refuse_open_in_spreadsheet(path)
        kept = _rename_to_free(path, path)
        _flush_folder(path.parent)
    _take_back_by(lambda: kept.rename(path))
    return kept


def keep_copy(path: Path) -> Path:
    """Keep a copy of a file under the next free numbered name, so that the file can then be written over in one step.

    Where the copy kept last holds the same already (a command was killed before it wrote over), that one is it.

    Parameters
    ----------
    path : Path
        The file to keep.

    Returns
    -------
    Path
        Where the copy is.

    Raises
    ------
    CannotWriteError
        If it is not there or the copy cannot be written.
    """
    with _plain_errors(path):
        if not path.is_file():
            message = f"There is no file {path.name} to keep in {path.parent}."
            raise CannotWriteError(message)
        data, last = path.read_bytes(), _numbered(path, _first_free(path) - 1)
        if last.is_file() and last.read_bytes() == data:
            return last
        temporary, _ = _make_ready(path, data, path.parent)
        try:
            kept = _rename_to_free(temporary, path)
        except BaseException:
            temporary.unlink(missing_ok=True)
            raise
        _flush_folder(path.parent)
    _take_back_by(lambda: kept.unlink(missing_ok=True))
    return kept


def _take_back_by(step: Callable[[], object]) -> None:
    """Note how to take something back, should ``all_or_nothing`` come to nothing."""
    batch = _BATCH.get()
    if batch is not None:
        batch.undo.append(step)


def make_folder(path: Path, *, within: Path | None = None) -> Path:
    """Make a folder, and those it lies in, where they do not stand yet.

    Raises
    ------
    CannotWriteError
        If it cannot be made, or a symbolic link leads it out of ``within`` (where that is given).
    """
    with _plain_errors(path):
        if within is not None:
            _true_place(path, within)
        try:
            path.mkdir(parents=True, exist_ok=True)
        except FileExistsError as error:
            raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(path)) from error
    return path


def refuse_open_in_spreadsheet(path: Path) -> None:
    """Refuse a table that a spreadsheet program has open, as told by the lock file beside it.

    Raises
    ------
    CannotWriteError
        If a lock file stands beside it.
    """
    for lock in (path.with_name(f".~lock.{path.name}#"), path.with_name(f"~${path.name}")):
        if lock.exists():
            message = (
                f"{path.name} is open in a spreadsheet program (it left {lock.name} beside it); close it there and try "
                "again. If no program has it open, delete that lock file."
            )
            raise CannotWriteError(message)


@contextmanager
def _plain_errors(path: Path) -> Iterator[None]:
    """Turn the system's refusals into one plain sentence."""
    try:
        yield
    except OSError as error:
        reason = _SENTENCES.get(error.errno or 0, error.strerror or str(error))
        message = f"{path.name} cannot be written in {path.parent}: {reason}."
        raise CannotWriteError(message) from error


def _true_place(path: Path, within: Path) -> Path:
    """Follow symbolic links, but not out of the folder."""
    try:
        target, folder = path.resolve(), within.resolve()
    except RuntimeError as error:  # Python before 3.13 says so for links in a circle
        raise OSError(errno.ELOOP, os.strerror(errno.ELOOP), str(path)) from error
    if not target.is_relative_to(folder):
        message = (
            f"{path.name} is not written: a symbolic link leads to {target}, out of the folder {folder}. "
            "Remove the link, or put the file itself there."
        )
        raise CannotWriteError(message)
    return target


def _mode_of_old(target: Path, path: Path) -> int | None:
    """Give the permissions of the file that stands there, None where none does; refuse what must not be replaced."""
    refuse_open_in_spreadsheet(path)
    try:
        old = target.lstat()
    except FileNotFoundError:
        return None
    if stat.S_ISDIR(old.st_mode):
        raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), str(target))
    if not stat.S_ISREG(old.st_mode):
        message = f"{path.name} is not written: what stands there is not an ordinary file."
        raise CannotWriteError(message)
    if not old.st_mode & stat.S_IWUSR:
        message = f"{path.name} is marked read-only; take that mark off, or choose another name."
        raise CannotWriteError(message)
    return stat.S_IMODE(old.st_mode)


def _open_temporary(target: Path) -> tuple[Path, int]:
    """Open a new file beside the target; the name carries the process, so that two at once do not meet."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0)
    attempt = 0
    while True:
        temporary = target.with_name(f".{target.name}.{os.getpid()}-{attempt}.tmp")
        try:
            return temporary, os.open(temporary, flags, 0o666)
        except FileExistsError:  # left by a process that was killed
            attempt += 1


def _fill(number: int, data: bytes, mode: int | None) -> None:
    """Write all bytes, flush them to the disk and close."""
    with os.fdopen(number, "wb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
        if mode is not None and hasattr(os, "fchmod"):
            os.fchmod(file.fileno(), mode)


def _clear_away_left_behind(target: Path) -> None:
    """Delete the temporary files of this target whose process was killed."""
    named = re.compile(re.escape(f".{target.name}.") + r"(\d+)-\d+\.tmp")
    for path in target.parent.iterdir():
        match = named.fullmatch(path.name)
        if match is None or int(match[1]) == os.getpid():
            continue
        with suppress(FileNotFoundError):  # its process is alive, and has renamed it meanwhile
            if path.stat().st_mtime < time.time() - _LEFT_BEHIND_S:
                path.unlink(missing_ok=True)


def _numbered(path: Path, count: int) -> Path:
    return path.with_name(f"{path.stem}.{count}{path.suffix}")


def _first_free(path: Path) -> int:
    """Give the first number whose name nobody has."""
    return next(count for count in itertools.count(1) if not os.path.lexists(_numbered(path, count)))


def _rename_to_free(old: Path, path: Path) -> Path:
    """Rename a file to the first free numbered name of a path; what another program puts there meanwhile is kept."""
    while True:
        kept = _numbered(path, _first_free(path))
        if old.is_symlink():
            return old.replace(kept)
        try:
            os.link(old, kept)
        except FileExistsError:
            continue
        except OSError:  # a disk without second names for a file, such as a memory stick
            old.replace(kept)
        else:
            old.unlink()
        return kept


def _flush_folder(folder: Path) -> None:
    """Flush the folder's own record of the rename, where the platform can."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    number = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(number)
    except OSError as error:
        if error.errno not in _NO_FOLDER_SYNC:
            raise
    finally:
        os.close(number)
