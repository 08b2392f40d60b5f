"""One command at a time in a study's folder: the others wait a little, then say so.

The lock is the operating system's, on the folder itself (on Windows on a small file in it). It ends with the process
that holds it, however that ends, so that there is no stale lock to be cleared away.
"""

from __future__ import annotations

import errno
import os
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from doe.errors import CannotWriteError

PATIENCE_S: Final = 10.0
"""So long a command waits for another one. Our choice: a plan or a report takes less."""
_ASK_AGAIN_S: Final = 0.1
_BUSY: Final = frozenset({errno.EAGAIN, errno.EACCES, errno.EDEADLK})
"""How a system says that another process holds the lock."""
_NO_LOCKS: Final = frozenset({errno.EBADF, errno.EINVAL, errno.ENOLCK, errno.ENOSYS, errno.ENOTSUP, errno.EOPNOTSUPP})
"""How a disk, a network's for the most part, says that it knows no locks of folders."""


@contextmanager
def held(folder: Path, *, patience_s: float = PATIENCE_S, waiting: Callable[[], None] | None = None) -> Iterator[None]:
    """Hold a study's folder while it is changed.

    Parameters
    ----------
    folder : Path
        Where it is not there yet nothing is held: nothing can be changed in it.
    patience_s : float
        Seconds to wait for another command that holds it.
    waiting : callable or None
        Called once, where there is waiting to do.

    Raises
    ------
    CannotWriteError
        If another command still holds it after that time.

    Notes
    -----
    A disk that knows no locks is used without: each file is still written whole or not at all.
    """
    number = _open(folder)
    if number is None:
        yield
        return
    try:
        _take(number, folder, patience_s=patience_s, waiting=waiting)
        yield
    finally:
        os.close(number)


def _take(number: int, folder: Path, *, patience_s: float, waiting: Callable[[], None] | None) -> None:
    """Ask for the lock until it is given, the disk knows none, or patience ends."""
    ends = time.monotonic() + patience_s
    while not _is_given(number):
        if waiting is not None:
            waiting()
            waiting = None
        if time.monotonic() >= ends:
            message = (
                f"Another weldwindow command is at work in {folder}, and still is after {patience_s:g} seconds; "
                "nothing was changed. Let it end, then run this one again."
            )
            raise CannotWriteError(message)
        time.sleep(_ASK_AGAIN_S)


def _is_given(number: int) -> bool:
    """Ask once; a disk that knows no locks gives it."""
    try:
        _lock(number)
    except OSError as error:
        if error.errno in _BUSY:
            return False
        if error.errno not in _NO_LOCKS:
            raise
    return True


if sys.platform == "win32":
    import msvcrt

    def _open(folder: Path) -> int | None:
        """Open the small file that stands for the folder, which Windows cannot lock."""
        if not folder.is_dir():
            return None
        return os.open(folder / ".weldwindow.lock", os.O_RDWR | os.O_CREAT)

    def _lock(number: int) -> None:
        msvcrt.locking(number, msvcrt.LK_NBLCK, 1)

else:
    import fcntl

    def _open(folder: Path) -> int | None:
        """Open the folder; None where there is none to hold."""
        try:
            return os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
        except (FileNotFoundError, NotADirectoryError, PermissionError):
            return None

    def _lock(number: int) -> None:
        fcntl.flock(number, fcntl.LOCK_EX | fcntl.LOCK_NB)
