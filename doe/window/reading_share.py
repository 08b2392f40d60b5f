"""What a reading study means: how closely a reading repeats, and how much of the scatter between welds it is."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Final, Literal

from scipy import special

from doe.bench.reading import examine_results
from doe.bench.reading_study import StudiedReading
from doe.bench.repeatability import Repeatability
from doe.bench.results import Measurement
from doe.bench.stage import is_untouched
from doe.errors import CannotAnswerError
from doe.models.measure import fit_measure
from doe.models.usable import usable_readings
from doe.study.model import Response, Study

WITHIN: Final = 0.90
"""Share of readings meant by "repeats to plus or minus": 9 of 10. Our choice."""
MUCH: Final = 0.3
"""Share of the scatter from which reading is worth more care than welding more. Our choice."""


@dataclass(frozen=True)
class WeldScatter:
    """Scatter between welds made alike, as it was read, and where it is from."""

    sd: float
    origin: Literal["fitted", "expected"]


@dataclass(frozen=True)
class ReadingAnswer:
    """The answer for one response.

    Attributes
    ----------
    name, unit : str
    found : Repeatability or None
    confidence : float
        Of the limits.
    scatter : WeldScatter or None
        None where neither welds nor the study tell it.
    notes : tuple of str
    """

    name: str
    unit: str
    found: Repeatability | None
    confidence: float
    scatter: WeldScatter | None
    notes: tuple[str, ...]

    @property
    def repeats_within(self) -> float | None:
        """Nine of ten readings of one section lie within this of their mean; None where it is not known."""
        return None if self.found is None else float(special.ndtri(0.5 + WITHIN / 2)) * self.found.sd

    @property
    def share(self) -> float | None:
        """Share of the variance between welds made alike that is the reading, at most 1."""
        if self.found is None or self.scatter is None:
            return None
        return min(self.found.sd**2 / self.scatter.sd**2, 1.0)

    @property
    def words(self) -> tuple[str, ...]:
        """The answer in sentences."""
        return tuple(_words(self))

    def to_dict(self) -> dict[str, object]:
        """Give the answer as ``reading-study --json`` prints it."""
        base: dict[str, object] = {"unit": self.unit, "notes": list(self.notes)}
        if self.found is None:
            return base | {"repeats_within": None}
        low, high = self.found.repeat_limits(self.confidence)
        return base | {
            "repeats_within": self.repeats_within,
            "sd": self.found.sd,
            "repeat_sd": self.found.repeat_sd,
            "repeat_low": low,
            "repeat_high": high,
            "error_df": self.found.error_df,
            "reader_means": list(self.found.reader_means),
            "sections": self.found.n_sections,
            "share_of_scatter": self.share,
            "scatter": None if self.scatter is None else asdict(self.scatter),
            "share_of_sections": self.found.section_share,
            "mean_squares": asdict(self.found.mean_squares),
            "components": asdict(self.found.components),
        }


def judge_reading(studied: StudiedReading, study: Study, *, seed: int) -> ReadingAnswer:
    """Set a reading's scatter against that between welds: as fitted where there are results, else as expected.

    Parameters
    ----------
    studied : StudiedReading
    study : Study
    seed : int
        Of the fit.
    """
    response = studied.response
    scatter = None if studied.found is None else _weld_scatter(response, study, seed=seed)
    return ReadingAnswer(response.name, response.unit, studied.found, study.claim.confidence, scatter, studied.notes)


def _weld_scatter(response: Response, study: Study, *, seed: int) -> WeldScatter | None:
    """Find the scatter between welds made alike, the reading in it."""
    fitted = _fitted(response, study, seed=seed)
    if fitted is not None:
        return WeldScatter(fitted, "fitted")
    return None if response.expect_scatter is None else WeldScatter(response.expect_scatter, "expected")


def _fitted(response: Response, study: Study, *, seed: int) -> float | None:
    """Fit the measure, where results are filled in and allow it."""
    tables = [path for pattern in ("results*.csv", "results*.xlsx") for path in study.folder.glob(pattern)]
    if all(is_untouched(Path(path)) for path in tables):
        return None
    results = examine_results(study.folder, study).results
    if results is None:
        return None
    readings = results.readings[response.name]
    try:
        # without the reading study, so that the scatter still holds the reading
        fit = fit_measure(replace(results, reading_scatter={}), response, seed=seed)
    except CannotAnswerError:
        return None
    spread = fit.numbers["spread"]
    if not isinstance(spread, dict) or not isinstance(readings, Measurement):
        return None
    return math.sqrt(float(spread["weld"]) ** 2 + usable_readings(readings).reading_variance)


def _words(answer: ReadingAnswer) -> Iterator[str]:
    found, within = answer.found, answer.repeats_within
    if found is not None and within is not None:
        low, high = found.repeat_limits(answer.confidence)
        whose = "your reading repeats" if found.n_readers == 1 else "a reading, whichever of you reads, repeats"
        yield (
            f"{answer.name}: {whose} to ± {_shown(within, answer)}: 9 of 10 readings of one section lie within that of "
            f"their mean ({found.n_sections} sections, each read {_times(found.n_readings)}"
            f"{'' if found.n_readers == 1 else f' by {found.n_readers} people'})."
        )
        yield (
            f"One person's readings scatter by {_shown(found.repeat_sd, answer)} (one standard deviation; "
            f"{answer.confidence:.0%} sure it is {_shown(low, answer)} to {_shown(high, answer)})."
        )
        yield from _readers(answer, found)
        yield from _shares(answer, found)
    yield from (f"Please note: {note}." for note in answer.notes)


def _readers(answer: ReadingAnswer, found: Repeatability) -> Iterator[str]:
    """Say how two people differ."""
    if found.n_readers < 2:
        return
    difference = found.reader_means[1] - found.reader_means[0]
    of_people = (found.components.reader + found.components.both) / found.sd**2
    yield (
        f"The second reader reads {_shown(abs(difference), answer)} {'more' if difference > 0 else 'less'} than the "
        f"first, on average; {_percent(of_people)} of the reading's variance is who reads."
    )


def _shares(answer: ReadingAnswer, found: Repeatability) -> Iterator[str]:
    """Say how much of the scatter is the reading."""
    share, scatter = answer.share, answer.scatter
    if share is None or scatter is None:
        yield (
            "How much of the scatter between welds that is cannot be said yet: fill in the welds, or state "
            "expect_scatter."
        )
    else:
        of = "as these welds show" if scatter.origin == "fitted" else "as expected"
        yield (
            f"{_percent(share)} of the scatter is the reading: of the variance between welds made alike, whose "
            f"standard deviation is {_shown(scatter.sd, answer)} {of}, the reading included."
        )
        if share >= MUCH:
            yield (
                "That is much: finer polishing, a fresh etch, more magnification or the mean of two blind readings "
                "tightens the answer without one more weld."
            )
    yield f"Over the sections read, {_percent(found.section_share)} of the variance is the reading."


def _percent(share: float) -> str:
    """Give a share in whole per cent; one that is not nothing never reads as nothing, nor one short of all as all."""
    if 0.0 < share < 0.01:
        return "Under 1 %"
    return "Over 99 %" if 0.99 < share < 1.0 else f"{share * 100:.0f} %"


def _times(n: int) -> str:
    return "twice" if n == 2 else f"{n} times"


def _shown(value: float, answer: ReadingAnswer) -> str:
    return f"{value:.2g} {answer.unit}".strip()
