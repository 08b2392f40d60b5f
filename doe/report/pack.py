"""The pack: one zip with a study's data, plan and report, from which anyone can make the numbers again.

The same study gives the same bytes: files by name, a fixed date, the hash of each in the list of contents.
"""

from __future__ import annotations

import hashlib
import io
import json
import platform
import re
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.metadata import version
from pathlib import Path
from typing import Any, Final

from doe.bench.answer_file import NAME as ANSWER
from doe.bench.answer_file import ReportedAnswer, last_answer
from doe.bench.stage import study_files
from doe.errors import CannotAnswerError, DoeError
from doe.saving import write_bytes
from doe.study.reading import read_study

LIST: Final = "contents.json"
"""The list of contents inside a pack."""
NOTE: Final = "how to repeat.txt"
LARGEST_BYTES: Final = 200_000_000
"""A pack holds no more than this when it is unpacked. [byte]"""
LIBRARIES: Final = ("numpy", "scipy", "pandas", "statsmodels", "scikit-learn", "pydantic")
"""Libraries whose version can move a number."""
_DATE: Final = (1980, 1, 1, 0, 0, 0)
_NAME: Final = re.compile(r"(?:report/)?[^/\\\x00-\x1f]+")


@dataclass(frozen=True)
class Pack:
    """A pack that was read: its list of contents and its files.

    Attributes
    ----------
    contents : mapping
        Study, seed, versions, and the SHA-256 of every file.
    files : mapping of str to bytes
    """

    contents: Mapping[str, Any]
    files: Mapping[str, bytes]

    @property
    def seed(self) -> int:
        """The seed the packed answer was made with."""
        return int(self.contents["seed"])

    def unpack(self, folder: Path) -> None:
        """Write the study's own files, without the report, into a new folder."""
        for name, data in self.files.items():
            if "/" not in name and name != NOTE:
                write_bytes(folder / name, data)

    def answer(self) -> Mapping[str, Any]:
        """Give the window as it was packed."""
        held: Mapping[str, Any] = json.loads(self.files[f"report/{ANSWER}"])["window"]
        return held


def write_pack(folder: Path) -> Path:
    """Write a study with its report into one zip, ``report/NAME.zip``.

    Parameters
    ----------
    folder : Path
        The study's folder.

    Raises
    ------
    CannotAnswerError
        If there is no report, files have changed since it was made, or it rests on another study's folder.
    CannotWriteError
        If the zip cannot be written.
    """
    kept = last_answer(folder)
    if kept is None or not kept.is_current:
        why = "there is no report yet" if kept is None else "files have changed since the report was made"
        message = f"{why}; “weldwindow report {folder}” makes it, then pack"
        raise CannotAnswerError(message)
    if not {"study", "version"} <= kept.said.keys():
        message = (
            f"the report does not say what it was made from; “weldwindow report {folder}” makes it anew, then pack"
        )
        raise CannotAnswerError(message)
    borrowed = [response for response in read_study(folder).responses if response.scatter_from]
    if borrowed:
        message = (
            f"{borrowed[0].name} takes its scatter from another study's folder, {borrowed[0].scatter_from}, which a "
            "pack does not hold; write the number that “weldwindow fit” prints in its place, then report and pack"
        )
        raise CannotAnswerError(message)
    path = folder / "report" / f"{folder.resolve().name}.zip"
    write_bytes(path, pack_bytes(folder, kept), within=folder)
    return path


def pack_bytes(folder: Path, kept: ReportedAnswer) -> bytes:
    """Give the bytes of a study's pack."""
    files = {path.name: path.read_bytes() for path in study_files(folder)}
    report = (path for path in sorted((folder / "report").iterdir()) if path.is_file() and path.suffix != ".zip")
    files |= {f"report/{path.name}": path.read_bytes() for path in report if not path.name.startswith(".")}
    files[NOTE] = _note(kept).encode()
    contents = {
        "schema": 1,
        "study": kept.said["study"],
        "seed": kept.seed,
        "versions": {
            "weldwindow": kept.said["version"],
            "python": platform.python_version(),
            **{name: version(name) for name in LIBRARIES},
        },
        "sha256": {name: hashlib.sha256(data).hexdigest() for name, data in sorted(files.items())},
    }
    files[LIST] = (json.dumps(contents, ensure_ascii=False, indent=1) + "\n").encode()
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as pack:
        for name, data in sorted(files.items()):
            entry = zipfile.ZipInfo(name, date_time=_DATE)
            entry.compress_type, entry.external_attr = zipfile.ZIP_DEFLATED, 0o644 << 16
            pack.writestr(entry, data)
    return held.getvalue()


def _note(kept: ReportedAnswer) -> str:
    """Say how anyone makes the numbers again."""
    return (
        f"Study {kept.said['study']}, seed {kept.seed}, weldwindow {kept.said['version']}.\n\n"
        "To check that these files are as they were packed and that the same numbers come out again:\n\n"
        "    weldwindow pack --check FILE.zip\n\n"
        "Or unpack them and run:\n\n"
        f"    weldwindow fit DIR --seed {kept.seed}\n"
        f"    weldwindow window DIR --seed {kept.seed}\n"
        f"    weldwindow report DIR --seed {kept.seed}\n\n"
        f"{LIST} has the version of each library used and the SHA-256 of each file.\n"
        "A coupon test qualifies neither a procedure nor a welder.\n"
    )


def read_pack(path: Path) -> Pack:
    """Read a pack and see that every file in it is as it was packed.

    Raises
    ------
    DoeError
        If it is no pack, is too large, or a file in it was changed, added or taken out; each is named.
    """
    try:
        with zipfile.ZipFile(path) as pack:
            entries = pack.infolist()
            if sum(entry.file_size for entry in entries) > LARGEST_BYTES:
                message = f"{path} would unpack to more than {LARGEST_BYTES // 1_000_000} MB; it is not read"
                raise DoeError(message)
            files = {entry.filename: pack.read(entry) for entry in entries}
        contents = json.loads(files.pop(LIST))
        listed = dict(contents["sha256"])
        int(contents["seed"])
    except (OSError, zipfile.BadZipFile, KeyError, ValueError, TypeError, RuntimeError, NotImplementedError) as error:
        message = f"{path} is not a pack made by “weldwindow pack”"
        raise DoeError(message) from error
    faults = _differences(files, listed)
    if faults:
        message = f"{path} is not as it was packed: {'; '.join(faults)}"
        raise DoeError(message)
    return Pack(contents, files)


def _differences(files: Mapping[str, bytes], listed: Mapping[str, str]) -> list[str]:
    """Name what was changed, added or taken out."""
    faults = [f"{name} is missing" for name in listed if name not in files]
    for name, data in files.items():
        if not _NAME.fullmatch(name) or ".." in name:
            faults.append(f"“{name}” does not belong in a pack")
        elif name not in listed:
            faults.append(f"{name} was added")
        elif hashlib.sha256(data).hexdigest() != listed[name]:
            faults.append(f"{name} was changed")
    return faults


def changed_numbers(packed: object, again: object, *, tolerance: float = 1e-9) -> list[str]:
    """Name every number or word of an answer that does not come out again.

    Parameters
    ----------
    packed, again : object
        Answers as JSON holds them.
    tolerance : float
        Relative, for numbers.

    Examples
    --------
    >>> changed_numbers({"a": {"b": [1.0, 2.0]}}, {"a": {"b": [1.0, 2.5]}})
    ['a.b.2: 2.0 was packed, 2.5 came out']
    """
    return list(_changes(packed, again, "", tolerance))


def _changes(packed: object, again: object, place: str, tolerance: float) -> list[str]:
    if isinstance(packed, dict) and isinstance(again, dict):
        names = list(dict.fromkeys([*packed, *again]))
        pairs = [(f"{place}.{name}".lstrip("."), packed.get(name), again.get(name)) for name in names]
        return [line for where, a, b in pairs for line in _changes(a, b, where, tolerance)]
    if isinstance(packed, list) and isinstance(again, list) and len(packed) == len(again):
        numbered = enumerate(zip(packed, again, strict=True), start=1)
        return [line for i, (a, b) in numbered for line in _changes(a, b, f"{place}.{i}", tolerance)]
    if isinstance(packed, float) and isinstance(again, float | int):
        same = abs(packed - again) <= tolerance * max(abs(packed), abs(again), 1e-300)
    else:
        same = packed == again
    return [] if same else [f"{place}: {packed} was packed, {again} came out"]
