"""Second beads: one more at every planned setting, only looked over and counted.

A second bead is a weld of its own: a row, a number (``W01b`` for ``W01``), an order. It lies on a coupon of its own
(``P01b`` for ``P01``) of the same stock and joint, at the same preheat, and that coupon is welded as a whole right
after its plate: what drifts then hardly parts the two, and the dials are set anew for every weld. The design of the
first beads knows nothing of it.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from doe.planning.plan import SECOND, PlannedWeld
from doe.study.model import Study

MARK: Final = "b"
"""What a second bead's number has behind that of its first, and its plate behind the first one's."""


def add_second_beads(
    welds: Sequence[PlannedWeld], study: Study, *, made: Sequence[PlannedWeld] = ()
) -> tuple[PlannedWeld, ...]:
    """Give every weld its second bead, where the study asks for them.

    Parameters
    ----------
    welds : sequence of PlannedWeld
        The first beads of one stage, their plates each welded as a whole.
    study : Study
    made : sequence of PlannedWeld
        Every weld of earlier stages, second beads among them: the orders follow theirs.

    Returns
    -------
    tuple of PlannedWeld
        A plate's welds, then their second beads, the plates in the order in which they were given.
    """
    after = max((weld.order for weld in made), default=0)
    in_order = sorted(welds, key=lambda weld: weld.order)
    plates = [tuple(on_it) for _, on_it in itertools.groupby(in_order, key=lambda weld: weld.plate)]
    orders: dict[str, int] = {}
    for plate in plates:
        for weld in (*plate, *_second_beads(plate, study)):
            orders[weld.weld] = after + len(orders) + 1
    listed = [tuple(on_it) for _, on_it in itertools.groupby(welds, key=lambda weld: weld.plate)]
    everything = [weld for plate in listed for weld in (*plate, *_second_beads(plate, study))]
    return tuple(replace(weld, order=orders[weld.weld]) for weld in everything)


def _second_beads(plate: Sequence[PlannedWeld], study: Study) -> tuple[PlannedWeld, ...]:
    """Give the second beads of one plate's welds; their orders are still those of the first."""
    if not study.plan.second_bead:
        return ()
    return tuple(replace(w, weld=f"{w.weld}{MARK}", plate=f"{w.plate}{MARK}", role=SECOND) for w in plate)


def first_of(weld: str) -> str:
    """Give the number of the weld whose second bead this is.

    Examples
    --------
    >>> first_of("W07b")
    'W07'
    """
    return weld.removesuffix(MARK)


def second_bead_notes(welds: Sequence[PlannedWeld]) -> tuple[str, ...]:
    """Say what the second beads are and how they are made; nothing where there are none."""
    second = next((weld for weld in welds if weld.role == SECOND), None)
    if second is None:
        return ()
    return (
        f"{second.weld} is the second bead of {first_of(second.weld)}, and so on: a weld of its own at the same "
        f"settings, on a coupon of its own ({second.plate}) of the same stock and joint, clean and at the same "
        "preheat. Turn every dial away and back before it. Look it over, count, note the length; it is not cut, and no "
        "trip is asked.",
        "Before a second bead let plate, machine and breaker cool as before any weld: a warm breaker trips sooner. "
        "Where the first bead tripped, weld the second for less time than that, or leave it out.",
    )
