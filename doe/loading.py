"""Reading a file whole: never half of it, and never half old and half new."""

from __future__ import annotations

import os
import stat
from pathlib import Path


class ChangedWhileReadError(OSError):
    """Another program wrote to the file while it was read."""


def read_whole(path: Path, *, at_most: int) -> bytes:
    """Read a file's bytes.

    Parameters
    ----------
    path : Path
    at_most : int
        One byte more than this is read at most, so that a caller sees that there are more.

    Returns
    -------
    bytes

    Raises
    ------
    OSError
        If it cannot be read; ``ChangedWhileReadError`` if another program wrote to it meanwhile.
    """
    with path.open("rb") as stream:
        before = os.fstat(stream.fileno())
        data = stream.read(at_most + 1)
        after = os.fstat(stream.fileno())
    changed = (before.st_mtime_ns, before.st_size) != (after.st_mtime_ns, after.st_size)
    is_short = stat.S_ISREG(before.st_mode) and len(data) <= at_most and len(data) != before.st_size
    if changed or is_short:
        message = "another program wrote to it while it was read; save it there, then try again"
        raise ChangedWhileReadError(None, message, str(path))
    return data
