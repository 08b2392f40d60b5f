"""From ``[plan]`` and ``[claim]`` to their objects: how the welds are planned, and what is to be claimed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import accumulate
from typing import Final, Literal, cast

from doe.coding import Coding
from doe.errors import DoeError, quoted
from doe.study.faults import Place, did_you_mean
from doe.study.model import Blocks, Claim, Factor, LaterWelds, PlanWishes, Response, Study
from doe.study.names import name_fault
from doe.study.shape import BlocksShape, ClaimShape, CodeShape, PlanShape, check_shape
from doe.terms import Order, parse_term

Criterion = Literal["I", "D", "compound"]
Potential = Literal["none", "third order"]
MOST_WELDS: Final = 1000
"""So many welds may be planned."""
FIRST_STAGE: Final = 8
"""Welds of the first stage by default (METHOD, section 5: staging pays up to 16 welds)."""
STAGED_BELOW: Final = 17
"""From so many welds on, all are planned at once by default."""


def resolve_plan(shape: PlanShape, factors: Sequence[Factor], *, complete: bool, place: Place) -> PlanWishes:
    """Resolve ``[plan]``, noting its faults.

    Parameters
    ----------
    shape : PlanShape
    factors : sequence of Factor
        The factors that could be resolved.
    complete : bool
        Whether those are all factors, so that terms and codes can be checked against them.
    place : Place
    """
    welds = _between(shape.welds, 1, MOST_WELDS, place, "welds")
    blocks = None if shape.blocks is None else _blocks(shape.blocks, welds, place.inner("blocks"))
    per_plate, plates = _plates(shape.welds_per_plate, welds, place)
    stages = _stages(shape.stages, welds, place, one_stage=blocks is not None or bool(plates))
    if plates:
        _check_whole(plates, {"stages": stages, "blocks": blocks.sizes if blocks else ()}, place)
    if complete:
        _check_terms(shape.terms, factors, place)
    if not 0 <= shape.plate_ratio <= 1000:
        place.add(f"{shape.plate_ratio:g} is not accepted; a variance ratio is 0 or more, at most 1000", "plate_ratio")
    return PlanWishes(
        welds=welds,
        welds_per_plate=per_plate,
        later_welds=cast("LaterWelds", shape.later_welds),
        model=cast("Order", shape.model),
        terms=tuple(term.strip() for term in shape.terms),
        coding=_coding(shape.coding or {}, factors, complete=complete, place=place),
        repeats=min(3, welds - 1) if shape.repeats is None else _between(shape.repeats, 0, welds - 1, place, "repeats"),
        criterion=cast("Criterion", shape.criterion),
        plate_ratio=shape.plate_ratio,
        stages=stages,
        blocks=blocks,
        plates=plates,
        potential=cast("Potential", shape.potential),
        second_bead=shape.second_bead,
    )


def refuse_idle_beads(wishes: PlanWishes, responses: Sequence[Response], place: Place) -> None:
    """Note second beads that nothing is asked of: they are only looked over and counted."""
    if wishes.second_bead and not any(r.kind == "count" and r.has_requirement for r in responses):
        place.add(
            "a second bead is only looked over and counted, and no response of kind “count” has a requirement here: "
            "give one at_most, or leave second_bead out",
            "second_bead",
        )


def _between(value: int, low: int, high: int, place: Place, key: str) -> int:
    """Check a whole number, and give it or the nearest accepted one."""
    if not low <= value <= high:
        place.add(f"{quoted(value)} is not accepted; a whole number from {low} to {high} is", key)
    return min(max(value, low), high)


def _stages(stages: tuple[int, ...] | None, welds: int, place: Place, *, one_stage: bool) -> tuple[int, ...]:
    """Check the stages, or give the default: 8 welds first where fewer than 17 are affordable."""
    if stages is None:
        is_staged = FIRST_STAGE < welds < STAGED_BELOW and not one_stage
        return (FIRST_STAGE, welds - FIRST_STAGE) if is_staged else (welds,)
    if any(stage < 1 for stage in stages):
        place.add("each stage has at least one weld", "stages")
    elif sum(stages) != welds:
        place.add(f"the stages add up to {sum(stages)} welds, but welds = {welds}", "stages")
    return stages


def _plates(asked: int | tuple[int, ...], welds: int, place: Place) -> tuple[int, tuple[int, ...]]:
    """Check ``welds_per_plate = 2``, or a number a plate such as ``[3, 3, 2]``; give the largest, and the list."""
    key = "welds_per_plate"
    if isinstance(asked, int):
        return _between(asked, 1, welds, place, key), ()
    if not asked or any(size < 1 for size in asked):
        place.add("each plate has at least one weld", key)
    elif sum(asked) != welds:
        place.add(f"the plates hold {sum(asked)} welds, but welds = {welds}", key)
    else:
        return max(asked), asked
    return 1, ()


def _check_whole(plates: Sequence[int], parts: Mapping[str, Sequence[int]], place: Place) -> None:
    """Note stages or blocks that would end in the middle of a plate."""
    ends = set(accumulate(plates))
    for key, sizes in parts.items():
        split = [end for end in accumulate(sizes) if end not in ends and end <= sum(plates)]
        if split:
            place.add(f"the first {split[0]} welds end in the middle of a plate; plates are {list(plates)}", key)


def _blocks(raw: dict[str, object], welds: int, place: Place) -> Blocks | None:
    """Check ``blocks = { name = "day", sizes = [9, 9] }``."""
    shape = check_shape(BlocksShape, raw, place)
    if shape is None:
        return None
    fault = name_fault(shape.name)
    if fault:
        place.add(fault, "name")
    if any(size < 1 for size in shape.sizes):
        place.add("each block has at least one weld", "sizes")
    elif sum(shape.sizes) != welds:
        place.add(f"the block sizes add up to {sum(shape.sizes)} welds, but welds = {welds}", "sizes")
    return Blocks(shape.name.strip(), shape.sizes)


def _check_terms(terms: Sequence[str], factors: Sequence[Factor], place: Place) -> None:
    """Check that every term is understood and none stands twice."""
    coding = _plain_coding(factors)
    seen: set[str] = set()
    for number, text in enumerate(terms, 1):
        try:
            meanings = {str(term) for term in parse_term(text, coding)}
        except DoeError as error:
            place.add(error.message, f"terms[{number}]")
            continue
        if meanings & seen:
            place.add(f"the term {quoted(text)} stands twice", f"terms[{number}]")
        seen |= meanings


def _plain_coding(factors: Sequence[Factor]) -> Coding:
    """Give the coding of the factors by themselves."""
    return Study(title="", factors=tuple(factors), responses=()).coding


def _coding(
    raw: dict[str, object], factors: Sequence[Factor], *, complete: bool, place: Place
) -> tuple[tuple[str, float, float], ...]:
    """Check ``coding = { voltage = { centre = 19.6, half = 2.6 } }``."""
    known = {factor.name: factor for factor in factors}
    codes: list[tuple[str, float, float]] = []
    for name, entry in raw.items():
        key = f"coding.{quoted(name).strip('“”')}"
        inner = place.inner(key)
        shape = check_shape(CodeShape, entry, inner)
        factor = known.get(name.strip())
        if factor is None:
            if complete:
                place.add(
                    f"{quoted(name)} is not a factor{did_you_mean(name, known)}; the factors are {', '.join(known)}",
                    key,
                )
            continue
        if factor.is_kind:
            place.add(f"{quoted(name)} is a factor of kinds; only numeric factors are coded by centre and half", key)
            continue
        code = None if shape is None else _one_code(shape, factor, inner)
        if code is not None:
            codes.append(code)
    return tuple(codes)


def _one_code(shape: CodeShape, factor: Factor, place: Place) -> tuple[str, float, float] | None:
    centre = place.amount(shape.centre, factor.unit, key="centre")
    half = place.amount(shape.half, factor.unit, key="half", difference=True)
    if half is not None and half <= 0:
        place.add(f"{half:g} is not above 0; it is the distance from the centre to the coded 1", "half")
        return None
    return None if centre is None or half is None else (factor.name, centre, half)


def resolve_claim(shape: ClaimShape, place: Place) -> Claim:
    """Resolve ``[claim]``, noting its faults."""
    return Claim(
        reliability=_share(shape.reliability, place, "reliability"),
        confidence=_share(shape.confidence, place, "confidence"),
    )


def _share(value: float | str, place: Place, key: str) -> float:
    """Read a share strictly between one half and 1."""
    share = place.amount(value, "1", key=key)
    if share is not None and not 0.5 < share < 1:
        place.add(f"{share:g} is not accepted; a share above 0.5 and below 1 is, such as 0.90", key)
    return 0.9 if share is None else share
