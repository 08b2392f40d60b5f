"""What is kept of one stage of one rehearsed study, and the CSV file it is kept in."""

from __future__ import annotations

import csv
import dataclasses
import io
import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, get_type_hints

from doe.errors import DoeError, Fault, ResultsError


@dataclass(frozen=True)
class Record:
    """One stage of one study.

    Attributes
    ----------
    knowledge, truth, stages : str
        The setup; ``stages`` like ``8+4``.
    stage, welds : int
        1, 2 ..., and the welds made by then.
    study, seed : int
        Number of the study, and the seed of the whole rehearsal.
    found, wrong : bool
        Whether a window was claimed, and whether some setting inside truly holds less than was claimed.
    single : bool
        Whether it was too small for the word window.
    share : float
        Of the reachable settings, in the window.
    good_share : float
        Of the reachable settings, truly good.
    claimed_share : float
        Of the truly good settings, in the window.
    box_share : float
        Truly good settings in the window over those of the largest true box; nan where there is none.
    true_window : bool
        Whether the largest true box is large enough for the word window.
    lowest_true : float
        Lowest true assurance in the window; nan without one.
    confidence, searched_at : float
        Of the window, and what it was searched with; confidence nan without one.
    limits : str
        The responses that limit, with spaces between.
    point_measure, all_measure, weld_measure : float
        Share of the settings at which the 90 % band of the mean holds the truth; whether the simultaneous band holds
        it everywhere (1 or 0); chance that a next weld falls in its 90 % band, averaged over the settings.
    point_count, all_count, point_trip, all_trip : float
        The same for the other kinds; nan where a kind is not there.
    refused : str
        Why there was no answer at all.
    seconds : float
        Processor time of the stage.
    """

    knowledge: str
    truth: str
    stages: str
    stage: int
    welds: int
    study: int
    seed: int
    found: bool
    wrong: bool
    single: bool
    share: float
    good_share: float
    claimed_share: float
    box_share: float
    true_window: bool
    lowest_true: float
    confidence: float
    searched_at: float
    limits: str
    point_measure: float
    all_measure: float
    weld_measure: float
    point_count: float
    all_count: float
    point_trip: float
    all_trip: float
    refused: str
    seconds: float

    @property
    def key(self) -> tuple[str, str, str, int]:
        """Which study of which setup it belongs to."""
        return self.knowledge, self.truth, self.stages, self.study

    @property
    def is_last(self) -> bool:
        """Whether no stage of the study comes after it."""
        return self.stage == self.stages.count("+") + 1


COLUMNS: Final = tuple(field.name for field in dataclasses.fields(Record))
KINDS: Final = get_type_hints(Record)


def read_records(path: Path, *, seed: int) -> list[Record]:
    """Read what was rehearsed so far; nothing where there is no file.

    A last line that was cut off in the middle of writing is left out.

    Raises
    ------
    ResultsError
        If the file is something else, or was made with another seed.
    """
    if not path.exists():
        return []
    text = path.read_text(encoding="utf-8")
    lines = text[: text.rfind("\n") + 1]
    rows = csv.reader(io.StringIO(lines))
    if tuple(next(rows, ())) != COLUMNS:
        message = "this is not a table of rehearsed studies; name another file"
        raise ResultsError(message, [Fault("the first row does not name its columns", file=path.name, row=1)])
    records = [_parse(row, path, number) for number, row in enumerate(rows, start=2)]
    others = sorted({record.seed for record in records} - {seed})
    if others:
        message = f"{path.name} was made with seed {others[0]}, not {seed}; name another file, or that seed"
        raise ResultsError(message)
    return records


def _parse(row: Sequence[str], path: Path, number: int) -> Record:
    """Read one row."""
    try:
        values = {name: _value(KINDS[name], text) for name, text in zip(COLUMNS, row, strict=True)}
    except ValueError as error:
        message = f"a row of {path.name} cannot be read; name another file"
        raise ResultsError(message, [Fault(str(error), file=path.name, row=number)]) from error
    return Record(**values)  # type: ignore[arg-type]


def _value(kind: type, text: str) -> object:
    if kind is bool:
        return {"yes": True, "no": False}[text] if text in {"yes", "no"} else _not_yes_or_no(text)
    return kind(text)


def _not_yes_or_no(text: str) -> bool:
    message = f"{text!r} is neither yes nor no"
    raise ValueError(message)


def _text(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return f"{value:.6g}" if isinstance(value, float) else str(value)


class RecordFile:
    """A table that grows study by study, each written whole and flushed, so that a stopped run loses nothing.

    Parameters
    ----------
    path : Path
        Made with its first row where it is not there; a cut-off last line is removed.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            if path.exists():
                self._drop_cut_off_line()
            else:
                path.parent.mkdir(parents=True, exist_ok=True)
                self._append([COLUMNS])
        except OSError as error:
            message = f"{path} cannot be written: {error.strerror}"
            raise DoeError(message) from error

    def add(self, records: Iterable[Record]) -> None:
        """Add the stages of one study."""
        self._append([_text(getattr(record, name)) for name in COLUMNS] for record in records)

    def _append(self, rows: Iterable[Sequence[str]]) -> None:
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerows(rows)
        with self.path.open("a", encoding="utf-8", newline="") as file:
            file.write(text.getvalue())

    def _drop_cut_off_line(self) -> None:
        data = self.path.read_bytes()
        whole = data.rfind(b"\n") + 1
        if whole < len(data):
            os.truncate(self.path, whole)


def finished(records: Iterable[Record]) -> set[tuple[str, str, str, int]]:
    """Give the keys of the studies whose last stage is there."""
    return {record.key for record in records if record.is_last}


def whole_studies(records: Sequence[Record]) -> Iterator[Record]:
    """Give the records of finished studies, each stage once."""
    done, seen = finished(records), set()
    for record in records:
        at = (*record.key, record.stage)
        if record.key in done and at not in seen:
            seen.add(at)
            yield record
