"""Where the shipped files are: the demo study and the reference tables of ``data/``.

From the source tree and from an editable install they are in ``data/`` beside the package; a wheel carries them as
``doe/shipped_data`` (pyproject.toml, force-include).
"""

from __future__ import annotations

from pathlib import Path, PurePosixPath
from typing import Final

from doe.errors import DoeError

_PACKAGE: Final = Path(__file__).resolve().parent
_FOLDERS: Final = (_PACKAGE / "shipped_data", _PACKAGE.parent / "data")
_CALIBRATION: Final = (_PACKAGE / "shipped_reports" / "calibration.md", _PACKAGE.parent / "reports" / "calibration.md")


def shipped(name: str) -> Path:
    """Find a shipped file or folder.

    Parameters
    ----------
    name : str
        Relative to ``data/``, with ``/`` between folders; "" is the folder itself.

    Returns
    -------
    Path
        The file or folder, which exists.

    Raises
    ------
    DoeError
        If it is not part of this installation.
    ValueError
        If the name leads out of the folder.
    """
    wanted = PurePosixPath(name)
    if wanted.is_absolute() or ".." in wanted.parts:
        message = f"a shipped file is named relative to data/, not {name!r}"
        raise ValueError(message)
    folder = next((folder for folder in _FOLDERS if folder.is_dir()), None)
    if folder is None or not (folder / wanted).exists():
        message = f"The file “{name}” that comes with weldwindow is missing from this installation; install it again."
        raise DoeError(message)
    return folder / wanted


def calibration_page() -> str:
    """Give the page of the calibration as it was committed: whole studies on virtual welders, and what came of them.

    Raises
    ------
    DoeError
        If it is not part of this installation.
    """
    page = next((path for path in _CALIBRATION if path.is_file()), None)
    if page is None:
        message = "The calibration that comes with weldwindow is missing from this installation; install it again."
        raise DoeError(message)
    return page.read_text(encoding="utf-8")
