"""What a budget affords: the most welds that so many plates, minutes or welds are enough for."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial, reduce
from typing import Final, Literal

from doe.errors import CannotAnswerError, DoeError, quoted
from doe.planning.budget import plan_cost
from doe.planning.layout import Layout, join, lay_out
from doe.planning.making import Progress, plan_welds
from doe.planning.plan import Plan, PlannedWeld
from doe.planning.posing import n_parameters, planned_terms
from doe.planning.refusals import has_enough_plates
from doe.planning.second_beads import add_second_beads
from doe.planning.staging import FIRST_STAGE, STAGED_BELOW, stages
from doe.planning.words import duration
from doe.study.model import Study
from doe.study.wishes import MOST_WELDS
from doe.units import convert, parse_quantity, same_dimension

BudgetKind = Literal["welds", "plates", "minutes"]
_COUNTED: Final = re.compile(r"\s*([0-9]{1,6})\s*(weld|plate)s?\s*", re.IGNORECASE)


@dataclass(frozen=True)
class Budget:
    """What may be spent.

    Attributes
    ----------
    kind : {"welds", "plates", "minutes"}
    amount : float
        Minutes are minutes of the welding session, rests included; cutting and etching are not counted.
    text : str
        As it was written.
    """

    kind: BudgetKind
    amount: float
    text: str


@dataclass(frozen=True, eq=False)
class Affordable:
    """The study with as many welds as a budget is enough for.

    Attributes
    ----------
    study : Study
        With its number of welds replaced, and the stages that follow from it.
    budget : Budget
    plates : int
        Of all stages.
    minutes : float or None
        What all stages take at most, rests included; None where the job does not state what it follows from.
    asked : int
        Welds in study.toml.
    """

    study: Study
    budget: Budget
    plates: int
    minutes: float | None
    asked: int

    def to_dict(self) -> dict[str, object]:
        """Give the ``afford`` of ``plan --json``."""
        minutes = None if self.minutes is None else {"value": float(f"{self.minutes:.12g}"), "unit": "min"}
        return {
            "budget": self.budget.text,
            "welds": self.study.plan.welds,
            "stages": list(stages(self.study)),
            "plates": self.plates,
            "at_most": minutes,
        }

    def words(self) -> tuple[str, ...]:
        """Say what the budget is enough for."""
        welds = self.study.plan.welds
        time = "" if self.minutes is None else f", at most about {duration(self.minutes)} of welding with rests"
        second = ", second beads included" if self.study.plan.second_bead else ""
        said = [f"{self.budget.text}: enough for {welds} welds on {self.plates} plates{second}{time}."]
        if welds == most_welds(self.study):
            said.append(f"{welds} welds is the most that can be planned here, whatever the budget.")
        if welds != self.asked:
            said.append(
                f"study.toml asks for {self.asked} welds and stays so; to keep it set welds = {welds} under [plan]."
            )
        return tuple(said)


def read_budget(text: str) -> Budget:
    """Read ``90 min``, ``2 h``, ``12 plates`` or ``20 welds``.

    Raises
    ------
    DoeError
        If it is none of these.

    Examples
    --------
    >>> read_budget("1.5 h")
    Budget(kind='minutes', amount=90.0, text='1.5 h')
    """
    counted = _COUNTED.fullmatch(text)
    if counted:
        kind: BudgetKind = "welds" if counted[2].casefold() == "weld" else "plates"
        return Budget(kind, float(counted[1]), text.strip())
    message = f"{quoted(text)} is not a budget; write minutes, plates or welds: “90 min”, “12 plates” or “20 welds”"
    try:
        quantity = parse_quantity(text)
    except DoeError as error:
        raise DoeError(message) from error
    if not quantity.unit or not same_dimension(quantity.unit, "min") or quantity.value <= 0:
        raise DoeError(message)
    return Budget("minutes", float(convert(quantity.value, quantity.unit, "min")), text.strip())


def afford(study: Study, budget: Budget, *, seed: int, progress: Progress | None = None) -> Affordable:
    """Find the most welds that a budget is enough for.

    Parameters
    ----------
    study : Study
    budget : Budget
    seed : int
        The one that the welds are planned with afterwards: minutes depend on which plates are heated.
    progress : callable, optional
        Called with starts done and starts in all, for each plan that is tried.

    Raises
    ------
    CannotAnswerError
        If it is not enough for the model, or the minutes do not follow from the job; the sentence says what it takes.
    """
    least, most = least_welds(study), most_welds(study)
    if budget.kind == "minutes":
        welds = _most_in_minutes(study, budget, (least, most), partial(plan_welds, seed=seed, progress=progress))
    else:
        spent = _welds if budget.kind == "welds" else _plates
        welds = _largest(study, budget, (least, most), spent)
    if not welds:
        raise CannotAnswerError(_too_little(study, budget, least))
    sized = resized(study, welds)
    minutes = _bound(sized, stages(sized), dearest=True)
    if minutes is not None and budget.kind == "minutes":
        minutes = min(minutes, budget.amount)  # the plan itself was tried and fits
    return Affordable(sized, budget, _plates(sized), minutes, study.plan.welds)


def resized(study: Study, welds: int) -> Study:
    """Give the study another number of welds; stages it wished for are kept as far as they go.

    Stages that are those of the rule (8 first where fewer than 17 welds are affordable) follow the rule again.
    """
    kept = study.plan.stages
    if kept in {(study.plan.welds,), (FIRST_STAGE, study.plan.welds - FIRST_STAGE)} and kept == _by_rule(study):
        kept = ()
    return dataclasses.replace(study, plan=dataclasses.replace(study.plan, welds=welds, stages=_cut(kept, welds)))


def _by_rule(study: Study) -> tuple[int, ...]:
    """Give the stages of a study that does not wish for any, as the reader of study.toml fills them in."""
    welds = study.plan.welds
    is_staged = FIRST_STAGE < welds < STAGED_BELOW and study.plan.blocks is None and not study.plan.plates
    return (FIRST_STAGE, welds - FIRST_STAGE) if is_staged else (welds,)


def _cut(wished: Sequence[int], welds: int) -> tuple[int, ...]:
    """Cut or stretch the last of the wished stages so that they add up."""
    sizes: list[int] = []
    for size in wished:
        if sum(sizes) < welds:
            sizes.append(min(size, welds - sum(sizes)))
    if sizes:
        sizes[-1] += welds - sum(sizes)
    return tuple(sizes)


def least_welds(study: Study) -> int:
    """Give the fewest welds that can carry the study's model on their plates.

    Raises
    ------
    CannotAnswerError
        If no number of welds can.
    """
    terms = planned_terms(study)
    for n in range(1, most_welds(study) + 1):
        sized = resized(study, n)
        layout = reduce(join, _layouts(sized, stages(sized)))
        if n_parameters(sized, terms, layout) <= n and has_enough_plates(sized, terms, layout):
            return n
    message = f"no number of welds up to {most_welds(study)} can carry the {len(terms)} terms of the model"
    raise CannotAnswerError(message)


def most_welds(study: Study) -> int:
    """Give the most welds that can be planned: the places in the blocks, where there are blocks."""
    return MOST_WELDS if study.plan.blocks is None else sum(study.plan.blocks.sizes)


def _layouts(study: Study, sizes: Sequence[int]) -> list[Layout]:
    """Lay out each stage; a stage begins on new plates."""
    place = partial(lay_out, per_plate=study.plan.welds_per_plate, blocks=study.plan.blocks, plates=study.plan.plates)
    return [place(size, before=sum(sizes[:i])) for i, size in enumerate(sizes)]


def _plates(study: Study) -> int:
    """Count the plates of all stages, those of second beads among them."""
    first = sum(layout.n_plates for layout in _layouts(study, stages(study)))
    return 2 * first if study.plan.second_bead else first


def _bound(study: Study, sizes: Sequence[int], *, dearest: bool) -> float | None:
    """Give the minutes of welds all at the dearest setting (slowest travel, heated), or all at the cheapest."""
    layout = reduce(join, _layouts(study, sizes))
    settings = [factor.low for factor in study.factors]
    best = _minutes_at(study, layout, settings)
    if best is None:
        return None
    for j, factor in enumerate(study.factors):  # what each factor adds does not depend on the others
        other = [*settings[:j], factor.high, *settings[j + 1 :]]
        minutes = _minutes_at(study, layout, other)
        if minutes is not None and (minutes > best) == dearest:
            best, settings = minutes, other
    return best


def _minutes_at(study: Study, layout: Layout, settings: Sequence[float]) -> float | None:
    """Give the minutes of a session with every weld at one setting."""
    pairs = zip(layout.plate, layout.position, strict=True)
    welds = [
        PlannedWeld(f"W{i:02d}", f"P{plate:02d}", int(position), i, tuple(settings))
        for i, (plate, position) in enumerate(pairs, start=1)
    ]
    return plan_cost(Plan(study, add_second_beads(welds, wanted=study.plan.second_bead), 0)).elapsed_min


def _most_in_minutes(study: Study, budget: Budget, between: tuple[int, int], make: partial[Plan]) -> int:
    """Find the most welds whose own plan fits; 0 where not even the fewest do."""
    low, high = (
        _largest(study, budget, between, partial(_sure_minutes, dearest=dearest)) or between[0] - 1
        for dearest in (True, False)
    )
    while low < high:
        middle = (low + high + 1) // 2
        if _minutes_of_plan(resized(study, middle), make) <= budget.amount:
            low = middle
        else:
            high = middle - 1
    return low if low >= between[0] else 0


def _largest(study: Study, budget: Budget, between: tuple[int, int], spent: Callable[[Study], float]) -> int:
    """Find the most welds that take no more than the budget; 0 where none do.

    From the number on where stages end, what is spent never falls with one weld more.
    """
    largest = 0
    for n in range(between[0], between[1] + 1):
        if spent(resized(study, n)) <= budget.amount:
            largest = n
        elif n >= STAGED_BELOW:
            break
    return largest


def _welds(study: Study) -> float:
    return study.plan.welds


def _sure_minutes(study: Study, *, dearest: bool) -> float:
    """Give the bound of the minutes of all stages."""
    minutes = _bound(study, stages(study), dearest=dearest)
    if minutes is None:
        raise CannotAnswerError(_no_minutes())
    return minutes


def _minutes_of_plan(study: Study, make: partial[Plan]) -> float:
    """Give the minutes of a study's first stage as it is planned, and the most that the stages to come can take."""
    plan = make(study)
    minutes = plan_cost(plan).elapsed_min
    to_come = study.plan.welds - len(plan.designed)
    later = _bound(study, (to_come,), dearest=True) if to_come else 0.0
    if minutes is None or later is None:
        raise CannotAnswerError(_no_minutes())
    return minutes + later


def _no_minutes() -> str:
    """Word the refusal of minutes that cannot be worked out."""
    return (
        "The minutes cannot be worked out from this study: state weld_length and travel_speed under [job], or give "
        "the budget in plates or welds."
    )


def _too_little(study: Study, budget: Budget, least: int) -> str:
    """Word the refusal of a budget that is not enough for the model."""
    sized = resized(study, least)
    minutes = _bound(sized, stages(sized), dearest=True)
    time = "" if minutes is None else f" and at most {duration(minutes)} of welding with rests"
    return (
        f"{budget.text} is not enough: the model takes at least {least} welds on {_plates(sized)} plates{time}; "
        "afford that, or ask for a simpler model."
    )
