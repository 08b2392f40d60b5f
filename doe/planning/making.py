"""From a study to a plan: which welds, on which plates, in which order."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.errors import CannotAnswerError, StudyError
from doe.planning.classical import textbook_rows
from doe.planning.evening import even_out, lone_levels, loss, n_repeats
from doe.planning.exchange import search_design
from doe.planning.foresight import Search, end_of_stages, first_stage_designs
from doe.planning.layout import Layout, join, lay_out, layout_of
from doe.planning.numbering import Draft, neighbour_notes, number_welds
from doe.planning.plan import Plan, PlannedWeld, without_second
from doe.planning.posing import model_name, n_parameters, planned_terms, pose_problem, simpler_models
from doe.planning.potential import with_third_order
from doe.planning.problem import DesignProblem, information_matrix, is_singular
from doe.planning.refusals import check_levels, check_number, check_plates, check_region, check_support
from doe.planning.second_beads import add_second_beads, second_bead_notes
from doe.planning.staging import fullest_model, stages, welds_to_come
from doe.study.model import Study
from doe.terms import Term

Progress = Callable[[int, int], None]
QUICK_STARTS: Final = 16
"""Starts of the searches by which the ends of several first stages are compared. Our planning value."""


@dataclass(frozen=True, eq=False)
class Frame:
    """What is settled before the search: where the welds lie (earlier ones first), the model, and what to say of it."""

    layout: Layout
    terms: tuple[Term, ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Sketch:
    """A searched stage: its problem, coded design, what to say of it, and how bad the end of all stages will be."""

    problem: DesignProblem
    rows: FloatArray
    notes: tuple[str, ...]
    loss_in_the_end: float


def plan_welds(
    study: Study,
    *,
    seed: int,
    given: Plan | Sequence[PlannedWeld] | None = None,
    welds: int | None = None,
    starts: int | None = None,
    progress: Progress | None = None,
) -> Plan:
    """Plan the welds of the next stage.

    Parameters
    ----------
    study, seed
        The same study and seed give the same plan.
    given : Plan or sequence of PlannedWeld, optional
        Welds that are made already: they are kept and count for the model (second beads do not); a plan made of them
        counts as a stage.
    welds : int, optional
        How many welds to add; default the size of the stage.
    starts, progress : optional
        As for ``search_design``.

    Returns
    -------
    Plan
        The welds of this stage, and their second beads where the study asks for them; ``earlier`` holds the given ones.

    Raises
    ------
    CannotAnswerError, StudyError
        If no plan can meet the request (the message says what would work), or if it contradicts itself.
    """
    made = given.all_welds if isinstance(given, Plan) else tuple(given or ())
    earlier = without_second(made)
    stage = _stage(given, earlier)
    _check_request(study, earlier, welds)
    rng_search, rng_place = np.random.default_rng(seed).spawn(2)
    search = partial(search_design, criterion=study.plan.criterion, starts=starts, rng=rng_search, progress=progress)
    frame, sketch = _frame_and_sketch(study, earlier, stage, welds, search)
    draft = Draft(study, frame.terms, earlier, frame.layout, sketch.rows, (*frame.notes, *sketch.notes))
    plan = _finish(draft, sketch.problem, seed=seed, stage=stage, rng=rng_place)
    both = add_second_beads(plan.welds, wanted=study.plan.second_bead, made=made)
    return replace(plan, welds=both, earlier=made, notes=(*plan.notes, *second_bead_notes(both)))


def _stage(given: Plan | Sequence[PlannedWeld] | None, earlier: Sequence[PlannedWeld]) -> int:
    """Give the stage's number."""
    if isinstance(given, Plan):
        return given.stage + 1
    return 2 if earlier else 1


def _check_request(study: Study, earlier: Sequence[PlannedWeld], welds: int | None) -> None:
    """Refuse what no plan of the whole study, all stages taken together, can meet."""
    if welds is not None and welds < 1:
        message = f"{welds} welds were asked for; at least 1 is needed"
        raise StudyError(message)
    check_region(study)
    terms = planned_terms(study)
    check_levels(study, terms)
    check_support(study, terms)
    total = _layout(study, earlier, max(welds_to_come(study, len(earlier)), welds or 0))
    check_number(study, terms, total)
    check_plates(study, terms, total)


def _layout(study: Study, earlier: Sequence[PlannedWeld], n_new: int) -> Layout:
    """Lay out the welds that are made already, and new ones behind them."""
    new = lay_out(
        n_new,
        per_plate=study.plan.welds_per_plate,
        blocks=study.plan.blocks,
        plates=study.plan.plates,
        before=len(earlier),
    )
    if not earlier:
        return new
    return join(layout_of(earlier), new)


def _stage_frame(study: Study, earlier: Sequence[PlannedWeld], stage: int, welds: int | None) -> Frame:
    """Settle the stage's size and the fullest model its welds can carry.

    The first stage of a study that does not ask for stages is given up where it could not even carry a first-order
    model: all welds are then made at once.
    """
    sizes = stages(study)
    wanted = welds or (sizes[stage - 1] if stage <= len(sizes) else welds_to_come(study, len(earlier)))
    if wanted < 1:
        message = f"all {study.plan.welds} welds of the study are planned; say how many more are wanted"
        raise StudyError(message)
    layout = _layout(study, earlier, wanted)
    found = fullest_model(study, layout, earlier)
    if found is not None:
        name, terms = found
        return Frame(layout, terms, _stage_notes(study, name, sizes if welds is None else (), layout))
    if _may_drop_stages(study, stage, welds):
        return _all_at_once(study, f"a first stage of {wanted} could not carry a model.")
    name, smallest = simpler_models(study)[-1]
    needed = n_parameters(study, smallest, layout) + 1 - len(earlier)
    if n_parameters(study, smallest, layout) <= layout.n_welds:
        check_plates(study, smallest, layout)
    called = f"{wanted} weld{'s' if wanted > 1 else ''}"
    message = f"A stage of {called} cannot carry even a {name} model with a weld to spare: give it {needed} or more."
    raise CannotAnswerError(message)


def _frame_and_sketch(
    study: Study, earlier: Sequence[PlannedWeld], stage: int, welds: int | None, search: Search
) -> tuple[Frame, Sketch]:
    """Search a stage's design; stages of our own choice are given up where the later welds could not complete it."""
    frame = _stage_frame(study, earlier, stage, welds)
    sketch = _sketch(study, frame, earlier, search)
    if math.isinf(sketch.loss_in_the_end) and _may_drop_stages(study, stage, welds):
        frame = _all_at_once(study, f"{len(sketch.rows)} first could not be completed by the others.")
        sketch = _sketch(study, frame, earlier, search)
    return frame, sketch


def _may_drop_stages(study: Study, stage: int, welds: int | None) -> bool:
    """Whether stages were our own choice, so that all welds may be made at once instead."""
    return stage == 1 and welds is None and not study.plan.stages


def _all_at_once(study: Study, why: str) -> Frame:
    """Give up the stages that the study did not ask for."""
    note = f"All {study.plan.welds} welds are made at once: {why}"
    return Frame(_layout(study, (), study.plan.welds), planned_terms(study), (note,))


def _stage_notes(study: Study, name: str, sizes: Sequence[int], layout: Layout) -> tuple[str, ...]:
    """Say how many welds come first, and for which model where it is not the study's."""
    notes = []
    if len(sizes) > 1 and layout.n_welds < sum(sizes):
        rest = sum(sizes) - layout.n_welds
        notes.append(
            f"{layout.n_welds} of {sum(sizes)} welds first: the other {rest} are planned when these are measured, "
            "where they bring most."
        )
    if name != model_name(study.plan):
        notes.append(
            f"{layout.n_welds} welds cannot carry the {study.plan.model} model; they are planned for a {name} "
            "model, and the welds that follow add the rest."
        )
    return tuple(notes)


def _sketch(study: Study, frame: Frame, earlier: Sequence[PlannedWeld], search: Search) -> Sketch:
    """Search a stage's design; where it is for a simpler model, with the later stages in view."""
    problem = _problem(study, frame, earlier)
    rows, notes = _best_rows(study, problem, np.asarray(search(problem).rows))
    loss_in_the_end = 0.0
    if frame.terms != planned_terms(study) and welds_to_come(study, problem.n_welds):
        quick = partial(search, starts=QUICK_STARTS, progress=None)
        options = [rows, *first_stage_designs(study, problem, search)]
        losses = [end_of_stages(study, frame.layout, option, quick) for option in options]
        best = int(np.argmin(losses))
        loss_in_the_end = losses[best]
        rows, notes = options[best], notes if best == 0 else ()
        if math.isinf(loss_in_the_end):
            notes = (*notes, f"The welds to come cannot complete the {study.plan.model} model: plan more of them.")
    notes = (*notes, *_lone_note(study, problem, rows), *_repeat_note(study, problem, rows))
    return Sketch(problem, rows, notes, loss_in_the_end)


def _problem(study: Study, frame: Frame, earlier: Sequence[PlannedWeld]) -> DesignProblem:
    """Pose the stage, with as many of the wished repeats as leave a setting for every term, now and in the end."""
    given = np.array([weld.settings for weld in earlier], dtype=float).reshape(-1, len(study.factors))
    n = frame.layout.n_welds
    now = n - n_parameters(study, frame.terms, frame.layout)
    in_the_end = n + welds_to_come(study, n) - n_parameters(study, planned_terms(study), frame.layout)
    repeats = max(min(study.plan.repeats, now, in_the_end), 0)
    problem = pose_problem(study, frame.terms, frame.layout, given=given, repeats=repeats)
    is_whole = frame.terms == planned_terms(study)
    return with_third_order(study, problem) if is_whole and study.plan.potential == "third order" else problem


def _best_rows(study: Study, problem: DesignProblem, searched: FloatArray) -> tuple[FloatArray, tuple[str, ...]]:
    """Take the searched rows, or a textbook design where that is better; each held value on two plates."""
    criterion = study.plan.criterion
    rows, notes = even_out(problem, searched, criterion), []
    for name, textbook in textbook_rows(study, problem):
        if (
            n_repeats(textbook) >= problem.repeats
            and loss(problem, textbook, criterion) < loss(problem, rows, criterion) - 1e-9
        ):
            rows = textbook
            notes = [f"The plan is the textbook's {name}: nothing found was better."]
    return rows, tuple(notes)


def _lone_note(study: Study, problem: DesignProblem, rows: FloatArray) -> tuple[str, ...]:
    """Say which held factors have values on one plate only."""
    lone = lone_levels(problem, rows)
    if not lone:
        return ()
    names = ", ".join(dict.fromkeys(study.factors[j].name for j, _ in lone))
    return (
        f"Some values of {names} stand on one plate only; more plates, or fewer welds a plate, would give each two.",
    )


def _repeat_note(study: Study, problem: DesignProblem, rows: FloatArray) -> tuple[str, ...]:
    """Say where fewer repeats are made than were wished, and no later stage can add them."""
    made, wished = n_repeats(rows), study.plan.repeats
    if made >= wished or welds_to_come(study, problem.n_welds):
        return ()
    return (
        f"Of {wished} wished repeats {made} can be made: {problem.n_welds} welds leave no more beside "
        f"the {problem.n_parameters} numbers of the model.",
    )


def _finish(draft: Draft, problem: DesignProblem, *, seed: int, stage: int, rng: np.random.Generator) -> Plan:
    """Place, number and order the new welds, and check that the whole estimates the model."""
    if is_singular(information_matrix(problem, draft.rows)):
        message = (
            f"No plan of {problem.n_welds} welds was found that can estimate the {len(draft.terms)} terms of the "
            "model within the limits and plates: plan more welds, more plates, or a simpler model."
        )
        raise CannotAnswerError(message)
    welds = number_welds(draft, rng)
    notes = (*draft.notes, *neighbour_notes(welds))
    return Plan(
        draft.study,
        welds,
        seed,
        stage=stage,
        earlier=draft.earlier,
        notes=notes,
        fingerprint=draft.study.fingerprint,
    )
