"""What a plan costs: plates, wire, arc time, minutes.

A cost is given only where the job states what it follows from; nothing is filled in. What the job cannot state (how
long a plate takes to heat, a section to cut) is one of the planning values below, and is listed with the answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from doe.coding import FloatArray
from doe.planning.plan import Plan, PlannedWeld
from doe.study.model import Factor, Job, Study
from doe.trade.deposit import CORED_DENSITY_RATIO, wire_mass_kg
from doe.trade.processes import wire_is_cored
from doe.units import convert, same_dimension

CORED_RATIO: Final = sum(CORED_DENSITY_RATIO) / 2
"""Mass of a metre of cored wire over solid wire: the middle of the usual range."""
END_ALLOWANCE_MM: Final = 25.0
"""Plate beyond each end of the weld, mm, so that sections are cut clear of start and stop. Common practice, no
source."""
COUPON_WIDTH_MM: Final = 100.0
"""Width of each piece of a coupon, mm. Our planning value; a narrow coupon gets hotter than the work."""
TWO_PIECE_JOINTS: Final = ("lap", "fillet", "tee", "t-joint", "butt", "corner")
"""Words in ``joint`` that mean two pieces a coupon."""
SET_UP_MIN: Final = 3.0
"""Turning the dials away and back, measuring stick-out, positioning, brushing, writing down; minutes a weld. Our
planning value."""
CLAMP_MIN: Final = 3.0
"""Fitting, tacking and clamping a plate, minutes. Our planning value."""
HEAT_MIN: Final = 6.0
"""Bringing a plate to a preheat above the shop's temperature, minutes. Our planning value."""
SHOP_TEMPERATURE_C: Final = 30.0
"""A preheat up to this is the shop's own temperature and takes no heating. Our planning value."""
COOL_MIN: Final = 10.0
"""Waiting until a plate is back at its set temperature between two welds on it, minutes. Our planning value: the rest
is over when the measured temperature says so."""
SECTION_MIN: Final = 15.0
"""Cutting, grinding, etching and measuring one section, minutes. Our planning value."""


@dataclass(frozen=True)
class Piece:
    """Pieces of plate to cut: how many, and their size in mm; the thickness is None where not stated."""

    number: int
    length_mm: float
    width_mm: float
    thickness_mm: float | None


@dataclass(frozen=True)
class BeadCost:
    """What second beads add to a plan's cost; None where the job does not state what it takes to know."""

    beads: int
    plates: int
    wire_kg: float | None
    wire_m: float | None
    arc_min: float | None
    elapsed_min: float | None

    def to_dict(self) -> dict[str, object]:
        """Give the ``second_beads`` of a cost in ``plan --json``."""
        return {
            "beads": self.beads,
            "plates": self.plates,
            "wire": _quantity(self.wire_kg, "kg"),
            "arc_time": _quantity(self.arc_min, "min"),
            "elapsed": _quantity(self.elapsed_min, "min"),
            "wire_length": _quantity(self.wire_m, "m"),
        }


@dataclass(frozen=True)
class Cost:
    """What the welds of a plan cost; None where the job does not state what it takes to know.

    Attributes
    ----------
    plates, welds : int
    cut_list : tuple of Piece
    wire_kg, wire_m : float or None
    arc_min : float or None
        Minutes with the arc lit.
    elapsed_min : float or None
        Minutes at the welding bench, rests included.
    bench_min : float
        Minutes to cut, etch and measure one section a weld, none of a second bead; 0 where nothing is measured on a
        section.
    assumptions : tuple of str
        What was taken for granted, one plain sentence each.
    second_beads : BeadCost or None
        How much of all this the second beads take; None where there are none.
    """

    plates: int
    welds: int
    cut_list: tuple[Piece, ...]
    wire_kg: float | None
    wire_m: float | None
    arc_min: float | None
    elapsed_min: float | None
    bench_min: float
    assumptions: tuple[str, ...]
    second_beads: BeadCost | None = None

    def to_dict(self) -> dict[str, object]:
        """Give the ``cost`` of ``plan --json``."""
        second = {} if self.second_beads is None else {"second_beads": self.second_beads.to_dict()}
        return {
            "plates": self.plates,
            "wire": _quantity(self.wire_kg, "kg"),
            "arc_time": _quantity(self.arc_min, "min"),
            "elapsed": _quantity(self.elapsed_min, "min"),
            "wire_length": _quantity(self.wire_m, "m"),
            "bench_time": _quantity(self.bench_min, "min"),
            "cut_list": [vars(piece) for piece in self.cut_list],
            "assumptions": list(self.assumptions),
            **second,
        }


def _quantity(value: float | None, unit: str) -> dict[str, object] | None:
    """Write a value with its unit, or null."""
    return None if value is None else {"value": float(f"{value:.12g}"), "unit": unit}


def plan_cost(plan: Plan) -> Cost:
    """Work out what the welds of a plan (this stage only) cost, and how much of it their second beads take."""
    whole = _cost_of(plan)
    if not plan.second_beads:
        return whole
    return replace(whole, second_beads=_added(whole, _cost_of(replace(plan, welds=plan.designed)), plan))


def _added(whole: Cost, first: Cost, plan: Plan) -> BeadCost:
    """Give what the second beads add to the cost of the first."""
    return BeadCost(
        len(plan.second_beads),
        whole.plates - first.plates,
        _difference(whole.wire_kg, first.wire_kg),
        _difference(whole.wire_m, first.wire_m),
        _difference(whole.arc_min, first.arc_min),
        _difference(whole.elapsed_min, first.elapsed_min),
    )


def _difference(whole: float | None, part: float | None) -> float | None:
    return None if whole is None or part is None else whole - part


def _cost_of(plan: Plan) -> Cost:
    """Add up everything that a plan's welds cost."""
    study = plan.study
    seconds = arc_seconds(study, plan.settings)
    length = _wire_length_mm(study, plan.settings, seconds)
    per_m = wire_kg_m(study.job)
    n_plates = len({weld.plate for weld in plan.welds})
    return Cost(
        plates=n_plates,
        welds=len(plan.welds),
        cut_list=_cut_list(study, plan.welds),
        wire_kg=None if length is None or per_m is None else length / 1000 * per_m,
        wire_m=None if length is None else length / 1000,
        arc_min=None if seconds is None else sum(seconds) / 60,
        elapsed_min=None if seconds is None else _elapsed_min(plan, seconds),
        bench_min=SECTION_MIN * len(plan.designed) if _needs_sections(study) else 0.0,
        assumptions=_assumptions(study, seconds, wire_known=length is not None),
    )


def _column(study: Study, settings: FloatArray, factor: Factor) -> list[float]:
    """Give one factor's settings."""
    return [float(v) for v in settings[:, study.factors.index(factor)]]


def _speed_factor(study: Study) -> Factor | None:
    """Give the factor that is the travel speed, where that is varied."""
    named = (f for f in study.factors if f.name.casefold().startswith("travel") and _is_speed(f))
    return next(named, None)


def _is_speed(factor: Factor) -> bool:
    """Whether a factor is calibrated in a unit of speed."""
    return factor.calibrated and bool(factor.unit) and same_dimension(factor.unit, "mm/s")


def arc_seconds(study: Study, settings: FloatArray) -> list[float] | None:
    """Give each weld's arc time, or None where weld length or travel speed is not stated."""
    length, speed = study.job.weld_length_mm, study.job.travel_speed_mm_s
    varied = _speed_factor(study)
    if length is None or (speed is None and varied is None):
        return None
    if varied is not None:
        return [length / convert(v, varied.unit, "mm/s") for v in _column(study, settings, varied)]
    return [length / speed for _ in settings] if speed else None


def _wire_length_mm(study: Study, settings: FloatArray, seconds: Sequence[float] | None) -> float | None:
    """Give the wire run out with the arc lit, or None where the feed is not known in a unit of speed."""
    feed = study.factor_of_role("feed")
    if seconds is None or feed is None or not _is_speed(feed):
        return None
    speeds = _column(study, settings, feed)
    return sum(convert(v, feed.unit, "mm/s") * s for v, s in zip(speeds, seconds, strict=True))


def wire_kg_m(job: Job) -> float | None:
    """Give the mass of a metre of wire, or None where diameter or make-up is not stated."""
    cored = wire_is_cored(job.process, job.wire)
    if job.wire_diameter_mm is None or cored is None:
        return None
    ratio = CORED_RATIO if cored else 1.0
    return wire_mass_kg(1000.0, wire_diameter_mm=job.wire_diameter_mm, density_ratio=ratio)


def _cut_list(study: Study, welds: Sequence[PlannedWeld]) -> tuple[Piece, ...]:
    """List the pieces to cut, or none where the weld's length is not stated."""
    job = study.job
    if job.weld_length_mm is None:
        return ()
    each = 2 if any(word in job.joint.casefold() for word in TWO_PIECE_JOINTS) else 1
    plates = len({weld.plate for weld in welds})
    length = job.weld_length_mm + 2 * END_ALLOWANCE_MM
    return (Piece(plates * each, length, COUPON_WIDTH_MM, job.thickness_mm),)


def _elapsed_min(plan: Plan, seconds: Sequence[float]) -> float:
    """Add up the session: clamping and heating plates, setting up, arcs, rests."""
    total = 0.0
    heated: set[str] = set()
    for weld, arc_s in zip(plan.welds, seconds, strict=True):
        if weld.plate not in heated:
            heated.add(weld.plate)
            total += CLAMP_MIN + (HEAT_MIN if _is_heated(plan.study, weld) else 0.0)
        total += arc_s / 60 + rest_min(plan.study, weld, arc_s)
    return total


def rest_min(study: Study, weld: PlannedWeld, arc_s: float) -> float:
    """Give the rest that goes with a weld: setting up, a plate that cools, the duty rating; the longest of them."""
    cooling = COOL_MIN if weld.position > 1 and study.plan.later_welds == "cooled" else 0.0
    return max(SET_UP_MIN, cooling, _duty_rest_min(study, arc_s))


def _duty_rest_min(study: Study, arc_s: float) -> float:
    """Give the rest that keeps the share of arc time within the duty rating, as if at the rated current."""
    percent = study.machine.duty_percent
    return 0.0 if not percent else arc_s / 60 * (100 / percent - 1)


def _is_heated(study: Study, weld: PlannedWeld) -> bool:
    """Tell whether a weld's plate is brought above the shop's temperature."""
    preheat = study.factor_of_role("preheat")
    if preheat is None:
        return False
    value = weld.settings[study.factors.index(preheat)]
    celsius = (value - 32) / 1.8 if preheat.unit == "degF" else value
    return celsius > SHOP_TEMPERATURE_C


def _needs_sections(study: Study) -> bool:
    """Tell whether anything is measured on a section."""
    measured = any(response.kind == "measure" for response in study.responses)
    return measured or "section" in study.job.inspected.casefold()


def _assumptions(study: Study, seconds: Sequence[float] | None, *, wire_known: bool) -> tuple[str, ...]:
    """Say what was taken for granted."""
    said = []
    if study.job.weld_length_mm is not None:
        said.append(
            f"pieces are {COUPON_WIDTH_MM:g} mm wide and {END_ALLOWANCE_MM:g} mm longer than the weld at each end"
        )
    if wire_known and wire_is_cored(study.job.process, study.job.wire):
        said.append(f"a metre of cored wire weighs {CORED_RATIO:g} of solid wire (weigh one to know)")
    if wire_known:
        said.append("wire trimmed or run out between welds is not counted")
    if seconds is not None:
        said.append(f"{SET_UP_MIN:g} min to set up each weld, {CLAMP_MIN:g} min to clamp a plate")
        said += _rests(study)
    if _needs_sections(study):
        of_none = ", none of a second bead" if study.plan.second_bead else ""
        said.append(f"{SECTION_MIN:g} min to cut, etch and measure each section, one section a weld{of_none}")
    return tuple(said)


def _rests(study: Study) -> list[str]:
    """Say which rests were counted."""
    said = []
    if study.factor_of_role("preheat") is not None:
        said.append(f"{HEAT_MIN:g} min to heat a plate")
    if study.plan.welds_per_plate > 1 and study.plan.later_welds == "cooled":
        said.append(f"{COOL_MIN:g} min for a plate to come back to its temperature between welds")
    if study.machine.duty_percent:
        said.append("rests for the duty rating as if every weld were made at the rated current")
    return said
