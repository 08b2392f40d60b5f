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

MARK: Final = "b"
"""What a second bead's number has behind that of its first, and its plate behind the first one's."""


def add_second_beads(
    welds: Sequence[PlannedWeld], *, wanted: bool, made: Sequence[PlannedWeld] = ()
) -> tuple[PlannedWeld, ...]:
    """Give every weld its second bead, where they are wanted, and its place in the order of welding.

    Parameters
    ----------
    welds : sequence of PlannedWeld
        The first beads of one stage, their plates each welded as a whole.
    wanted : bool
    made : sequence of PlannedWeld
        Every weld of earlier stages, second beads among them: the orders follow theirs.

    Returns
    -------
    tuple of PlannedWeld
        A plate's welds, then their second beads, the plates in the order in which they were given.
    """

    def with_second(plate: Sequence[PlannedWeld]) -> tuple[PlannedWeld, ...]:
        return (*plate, *(_second_bead(weld) for weld in plate)) if wanted else tuple(plate)

    after = max((weld.order for weld in made), default=0)
    in_order = [weld for plate in _plates(sorted(welds, key=lambda weld: weld.order)) for weld in with_second(plate)]
    orders = {weld.weld: after + place for place, weld in enumerate(in_order, start=1)}
    return tuple(replace(weld, order=orders[weld.weld]) for plate in _plates(welds) for weld in with_second(plate))


def _plates(welds: Sequence[PlannedWeld]) -> list[list[PlannedWeld]]:
    """Part welds by plate; those of a plate stand together."""
    return [list(on_it) for _, on_it in itertools.groupby(welds, key=lambda weld: weld.plate)]


def _second_bead(weld: PlannedWeld) -> PlannedWeld:
    """Give a weld's second bead; its order is still that of the first."""
    return replace(weld, weld=f"{weld.weld}{MARK}", plate=f"{weld.plate}{MARK}", role=SECOND)


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
