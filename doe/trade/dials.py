"""Dial calibration: timed wire pulls and volt readings become what each mark of a dial gives, with its band.

Readings of one mark differ by uneven feed, the spool's drag and the stopwatch; their pooled standard deviation is the
scatter of a setting. Between marks that are numbers the dial is taken as straight. Nothing is said outside the marks
that were read.
"""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import stats

from doe.errors import CannotAnswerError, DoeError, Fault

LEAST_NUMBERS: Final = 3
"""Marks a numbered dial needs: two cannot show that it is not straight. [1] Our choice, no source; not of the
trade."""
LEAST_TAPS: Final = 2
"""Marks a dial of taps needs. [1] Our choice, no source; not of the trade."""
SHORT_PULL_S: Final = 6.0
"""A pull shorter than this suffers from the thumb on the stopwatch. [s] Common practice, no source, from memory.
Hand-timed pulls."""
DIGITS: Final = 4
"""Significant digits of the values in a marks table. [1] Our choice, no source; not of the trade."""


@dataclass(frozen=True)
class MarkReading:
    """One reading of a dial.

    Attributes
    ----------
    mark : str
        What the dial showed.
    value : float
        What came out, in the dial's unit.
    place : str
        Where on the spool ("start", "middle"); empty where not noted.
    """

    mark: str
    value: float
    place: str = ""


@dataclass(frozen=True)
class Band:
    """A value with its confidence limits; None where the scatter is not known."""

    value: float
    low: float | None
    high: float | None


@dataclass(frozen=True)
class MarkPoint:
    """What one mark gives: the mean of its readings, its confidence limits, the number of readings."""

    mark: str
    mean: Band
    n: int


@dataclass(frozen=True)
class MarkFor:
    """The mark that gives a wanted value.

    Attributes
    ----------
    wanted : float
    mark : str or None
        None where the value is outside the marks that were read.
    low, high : float or None
        Confidence limits of the mark, on a numbered dial whose scatter is known.
    gives : float or None
        What the mark gives: the wanted value on a numbered dial, the nearest there is on one of taps.
    reason : str
        Why there is no mark; empty where there is one.
    """

    wanted: float
    mark: str | None
    low: float | None = None
    high: float | None = None
    gives: float | None = None
    reason: str = ""


@dataclass(frozen=True)
class PlaceShift:
    """How much higher the readings at one place of the spool are than the mean of their marks, as a share."""

    place: str
    share: float
    n: int


@dataclass(frozen=True, eq=False)
class Calibration:
    """A calibrated dial.

    Attributes
    ----------
    points : tuple of MarkPoint
        In rising order.
    is_numbered : bool
        Whether the dial can be set between the marks; on one of taps they are the only settings.
    scatter : float or None
        Pooled standard deviation of readings at one mark; None where no mark was read twice.
    residual_df : int
    confidence : float
        Of the bands, two-sided.
    places : tuple of PlaceShift
    findings : tuple of str
        What the user should know.
    """

    points: tuple[MarkPoint, ...]
    is_numbered: bool
    scatter: float | None
    residual_df: int
    confidence: float
    places: tuple[PlaceShift, ...]
    findings: tuple[str, ...]

    @property
    def set_within(self) -> float | None:
        """How well the dial can be set and held, one standard deviation, for study.toml; None where not known."""
        return None if self.scatter is None else _rounded(self.scatter, 2)

    @property
    def marks(self) -> dict[str, float]:
        """The ``marks`` table for study.toml: mark and value, rounded to four digits."""
        return {point.mark: _rounded(point.mean.value, DIGITS) for point in self.points}

    def to_dict(self) -> dict[str, object]:
        """Give the calibration as ``dial --json`` prints it."""
        return {
            "marks": self.marks,
            "set_within": self.set_within,
            "points": [
                {"mark": p.mark, "value": p.mean.value, "low": p.mean.low, "high": p.mean.high, "readings": p.n}
                for p in self.points
            ],
            "scatter": self.scatter,
            "residual_df": self.residual_df,
            "confidence": self.confidence,
            "between_marks": self.is_numbered,
            "spool": [{"place": p.place, "share": p.share, "readings": p.n} for p in self.places],
            "findings": list(self.findings),
        }


def pulled_speed_mm_s(length_mm: float, seconds: float) -> float:
    """Give the wire feed from a timed pull, in mm/s.

    Examples
    --------
    >>> pulled_speed_mm_s(700.0, 6.0)
    116.667
    """
    return length_mm / seconds


def pull_findings(seconds: Sequence[float]) -> tuple[str, ...]:
    """Say where pulls were so short that the thumb on the stopwatch counts."""
    short = sum(time < SHORT_PULL_S for time in seconds)
    if not short:
        return ()
    return (
        f"{short} of {len(seconds)} pulls took less than {SHORT_PULL_S:g} s: a few tenths of the thumb on the "
        "stopwatch are then a few per cent, and stand in the scatter; pull for longer",
    )


def marks_table(calibration: Calibration, *, name: str, unit: str) -> str:
    """Write the dial as a factor of study.toml: name, role, unit, marks, set_within where it is known.

    Parameters
    ----------
    calibration : Calibration
    name : {"feed", "voltage"}
    unit : str
        Of the values.

    Examples
    --------
    >>> print(marks_table(calibrate([MarkReading("A", 17.0), MarkReading("B", 18.4)]), name="voltage", unit="V"))
    [[factor]]
    name = "voltage"
    role = "voltage"
    unit = "V"
    marks = { "A" = 17.0, "B" = 18.4 }
    """
    pairs = ", ".join(
        f"{json.dumps(mark, ensure_ascii=False)} = {value!r}" for mark, value in calibration.marks.items()
    )
    lines = ["[[factor]]", f'name = "{name}"', f'role = "{name}"', f'unit = "{unit}"', f"marks = {{ {pairs} }}"]
    within = calibration.set_within
    return "\n".join(lines + ([] if not within else [f"set_within = {within!r}"]))


def calibrate(readings: Sequence[MarkReading], *, taps: bool = False, confidence: float = 0.90) -> Calibration:
    """Make a calibration of readings.

    Parameters
    ----------
    readings : sequence of MarkReading
        Repeated readings of a mark show the scatter.
    taps : bool
        Whether the dial clicks from mark to mark although the marks are numbers; letters and words always do.
    confidence : float
        Of the bands, two-sided.

    Returns
    -------
    Calibration

    Raises
    ------
    CannotAnswerError
        If there are too few marks, or what they give does not rise.

    Notes
    -----
    Mean of a mark plus or minus t s / sqrt(n), s pooled over the marks; degrees of freedom: readings less marks.

    Examples
    --------
    >>> pulled = [MarkReading(m, v) for m, v in (("2", 3.0), ("2", 3.1), ("4", 5.2), ("6", 7.0), ("6", 7.1))]
    >>> calibration = calibrate(pulled)
    >>> calibration.marks, calibration.set_within
    ({'2': 3.05, '4': 5.2, '6': 7.05}, 0.071)
    """
    by_mark = _in_order(readings)
    is_numbered = not taps and all(_number(mark) is not None for mark in by_mark)
    _refuse_too_few(by_mark, least=LEAST_NUMBERS if is_numbered else LEAST_TAPS)
    means = {mark: math.fsum(values) / len(values) for mark, values in by_mark.items()}
    _refuse_not_rising(means)
    df = len(readings) - len(means)
    squares = math.fsum((value - means[mark]) ** 2 for mark, values in by_mark.items() for value in values)
    scatter = math.sqrt(squares / df) if df else None
    points = tuple(
        MarkPoint(mark, _mean_band(means[mark], len(values), scatter, df=df, confidence=confidence), len(values))
        for mark, values in by_mark.items()
    )
    places = _place_shifts(readings, means)
    findings = _findings(points, scatter, df=df, confidence=confidence)
    return Calibration(points, is_numbered, scatter, df, confidence, places, findings)


def value_at(calibration: Calibration, mark: float) -> Band:
    """Give what a numbered dial gives at a mark, between two that were read in a straight line.

    Parameters
    ----------
    calibration : Calibration
        Of a numbered dial.
    mark : float
        Between the first and the last mark that were read.

    Raises
    ------
    DoeError
        If the dial is one of taps, or the mark is outside.
    """
    marks = _numbered(calibration)
    if not calibration.is_numbered or not marks[0] <= mark <= marks[-1]:
        message = f"{mark:g} is not between two marks that were read: {', '.join(p.mark for p in calibration.points)}"
        raise DoeError(message)
    upper = min(int(np.searchsorted(marks, mark, side="left")) or 1, len(marks) - 1)
    first, second = calibration.points[upper - 1], calibration.points[upper]
    share = (mark - marks[upper - 1]) / (marks[upper] - marks[upper - 1])
    value = first.mean.value + share * (second.mean.value - first.mean.value)
    if calibration.scatter is None:
        return Band(value, None, None)
    variance = (1.0 - share) ** 2 / first.n + share**2 / second.n
    half = _t(calibration) * calibration.scatter * math.sqrt(variance)
    return Band(value, value - half, value + half)


def value_of_mark(calibration: Calibration, mark: str) -> float | None:
    """Give what a mark gives: as read, between two in a straight line on a numbered dial; None where not known.

    Examples
    --------
    >>> dial = calibrate([MarkReading(m, v) for m, v in (("2", 3.0), ("4", 5.2), ("6", 7.0))])
    >>> value_of_mark(dial, "4.0"), value_of_mark(dial, "3"), value_of_mark(dial, "7")
    (5.2, 4.1, None)
    """
    known = {point.mark: point.mean.value for point in calibration.points}
    spelled = _one_spelling(mark, known)
    if spelled in known:
        return known[spelled]
    number = _number(mark)
    marks = _numbered(calibration) if calibration.is_numbered else []
    if number is None or not marks or not marks[0] <= number <= marks[-1]:
        return None
    return value_at(calibration, number).value


def mark_for(calibration: Calibration, wanted: float) -> MarkFor:
    """Find the mark that gives a wanted value: between two on a numbered dial, the nearest on one of taps.

    Parameters
    ----------
    calibration : Calibration
    wanted : float
        In the dial's unit.

    Returns
    -------
    MarkFor
        Limits are the band's half-width over the slope between the two marks.
    """
    values = np.array([p.mean.value for p in calibration.points])
    if not values[0] <= wanted <= values[-1]:
        reason = f"{wanted:.4g} is outside what was read, {values[0]:.4g} to {values[-1]:.4g}: nothing is said there"
        return MarkFor(wanted, None, reason=reason)
    if not calibration.is_numbered:
        nearest = calibration.points[int(np.argmin(np.abs(values - wanted)))]
        return MarkFor(wanted, nearest.mark, gives=nearest.mean.value)
    marks = _numbered(calibration)
    mark = float(np.interp(wanted, values, marks))
    band = value_at(calibration, mark)
    if band.high is None:
        return MarkFor(wanted, f"{mark:.3g}", gives=wanted)
    place = min(int(np.searchsorted(values, wanted, side="left")) or 1, len(values) - 1)
    slope = (values[place] - values[place - 1]) / (marks[place] - marks[place - 1])
    half = float((band.high - band.value) / slope)
    return MarkFor(wanted, f"{mark:.3g}", mark - half, mark + half, wanted)


def _in_order(readings: Sequence[MarkReading]) -> dict[str, list[float]]:
    """Give each mark's readings: numbers by size, single letters by the alphabet, words as they came."""
    by_mark: dict[str, list[float]] = {}
    for reading in readings:
        by_mark.setdefault(_one_spelling(reading.mark, by_mark), []).append(reading.value)
    numbers = {mark: _number(mark) for mark in by_mark}
    if all(number is not None for number in numbers.values()):
        return dict(sorted(by_mark.items(), key=lambda item: numbers[item[0]] or 0.0))
    if all(len(mark) == 1 for mark in by_mark):
        return dict(sorted(by_mark.items()))
    return by_mark


def _one_spelling(mark: str, known: Mapping[str, object]) -> str:
    """Give the spelling a mark has already: 5 and 5.0 are one mark."""
    number = _number(mark)
    return next((k for k in known if k == mark or (number is not None and _number(k) == number)), mark)


def _number(mark: str) -> float | None:
    """Give the number on the dial; None where the mark is none."""
    try:
        value = float(mark.replace(",", "."))
    except ValueError:
        return None
    return value if math.isfinite(value) else None


def _numbered(calibration: Calibration) -> list[float]:
    return [_number(point.mark) or 0.0 for point in calibration.points]


def _refuse_too_few(by_mark: Mapping[str, object], *, least: int) -> None:
    if len(by_mark) < least:
        read = ", ".join(by_mark) or "none"
        message = (
            f"Too few marks to calibrate a dial: {len(by_mark)} read ({read}), at least {least} are needed, spread "
            "over the range you weld in. Read more marks, each at least twice."
        )
        raise CannotAnswerError(message)


def _refuse_not_rising(means: Mapping[str, float]) -> None:
    """Refuse a dial whose next mark does not give more; every such pair is named."""
    faults = [
        Fault(
            f"mark {second} gives {means[second]:.4g}, not more than the {means[first]:.4g} of mark {first}", key=second
        )
        for first, second in itertools.pairwise(means)
        if means[second] <= means[first]
    ]
    if faults:
        message = "What the dial gives does not rise from mark to mark; read these marks again, or look for a slip:"
        raise CannotAnswerError(message, faults)


def _mean_band(mean: float, n: int, scatter: float | None, *, df: int, confidence: float) -> Band:
    if scatter is None:
        return Band(mean, None, None)
    half = float(stats.t.ppf(0.5 + confidence / 2.0, df)) * scatter / math.sqrt(n)
    return Band(mean, mean - half, mean + half)


def _t(calibration: Calibration) -> float:
    return float(stats.t.ppf(0.5 + calibration.confidence / 2.0, calibration.residual_df))


def _place_shifts(readings: Sequence[MarkReading], means: Mapping[str, float]) -> tuple[PlaceShift, ...]:
    """Compare places of the spool, on the marks that were read at more than one."""
    shares: dict[str, list[float]] = {}
    places: dict[str, set[str]] = {}
    for reading in readings:
        places.setdefault(_one_spelling(reading.mark, means), set()).add(reading.place)
    for reading in readings:
        mark = _one_spelling(reading.mark, means)
        if reading.place and len(places[mark] - {""}) > 1:
            shares.setdefault(reading.place, []).append(reading.value / means[mark] - 1.0)
    return tuple(PlaceShift(place, math.fsum(v) / len(v), len(v)) for place, v in shares.items())


def _findings(points: Sequence[MarkPoint], scatter: float | None, *, df: int, confidence: float) -> tuple[str, ...]:
    if scatter is None:
        return (
            "no mark was read twice: the scatter is not known, so there is no band and no set_within; read each mark "
            "again, at the start and in the middle of a spool",
        )
    said = []
    if df < 4:
        said.append(
            f"the scatter rests on {df} repeated reading{'s' if df > 1 else ''} only: the bands are wide for it"
        )
    t = float(stats.t.ppf(0.5 + confidence / 2.0, df))
    for first, second in itertools.pairwise(points):
        half = t * scatter * math.sqrt(1.0 / first.n + 1.0 / second.n)
        if second.mean.value - first.mean.value <= half:
            said.append(f"marks {first.mark} and {second.mark} cannot be told apart by these readings")
    return tuple(said)


def _rounded(value: float, digits: int) -> float:
    return float(f"{value:.{digits}g}")
