"""The results: what was set, what was measured, as frozen arrays."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from doe.coding import FloatArray
from doe.planning.plan import SECOND, factor_headings, setting_value
from doe.study.model import Response, Study

if TYPE_CHECKING:
    import pandas as pd

Status = Literal["done", "aborted", "scrapped", "not run"]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Measurement:
    """Readings of a ``measure`` response.

    Attributes
    ----------
    values : ndarray, shape (n_welds, n_cuts)
        In the response's unit; nan where nothing was read.
    full : ndarray, shape (n_welds,)
        A reading at or over this says only "at least this much"; inf where there is no such limit.
    """

    values: FloatArray
    full: FloatArray


@dataclass(frozen=True, eq=False)
class Counts:
    """Counts over inspected lengths: both shape (n_welds,), nan where nothing was counted; length in mm.

    A length that was not given is the study's ``per_mm``; nan where that is not given either.
    """

    counts: FloatArray
    length_mm: FloatArray


@dataclass(frozen=True, eq=False)
class Trips:
    """Trips: ``tripped`` 1, 0 or nan; ``time_s`` the arc time at the trip, or run without one, nan where not timed."""

    tripped: FloatArray
    time_s: FloatArray


@dataclass(frozen=True, eq=False)
class Passes:
    """Pass or fail: 1, 0 or nan, shape (n_welds,)."""

    passed: FloatArray


Readings = Measurement | Counts | Trips | Passes


@dataclass(frozen=True)
class StudiedScatter:
    """What a reading study says of one measure's reading.

    Attributes
    ----------
    sd : float
        Scatter of readings of one section, one standard deviation, in the response's unit.
    proven_variance : float
        Variance of reading that is held with the claim's confidence: what may be taken off the scatter.
    n_sections : int
    """

    sd: float
    proven_variance: float
    n_sections: int


@dataclass(frozen=True)
class Conversion:
    """One thing that was read differently from how it stands in the table; row 0 is the table as a whole."""

    file: str
    row: int
    column: str
    found: str
    read_as: str


@dataclass(frozen=True, eq=False)
class Results:
    """Every weld that was read, scrapped ones apart from the readings.

    Attributes
    ----------
    study : Study
    weld, plate, block, role, file : tuple of str, length n_welds
        ``block`` is empty where there are none, ``role`` for a weld that no plan has; a weld without a plate has one of
        its own, ``(W01)``; ``file`` is the table the weld stands in.
    position, order, row : ndarray of int, shape (n_welds,)
        ``position`` is 1 and ``order`` is 0 where not given; ``row`` as the user counts it, 0 for a planned weld
        that the results do not have (``file`` is then its plan).
    planned, settings : ndarray, shape (n_welds, n_factors)
        Natural settings as planned, and as they were (planned where nothing else was recorded).
    status : tuple of str
    readings : mapping of str to Readings
        Response to its readings. A scrapped weld's readings are nan, but for its trips.
    conditions : mapping of str to ndarray, shape (n_welds,)
        nan where not recorded: "plate temperature [degC]", "rest [min]", "line voltage [V]", "line current [A]",
        "arc voltage [V]", "arc current [A]", "travel speed [mm/s]", "stick-out [mm]", "gap [mm]".
    remarks : mapping of str to tuple of str
        "outlet", "cord", "place", "spool", "time", "notes", and every column that is not known.
    reading_scatter : mapping of str to StudiedScatter
        Measure to what the reading study says of it; empty where none was made.
    conversions : tuple of Conversion
    questions : tuple of str
        Doubtful readings: asked about, never removed.
    """

    study: Study
    weld: tuple[str, ...]
    plate: tuple[str, ...]
    block: tuple[str, ...]
    role: tuple[str, ...]
    file: tuple[str, ...]
    position: IntArray
    order: IntArray
    row: IntArray
    planned: FloatArray
    settings: FloatArray
    status: tuple[str, ...]
    readings: Mapping[str, Readings]
    conditions: Mapping[str, FloatArray] = field(default_factory=dict)
    remarks: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    conversions: tuple[Conversion, ...] = ()
    questions: tuple[str, ...] = ()
    reading_scatter: Mapping[str, StudiedScatter] = field(default_factory=dict)

    @property
    def n_welds(self) -> int:
        """Number of welds read."""
        return len(self.weld)

    @property
    def is_second(self) -> BoolArray:
        """Whether each weld is a second bead, of which nothing but a count is asked, shape (n_welds,)."""
        return np.array([role == SECOND for role in self.role], dtype=bool)

    def to_dict(self) -> dict[str, object]:
        """Give what ``check --json`` prints of tables without a fault."""
        return {
            "schema": 1,
            "welds": self.n_welds,
            "faults": [],
            "conversions": [vars(conversion) for conversion in self.conversions],
            "questions": list(self.questions),
        }

    def to_frame(self) -> pd.DataFrame:
        """Give a new table, one row a weld, with the headings of results.csv and numbers as numbers.

        Settings are as they were (a dial's mark where the setting is at one), readings in their response's unit and
        inspected lengths in mm; nan where nothing was read.
        """
        import pandas as pd  # noqa: PLC0415 - costs half a second, and only tables need it

        columns: dict[str, object] = {
            "weld": self.weld,
            "plate": self.plate,
            "position": self.position,
            "order": self.order,
            **dict(_setting_columns(self)),
        }
        if self.study.plan.blocks is not None:
            columns[self.study.plan.blocks.name] = self.block
        columns |= {"role": self.role, "status": self.status}
        for name in self.readings:
            columns |= dict(_reading_columns(self, self.study.response(name)))
        return pd.DataFrame(columns | dict(self.conditions) | dict(self.remarks))


def only_welds(results: Results, keep: BoolArray) -> Results:
    """Give the results of some of the welds alone.

    Parameters
    ----------
    results : Results
    keep : ndarray of bool, shape (n_welds,)
    """
    return take_rows(results, np.flatnonzero(keep))


def take_rows(results: Results, rows: IntArray) -> Results:
    """Give some rows of the results, in the order they are named in.

    Parameters
    ----------
    results : Results
    rows : ndarray of int, shape (n,)
    """

    def listed(values: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(values[i] for i in rows)

    def read(readings: Readings) -> Readings:
        return type(readings)(**{name: value[rows] for name, value in vars(readings).items()})

    return replace(
        results,
        weld=listed(results.weld),
        plate=listed(results.plate),
        block=listed(results.block),
        role=listed(results.role),
        file=listed(results.file),
        status=listed(results.status),
        position=results.position[rows],
        order=results.order[rows],
        row=results.row[rows],
        planned=results.planned[rows],
        settings=results.settings[rows],
        readings={name: read(readings) for name, readings in results.readings.items()},
        conditions={name: values[rows] for name, values in results.conditions.items()},
        remarks={name: listed(words) for name, words in results.remarks.items()},
    )


def in_welding_order(results: Results) -> Results:
    """Give the rows in the order of welding, table by table; those without an order come last, by their weld's name.

    However a table was sorted, what is worked out from it is then the same to the last digit.
    """
    tables = list(dict.fromkeys(results.file))
    keys = [
        (tables.index(file), order <= 0, order, weld)
        for file, order, weld in zip(results.file, results.order.tolist(), results.weld, strict=True)
    ]
    return take_rows(results, np.array(sorted(range(len(keys)), key=keys.__getitem__), dtype=np.int64))


def _setting_columns(results: Results) -> Iterator[tuple[str, object]]:
    """Give each factor's columns."""
    for factor, values in zip(results.study.factors, results.settings.T, strict=True):
        for heading in factor_headings(factor):
            if heading == factor.heading:
                yield heading, [setting_value(factor, value) for value in values]
            else:
                yield heading, [factor.mark_at(value) for value in values]


def _reading_columns(results: Results, response: Response) -> Iterator[tuple[str, object]]:
    """Give one response's columns."""
    found, unit = results.readings[response.name], f" [{response.unit}]" if response.unit else ""
    if isinstance(found, Measurement):
        for cut, values in enumerate(found.values.T, start=1):  # noqa: PD011 - an array of our own
            yield f"{response.name}{'' if cut == 1 else f' {cut}'}{unit}", values
        if np.isfinite(found.full).any():
            yield f"{response.name} full{unit}", found.full
    elif isinstance(found, Counts):
        yield response.name, found.counts
        yield f"{response.name} length [mm]", found.length_mm
    elif isinstance(found, Trips):
        yield response.name, found.tripped
        yield f"{response.name} time [s]", found.time_s
    else:
        yield response.name, found.passed


def keep_counts(readings: Readings, blanked: BoolArray) -> Readings:
    """Blank whatever is no count of some welds: nothing else is asked of second beads.

    Parameters
    ----------
    readings : Readings
    blanked : ndarray of bool, shape (n_welds,)
    """
    if isinstance(readings, Counts) or not blanked.any():
        return readings
    if isinstance(readings, Measurement):
        return Measurement(np.where(blanked[:, None], np.nan, readings.values), readings.full)
    if isinstance(readings, Trips):
        return Trips(np.where(blanked, np.nan, readings.tripped), np.where(blanked, np.nan, readings.time_s))
    return Passes(np.where(blanked, np.nan, readings.passed))
