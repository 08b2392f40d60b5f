"""What was measured, response by response."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from doe.bench.log import Log, Place
from doe.bench.records import Record
from doe.bench.results import Counts, Measurement, Passes, Readings, Status, Trips
from doe.coding import FloatArray
from doe.study.model import Response, Study

Row = tuple[Record, Status]


def read_responses(rows: Sequence[Row], study: Study, log: Log) -> dict[str, Readings]:
    """Collect each response's readings.

    A reading counts whatever the status, scrapped apart; the trips of a scrapped weld count.

    Parameters
    ----------
    rows : sequence of (Record, Status)
    study : Study
    log : Log
        Takes the questions.

    Returns
    -------
    dict of str to Readings
    """
    return {response.name: _readings(rows, response, log) for response in study.responses}


def _readings(rows: Sequence[Row], response: Response, log: Log) -> Readings:
    if response.kind == "measure":
        return _measurement(rows, response, log)
    if response.kind == "count":
        return _counts(rows, response, log)
    if response.kind == "trip":
        return _trips(rows, response, log)
    return Passes(_locked([_of(row, "reading", response) for row in rows]))


def _measurement(rows: Sequence[Row], response: Response, log: Log) -> Measurement:
    cuts = [
        cut for record, _ in rows for what, name, cut in record.amounts if (what, name) == ("reading", response.name)
    ]
    n_cuts = max(cuts, default=1)
    values = [[_of(row, "reading", response, cut=cut) for cut in range(1, n_cuts + 1)] for row in rows]
    full = [_full(record, response, n_cuts, log) for record, _ in rows]
    return Measurement(_locked(values, shape=(len(rows), n_cuts)), _locked(full))


def _full(record: Record, response: Response, n_cuts: int, log: Log) -> float:
    """Give the reading from which a weld's readings say only "at least": its own, or the study's."""
    own = record.number("full", response.name)
    full = own if own is not None else (response.full if response.full is not None else np.inf)
    amounts = [record.amounts.get(("reading", response.name, cut)) for cut in range(1, n_cuts + 1)]
    least = min((a.value for a in amounts if a is not None and a.is_least), default=np.inf)
    if least < full and any(a is not None and a.value > least and not a.is_least for a in amounts):
        log.question(
            f"{record.weld} has {response.name} of “at least {least:g}” in one cut and more in another: every cut is "
            f"then read as at least {least:g}",
            record.place("reading", response.name),
        )
    return float(min(full, least))


def _counts(rows: Sequence[Row], response: Response, log: Log) -> Counts:
    counts = _locked([_of(row, "reading", response) for row in rows])
    lengths = [
        _inspected(record, response, log) if np.isfinite(count) else np.nan
        for (record, _), count in zip(rows, counts, strict=True)
    ]
    _ask_of_lengths(rows, response, log)
    return Counts(counts, _locked(lengths))


def _inspected(record: Record, response: Response, log: Log) -> float:
    """Give the inspected length: its own, or the study's `per`; nan where neither is given."""
    length = record.number("length", response.name)
    if length is not None:
        return length
    if response.per_mm is None:
        return np.nan
    place = record.place("reading", response.name)
    log.convert("no inspected length", f"{response.per_mm:g} mm, the study's", place)
    return response.per_mm


def _ask_of_lengths(rows: Sequence[Row], response: Response, log: Log) -> None:
    counted = [record for record, _ in rows if record.number("reading", response.name) is not None]
    bare = [record for record in counted if record.number("length", response.name) is None]
    if bare and response.per_mm is not None:
        names = ", ".join(record.weld for record in bare)
        log.question(
            f"{response.name} is counted without an inspected length on {names}: {response.per_mm:g} mm is taken. "
            "Was it that length, without the start and the stop?",
            Place(bare[0].file, 0, bare[0].place("reading", response.name).column),
        )
    for record, _ in rows:
        if ("reading", response.name, 1) not in record.written and record.number("length", response.name) is not None:
            log.question(
                f"{record.weld} has an inspected length and no count of {response.name}: write 0 where none was found",
                record.place("length", response.name),
            )


def _trips(rows: Sequence[Row], response: Response, log: Log) -> Trips:
    tripped = [_of(row, "reading", response) for row in rows]
    times = [_of(row, "run", response) for row in rows]
    for (record, _), trip, time in zip(rows, tripped, times, strict=True):
        if np.isnan(trip) and np.isfinite(time):
            log.question(
                f"{record.weld} has an arc time of {time:g} s, and {response.name} is left blank: did it trip?",
                record.place("run", response.name),
            )
    return Trips(_locked(tripped), _locked(times))


def _of(row: Row, what: str, response: Response, *, cut: int = 1) -> float:
    record, status = row
    value = record.number(what, response.name, cut)
    is_left_out = status == "scrapped" and response.kind != "trip"
    return np.nan if value is None or is_left_out else value


def _locked(values: Sequence[float] | Sequence[Sequence[float]], shape: tuple[int, ...] | None = None) -> FloatArray:
    array = np.array(values, dtype=float)
    if shape is not None:
        array = array.reshape(shape)
    array.setflags(write=False)
    return array
