"""From ``[[factor]]`` to ``Factor``: what can be set, and at which values."""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, cast

from doe.errors import quoted
from doe.study.faults import Faults, Place, as_written, did_you_mean
from doe.study.model import Factor, Role
from doe.study.names import LONGEST_NAME, fold, name_fault
from doe.study.shape import FactorShape, check_shape
from doe.units import find_unit

MOST_STEPS: Final = 2000
"""So many steps may a range have."""
DEFAULT_STEPS: Final = 100
"""A range without a step is divided into so many."""
FINEST: Final = 1e-9
"""A step below this share of the range's numbers cannot be told from rounding."""
ROLE_NAMES: Final[Mapping[str, Role]] = {
    **dict.fromkeys(("voltage", "volt", "volts", "arc voltage"), "voltage"),
    **dict.fromkeys(("feed", "wire feed", "wire speed", "wire feed speed"), "feed"),
    **dict.fromkeys(("preheat", "pre-heat", "preheat temperature"), "preheat"),
}
"""Names from which a role is taken where none is stated."""
ROLE_DIMENSIONS: Final = {"voltage": "voltage", "feed": "speed", "preheat": "temperature"}
"""What the unit of a role measures; a dial's own numbers and per cent of its range do as well."""
_COATED: Final = re.compile(
    r"galv|\bzinc|\bpaint|\bprim(?:er|ed)|cadmium|chromat|chrome|\bhot.dip|electroplat", re.IGNORECASE
)


@dataclass(frozen=True)
class Scale:
    """The values a factor can take: the part of ``Factor`` that its form decides."""

    values: tuple[float, ...] = ()
    marks: tuple[str, ...] = ()
    calibrated: bool = True
    is_continuous: bool = False
    kinds: tuple[str, ...] = ()
    ranges: tuple[tuple[str, float, float], ...] = ()
    range_by: str = ""


def resolve_factors(raw: Sequence[object], faults: Faults) -> tuple[Factor, ...]:
    """Check and resolve every factor; those with faults are left out, their faults noted."""
    shapes: list[tuple[Place, FactorShape]] = []
    for number, entry in enumerate(raw, 1):
        place = faults.at(entry_key("factor", number, entry))
        shape = check_shape(FactorShape, entry, place)
        if shape is not None:
            shapes.append((place, shape))
    kinds = {s.name.strip(): s.kinds for _, s in shapes if s.kinds}
    factors = [factor for place, shape in shapes if (factor := _resolve(shape, place, kinds))]
    return _with_roles(factors, {shape.name.strip(): shape.role for _, shape in shapes}, faults)


def entry_key(table: str, number: int, entry: object) -> str:
    """Name an entry as a person finds it: ``factor "feed"``, or ``factor[2]`` where it has no usable name."""
    name = entry.get("name") if isinstance(entry, dict) else None
    if isinstance(name, str) and name.strip() and len(name) <= LONGEST_NAME and name.isprintable():
        return f'{table} "{name.strip()}"'
    return f"{table}[{number}]"


def _resolve(shape: FactorShape, place: Place, kinds: Mapping[str, tuple[str, ...]]) -> Factor | None:
    """Resolve one factor, its role as written."""
    name = shape.name.strip()
    fault = name_fault(shape.name)
    if fault:
        place.add(fault, "name")
    _refuse_coated(shape, place)
    unit = place.unit(shape.unit)
    if unit is None and _has_texts(shape):
        return None
    scale = _scale(shape, unit or "", place, kinds)
    wander = _set_within(shape, unit or "", place)
    if scale is None or unit is None or fault:
        return None
    return Factor(
        name=name,
        unit=unit,
        values=scale.values,
        marks=scale.marks,
        calibrated=scale.calibrated,
        kinds=scale.kinds,
        ranges=scale.ranges,
        range_by=scale.range_by,
        hard_to_change=shape.hard_to_change,
        set_within=wander,
        is_continuous=scale.is_continuous,
    )


def _has_texts(shape: FactorShape) -> bool:
    """Whether an amount is written as a text, so that it cannot be judged without knowing the unit."""
    ranges = [value for _, pair in shape.ranges or () for value in pair]
    marks = [entry[1] for entry in shape.marks or () if isinstance(entry, tuple)]
    amounts = [shape.low, shape.high, shape.step, shape.set_within, *(shape.levels or ()), *ranges, *marks]
    return any(isinstance(amount, str) for amount in amounts)


def _set_within(shape: FactorShape, unit: str, place: Place) -> float:
    """Read how well the factor can be set and held."""
    if shape.set_within is None:
        return 0.0
    if shape.kinds is not None:
        place.add("a factor of kinds is set exactly; leave set_within out", "set_within")
        return 0.0
    wander = place.amount(shape.set_within, unit, key="set_within", difference=True)
    if wander is not None and wander < 0:
        place.add(f"{as_written(shape.set_within)} is below 0; it is a standard deviation", "set_within")
    return wander or 0.0


def _refuse_coated(shape: FactorShape, place: Place) -> None:
    """Stop where a coating is to be welded on: it gives off poisonous fume."""
    words = [shape.name, *(shape.kinds or ())]
    found = next((word for word in words if _COATED.search(word)), None)
    if found is None or shape.coated_steel_acknowledged:
        return
    place.add(
        f"{quoted(found)} names a coated surface. Welding on zinc, cadmium, chromate or paint gives off poisonous "
        "fume; take the coating off well beyond the heated zone and test on bare steel. If welding it is the very "
        "question, with the extraction, protection and local rules that such work demands, say so with "
        "coated_steel_acknowledged = true",
        "kinds" if found != shape.name else "name",
    )


def _scale(shape: FactorShape, unit: str, place: Place, kinds: Mapping[str, tuple[str, ...]]) -> Scale | None:
    """Resolve the one form in which the values are given."""
    given = {
        "marks": shape.marks is not None,
        "low and high": shape.low is not None or shape.high is not None,
        "levels": shape.levels is not None,
        "kinds": shape.kinds is not None,
        "ranges": shape.ranges is not None,
    }
    forms = [form for form, is_given in given.items() if is_given]
    if len(forms) != 1:
        found = "none of them is given" if not forms else f"{' and '.join(forms)} are given together"
        place.add(f"a factor takes exactly one of marks, low and high, levels, kinds or ranges; {found}")
        return None
    if shape.step is not None and forms[0] not in {"low and high", "ranges"}:
        place.add(f"a step belongs to a range; {forms[0]} have none", "step")
    match forms[0]:
        case "marks":
            return _from_marks(shape, unit, place)
        case "low and high":
            return _from_range(shape, unit, place)
        case "levels":
            return _from_levels(shape, unit, place)
        case "kinds":
            return _from_kinds(shape, place)
    return _from_ranges(shape, unit, place, kinds)


def _from_marks(shape: FactorShape, unit: str, place: Place) -> Scale | None:
    """Resolve a dial with marks: a table is calibrated, a list is not."""
    entries = shape.marks or ()
    table = [entry for entry in entries if isinstance(entry, tuple)]
    marks = tuple(entry[0] if isinstance(entry, tuple) else entry for entry in entries)
    if not _labels_are_sound(marks, "mark", place, "marks"):
        return None
    if not table:
        if unit not in {"", "mark"}:
            place.add(
                f"a list of marks has no values, so it has no unit; give each mark its value in {unit}, or leave "
                "the unit out",
                "unit",
            )
            return None
        return Scale(values=tuple(float(i) for i in range(1, len(marks) + 1)), marks=marks, calibrated=False)
    if unit == "mark":
        place.add("calibrated marks have a value in a unit such as V; “mark” is none", "unit")
        return None
    values = [place.amount(value, unit, key=f'marks."{mark}"') for mark, value in table]
    sound = [value for value in values if value is not None]
    if len(sound) < len(values) or not _rise(sound, place, "marks", labels=marks):
        return None
    return Scale(values=tuple(sound), marks=marks)


def _labels_are_sound(labels: Sequence[str], word: str, place: Place, key: str) -> bool:
    """Check marks or kinds: at least two, none empty or twice, none that a table or a term could not hold."""
    before = len(place.faults.found)
    if len(labels) < 2:
        place.add(f"a factor needs at least two {word}s; found {len(labels)}", key)
    seen: set[str] = set()
    for label in labels:
        bad = next((c for c in label if not c.isprintable() or c in '[],;"*^='), None)
        if not label or len(label) > LONGEST_NAME:
            place.add(f"the {word} {quoted(label)} is empty or longer than {LONGEST_NAME} characters", key)
        elif bad is not None:
            place.add(f"the {word} {quoted(label)} holds {quoted(bad)}, which is not accepted", key)
        if fold(label) in seen:
            place.add(f"the {word} {quoted(label)} stands twice (capitals and blanks do not count)", key)
        seen.add(fold(label))
    return len(place.faults.found) == before


def _rise(values: Sequence[float], place: Place, key: str, labels: Sequence[str] = ()) -> bool:
    """Check that values rise from one to the next."""
    for i, (first, second) in enumerate(itertools.pairwise(values)):
        if second <= first:
            at = f" from mark {quoted(labels[i])} to {quoted(labels[i + 1])}" if labels else ""
            place.add(
                f"the values do not rise{at}: {first:g} is followed by {second:g}; list them from low to high", key
            )
            return False
    return True


def _from_range(shape: FactorShape, unit: str, place: Place) -> Scale | None:
    """Resolve ``low``, ``high`` and ``step``."""
    for key in ("low", "high"):
        if getattr(shape, key) is None:
            place.add(f"a range needs both low and high; {key} is missing", key)
            return None
    low = place.amount(shape.low or 0.0, unit, key="low")
    high = place.amount(shape.high or 0.0, unit, key="high")
    if low is None or high is None:
        return None
    if not low < high:
        place.add(f"low ({low:g}) is not below high ({high:g})", "low")
        return None
    step = _step(shape, unit, place, low=low, high=high)
    if step is None:
        return None
    return Scale(values=steps(low, high, step), calibrated=unit != "mark", is_continuous=True)


def _step(shape: FactorShape, unit: str, place: Place, *, low: float, high: float) -> float | None:
    """Give the step, by default a hundredth of the range."""
    width = high - low
    step = width / DEFAULT_STEPS
    if shape.step is not None:
        written = place.amount(shape.step, unit, key="step", difference=True)
        if written is None:
            return None
        step = written
    if not 0 < step <= width:
        place.add(
            f"{as_written(shape.step)} is not a step of this range; it must be above 0 and at most {width:g}", "step"
        )
    elif width / step > MOST_STEPS:
        place.add(f"a step of {step:g} divides the range into more than {MOST_STEPS} steps; take a larger one", "step")
    elif step < FINEST * max(abs(low), abs(high)):
        place.add(f"a step of {step:g} is too fine for numbers as large as {high:g}", "step")
    else:
        return step
    return None


def steps(low: float, high: float, step: float) -> tuple[float, ...]:
    """Give low, low + step ... and high, free of binary rounding; high is always there.

    Examples
    --------
    >>> steps(5.0, 5.35, 0.1)
    (5.0, 5.1, 5.2, 5.3, 5.35)
    """
    digits = 9 - math.floor(math.log10(step))
    count = math.floor((high - low) / step + 1e-9)
    between = [round(low + i * step, digits) for i in range(1, count + 1)]
    return (low, *(value for value in between if high - value > 1e-9 * step), high)


def _from_levels(shape: FactorShape, unit: str, place: Place) -> Scale | None:
    """Resolve a list of levels."""
    written = shape.levels or ()
    if len(written) < 2:
        place.add(f"a factor needs at least two levels; found {len(written)}", "levels")
        return None
    values = [place.amount(level, unit, key=f"levels[{i}]") for i, level in enumerate(written, 1)]
    sound = [value for value in values if value is not None]
    if len(sound) < len(values) or not _rise(sound, place, "levels"):
        return None
    return Scale(values=tuple(sound), calibrated=unit != "mark")


def _from_kinds(shape: FactorShape, place: Place) -> Scale | None:
    """Resolve a factor of kinds."""
    kinds = shape.kinds or ()
    if shape.unit.strip():
        place.add("a factor of kinds has no unit", "unit")
    if shape.role not in {"", "other"}:
        place.add(f"a factor of kinds cannot have the role {shape.role}; leave it out", "role")
    return Scale(kinds=kinds) if _labels_are_sound(kinds, "kind", place, "kinds") else None


def _from_ranges(shape: FactorShape, unit: str, place: Place, kinds: Mapping[str, tuple[str, ...]]) -> Scale | None:
    """Resolve ``ranges = { A = [5.0, 9.0], B = [4.0, 7.0] }``: the values span them all."""
    written = dict(shape.ranges or ())
    owners = [name for name, known in kinds.items() if set(known) == set(written)]
    if len(owners) != 1:
        place.add(_which_kinds(written, kinds, owners), "ranges")
        return None
    ranges = [_one_range(kind, written[kind], unit, place) for kind in kinds[owners[0]]]
    sound = [entry for entry in ranges if entry is not None]
    if len(sound) < len(ranges):
        return None
    lowest, highest = min(low for _, low, _ in sound), max(high for *_, high in sound)
    step = _step(shape, unit, place, low=lowest, high=highest)
    if step is None:
        return None
    if any(high - low < step for _, low, high in sound):
        place.add(f"the step {step:g} is wider than one of the ranges", "step")
        return None
    values = sorted({value for _, low, high in sound for value in steps(low, high, step)})
    return Scale(
        values=tuple(values), calibrated=unit != "mark", is_continuous=True, ranges=tuple(sound), range_by=owners[0]
    )


def _which_kinds(written: Mapping[str, object], kinds: Mapping[str, tuple[str, ...]], owners: Sequence[str]) -> str:
    """Say why the keys of ``ranges`` do not point to one factor of kinds."""
    found = ", ".join(quoted(key) for key in written) or "none"
    if not kinds:
        return f"ranges are given a kind, but no factor of kinds is in this study; found the kinds {found}"
    if owners:
        return f"the kinds {found} belong to more than one factor ({', '.join(owners)}); give their kinds unlike names"
    accepted = "; ".join(f"{name}: {', '.join(known)}" for name, known in kinds.items())
    every = [kind for known in kinds.values() for kind in known]
    hints = "".join(did_you_mean(key, every) for key in written if key not in every)
    return f"the ranges must name every kind of one factor, and no others; found {found}, accepted {accepted}{hints}"


def _one_range(kind: str, written: Sequence[float | str], unit: str, place: Place) -> tuple[str, float, float] | None:
    """Read the range of one kind."""
    key = f"ranges.{kind}"
    if len(written) != 2:
        place.add(f"a range is two numbers, low and high; found {len(written)}", key)
        return None
    low, high = (place.amount(value, unit, key=key) for value in written)
    if low is None or high is None:
        return None
    if not low < high:
        place.add(f"low ({low:g}) is not below high ({high:g})", key)
        return None
    return kind, low, high


def _with_roles(factors: Sequence[Factor], stated: Mapping[str, str], faults: Faults) -> tuple[Factor, ...]:
    """Give each factor its role: as stated, or from its name where its unit fits and nobody has that role yet."""
    taken: dict[str, str] = {}
    for factor in factors:
        role = stated[factor.name]
        place = faults.at(f'factor "{factor.name}"')
        if role and not _unit_fits(factor, role):
            place.add(f"the role {role} needs a unit of {ROLE_DIMENSIONS[role]}; found {quoted(factor.unit)}", "role")
        if role in ROLE_DIMENSIONS and role in taken:
            place.add(f"the factor “{taken[role]}” has the role {role} already; only one can have it", "role")
        elif role in ROLE_DIMENSIONS:
            taken[role] = factor.name
    resolved: list[Factor] = []
    for factor in factors:
        role = stated[factor.name] or _role_from_name(factor)
        if not stated[factor.name] and taken.setdefault(role, factor.name) != factor.name:
            role = "other"
        resolved.append(replace(factor, role=cast("Role", role)))
    return tuple(resolved)


def _role_from_name(factor: Factor) -> Role:
    """Take the role from the name, where the unit does not speak against it."""
    role = ROLE_NAMES.get(fold(factor.name), "other")
    return "other" if factor.is_kind or not _unit_fits(factor, role) else role


def _unit_fits(factor: Factor, role: str) -> bool:
    """Whether a unit can be that of a role; no unit, and the dial's own numbers, can be."""
    if role == "other" or not factor.unit:
        return True
    return find_unit(factor.unit).dimension in {ROLE_DIMENSIONS[role], "dial marks", "ratio"}
