"""Further welds: chosen settings put on plates, named and numbered on from what was welded before."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import numpy as np

from doe.bench.results import Results
from doe.bench.stage import is_cut_short
from doe.coding import FloatArray
from doe.errors import CannotAnswerError
from doe.planning.layout import IntArray, Layout, lay_out
from doe.planning.numbering import Draft, number_welds
from doe.planning.plan import PlannedWeld, WeldRole
from doe.planning.second_beads import add_second_beads
from doe.study.model import Study
from doe.terms import polynomial_terms

_STAGE: Final = re.compile(r"(?:results|plan)-(\d+)\.(?:csv|xlsx)", re.IGNORECASE)


@dataclass(frozen=True, eq=False)
class Choice:
    """Settings to choose from.

    Attributes
    ----------
    settings : ndarray, shape (n, n_factors)
        Natural, the most wanted first.
    spread : bool
        Whether a plate's welds lie far from one another (opposite corners), or simply follow the order.
    """

    settings: FloatArray
    spread: bool


def stage_of(file: str) -> int:
    """Give the stage of a table by its name; 1 where the name has no number."""
    match = _STAGE.fullmatch(file)
    return int(match[1]) if match else 1


def last_planned(folder: Path) -> int:
    """Give the highest stage that has a plan, also where the first welds were made without one; 0 without any."""
    return max((stage_of(path.name) for path in folder.glob("plan*.csv") if is_plan(path.name)), default=0)


def is_plan(file: str) -> bool:
    """Whether a file is a stage's plan, and not one kept aside."""
    return file == "plan.csv" or bool(_STAGE.fullmatch(file))


def next_stage(results: Results) -> int:
    """Give the number of the next stage; the last one again, where writing its files was cut short.

    Raises
    ------
    CannotAnswerError
        If nothing of the last stage was welded yet: the welds that are planned come first.
    """
    stages = [stage_of(file) for file in results.file]
    last = max([last_planned(results.study.folder), *stages])
    run = [stage for stage, status in zip(stages, results.status, strict=True) if status != "not run"]
    if last not in run and last > 1 and is_cut_short(results.study.folder, last):
        return last
    if last not in run:
        name = "results" if last == 1 else f"results-{last}"
        plan = "plan" if last == 1 else f"plan-{last}"
        message = (
            f"the welds of {plan}.csv are waited for: {name}.csv holds no result yet. Weld them and fill it in first; "
            f"if they are not to be made, take {plan}.csv and {name}.csv out of the folder"
        )
        raise CannotAnswerError(message)
    return last + 1


def made_welds(results: Results) -> tuple[PlannedWeld, ...]:
    """Give every weld of the results as one of a plan: its name, plate and order are taken."""
    has_blocks = results.study.plan.blocks is not None
    return tuple(
        PlannedWeld(
            results.weld[i],
            results.plate[i],
            int(results.position[i]),
            int(results.order[i]),
            tuple(float(v) for v in results.planned[i]),
            (results.block[i] or None) if has_blocks else None,
        )
        for i in range(results.n_welds)
    )


def place_welds(
    results: Results, choice: Choice, *, n: int, role: WeldRole, rng: np.random.Generator
) -> tuple[PlannedWeld, ...]:
    """Put n welds on new plates: full plates first, and one weld on the last where n is odd.

    Next welds have their second beads with them where the study asks for these; a confirmation has none.

    Parameters
    ----------
    results : Results
        What was welded before: names, plates and order go on from there.
    choice : Choice
    n : int
    role : {"next", "confirm"}
    rng : Generator
        Draws which weld is the first on its plate, and the order of the plates.
    """
    study, made, is_first = results.study, made_welds(results), ~results.is_second
    earlier = tuple(weld for weld, counts in zip(made, is_first, strict=True) if counts)
    layout = lay_out(
        n, per_plate=study.plan.welds_per_plate, blocks=study.plan.blocks, plates=study.plan.plates, before=len(earlier)
    )
    rows = choice.settings[_fill(study, choice, layout)]
    rows = rows[np.lexsort((rng.random(n), layout.plate))]
    draft = Draft(
        study,
        polynomial_terms(study.coding, "first order"),
        earlier,
        _behind(layout, len(earlier)),
        study.coding.to_coded(np.vstack([results.planned[is_first], rows])),
        (),
    )
    welds = [replace(weld, role=role) for weld in number_welds(draft, rng)]
    return add_second_beads(welds, wanted=role == "next" and study.plan.second_bead, made=made)


def _behind(layout: Layout, n: int) -> Layout:
    """Set the new layout behind n welds that lie anywhere."""
    before = np.zeros(n, dtype=int)
    return Layout(
        np.concatenate([before, layout.plate + 1]),
        np.concatenate([before + 1, layout.position]),
        None if layout.block is None else np.concatenate([before, layout.block]),
    )


def _fill(study: Study, choice: Choice, layout: Layout) -> IntArray:
    """Choose a setting for each place, plate by plate: rows of ``choice.settings``, shape (n,).

    Each plate begins with the most wanted of the settings that were used least; what is set once a plate is then the
    same for the whole plate. Settings are used again once all of them, or all that fit the plate, were used.
    """
    coded = study.coding.to_coded(choice.settings)
    held = np.array([f.hard_to_change for f in study.factors]) & layout.shares_plates
    used = np.zeros(len(coded), dtype=int)
    rows: list[int] = []
    for size in np.bincount(layout.plate):
        plate: list[int] = []
        for _ in range(size):
            fits = np.ones(len(coded), dtype=bool)
            if plate:
                fits = (np.abs(coded[:, held] - coded[plate[0], held]) < 1e-9).all(axis=1)
            row = _most_wanted(coded, np.flatnonzero(fits), used=used, far_from=plate if choice.spread else [])
            plate.append(row)
            used[row] += 1
        rows += plate
    return np.array(rows, dtype=int)


def _most_wanted(coded: FloatArray, rows: IntArray, *, used: IntArray, far_from: Sequence[int]) -> int:
    """Take of some rows the one used least, then farthest from others, then the first."""
    far = np.zeros(len(rows))
    if far_from:
        gaps = coded[rows][:, None, :] - coded[list(far_from)][None, :, :]
        far = np.sqrt((gaps**2).sum(axis=2)).min(axis=1)
    return int(rows[np.lexsort((rows, -np.round(far, 9), used[rows]))[0]])
