"""From ``[[response]]`` to ``Response``: what is measured, and what it must meet."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from doe.errors import DoeError, quoted
from doe.study.factors import entry_key
from doe.study.faults import Faults, Place, as_written, did_you_mean
from doe.study.model import Factor, Response
from doe.study.names import name_fault
from doe.study.shape import (
    RESPONSE_SHAPES,
    CountShape,
    MeasureShape,
    PassShape,
    ResponseShape,
    TripShape,
    check_shape,
)
from doe.units import parse_quantity

LARGEST_RATIO: Final = 10.0
"""The informed prior on porosity was tried up to this ratio of best to worst corner (METHOD, section 3)."""


def resolve_responses(
    raw: Sequence[object], factors: Sequence[Factor], names: Sequence[str], faults: Faults
) -> tuple[Response, ...]:
    """Check and resolve every response; those with faults are left out, their faults noted.

    Parameters
    ----------
    raw : sequence
        The entries of ``[[response]]``.
    factors : sequence of Factor
        The factors that could be resolved.
    names : sequence of str
        Every factor's name, those with faults included.
    faults : Faults
    """
    responses: list[Response] = []
    for number, entry in enumerate(raw, 1):
        place = faults.at(entry_key("response", number, entry))
        before = len(faults.found)
        shape = _shape_of(entry, place)
        response = None if shape is None else _resolve(shape, factors, names, place)
        if response is not None and len(faults.found) == before:
            responses.append(response)
    return tuple(responses)


def _shape_of(entry: object, place: Place) -> ResponseShape | None:
    """Check the entry against the shape of its kind."""
    kind = entry.get("kind") if isinstance(entry, dict) else None
    if isinstance(entry, dict) and kind is None:
        place.add(f"“kind” is missing; accepted are {', '.join(RESPONSE_SHAPES)}", "kind")
        return None
    if isinstance(entry, dict) and (not isinstance(kind, str) or kind not in RESPONSE_SHAPES):
        hint = did_you_mean(kind, RESPONSE_SHAPES) if isinstance(kind, str) else ""
        place.add(f"{quoted(kind)} is not a kind of response{hint}; accepted are {', '.join(RESPONSE_SHAPES)}", "kind")
        return None
    return check_shape(RESPONSE_SHAPES[str(kind)] if kind else MeasureShape, entry, place)


def _resolve(shape: ResponseShape, factors: Sequence[Factor], names: Sequence[str], place: Place) -> Response | None:
    """Resolve one response by its kind."""
    fault = name_fault(shape.name)
    if fault:
        place.add(fault, "name")
    match shape:
        case MeasureShape():
            return _measure(shape, place)
        case CountShape():
            return _count(shape, factors, names, place)
        case TripShape():
            return _trip(shape, place)
        case PassShape():
            return Response(shape.name.strip(), "pass", family=shape.family, penalty=shape.penalty)


def _measure(shape: MeasureShape, place: Place) -> Response | None:
    unit = place.unit(shape.unit)
    if unit is None:
        return None

    def limit(key: str) -> float | None:
        written = getattr(shape, key)
        return None if written is None else place.amount(written, unit, key=key)

    at_least, at_most, full = limit("at_least"), limit("at_most"), limit("full")
    if at_least is not None and at_most is not None and at_least >= at_most:
        place.add(
            f"no reading can be at least {at_least:g} and at most {at_most:g}: at_least must be below at_most",
            "at_least",
        )
    if at_least is not None and full is not None and at_least >= full:
        place.add(
            f"a reading at full ({full:g}) only says “at least {full:g}”, so at_least ({at_least:g}) must be below it",
            "at_least",
        )
    return Response(
        shape.name.strip(),
        "measure",
        unit=unit,
        at_least=at_least,
        at_most=at_most,
        full=full,
        expect_scatter=_scatter(shape, unit, place),
        scatter_from=_earlier_study(shape),
        errors=shape.errors,
    )


def _scatter(shape: MeasureShape, unit: str, place: Place) -> float | None:
    """Read the expected repeat scatter, where it is a number."""
    if shape.expect_scatter is None or _earlier_study(shape):
        return None
    hint = (
        "; accepted is a number such as 0.3 (one standard deviation between welds made alike, in the response’s unit), "
        "or the folder of an earlier study, written as a path: “../old-study”"
    )
    scatter = place.amount(shape.expect_scatter, unit, key="expect_scatter", difference=True, hint=hint)
    if scatter is not None and scatter <= 0:
        place.add(f"{as_written(shape.expect_scatter)} is not above 0; it is a standard deviation", "expect_scatter")
    return scatter


def _earlier_study(shape: MeasureShape) -> str:
    """Give the folder of an earlier study; empty where the scatter is a number, a fraction among them, or not given."""
    text = shape.expect_scatter
    if not isinstance(text, str) or not ({"/", "\\"} & set(text)):
        return ""
    try:
        parse_quantity(text)
    except DoeError:
        return text.strip().replace("\\", "/")
    return ""


def _count(shape: CountShape, factors: Sequence[Factor], names: Sequence[str], place: Place) -> Response:
    zone = tuple(name.strip() for name in shape.expect_good_zone or ())
    _check_experience(shape, zone, factors, names, place)
    if shape.at_most is not None and (shape.at_most < 0 or shape.at_most != int(shape.at_most)):
        place.add(f"{shape.at_most:g} is not a count; accepted is a whole number, 0 or more", "at_most")
    return Response(
        shape.name.strip(),
        "count",
        at_most=shape.at_most,
        per_mm=_length(shape, place),
        per_text=str(shape.per or "").strip(),
        expect_good_zone=zone,
        expect_ratio_under=shape.expect_ratio_under,
        family=shape.family,
    )


def _length(shape: CountShape, place: Place) -> float | None:
    """Read the inspected length that the count refers to."""
    if shape.per is None:
        place.add('a count needs the inspected length it refers to, such as per = "100 mm"', "per")
    return place.sized(shape.per, "mm", key="per")


def _check_experience(
    shape: CountShape, zone: Sequence[str], factors: Sequence[Factor], names: Sequence[str], place: Place
) -> None:
    """Check the two answers from experience: both or neither."""
    given = {"expect_good_zone": shape.expect_good_zone, "expect_ratio_under": shape.expect_ratio_under}
    missing = [key for key, value in given.items() if value is None]
    if len(missing) == 1:
        other = next(key for key in given if key not in missing)
        place.add(f"{other} is given without {missing[0]}; they are used together or not at all", missing[0])
    numeric = {factor.name for factor in factors if not factor.is_kind}
    for name in zone:
        if name not in names:
            place.add(
                f"{quoted(name)} is not a factor{did_you_mean(name, names)}; the factors are {', '.join(names)}",
                "expect_good_zone",
            )
        elif name not in numeric and any(factor.name == name for factor in factors):
            place.add(f"{quoted(name)} is a factor of kinds and has no ends", "expect_good_zone")
    if shape.expect_good_zone is not None and (not zone or len(set(zone)) < len(zone)):
        place.add("name each factor once, and at least one", "expect_good_zone")
    ratio = shape.expect_ratio_under
    if ratio is not None and not 1 < ratio <= LARGEST_RATIO:
        place.add(
            f"{ratio:g} is not accepted; the ratio is above 1 and at most {LARGEST_RATIO:g}", "expect_ratio_under"
        )


def _trip(shape: TripShape, place: Place) -> Response:
    if shape.family == "weibull" and not shape.penalty:
        place.add('penalty belongs to the logistic family; leave it out, or set family = "logistic"', "penalty")
    return Response(
        shape.name.strip(),
        "trip",
        hold_s=place.positive(shape.hold, "s", key="hold"),
        family=shape.family,
        penalty=shape.penalty,
    )
