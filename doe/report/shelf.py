"""The shelf: every study under a folder in one table, with its window and where it stands."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Final
from urllib.parse import quote

from markupsafe import Markup

from doe.bench.answer_file import ReportedAnswer, last_answer
from doe.bench.stage import study_files
from doe.errors import CannotAnswerError, DoeError, WouldOverwriteError
from doe.report.formatting import quantity
from doe.report.templating import policy_hash, render, template_text
from doe.saving import write_text
from doe.study.model import Study
from doe.study.reading import STUDY_FILE, read_study

PAGE: Final = "shelf.html"
"""The index page, inside the folder that was looked through."""
DEEPEST: Final = 4
"""Folders below this depth are not looked into."""
MOST_STUDIES: Final = 2_000
"""More studies than this are not a shelf."""
HEADINGS: Final = ("study", "material", "thickness", "wire", "setting window", "standing", "last change")
NO_REPORT: Final = "no report yet"
CHANGED: Final = "changed since its report"
_MARK: Final = "<!-- made by weldwindow shelf -->"


@dataclass(frozen=True)
class ShelfEntry:
    """One study of the shelf.

    Attributes
    ----------
    folder : Path
    title, material, thickness, wire : str
        As the study states them; empty where it does not.
    setting : str
        The window in words; or why there is none.
    standing : str
        Confirmed or not, as the report says it; or that the report is missing or older than its data.
    changed : str
        Day on which a file of the study last changed, ISO 8601.
    report : Path or None
    fault : str
        What is wrong with the study; empty where nothing is.
    """

    folder: Path
    title: str
    material: str = ""
    thickness: str = ""
    wire: str = ""
    setting: str = ""
    standing: str = ""
    changed: str = ""
    report: Path | None = None
    fault: str = ""

    def cells(self) -> tuple[str, ...]:
        """Give the entry's row under ``HEADINGS``."""
        return (
            self.title,
            self.material,
            self.thickness,
            self.wire,
            self.setting,
            self.standing,
            self.changed,
        )

    def words(self) -> tuple[str, ...]:
        """Give the entry in two or three lines, for the terminal."""
        if self.fault:
            return (f"{self.folder}: cannot be read: {self.fault}",)
        stated = [self.title, self.material, self.thickness, self.wire]
        lines = [f"{self.folder}: {', '.join(part for part in stated if part)}"]
        if self.setting:
            lines.append(f"    {self.setting}")
        return (*lines, "    " + ", ".join(part for part in (self.standing, f"last change {self.changed}") if part))

    def to_dict(self) -> dict[str, object]:
        """Give the entry as ``shelf --json`` prints it."""
        return {
            "folder": str(self.folder),
            "title": self.title,
            "material": self.material or None,
            "thickness": self.thickness or None,
            "wire": self.wire or None,
            "window": self.setting or None,
            "standing": self.standing,
            "changed": self.changed or None,
            "report": None if self.report is None else str(self.report),
            "fault": self.fault or None,
        }


def read_shelf(folder: Path) -> tuple[ShelfEntry, ...]:
    """Read every study under a folder; one that cannot be read is listed with its fault.

    Parameters
    ----------
    folder : Path
        Looked through to a depth of four; hidden folders and symbolic links are passed by.

    Returns
    -------
    tuple of ShelfEntry
        By material, thickness and title.

    Raises
    ------
    CannotAnswerError
        If there is no study at all, or more than two thousand.
    """
    found = []
    for place in _study_folders(folder, DEEPEST):
        found.append(_entry(place))
        if len(found) > MOST_STUDIES:
            message = f"there are more than {MOST_STUDIES} studies under {folder}; name a folder further in"
            raise CannotAnswerError(message)
    if not found:
        message = f"there is no study under {folder}: no folder with a {STUDY_FILE}, down to a depth of {DEEPEST}"
        raise CannotAnswerError(message)
    return tuple(sorted(found, key=_place_on_shelf))


def _place_on_shelf(entry: ShelfEntry) -> tuple[object, ...]:
    """Sort by material, thickness and title; what is not stated and what cannot be read last."""
    return (bool(entry.fault), not entry.material, entry.material, entry.thickness, entry.title, str(entry.folder))


def write_shelf(entries: tuple[ShelfEntry, ...], folder: Path) -> Path:
    """Write the index page into the folder.

    Raises
    ------
    WouldOverwriteError
        If a page of that name stands there that was not made here.
    CannotWriteError
        If it cannot be written.
    """
    path = folder / PAGE
    if path.exists() and _MARK not in path.read_text(encoding="utf-8", errors="replace")[:500]:
        message = f"{path} was not made by this command and is not overwritten; move it away"
        raise WouldOverwriteError(message)
    rows = [(_link(entry, folder), entry) for entry in entries]
    style = template_text("report.css") + template_text("shelf.css")
    page = render(
        "shelf.html",
        mark=Markup(_MARK),
        headings=HEADINGS,
        rows=rows,
        style=Markup(style),
        style_hash=policy_hash(style),
    )
    write_text(path, page)
    return path


def _link(entry: ShelfEntry, folder: Path) -> str:
    """Give the way from the page to an entry's report; empty where it has none."""
    if entry.report is None:
        return ""
    return quote(Path(os.path.relpath(entry.report, folder)).as_posix())


def _study_folders(folder: Path, depth: int) -> Iterator[Path]:
    """Find the folders that hold a study."""
    if (folder / STUDY_FILE).is_file():
        yield folder
    if depth == 0:
        return
    try:
        inside = sorted(path for path in folder.iterdir() if path.is_dir() and not path.is_symlink())
    except PermissionError:
        return  # a folder that is not ours to read holds no study of ours
    for path in inside:
        if not path.name.startswith(".") and path.name != "report":
            yield from _study_folders(path, depth - 1)


def _entry(folder: Path) -> ShelfEntry:
    """Read one study with its answer."""
    try:
        study = read_study(folder)
        kept = last_answer(folder)
    except DoeError as error:
        return ShelfEntry(folder, folder.name, changed=_last_change(folder), fault=error.message)
    return _describe(study, kept)


def _describe(study: Study, kept: ReportedAnswer | None) -> ShelfEntry:
    """Put a study and its answer into one row."""
    job, folder = study.job, study.folder
    page = folder / "report" / "report.html"
    setting, standing = "", NO_REPORT
    if kept is not None:
        setting = kept.said.get("setting") or kept.said.get("heading", "")
        standing = kept.said.get("standing", "").lower() if kept.is_current else CHANGED
    thickness = "" if job.thickness_mm is None else quantity(job.thickness_mm, "mm", study.units)
    return ShelfEntry(
        folder,
        study.title,
        job.material,
        thickness,
        job.wire,
        setting,
        standing,
        _last_change(folder),
        page if page.is_file() else None,
    )


def _last_change(folder: Path) -> str:
    """Give the day on which a file of the study last changed."""
    times = [path.stat().st_mtime for path in study_files(folder)]
    return datetime.fromtimestamp(max(times), tz=UTC).date().isoformat() if times else ""
