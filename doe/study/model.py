"""The study: what is asked, as frozen objects.

Made by ``doe.study.read_study`` from study.toml, checked once there; inside, trusted. Quantities that have a unit of
their own choosing (factor values, response limits) keep it; everything else is in the unit its name ends with.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

import numpy as np

from doe.coding import Coding, FactorCoding, FloatArray
from doe.terms import Order
from doe.trade.burn_off import BurnOff

Role = Literal["voltage", "feed", "preheat", "other"]
Kind = Literal["measure", "count", "trip", "pass"]
Units = Literal["metric", "us"]
LaterWelds = Literal["cooled", "warm"]

LEAST_READINGS: Final = 10
"""Below this many readings the repeat scatter of a measure must be stated; METHOD.md section 6."""


@dataclass(frozen=True)
class Factor:
    """What is set: a dial, a temperature, a choice of wire.

    Attributes
    ----------
    name : str
    role : {"voltage", "feed", "preheat", "other"}
        What the trade's models take it for.
    unit : str
        Unit of ``values``; empty where there is none (kinds, uncalibrated marks).
    values : tuple of float
        Every value that can be set, rising, in ``unit``; empty for kinds. Uncalibrated marks count 1, 2, 3 ...
    marks : tuple of str
        What the dial shows at each value; empty where the dial shows the value itself.
    calibrated : bool
        Whether each mark has a measured value.
    kinds : tuple of str
        The kinds of a factor of kinds; empty for a numeric one.
    ranges : tuple of (str, float, float)
        Kind, low, high where the range depends on a kind; ``range_by`` names that factor of kinds.
    hard_to_change : bool
        Whether it is set once a plate.
    set_within : float
        How well it can be set and held, one standard deviation, in ``unit``; 0 where not stated.
    is_continuous : bool
        Whether ``values`` are steps of a range (True) or the only values there are (levels, marks).
    """

    name: str
    role: Role = "other"
    unit: str = ""
    values: tuple[float, ...] = ()
    marks: tuple[str, ...] = ()
    calibrated: bool = True
    kinds: tuple[str, ...] = ()
    ranges: tuple[tuple[str, float, float], ...] = ()
    range_by: str = ""
    hard_to_change: bool = False
    set_within: float = 0.0
    is_continuous: bool = False

    @property
    def is_kind(self) -> bool:
        """Whether the factor is one of kinds."""
        return bool(self.kinds)

    @property
    def low(self) -> float:
        """The lowest value; 0 for kinds."""
        return self.values[0] if self.values else 0.0

    @property
    def high(self) -> float:
        """The highest value; the last kind's index for kinds."""
        return self.values[-1] if self.values else float(len(self.kinds) - 1)

    @property
    def positions(self) -> FloatArray:
        """Every column value: the values, or the indices of the kinds. shape (n_values,)."""
        return np.array(self.values if not self.is_kind else range(len(self.kinds)), dtype=float)

    @property
    def heading(self) -> str:
        """``feed [m/min]``, or ``wire`` where there is no unit."""
        return f"{self.name} [{self.unit}]" if self.unit else self.name

    def mark_at(self, value: float) -> str | None:
        """Give what the dial shows at a value, or None where the factor has no marks or the value is between two."""
        for mark, known in zip(self.marks, self.values, strict=False):
            if abs(known - value) <= 1e-9 * max(1.0, abs(known)):
                return mark
        return None


@dataclass(frozen=True)
class Limit:
    """Settings that must not be welded lie outside ``sum(coefficient * factor) <= bound``, natural units.

    Attributes
    ----------
    coefficients : tuple of (str, float)
    bound : float
    rule : str
        As it was written.
    why : str
    """

    coefficients: tuple[tuple[str, float], ...]
    bound: float
    rule: str
    why: str = ""


@dataclass(frozen=True)
class Response:
    """What is measured on a weld, and what it must meet.

    Attributes
    ----------
    name : str
    kind : {"measure", "count", "trip", "pass"}
    unit : str
        Of a measure's readings and limits; empty otherwise.
    at_least, at_most : float or None
        Requirement: measure in ``unit``; count ``at_most`` over ``per_mm``.
    full : float or None
        A reading at or over this says only "at least this much", in ``unit``.
    expect_scatter : float or None
        Repeat scatter known from earlier work, one standard deviation, in ``unit``.
    scatter_from : str
        The folder of an earlier study from which the scatter is taken; None stands in ``expect_scatter`` until it is
        (``doe.models.earlier``), and this then says where it comes from.
    errors : {"normal", "student t"}
        Distribution of a measure's errors; with Student's t a doubtful reading pulls less.
    per_mm : float or None
        Inspected length the count's requirement refers to. [mm]
    per_text : str
        As written, for print.
    expect_good_zone : tuple of str
        Factors towards both ends of which porosity is expected to be worse.
    expect_ratio_under : float or None
        The best and the worst corner differ by less than this.
    hold_s : float or None
        The arc time the supply must hold. [s]
    family : str
        Textbook family; empty: chosen by the data.
    penalty : bool
        Whether textbook logistic fits are bias-reduced.
    """

    name: str
    kind: Kind
    unit: str = ""
    at_least: float | None = None
    at_most: float | None = None
    full: float | None = None
    expect_scatter: float | None = None
    scatter_from: str = ""
    errors: str = "normal"
    per_mm: float | None = None
    per_text: str = ""
    expect_good_zone: tuple[str, ...] = ()
    expect_ratio_under: float | None = None
    hold_s: float | None = None
    family: str = ""
    penalty: bool = True

    @property
    def has_requirement(self) -> bool:
        """Whether the response takes part in the window; "pass" always does."""
        return self.kind == "pass" or any(v is not None for v in (self.at_least, self.at_most, self.hold_s))


@dataclass(frozen=True)
class Job:
    """What is welded; used in the trade figures and on the sheets. None or empty: not stated.

    ``burn_off`` is the user's own, of that wire on that machine; ``cooling_joint`` the joint whose factors t8/5 is
    worked out with, where ``joint`` does not name one that is held; ``covariates`` what the hand does ("travel speed",
    "stick-out") that the models of measures are to know of each weld.
    """

    process: str = ""
    joint: str = ""
    material: str = ""
    thickness_mm: float | None = None
    wire: str = ""
    wire_diameter_mm: float | None = None
    stickout_mm: float | None = None
    travel_speed_mm_s: float | None = None
    weld_length_mm: float | None = None
    inspected: str = ""
    chemistry: tuple[tuple[str, float], ...] = ()
    hydrogen_ml_100g: float | None = None
    burn_off: BurnOff | None = None
    cooling_joint: str = ""
    covariates: tuple[str, ...] = ()


@dataclass(frozen=True)
class Supply:
    """The circuit the machine hangs on. curve: "B", "C", "D" (IEC 60898-1), "UL" (UL 489) or empty."""

    voltage_v: float | None = None
    breaker_a: float | None = None
    curve: str = ""


@dataclass(frozen=True)
class Machine:
    """The welding machine: efficiency and power factor as fractions, rated duty in per cent at a current."""

    efficiency: float | None = None
    power_factor: float | None = None
    duty_percent: float | None = None
    duty_current_a: float | None = None


@dataclass(frozen=True)
class Blocks:
    """Days, spools: a named block column with the number of welds in each block."""

    name: str
    sizes: tuple[int, ...]


@dataclass(frozen=True)
class PlanWishes:
    """How the welds are to be planned: the [plan] table of study.toml.

    ``plates`` holds the sizes of the plates in turn where they differ, and ``welds_per_plate`` is then the largest.
    ``potential`` says which terms beyond the model the plan is not to be blind to. With ``second_bead`` every planned
    weld has one more bead at the same settings, which is only looked over and counted.
    """

    welds: int = 18
    welds_per_plate: int = 1
    later_welds: LaterWelds = "cooled"
    model: Order = "second order"
    terms: tuple[str, ...] = ()
    coding: tuple[tuple[str, float, float], ...] = ()
    repeats: int = 3
    criterion: Literal["I", "D", "compound"] = "I"
    plate_ratio: float = 1.0
    stages: tuple[int, ...] = ()
    blocks: Blocks | None = None
    plates: tuple[int, ...] = ()
    potential: Literal["none", "third order"] = "none"
    second_bead: bool = False


@dataclass(frozen=True)
class Claim:
    """At least ``reliability`` of welds meet every requirement in the long run; ``confidence`` is how sure we are."""

    reliability: float = 0.90
    confidence: float = 0.90


@dataclass(frozen=True, eq=False)
class Study:
    """The whole question.

    Attributes
    ----------
    title : str
    units : {"metric", "us"}
        How results are shown.
    factors, limits, responses : tuples
    job, supply, machine, plan, claim : the other tables
    folder : Path
        The study's folder.
    fingerprint : str
        Twelve hexadecimal digits of the SHA-256 of study.toml's meaning (comments and layout do not count).
    """

    title: str
    factors: tuple[Factor, ...]
    responses: tuple[Response, ...]
    limits: tuple[Limit, ...] = ()
    units: Units = "metric"
    job: Job = field(default_factory=Job)
    supply: Supply = field(default_factory=Supply)
    machine: Machine = field(default_factory=Machine)
    plan: PlanWishes = field(default_factory=PlanWishes)
    claim: Claim = field(default_factory=Claim)
    folder: Path = Path()
    fingerprint: str = ""

    @property
    def coding(self) -> Coding:
        """The coding of the factors over the planned region, or as [plan] coding asks."""
        wished = {name: (centre, half) for name, centre, half in self.plan.coding}
        return Coding(tuple(self._factor_coding(factor, wished) for factor in self.factors))

    def _factor_coding(self, factor: Factor, wished: Mapping[str, tuple[float, float]]) -> FactorCoding:
        if factor.is_kind:
            return FactorCoding(factor.name, kinds=factor.kinds)
        centre, half = wished.get(factor.name, ((factor.low + factor.high) / 2, (factor.high - factor.low) / 2))
        if not factor.ranges or factor.name in wished:
            return FactorCoding(factor.name, centre, half)
        by = self.factor(factor.range_by)
        ranges = {kind: (low, high) for kind, low, high in factor.ranges}
        return FactorCoding(
            factor.name,
            centre,
            half,
            by=by.name,
            centres=tuple(sum(ranges[kind]) / 2 for kind in by.kinds),
            halves=tuple((ranges[kind][1] - ranges[kind][0]) / 2 for kind in by.kinds),
        )

    def factor(self, name: str) -> Factor:
        """Give a factor by name."""
        return next(factor for factor in self.factors if factor.name == name)

    def response(self, name: str) -> Response:
        """Give a response by name."""
        return next(response for response in self.responses if response.name == name)

    def factor_of_role(self, role: Role) -> Factor | None:
        """Give the first numeric factor of a role, or None."""
        return next((f for f in self.factors if f.role == role and not f.is_kind), None)
