"""From a design to welds with a plate, a position, a name and an order."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from doe.coding import FloatArray
from doe.planning.layout import IntArray, Layout, draw_order, draw_positions, equal_neighbours, numbered
from doe.planning.plan import PlannedWeld, WeldRole
from doe.planning.posing import has_position_term
from doe.study.model import Study
from doe.terms import Term, model_matrix


@dataclass(frozen=True, eq=False)
class Draft:
    """A plan on the way: the new welds' places, what is welded there (coded), and what is to be said about it."""

    study: Study
    terms: tuple[Term, ...]
    earlier: tuple[PlannedWeld, ...]
    layout: Layout
    rows: FloatArray
    notes: tuple[str, ...]


def _placed(draft: Draft, rng: np.random.Generator) -> Draft:
    """Sort plates into a readable order and draw each weld's position, the new welds only.

    With warm later welds the search has settled what is welded first; with cooled ones it is drawn.
    """
    before = len(draft.earlier)
    layout = Layout(
        numbered([str(p) for p in draft.layout.plate[before:]]),
        draft.layout.position[before:],
        None if draft.layout.block is None else draft.layout.block[before:],
    )
    rows = draft.rows[before:]
    if not has_position_term(draft.study, draft.layout):
        first_order = tuple(t for t in draft.terms if t.order == 1)
        columns = model_matrix(first_order, rows, draft.study.coding)
        rows = rows[draw_positions(columns, layout, rng)]
    layout, rows = _sorted_plates(layout, rows, draft.study)
    return dataclasses.replace(draft, layout=layout, rows=rows)


def _sorted_plates(layout: Layout, rows: FloatArray, study: Study) -> tuple[Layout, FloatArray]:
    """Sort plates by block, then by what they hold, then by their welds' settings."""
    held = [factor.hard_to_change for factor in study.factors]
    plates = [np.flatnonzero(layout.plate == p) for p in np.unique(layout.plate)]
    block = np.zeros(layout.n_welds, dtype=int) if layout.block is None else layout.block

    def place(members: IntArray) -> tuple[object, ...]:
        settings = np.round(rows[members], 9)
        return int(block[members[0]]), tuple(settings[0, held]), tuple(map(tuple, settings))

    plates.sort(key=place)
    order = np.concatenate(plates)
    sizes = [len(members) for members in plates]
    renumbered = np.repeat(np.arange(len(plates)), sizes)
    blocks = None if layout.block is None else layout.block[order]
    return Layout(renumbered, layout.position[order], blocks), rows[order]


def number_welds(draft: Draft, rng: np.random.Generator) -> tuple[PlannedWeld, ...]:
    """Place, name and order the new welds.

    Plates are sorted so that the table reads well; what lies first on a plate and the order to weld in are drawn.
    Names and order count on from the earlier welds.
    """
    draft = _placed(draft, rng)
    settings = _dialled(draft.study, draft.rows)
    order = draw_order(draft.layout, rng) + max((weld.order for weld in draft.earlier), default=0)
    first_weld = last_number([weld.weld for weld in draft.earlier], "W") + 1
    first_plate = last_number([weld.plate for weld in draft.earlier], "P") + 1
    block = draft.layout.block
    seen = {weld.settings for weld in draft.earlier}
    welds = []
    for i, values in enumerate(map(tuple, settings)):
        role: WeldRole = "next" if draft.earlier else "repeat" if values in seen else "plan"
        seen.add(values)
        welds.append(
            PlannedWeld(
                weld=f"W{first_weld + i:02d}",
                plate=f"P{first_plate + int(draft.layout.plate[i]):02d}",
                position=int(draft.layout.position[i]),
                order=int(order[i]),
                settings=values,
                block=None if block is None else str(int(block[i]) + 1),
                role=role,
            )
        )
    return tuple(welds)


def last_number(names: Sequence[str], letter: str) -> int:
    """Give the highest number among names such as W07; 0 where there is none."""
    matches = [re.fullmatch(rf"{letter}(\d+)", name) for name in names]
    return max((int(match[1]) for match in matches if match), default=0)


def _dialled(study: Study, rows: FloatArray) -> list[list[float]]:
    """Turn coded rows into natural settings, each exactly a value that can be set."""
    natural = study.coding.to_natural(rows)
    columns = []
    for j, factor in enumerate(study.factors):
        values = factor.positions
        columns.append(values[np.abs(natural[:, [j]] - values).argmin(axis=1)])
    return [[float(v) for v in row] for row in np.column_stack(columns)]


def neighbour_notes(welds: Sequence[PlannedWeld]) -> tuple[str, ...]:
    """Flag welds that follow one another at the same setting."""
    settings = np.array([weld.settings for weld in welds])
    pairs = equal_neighbours(settings, np.array([weld.order for weld in welds]))
    if not pairs:
        return ()
    named = ", ".join(f"{welds[a].weld} then {welds[b].weld}" for a, b in pairs)
    return (f"The same setting twice running: {named}; turn every dial away and back in between.",)
