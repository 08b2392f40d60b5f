"""The shape of study.toml: which keys each table has, and what type each value is.

What the values mean together is checked in the modules that resolve them into ``doe.study.model``.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Annotated, ClassVar, Final, NoReturn, TypeVar

from pydantic import BaseModel, ConfigDict, PlainValidator, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from doe.errors import quoted
from doe.study.faults import Place, did_you_mean
from doe.trade.cooling import JOINTS

LONGEST_TEXT: Final = 300
"""So long may a text in the file be."""
MOST_ENTRIES: Final = 1000
"""So many entries may a list or a table of marks have."""
MOST_UNKNOWN: Final = 20
"""So many unknown keys of a table are named one by one."""
ERRORS: Final = ("normal", "student t")
"""Distributions of a measure's errors."""


_OURS: Final = "accepted"
"""The type of the faults that we word ourselves."""


def _refuse(found: object, accepted: str) -> NoReturn:
    """Refuse a value in our own words."""
    message = f"{quoted(_as_written(found))} is not accepted; {accepted}"
    raise PydanticCustomError(_OURS, "{message}", {"message": message})


def _as_written(value: object) -> str:
    """Give a value roughly as it stands in the file."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict | list):
        return "a table" if isinstance(value, dict) else "a list"
    if isinstance(value, int) and abs(value) > 10**30:
        return "a very large number"
    return str(value)


def _text(value: object) -> str:
    if not isinstance(value, str):
        _refuse(value, 'write a text in quotes, such as "10 mm"')
    if len(value) > LONGEST_TEXT:
        _refuse(value, f"a text may have {LONGEST_TEXT} characters, this one has {len(value)}")
    if any(not c.isprintable() and c not in "\n\t\r\u00a0\u2009\u202f" for c in value):
        _refuse(value, "control characters have no place in a text")
    return value


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        _refuse(value, "write a number without quotes, such as 1.25")
    if not abs(value) < 1e100:  # also refuses nan
        _refuse(value, "write an ordinary number, neither infinite nor “not a number”")
    return float(value)


def _whole(value: object) -> int:
    number = _number(value)
    if number != math.floor(number):
        _refuse(value, "write a whole number")
    return int(number)


def _flag(value: object) -> bool:
    if not isinstance(value, bool):
        _refuse(value, "write true or false, without quotes")
    return value


def _amount(value: object) -> float | str:
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, bool) or not isinstance(value, int | float):
        _refuse(value, 'write a number, or a number with its unit in quotes, such as "10 mm"')
    return _number(value)


def _label(value: object) -> str:
    """Read what a dial shows, or the name of a kind: a text, or a number that stands for one."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return f"{_number(value):.12g}"
    return _text(value).strip()


_T = TypeVar("_T")


def _many(item: Callable[[object], _T]) -> Callable[[object], tuple[_T, ...]]:
    def read(value: object) -> tuple[_T, ...]:
        if not isinstance(value, list):
            _refuse(value, "write a list in square brackets, such as [1, 2]")
        if len(value) > MOST_ENTRIES:
            _refuse(value, f"a list may have {MOST_ENTRIES} entries, this one has {len(value)}")
        return tuple(item(entry) for entry in value)

    return read


def _whole_or_many(value: object) -> int | tuple[int, ...]:
    return _many(_whole)(value) if isinstance(value, list) else _whole(value)


def _table(item: Callable[[object], _T]) -> Callable[[object], tuple[tuple[str, _T], ...]]:
    def read(value: object) -> tuple[tuple[str, _T], ...]:
        entries = _raw_table(value)
        if len(entries) > MOST_ENTRIES:
            _refuse(value, f"a table may have {MOST_ENTRIES} entries, this one has {len(entries)}")
        return tuple((_text(key).strip(), item(entry)) for key, entry in entries.items())

    return read


def _marks(value: object) -> tuple[str, ...] | tuple[tuple[str, float | str], ...]:
    if isinstance(value, dict):
        return _table(_amount)(value)
    if isinstance(value, list):
        return _many(_label)(value)
    _refuse(value, 'write a list such as ["A", "B"], or a table such as { "1" = 17.0, "2" = 18.4 }')


def _raw_table(value: object) -> dict[str, object]:
    if not isinstance(value, dict):
        _refuse(value, "write a table in curly brackets, such as { A = 1, B = 2 }")
    return value


def _choice(*accepted: str) -> Callable[[object], str]:
    def read(value: object) -> str:
        text = _text(value)
        if text not in accepted:
            _refuse(value, f"accepted are {', '.join(accepted)}{did_you_mean(text, accepted)}")
        return text

    return read


RawTable = Annotated[dict[str, object], PlainValidator(_raw_table)]
Text = Annotated[str, PlainValidator(_text)]
Label = Annotated[str, PlainValidator(_label)]
Number = Annotated[float, PlainValidator(_number)]
Whole = Annotated[int, PlainValidator(_whole)]
Flag = Annotated[bool, PlainValidator(_flag)]
Amount = Annotated[float | str, PlainValidator(_amount)]
Amounts = Annotated[tuple[float | str, ...], PlainValidator(_many(_amount))]
Texts = Annotated[tuple[str, ...], PlainValidator(_many(_text))]
Labels = Annotated[tuple[str, ...], PlainValidator(_many(_label))]
Wholes = Annotated[tuple[int, ...], PlainValidator(_many(_whole))]
WholeOrWholes = Annotated[int | tuple[int, ...], PlainValidator(_whole_or_many)]
Numbers = Annotated[tuple[tuple[str, float], ...], PlainValidator(_table(_number))]
Marks = Annotated[tuple[str, ...] | tuple[tuple[str, float | str], ...], PlainValidator(_marks)]
Ranges = Annotated[tuple[tuple[str, tuple[float | str, ...]], ...], PlainValidator(_table(_many(_amount)))]


class Shape(BaseModel):
    """One table of the file."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    belongs_to: ClassVar[str] = "this table"


class StudyShape(Shape):
    """``[study]``."""

    title: Text = ""
    units: Annotated[str, PlainValidator(_choice("metric", "us"))] = "metric"


class JobShape(Shape):
    """``[job]``; ``burn_off`` is checked apart."""

    process: Label = ""
    joint: Text = ""
    material: Text = ""
    thickness: Amount | None = None
    wire: Text = ""
    wire_diameter: Amount | None = None
    stickout: Amount | None = None
    travel_speed: Amount | None = None
    weld_length: Amount | None = None
    inspected: Text = ""
    chemistry: Numbers = ()
    hydrogen: Amount | None = None
    burn_off: RawTable | None = None
    cooling_joint: Annotated[str, PlainValidator(_choice(*JOINTS))] = ""
    covariates: Texts = ()


class BurnOffShape(Shape):
    """``burn_off = { a = 0.34, b = 9.1e-5, lowest = "90 A", highest = "190 A" }``."""

    a: Number
    b: Number
    lowest: Amount | None = None
    highest: Amount | None = None


class SupplyShape(Shape):
    """``[supply]``."""

    voltage: Amount | None = None
    breaker: Amount | None = None
    curve: Annotated[str, PlainValidator(_choice("B", "C", "D", "UL"))] = ""


class DutyShape(Shape):
    """``duty = { percent = 30, current = "120 A" }``."""

    percent: Amount
    current: Amount


class MachineShape(Shape):
    """``[machine]``; ``duty`` is checked apart."""

    efficiency: Amount | None = None
    power_factor: Amount | None = None
    duty: RawTable | None = None


class FactorShape(Shape):
    """``[[factor]]``."""

    belongs_to: ClassVar[str] = "a factor"
    name: Text
    role: Annotated[str, PlainValidator(_choice("voltage", "feed", "preheat", "other"))] = ""
    unit: Text = ""
    marks: Marks | None = None
    low: Amount | None = None
    high: Amount | None = None
    step: Amount | None = None
    levels: Amounts | None = None
    kinds: Labels | None = None
    ranges: Ranges | None = None
    set_within: Amount | None = None
    hard_to_change: Flag = False
    coated_steel_acknowledged: Flag = False


class LimitShape(Shape):
    """``[[limit]]``."""

    belongs_to: ClassVar[str] = "a limit"
    rule: Text
    why: Text = ""


class MeasureShape(Shape):
    """``[[response]]`` with ``kind = "measure"``."""

    belongs_to: ClassVar[str] = "a measure"
    name: Text
    kind: Text
    unit: Text = ""
    at_least: Amount | None = None
    at_most: Amount | None = None
    full: Amount | None = None
    expect_scatter: Amount | None = None
    errors: Annotated[str, PlainValidator(_choice(*ERRORS))] = "normal"


class CountShape(Shape):
    """``[[response]]`` with ``kind = "count"``."""

    belongs_to: ClassVar[str] = "a count"
    name: Text
    kind: Text
    per: Amount | None = None
    at_most: Number | None = None
    expect_good_zone: Texts | None = None
    expect_ratio_under: Number | None = None
    family: Annotated[str, PlainValidator(_choice("poisson", "negative binomial"))] = ""


class TripShape(Shape):
    """``[[response]]`` with ``kind = "trip"``."""

    belongs_to: ClassVar[str] = "a trip"
    name: Text
    kind: Text
    hold: Amount | None = None
    family: Annotated[str, PlainValidator(_choice("weibull", "logistic"))] = ""
    penalty: Flag = True


class PassShape(Shape):
    """``[[response]]`` with ``kind = "pass"``."""

    belongs_to: ClassVar[str] = "a pass"
    name: Text
    kind: Text
    family: Annotated[str, PlainValidator(_choice("logistic"))] = ""
    penalty: Flag = True


ResponseShape = MeasureShape | CountShape | TripShape | PassShape
RESPONSE_SHAPES: Final[dict[str, type[MeasureShape] | type[CountShape] | type[TripShape] | type[PassShape]]] = {
    "measure": MeasureShape,
    "count": CountShape,
    "trip": TripShape,
    "pass": PassShape,
}
"""What each kind of response may say."""


class BlocksShape(Shape):
    """``blocks = { name = "day", sizes = [9, 9] }``."""

    name: Text
    sizes: Wholes


class CodeShape(Shape):
    """One entry of ``coding``: ``{ centre = 19.6, half = 2.6 }``."""

    centre: Amount
    half: Amount


class PlanShape(Shape):
    """``[plan]``; the tables in it are checked apart."""

    welds: Whole = 18
    welds_per_plate: WholeOrWholes = 1
    later_welds: Annotated[str, PlainValidator(_choice("cooled", "warm"))] = "cooled"
    model: Annotated[str, PlainValidator(_choice("first order", "first order with products", "second order"))] = (
        "second order"
    )
    terms: Texts = ()
    coding: RawTable | None = None
    repeats: Whole | None = None
    criterion: Annotated[str, PlainValidator(_choice("I", "D", "compound"))] = "I"
    plate_ratio: Number = 1.0
    stages: Wholes | None = None
    blocks: RawTable | None = None
    potential: Annotated[str, PlainValidator(_choice("none", "third order"))] = "none"
    second_bead: Flag = False


class ClaimShape(Shape):
    """``[claim]``."""

    reliability: Amount = 0.90
    confidence: Amount = 0.90


ShapeType = TypeVar("ShapeType", bound=Shape)


def check_shape(shape: type[ShapeType], raw: object, place: Place) -> ShapeType | None:
    """Check one table; None, and its faults, where a type is wrong or a key is missing.

    An unknown key is a fault, but the rest of the table is still read, so that its other faults are told as well.
    """
    if not isinstance(raw, dict):
        place.add(f"{quoted(_as_written(raw))} is not accepted; a table with the keys {_keys(shape)} belongs here")
        return None
    known = {key: value for key, value in raw.items() if key in shape.model_fields}
    _refuse_unknown([key for key in raw if key not in shape.model_fields], shape, place)
    try:
        return shape.model_validate(known)
    except ValidationError as error:
        for detail in error.errors(include_url=False):
            place.add(_in_our_words(detail), _key(detail))
        return None


def _refuse_unknown(unknown: list[str], shape: type[Shape], place: Place) -> None:
    """Note the unknown keys, each with the nearest known one."""
    for key in unknown[:MOST_UNKNOWN]:
        elsewhere = [s.belongs_to for s in RESPONSE_SHAPES.values() if key in s.model_fields and shape in _RESPONSES]
        belongs = f"; {quoted(key)} belongs to {' or '.join(elsewhere)}" if elsewhere else ""
        hint = belongs or did_you_mean(key, shape.model_fields)
        place.add(f"{quoted(key)} is not a key of {shape.belongs_to}{hint}; accepted are {_keys(shape)}", _short(key))
    if len(unknown) > MOST_UNKNOWN:
        place.add(f"and {len(unknown) - MOST_UNKNOWN} more unknown keys")


_RESPONSES: Final = frozenset(RESPONSE_SHAPES.values())


def _keys(shape: type[Shape]) -> str:
    """List the keys of a table."""
    return ", ".join(shape.model_fields)


def _short(key: str) -> str:
    """Give a key as a person would write it, shortened."""
    return quoted(key).strip("“”")


def _key(detail: ErrorDetails) -> str:
    """Give where in the table a fault stands: ``duty.percent``."""
    return ".".join(_short(str(part)) for part in detail["loc"])


def _in_our_words(detail: ErrorDetails) -> str:
    """Say what pydantic found in plain words."""
    if detail["type"] == _OURS:
        return str(detail["ctx"]["message"])
    return f"{quoted(detail['loc'][-1])} is missing"
