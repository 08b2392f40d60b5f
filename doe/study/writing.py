"""Writing a first study.toml from the answers to the eight questions.

About twenty lines, one a dial and one a requirement, so tables are written short (``plan.welds = 18``, and factors and
responses as lists). Below them, under "more", every other setting stands commented out.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from doe.errors import DoeError, quoted
from doe.study.model import LaterWelds, Study, Units
from doe.study.reading import parse_study
from doe.terms import polynomial_terms
from doe.units import convert, parse_quantity


@dataclass(frozen=True)
class NewStudy:
    """The answers to the eight questions, and the few optional ones.

    Attributes
    ----------
    title, joint, wire : str
        In the user's own words.
    thickness : str
        With its unit: "10 mm".
    voltage_marks : tuple of str
        What the voltage dial shows, from low to high.
    voltage_values : tuple of float
        What each mark was calibrated to, in volts; empty where it was not.
    feed_low, feed_high : float
        The feed dial's range, in ``feed_unit``; "mark" where the dial shows bare numbers.
    feed_step : float or None
        The dial's finest setting; None: a hundredth of the range.
    supply_voltage, breaker : str
        "230 V", "16 A"; empty where not known.
    welds_per_plate : int
    later_welds : {"cooled", "warm"}
        How the later welds on a plate start.
    penetration_at_least : str
        "1.2 mm"; empty where it is not asked for.
    porosity_at_most : int or None
        Pores in a weld inspected over ``porosity_per``, "100 mm"; None where they are not counted.
    hold : str
        Arc time that the supply must hold: "30 s"; empty where that is not asked for.
    welds : int
        Affordable test welds.
    preheat_levels : tuple of float
        In ``preheat_unit``; empty where the plates are welded as they are.
    passes : str
        A test that a weld passes or not, by its name: "root fused"; empty where there is none.
    porosity_ratio_under : float or None
        Given where both questions on porosity were answered yes: a good zone lies between the ends of the factors of
        ``porosity_good_zone``, and the corners differ by less than this, at most 10.
    porosity_good_zone : tuple of str
        Factors towards both ends of which porosity gets worse; of no meaning without ``porosity_ratio_under``.
    expect_scatter : str
        "0.3 mm"; empty where not known.
    units : {"metric", "us"}
        How results are shown.
    """

    title: str
    joint: str
    thickness: str
    wire: str
    voltage_marks: tuple[str, ...]
    feed_low: float
    feed_high: float
    penetration_at_least: str
    porosity_at_most: int | None
    hold: str
    welds: int
    voltage_values: tuple[float, ...] = ()
    feed_step: float | None = None
    feed_unit: str = "m/min"
    supply_voltage: str = ""
    breaker: str = ""
    welds_per_plate: int = 1
    later_welds: LaterWelds = "cooled"
    porosity_per: str = "100 mm"
    passes: str = ""
    preheat_levels: tuple[float, ...] = ()
    preheat_unit: str = "degC"
    porosity_ratio_under: float | None = None
    porosity_good_zone: tuple[str, ...] = ("voltage", "feed")
    expect_scatter: str = ""
    units: Units = "metric"


def study_text(new: NewStudy) -> str:
    """Write a study.toml.

    Parameters
    ----------
    new : NewStudy
        The answers.

    Returns
    -------
    str
        A text that ``parse_study`` accepts, also with any or all of its commented settings made real.

    Raises
    ------
    DoeError
        If an answer cannot be used; as a StudyError where it is the study that would be refused.
    """
    settings = "\n".join(_settings(new)) + "\n"
    study = parse_study(settings)
    return settings + "\n" + "\n".join(_more(new, study)) + "\n"


def toml_text(text: str) -> str:
    r"""Write a TOML string.

    Examples
    --------
    >>> print(toml_text('a "quoted" \\ text'))
    "a \"quoted\" \\ text"
    """
    # JSON's escapes are all TOML's as well, but TOML wants DEL escaped too.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def toml_number(value: float) -> str:
    """Write a TOML number: whole numbers without a point."""
    return str(int(value)) if float(value).is_integer() and abs(value) < 1e15 else repr(float(value))


def _list(values: Iterable[str]) -> str:
    return f"[{', '.join(values)}]"


def _table(**entries: str) -> str:
    """Write a table in curly brackets from values that are TOML already; empty ones are left out."""
    return "{ " + ", ".join(f"{key} = {value}" for key, value in entries.items() if value) + " }"


def _settings(new: NewStudy) -> Iterator[str]:
    """Give the lines that say what was answered."""
    yield f"study.title = {toml_text(new.title)}"
    if new.units != "metric":
        yield f"study.units = {toml_text(new.units)}"
    yield f"job.joint = {toml_text(new.joint)}"
    yield f"job.thickness = {toml_text(new.thickness)}"
    yield f"job.wire = {toml_text(new.wire)}"
    if new.supply_voltage:
        yield f"supply.voltage = {toml_text(new.supply_voltage)}"
    if new.breaker:
        yield f"supply.breaker = {toml_text(new.breaker)}"
    yield "factor = [                       # what is set"
    yield from _factors(new)
    yield "]"
    yield "response = [                     # what is measured, and what a good weld must meet"
    yield from _responses(new)
    yield "]"
    yield f"plan.welds = {new.welds}                  # affordable test welds"
    yield f"plan.welds_per_plate = {new.welds_per_plate}         # or one number a plate: [3, 3, 2, ...]"
    later = f"plan.later_welds = {toml_text(new.later_welds)}".ljust(33)
    yield f"{later}# how later welds on a plate start: cooled or warm"


def _factors(new: NewStudy) -> Iterator[str]:
    """Give one line a dial."""
    marks = [toml_text(mark) for mark in new.voltage_marks]
    if new.voltage_values:
        if len(new.voltage_values) != len(marks):
            message = f"{len(marks)} voltage marks need as many values; {len(new.voltage_values)} were given"
            raise DoeError(message)
        pairs = [f"{mark} = {toml_number(v)}" for mark, v in zip(marks, new.voltage_values, strict=True)]
        yield f"  {_table(name=toml_text('voltage'), unit=toml_text('V'), marks='{ ' + ', '.join(pairs) + ' }')},"
    else:
        yield f"  {_table(name=toml_text('voltage'), marks=_list(marks))},"
    feed = _table(
        name=toml_text("feed"),
        unit=toml_text(new.feed_unit),
        low=toml_number(new.feed_low),
        high=toml_number(new.feed_high),
        step="" if new.feed_step is None else toml_number(new.feed_step),
    )
    yield f"  {feed},"
    preheat = _table(
        name=toml_text("preheat"),
        unit=toml_text(new.preheat_unit),
        levels=_list(map(toml_number, new.preheat_levels or (20, 70, 120))),
        hard_to_change="true",
    )
    yield f"{'' if new.preheat_levels else '#'}  {preheat},"
    yield '#  { name = "wire", kinds = ["A", "B"] },'


def _responses(new: NewStudy) -> Iterator[str]:
    """Give one line a requirement; one that is not asked for stands commented out, with an example."""
    depth = parse_quantity(new.penetration_at_least or "1.2 mm")
    scatter = parse_quantity(new.expect_scatter) if new.expect_scatter else None
    unit = depth.unit
    if not unit:
        message = f"{quoted(new.penetration_at_least)} has no unit; write the penetration with one, such as 1.2 mm"
        raise DoeError(message)
    spread = "" if scatter is None else toml_number(convert(scatter.value, scatter.unit or unit, unit))
    measure = _table(
        name=toml_text("penetration"),
        kind=toml_text("measure"),
        unit=toml_text(unit),
        at_least=toml_number(depth.value),
        expect_scatter=spread,
    )
    yield f"{'' if new.penetration_at_least else '#'}  {measure},"
    is_expected = new.porosity_ratio_under is not None
    count = _table(
        name=toml_text("porosity"),
        kind=toml_text("count"),
        per=toml_text(new.porosity_per or "100 mm"),
        at_most=str(2 if new.porosity_at_most is None else new.porosity_at_most),
        expect_good_zone=_list(map(toml_text, new.porosity_good_zone)) if is_expected else "",
        expect_ratio_under=toml_number(new.porosity_ratio_under or 0.0) if is_expected else "",
    )
    yield f"{'#' if new.porosity_at_most is None else ''}  {count},"
    trip = _table(name=toml_text("trip"), kind=toml_text("trip"), hold=toml_text(new.hold or "30 s"))
    yield f"{'' if new.hold else '#'}  {trip},   # the supply's breaker only"
    cut_out = _table(name=toml_text("thermal cut-out"), kind=toml_text("trip"), hold=toml_text(new.hold or "30 s"))
    yield f"#  {cut_out},   # the machine's own: never mixed with the breaker's"
    passes = _table(name=toml_text(new.passes or "root fused"), kind=toml_text("pass"))
    yield f"{'' if new.passes else '#'}  {passes},"


@dataclass(frozen=True)
class _Option:
    """A setting that stands commented out."""

    key: str
    value: str
    comment: str

    def line(self, indent: str = "") -> str:
        return f"#{indent}{self.key} = {self.value}".ljust(44) + f"   # {self.comment}"


def _more(new: NewStudy, study: Study) -> Iterator[str]:
    """Give everything else, commented out with its default."""
    yield "# more: take the # before a setting away to use it. “e.g.”: there is no default, and this is an example."
    yield from (option.line() for option in _job_options(study))
    yield from (option.line() for option in _plan_options(study))
    yield '# In the braces of a factor (also: marks = { "1" = 17.0, "2" = 18.4 }, levels, kinds, ranges a kind):'
    yield from (option.line("   ") for option in _FACTOR_OPTIONS)
    yield "# In the braces of a measure:"
    yield from (option.line("   ") for option in _measure_options(new, study))
    yield "# In the braces of a count:"
    if new.porosity_ratio_under is None:
        yield _Option(
            "expect_good_zone",
            '["voltage", "feed"], expect_ratio_under = 10',
            "e.g., from experience: worse towards both ends of these, corners differ by less than 10 times",
        ).line("   ")
    yield _Option("family", '"poisson"', 'e.g. or "negative binomial", in fit --textbook').line("   ")
    yield "# In the braces of a trip or a pass:"
    yield _Option("family", '"logistic"', 'e.g. or, for a trip, "weibull", in fit --textbook').line("   ")
    yield _Option("penalty", "true", "bias-reduced logistic fit in fit --textbook").line("   ")


_METRIC: Final[Mapping[str, str]] = {
    "process": "136",
    "material": "S275",
    "wire_diameter": "1.0 mm",
    "stickout": "16 mm",
    "travel_speed": "300 mm/min",
    "weld_length": "150 mm",
    "voltage": "230 V",
    "breaker": "16 A",
    "curve": "C",
}
_CUSTOMARY: Final[Mapping[str, str]] = {
    "process": "FCAW-S",
    "material": "A36",
    "wire_diameter": "0.035 in",
    "stickout": "5/8 in",
    "travel_speed": "12 in/min",
    "weld_length": "6 in",
    "voltage": "240 V",
    "breaker": "30 A",
    "curve": "UL",
}
"""What the examples look like in each system: invented, for the form only."""


def _job_options(study: Study) -> Iterator[_Option]:
    """Give the settings of the study, job, supply and machine."""
    if study.units == "metric":
        yield _Option("study.units", '"metric"', 'how results are shown: "metric" or "us"; any unit is read anywhere')
    like = _CUSTOMARY if study.units == "us" else _METRIC
    yield _Option("job.process", toml_text(like["process"]), "e.g. the ISO 4063 number or the AWS letters (FCAW-G)")
    for key in ("material", "wire_diameter", "stickout", "travel_speed", "weld_length"):
        yield _Option(f"job.{key}", toml_text(like[key]), "e.g.")
    yield _Option("job.inspected", '"face, section"', "e.g. where pores are looked for: face, section, fracture")
    yield _Option("job.chemistry", "{ C = 0.16, Mn = 1.2, Si = 0.3 }", "e.g. mass per cent")
    yield _Option("job.hydrogen", "5", "e.g. ml/100 g deposited")
    yield _Option(
        "job.burn_off",
        '{ a = 0.36, b = 9e-5, lowest = "90 A", highest = "190 A" }',
        "e.g. your own wire's, by “weldwindow dial”; gives amps, heat input, load",
    )
    yield _Option("job.cooling_joint", '"tee"', "e.g. whose factors t8/5 takes: plate, butt, corner, tee")
    yield _Option("job.covariates", '["travel speed", "stick-out"]', "e.g. written down for every weld, for the fit")
    if study.supply.voltage_v is None:
        yield _Option("supply.voltage", toml_text(like["voltage"]), "e.g. of the circuit that the machine hangs on")
    if study.supply.breaker_a is None:
        yield _Option("supply.breaker", toml_text(like["breaker"]), "e.g. what is installed; never fit a larger one")
    yield _Option("supply.curve", toml_text(like["curve"]), 'e.g. "B", "C", "D" (IEC 60898-1) or "UL" (UL 489)')
    yield _Option("machine.efficiency", "0.80", "e.g. from the machine's plate")
    yield _Option("machine.power_factor", "0.70", "e.g. from the machine's plate")
    yield _Option("machine.duty", '{ percent = 30, current = "120 A" }', "e.g. from the machine's plate")


def _plan_options(study: Study) -> Iterator[_Option]:
    """Give the settings of the plan, the limits and the claim."""
    plan, coding = study.plan, study.coding
    feed = study.factor("feed")
    terms = _list(toml_text(str(term)) for term in polynomial_terms(coding, "second order"))
    codes = {code.name: _table(centre=toml_number(code.centre), half=toml_number(code.half)) for code in coding.factors}
    yield _Option("plan.model", toml_text(plan.model), '"first order", "first order with products", "second order"')
    yield _Option("plan.terms", terms, "or the terms one by one, in place of a model")
    yield _Option("plan.coding", _table(**codes), "where the coded 0 and 1 lie")
    yield _Option("plan.repeats", str(plan.repeats), "welds given to repeating settings, so that scatter can be seen")
    yield _Option(
        "plan.criterion",
        toml_text(plan.criterion),
        '"I": average prediction variance; "D": determinant; "compound": both',
    )
    yield _Option("plan.potential", '"third order"', "e.g. bends beyond the model that the plan keeps an eye on")
    yield _Option("plan.plate_ratio", toml_number(plan.plate_ratio), "plate variance over weld variance")
    yield _Option("plan.stages", _list(map(str, plan.stages)), "8 first where fewer than 17 are affordable")
    yield _Option(
        "plan.blocks", _table(name='"day"', sizes=_halves(plan.welds)), "e.g. days or spools; adds up to welds"
    )
    if any(response.kind == "count" for response in study.responses):
        yield _Option("plan.second_bead", "true", "e.g. one more bead at every setting, only looked over for pores")
    rule = toml_text(f"feed <= {toml_number(feed.high)}")
    yield _Option("limit", _list([_table(rule=rule, why='"not above"')]), "e.g., or “voltage - 0.9*feed <= 15”")
    yield _Option(
        "claim.reliability", f"{study.claim.reliability:.2f}", "at least this share of welds meets everything"
    )
    yield _Option("claim.confidence", f"{study.claim.confidence:.2f}", "and this is how sure we are of it")


def _halves(welds: int) -> str:
    """Split the welds into two blocks, or one where there is one weld."""
    return _list(str(size) for size in ((welds + 1) // 2, welds // 2) if size)


_FACTOR_OPTIONS: Sequence[_Option] = (
    _Option("role", '"other"', 'default: from the name; "voltage", "feed", "preheat" or "other"'),
    _Option("set_within", "0.2", "e.g. how well it can be set and held, one standard deviation"),
    _Option("hard_to_change", "false", "true: set once per plate"),
)


def _measure_options(new: NewStudy, study: Study) -> Iterator[_Option]:
    """Give the further settings of the penetration."""
    wanted = parse_quantity(new.penetration_at_least or "1.2 mm")
    at_least, unit = wanted.value, wanted.unit
    thickness = convert(study.job.thickness_mm or 0.0, "mm", unit)
    full = toml_number(float(f"{thickness:.6g}") if thickness > at_least else at_least + 1.0)
    yield _Option("at_most", full, "e.g.")
    yield _Option("full", full, "e.g. a reading at or over this only says “at least this much”")
    if not new.expect_scatter:
        scatter = toml_number(float(f"{convert(0.3, 'mm', unit):.2g}"))
        said = "e.g. from earlier work, one standard deviation; or its folder, “../old-study”"
        yield _Option("expect_scatter", scatter, said)
    said = (
        '"student t": a doubtful reading pulls less; choose before the readings are seen, or report that it was after'
    )
    yield _Option("errors", '"normal"', said)
