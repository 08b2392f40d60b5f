"""``weldwindow dial``."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cli.answer import answers, json_option, note, print_json, say, spare_seed_option
from cli.tables import print_table

if TYPE_CHECKING:
    from cli.dial_file import DialFile
    from doe.trade.burn_off import BurnOffFit
    from doe.trade.dials import Calibration, MarkFor


@dataclass(frozen=True)
class Dial:
    """One calibrated dial, and the marks for what was asked: text as typed, answer in the dial's unit."""

    name: str
    unit: str
    calibration: Calibration
    findings: tuple[str, ...]
    wanted: tuple[tuple[str, MarkFor], ...]


@click.command("dial")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--for", "wanted", multiple=True, metavar="VALUE", help="Which mark gives this: 300in/min, 18.5V.")
@click.option("--unit", default="", help="Unit of the wire feed (m/min, or in/min where all lengths are in inches).")
@click.option("--taps", is_flag=True, help="The dial clicks: nothing can be set between the marks.")
@click.option("--confidence", type=click.FloatRange(0.5, 0.999), default=0.90, show_default=True, help="Of the bands.")
@json_option
@spare_seed_option
@answers
def command(file: Path, wanted: Sequence[str], unit: str, taps: bool, confidence: float, as_json: bool) -> None:
    """Calibrate a dial from FILE: timed wire pulls (mark, seconds, length) and volt readings (mark, volts).

    Amps read at the arc (amps, stick-out, with feed or the mark of timed pulls) give the wire's own burn-off,
    W = a I + b L I²: with it under [job] the plan works out amps, heat input and the load on the supply.

    Read each mark at least twice, at the start and in the middle of a spool (column spool): the spread is how well
    the dial can be set. Pull the trigger clear of any metal, wire pointing away from you and others.

    \b
    Examples:
      weldwindow dial pulls.csv
      weldwindow dial pulls.csv --for 300in/min
      weldwindow dial taps.csv --json
      weldwindow dial amps.csv
    """
    from cli.dial_file import read_dial_file
    from doe.errors import CANNOT_ANSWER

    found = read_dial_file(file)
    dials = _calibrate(found, wanted, unit=unit, taps=taps, confidence=confidence)
    burn_off = _fit_burn_off(found, dials) if found.arcs else None
    if as_json:
        answer = {"schema": 1, "dials": [_answer(dial) for dial in dials]}
        print_json(answer | ({} if burn_off is None else {"burn_off": burn_off.to_dict()}))
    else:
        for dial in dials:
            _print(dial)
        if burn_off is not None:
            _print_burn_off(burn_off)
        note("next: put the marks into study.toml, then weldwindow plan DIR")
    if any(mark.mark is None for dial in dials for _, mark in dial.wanted):
        sys.exit(CANNOT_ANSWER)


def _calibrate(found: DialFile, wanted: Sequence[str], *, unit: str, taps: bool, confidence: float) -> tuple[Dial, ...]:
    """Calibrate the dials that were read."""
    from doe.trade.dials import MarkReading, calibrate, mark_for, pull_findings
    from doe.units import convert

    speed = _feed_unit(unit, in_inches=found.in_inches)
    pulls = [MarkReading(p.mark, float(convert(p.speed_mm_s, "mm/s", speed)), p.place) for p in found.pulls]
    volts = [MarkReading(mark, value) for mark, value in found.volts]
    asked = _read_wanted(wanted, {name for name, readings in (("speed", pulls), ("voltage", volts)) if readings})
    dials = []
    for name, dimension, shown, readings in (("feed", "speed", speed, pulls), ("voltage", "voltage", "V", volts)):
        if not readings:
            continue
        calibration = calibrate(readings, taps=taps, confidence=confidence)
        marks = tuple(
            (text, mark_for(calibration, float(convert(value, given, shown))))
            for text, value, given, of in asked
            if of == dimension
        )
        findings = pull_findings([p.seconds for p in found.pulls]) if name == "feed" else ()
        dials.append(Dial(name, shown, calibration, findings, marks))
    return tuple(dials)


def _fit_burn_off(found: DialFile, dials: Sequence[Dial]) -> BurnOffFit:
    """Fit the wire's burn-off; a feed that was not read is what the timed pulls give at the mark."""
    from doe.errors import DoeError, Fault
    from doe.trade.burn_off import fit_burn_off
    from doe.trade.dials import value_of_mark
    from doe.units import convert

    dial = next((dial for dial in dials if dial.name == "feed"), None)
    feeds, faults = [], []
    for arc in found.arcs:
        value = None if dial is None or not arc.mark else value_of_mark(dial.calibration, arc.mark)
        if arc.feed_mm_s is None and value is None:
            faults.append(Fault(f"no feed is known for mark {arc.mark}: time a pull there", found.name, arc.row))
        feeds.append(arc.feed_mm_s or (0.0 if dial is None or value is None else convert(value, dial.unit, "mm/s")))
    if faults:
        message = "The burn-off cannot be fitted."
        raise DoeError(message, faults)
    return fit_burn_off([a.current_a for a in found.arcs], feeds, [a.stickout_mm for a in found.arcs])


def _print_burn_off(fit: BurnOffFit) -> None:
    """Print the wire's burn-off and its line for study.toml."""
    from doe.report.formatting import number
    from doe.trade.burn_off import OWN_BURN_OFF, burn_off_line

    own, df = fit.coefficients, fit.residual_df
    low, high = own.currents_a or (0.0, 0.0)
    say(
        (
            f"burn-off, W = a I + b L I²: a = {number(own.a, 4)} ± {number(fit.a_se, 2)} mm/(A s), "
            f"b = {own.b:.4g} ± {fit.b_se:.2g} 1/(A² s) (one standard error)",
            f"Scatter of the feed about it: {number(fit.scatter_mm_s * 0.06, 2)} m/min (one standard deviation, {df} "
            "degrees of freedom).",
            f"It holds for this wire, gas and polarity, from {low:g} to {high:g} A; outside nothing is said.",
            f"source: {OWN_BURN_OFF.text} (the form from memory)",
            "\nFor study.toml, under [job] (or as job.burn_off = ...):",
            burn_off_line(fit),
            "",
        )
    )


def _feed_unit(unit: str, *, in_inches: bool) -> str:
    """Give the unit the wire feed is shown in."""
    from doe.errors import DoeError, quoted
    from doe.units import find_unit, units_of

    if not unit:
        return "in/min" if in_inches else "m/min"
    found = find_unit(unit, dimension="speed")
    if found.dimension != "speed":
        message = f"{quoted(unit)} is no unit of wire feed; known are {', '.join(units_of('speed'))}"
        raise DoeError(message)
    return found.symbol


def _read_wanted(texts: Sequence[str], dimensions: set[str]) -> list[tuple[str, float, str, str]]:
    """Read what marks are wanted for: text, value, unit, dimension; every fault at once."""
    from doe.errors import DoeError, Fault
    from doe.units import find_unit, parse_quantity

    asked, faults = [], []
    for text in texts:
        try:
            quantity = parse_quantity(text)
        except DoeError as error:
            faults.append(Fault(error.message, key="--for"))
            continue
        dimension = find_unit(quantity.unit).dimension
        if dimension not in dimensions:
            read = " and ".join(sorted(dimensions))
            faults.append(Fault(f"{text} is not of what the table gives: {read}", key="--for"))
        asked.append((text, quantity.value, quantity.unit, dimension))
    if faults:
        message = "The marks wanted cannot be found."
        raise DoeError(message, faults)
    return asked


def _answer(dial: Dial) -> dict[str, object]:
    """Give one dial as ``--json`` prints it."""
    from doe.trade.dials import marks_table

    answer = {"dial": dial.name, "unit": dial.unit, **dial.calibration.to_dict()}
    answer["findings"] = [*dial.calibration.findings, *dial.findings]
    answer["set"] = [
        {
            "for": text,
            "value": m.wanted,
            "mark": m.mark,
            "low": m.low,
            "high": m.high,
            "gives": m.gives,
            "reason": m.reason,
        }
        for text, m in dial.wanted
    ]
    answer["study"] = marks_table(dial.calibration, name=dial.name, unit=dial.unit)
    return answer


def _print(dial: Dial) -> None:
    """Print one dial: what each mark gives, the scatter, the marks wanted, the table for study.toml."""
    from doe.report.formatting import number
    from doe.trade.dials import marks_table

    calibration = dial.calibration
    level = f"{calibration.confidence:.0%}"
    n_readings = sum(point.n for point in calibration.points)
    say(f"{dial.name} dial, {dial.unit}: {len(calibration.points)} marks, {n_readings} readings")
    print_table(
        ("mark", dial.unit, f"low {level}", f"high {level}", "readings"),
        [
            (p.mark, *("–" if v is None else number(v, 4) for v in (p.mean.value, p.mean.low, p.mean.high)), str(p.n))
            for p in calibration.points
        ],
    )
    say(
        (
            *_scatter_lines(dial),
            *(f"Please note: {line}." for line in (*calibration.findings, *dial.findings)),
            *(_wanted_line(text, mark, dial) for text, mark in dial.wanted),
            "\nFor study.toml:",
            marks_table(calibration, name=dial.name, unit=dial.unit),
            "",
        )
    )


def _scatter_lines(dial: Dial) -> list[str]:
    """Say how much readings of one mark differ, by place of the spool too, and what holds between the marks."""
    from doe.report.formatting import number

    calibration = dial.calibration
    lines = [f"At the {p.place} of the spool: {p.share:+.1%} ({p.n} readings)." for p in calibration.places]
    if calibration.scatter is not None:
        scatter = f"{number(calibration.scatter, 2)} {dial.unit}"
        lines.append(
            f"Scatter between readings of one mark: {scatter} (one standard deviation, {calibration.residual_df} "
            "degrees of freedom), taken as set_within."
        )
    between = "Between the marks it is taken as straight; outside them nothing is said."
    return [*lines, between if calibration.is_numbered else "The marks are the only settings."]


def _wanted_line(text: str, mark: MarkFor, dial: Dial) -> str:
    """Say which mark gives what was wanted."""
    from doe.report.formatting import number

    if mark.mark is None or mark.gives is None:
        return f"No mark for {text}: {mark.reason} ({dial.unit})."
    if not dial.calibration.is_numbered:
        return f"Set {mark.mark}: it gives {number(mark.gives, 4)} {dial.unit}, the nearest there is to {text}."
    if mark.low is None or mark.high is None:
        return f"Set {mark.mark} for {text}."
    level = f"{dial.calibration.confidence:.0%}"
    return f"Set {mark.mark} for {text} ({level} band {number(mark.low, 3)} to {number(mark.high, 3)})."
