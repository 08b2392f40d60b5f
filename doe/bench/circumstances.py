"""What the welds were made under: plates, order, trips, ends, conditions that changed."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from itertools import pairwise
from typing import Final

import numpy as np

from doe.bench.asking import by_order, names, question, question_of_all, shown_value, was_run, welds_by_plate
from doe.bench.results import Counts, Measurement, Passes, Readings, Results, Trips
from doe.coding import FloatArray
from doe.errors import Fault
from doe.units import convert

END_MM: Final = 15.0
"""Length at each end of a bead whose pores are of the start and the stop. [mm] Common practice, no source."""
STICK_OUT_SHARE: Final = 0.20
"""Find a stick-out further than this share from its aim is asked about. Our choice."""
TRAVEL_SHARE: Final = 0.40
"""A travel speed further than this share from its aim is asked about: five times what a hand wanders. Our choice."""
PLATE_OFF_K: Final = 20.0
"""A plate further than this from its preheat is asked about. [K] Our choice."""
LINE_SHARE: Final = 0.15
"""A line voltage further than this share from the supply's is asked about. Our choice."""
PLATE_SHARE: Final = 0.05
"""Share of the range by which what is set once a plate may differ between its welds. Our choice."""
GAPS_APART_MM: Final = 0.5
"""Root gaps that differ by more are asked about. [mm] Our choice."""


def order_against_time(results: Results) -> Iterator[Fault]:
    """Find time stamps that do not rise with the order."""
    times = [_time(text) for text in results.remarks.get("time", ("",) * results.n_welds)]
    for i, text in enumerate(results.remarks.get("time", ())):
        if text and times[i] is None:
            yield question(results, i, "time", f"“{text}” is no time that can be read; 2031-05-04 10:30 is")
    for file in dict.fromkeys(results.file):
        ordered = [
            i
            for i in by_order(results, range(results.n_welds))
            if results.file[i] == file and results.order[i] and times[i] is not None
        ]
        for before, i in pairwise(ordered):
            first, then = times[before], times[i]
            if first is not None and then is not None and then < first:
                text = f"its time is before that of {results.weld[before]}, which comes first by order. Which is right?"
                yield question(results, i, "time", text)


def plate_not_held(results: Results) -> Iterator[Fault]:
    """Find what is set once a plate, and differs between its welds."""
    for j, factor in enumerate(results.study.factors):
        if not factor.hard_to_change:
            continue
        allowed = 0.0 if factor.is_kind else max(PLATE_SHARE * (factor.high - factor.low), 3 * factor.set_within)
        for plate, welds in welds_by_plate(results).items():
            values = results.settings[welds, j]
            if values.max() - values.min() > allowed:
                shown = " and ".join(shown_value(factor, v) for v in (values.min(), values.max()))
                text = f"{factor.name} is set once a plate, and {plate} has {shown}. Are they on one plate?"
                yield question_of_all(results, welds, factor.heading, text)


def plate_temperature_off(results: Results) -> Iterator[Fault]:
    """Find a plate that was not at its preheat before the arc; a later weld only where plates are to cool."""
    factor = results.study.factor_of_role("preheat")
    temperatures = results.conditions.get("plate temperature [degC]")
    if factor is None or temperatures is None:
        return
    j = results.study.factors.index(factor)
    for i in np.flatnonzero(np.isfinite(temperatures) & was_run(results)):
        if results.study.plan.later_welds == "warm" and results.position[i] > 1:
            continue
        aim = convert(float(results.settings[i, j]), factor.unit, "degC")
        if abs(temperatures[i] - aim) <= PLATE_OFF_K:
            continue
        in_degc = convert(float(temperatures[i]), "degF", "degC")
        hint = f"Is it °F ({in_degc:.3g} °C)?" if abs(in_degc - aim) <= 10 else "Which is right?"
        text = f"the plate was at {temperatures[i]:.4g} °C and its {factor.name} is {aim:.4g} °C. {hint}"
        yield question(results, int(i), "plate temperature", text)


def positions(results: Results) -> Iterator[Fault]:
    """Find two welds in one place, a second side without a first, a second side made before the first."""
    for plate, welds in welds_by_plate(results).items():
        by_position: dict[int, list[int]] = {}
        for i in welds:
            by_position.setdefault(int(results.position[i]), []).append(i)
        for position, there in sorted(by_position.items()):
            if len(there) > 1:
                text = f"all are at position {position} of plate {plate}. Which side or place was each?"
                yield question_of_all(results, there, "position", text)
        if min(by_position) > 1:
            first = by_position[min(by_position)][0]
            text = f"position {min(by_position)} of plate {plate}, which has no weld at position 1. Is that right?"
            yield question(results, first, "position", text)
        ordered = [i for i in sorted(welds, key=lambda i: int(results.position[i])) if results.order[i]]
        for before, i in pairwise(ordered):
            if results.position[i] > results.position[before] and results.order[i] < results.order[before]:
                text = f"position {results.position[i]}, yet its order comes before that of {results.weld[before]}."
                yield question(results, i, "order", f"{text} Is that right?")


def trip_without_time(results: Results) -> Iterator[Fault]:
    """Find a trip column without the arc time."""
    for response, readings in _of_kind(results, Trips):
        if isinstance(readings, Trips):
            welds = [int(i) for i in np.flatnonzero(np.isfinite(readings.tripped) & ~np.isfinite(readings.time_s))]
            if welds:
                text = "no arc time is noted (until the trip, or run without one); times tell far more than yes and no"
                yield question_of_all(results, welds, f"{response} time", text)


def trips_of_some_second_beads(results: Results) -> Iterator[Fault]:
    """Find second beads whose trips were noted and others' not: trips alone, without what held, count too often."""
    second = results.is_second & was_run(results)
    for response, readings in _of_kind(results, Trips):
        if isinstance(readings, Trips):
            tripped = [int(i) for i in np.flatnonzero(second & (readings.tripped == 1.0))]
            blank = [int(i) for i in np.flatnonzero(second & np.isnan(readings.tripped))]
            if tripped and blank:
                text = (
                    f"second beads that tripped, while nothing is noted for {names(results, blank)}. A trip is not "
                    "asked of a second bead, and trips alone count too often: write no and the arc time for those that "
                    "held, or leave it blank for all"
                )
                yield question_of_all(results, tripped, response, text)


def aborted_without_reason(results: Results) -> Iterator[Fault]:
    """Find aborted welds with nothing under notes: a trip, a jam and an empty spool say different things."""
    notes = results.remarks.get("notes", ("",) * results.n_welds)
    for i, status in enumerate(results.status):
        tripped = any(isinstance(r, Trips) and r.tripped[i] == 1 for r in results.readings.values())
        if status == "aborted" and not notes[i] and not tripped:
            yield question(results, i, "notes", "aborted, and no reason is noted: a jam, no wire, the arc went out?")


def done_without_reading(results: Results) -> Iterator[Fault]:
    """Find welds that were made, and of which nothing was read."""
    welds = [
        i
        for i, status in enumerate(results.status)
        if status == "done" and not any(_is_read(readings, i) for readings in results.readings.values())
    ]
    if welds:
        yield question_of_all(results, welds, "", "made, and no response is filled in yet. Is it still to be measured?")


def ends_not_left_out(results: Results) -> Iterator[Fault]:
    """Find an inspected length that must hold the start and the stop of the bead."""
    longest = _bead_mm(results) - 2 * END_MM
    for response, readings in _of_kind(results, Counts):
        if isinstance(readings, Counts):
            welds = [int(i) for i in np.flatnonzero(readings.length_mm > longest + 1e-6)]
            if welds:
                text = (
                    f"the inspected length leaves less than {END_MM:g} mm at each end of the bead, so that it holds "
                    "start or stop. Were the pores of the ends left out, or counted apart?"
                )
                yield question_of_all(results, welds, f"{response} length", text)


def _bead_mm(results: Results) -> FloatArray:
    """Give each bead's length, nan where nothing is known.

    Arc time times travel speed where both are known (a tenth more, for a hand's speed), else the job's weld length. A
    second bead is not asked for its arc time: where the others are, its length is not known without.
    """
    job = results.study.job
    bead = np.full(results.n_welds, np.nan if job.weld_length_mm is None else job.weld_length_mm)
    nowhere = np.full(results.n_welds, np.nan)
    speed = results.conditions.get("travel speed [mm/s]", nowhere)
    speed = np.where(np.isfinite(speed), speed, np.nan if job.travel_speed_mm_s is None else job.travel_speed_mm_s)
    for readings in results.readings.values():
        if isinstance(readings, Trips):
            welded = 1.1 * readings.time_s * speed
            bead = np.where(results.is_second, np.nan, bead)
            bead = np.where(np.isfinite(welded), welded, bead)
    return bead


def stick_out_off(results: Results) -> Iterator[Fault]:
    """Find a stick-out far from its aim."""
    aim = results.study.job.stickout_mm
    found = results.conditions.get("stick-out [mm]")
    if aim is None or found is None:
        return
    for i in np.flatnonzero(np.isfinite(found) & (np.abs(found - aim) > STICK_OUT_SHARE * aim)):
        yield question(results, int(i), "stick-out", f"{found[i]:.3g} mm; the aim is {aim:g} mm. Is that right?")


def travel_speed_off(results: Results) -> Iterator[Fault]:
    """Find a travel speed far from its aim, where the study does not vary it; perhaps in another unit."""
    aim = results.study.job.travel_speed_mm_s
    found = results.conditions.get("travel speed [mm/s]")
    varied = any(factor.name.casefold().startswith("travel") for factor in results.study.factors)
    if aim is None or found is None or varied:
        return
    unit = "in/min" if results.study.units == "us" else "mm/min"
    shown_aim = float(convert(aim, "mm/s", unit))
    for i in np.flatnonzero(np.isfinite(found) & (np.abs(found - aim) > TRAVEL_SHARE * aim)):
        value, fitting = float(found[i]), []
        for factor, words in (
            (25.4, "in/min among mm/min"),
            (60.0, "a second for a minute"),
            (10.0, "a decimal point"),
        ):
            for meant in (value * factor, value / factor):
                if abs(meant - aim) <= TRAVEL_SHARE * aim:
                    fitting.append(f"{float(convert(meant, 'mm/s', unit)):.3g} {unit} ({words})")
        hint = f"Is it {' or '.join(fitting)}?" if fitting else "Is that right?"
        text = f"{float(convert(value, 'mm/s', unit)):.3g} {unit}; the aim is {shown_aim:.3g} {unit}. {hint}"
        yield question(results, int(i), "travel speed", text)


def gap_varies(results: Results) -> Iterator[Fault]:
    """Find root gaps that differ much: a gap moves penetration, and no model here knows of it (TRAPS 28)."""
    gaps = results.conditions.get("gap [mm]")
    if gaps is None:
        return
    known = np.flatnonzero(np.isfinite(gaps) & was_run(results))
    if len(known) > 1 and np.ptp(gaps[known]) > GAPS_APART_MM:
        narrow, wide = (float(v) for v in (gaps[known].min(), gaps[known].max()))
        text = (
            f"the root gap runs from {narrow:.3g} to {wide:.3g} mm. A gap moves penetration, and the models do not "
            "know of it: it counts as scatter. Was it meant?"
        )
        widest = [int(i) for i in known if gaps[i] == gaps[known].max()]
        yield question_of_all(results, widest, "gap", text)


def line_voltage_off(results: Results) -> Iterator[Fault]:
    """Find a line voltage far from the supply's."""
    supply = results.study.supply.voltage_v
    found = results.conditions.get("line voltage [V]")
    if supply is None or found is None:
        return
    for i in np.flatnonzero(np.isfinite(found) & (np.abs(found - supply) > LINE_SHARE * supply)):
        yield question(results, int(i), "line voltage", f"{found[i]:.4g} V; the supply is {supply:g} V. Is that right?")


def changed_half_way(results: Results) -> Iterator[Fault]:
    """Find an outlet, cord, place or spool that changed between the welds."""
    blocks = results.study.plan.blocks
    for words in ("outlet", "cord", "place", "spool"):
        values = results.remarks.get(words, ())
        if not values or (blocks is not None and blocks.name == words):
            continue
        noted = [i for i in by_order(results, np.flatnonzero(was_run(results)).tolist()) if values[i]]
        changes = [i for before, i in pairwise(noted) if values[i] != values[before]]
        if changes:
            seen = ", ".join(f"“{value}”" for value in dict.fromkeys(values[i] for i in noted))
            text = (
                f"changed at {names(results, changes)} ({seen}): was it meant to? The difference is part of the scatter"
            )
            yield Fault(text, results.file[changes[0]], None, words)


def _of_kind(results: Results, kind: type[Readings]) -> Iterator[tuple[str, Readings]]:
    return ((name, readings) for name, readings in results.readings.items() if isinstance(readings, kind))


def _is_read(readings: Readings, i: int) -> bool:
    values: FloatArray
    if isinstance(readings, Measurement):
        values = readings.values[i]
    elif isinstance(readings, Counts):
        values = readings.counts[i : i + 1]
    elif isinstance(readings, Passes):
        values = readings.passed[i : i + 1]
    else:
        values = readings.tripped[i : i + 1]
    return bool(np.isfinite(values).any())


def _time(text: str) -> dt.datetime | None:
    """Read a time stamp (ISO 8601), or a time of day, without its zone."""
    try:
        return dt.datetime.fromisoformat(text).replace(tzinfo=None)
    except ValueError:
        pass
    try:
        return dt.datetime.combine(dt.date.min, dt.time.fromisoformat(text).replace(tzinfo=None))
    except ValueError:
        return None
