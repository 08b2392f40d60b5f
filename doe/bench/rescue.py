"""After scrapped or missing welds: what can still be learned, and the one weld whose redo helps most.

A weld counts as lost for a response when it was made, or should have been by now, and has no reading of it. Welds that
the order puts after the last one made are still to come, and count as if they were made. A weld beyond the plan, or a
second bead, was made for what was read of it: for any other response it was never there.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from typing import Final

import numpy as np

from doe.bench.asking import names, shown_value
from doe.bench.results import BoolArray, Counts, Measurement, Passes, Results, Trips
from doe.planning.layout import Layout, numbered
from doe.planning.loss import Loss, Redo, loss_of
from doe.study.model import Factor

NEGLIGIBLE: Final = 1.03
"""Bands wider by less than this need no redo. Our choice."""


@dataclass(frozen=True, eq=False)
class Rescue:
    """What lost welds mean for the responses that lost the same ones.

    Attributes
    ----------
    results : Results
    responses : tuple of str
    lost : ndarray of int
        Rows of the lost welds.
    n_meant : int
        Welds made for these responses, the lost ones and those to come among them.
    to_come : int
        Welds still to be made.
    loss : Loss or None
        None where the welds could tell no model even with none lost.
    """

    results: Results
    responses: tuple[str, ...]
    lost: tuple[int, ...]
    n_meant: int
    to_come: int
    loss: Loss | None

    @property
    def redo(self) -> Redo | None:
        """The lost weld whose redo helps most; None where none is worth it."""
        if self.loss is None or not self.loss.redos or self.loss.widening < NEGLIGIBLE:
            return None
        return self.loss.redos[0]

    @property
    def words(self) -> tuple[str, ...]:
        """What to say."""
        return tuple(_words(self))

    def to_dict(self) -> dict[str, object]:
        """Give what ``check --json`` prints."""
        loss, redo = self.loss, self.redo
        return {
            "responses": list(self.responses),
            "lost": [self.results.weld[i] for i in self.lost],
            "to_come": self.to_come,
            "model": None if loss is None else loss.model,
            "still": None if loss is None else loss.still or None,
            "lost_terms": None if loss is None else list(loss.lost_terms),
            "widening": None if loss is None else loss.widening,
            "weaker": None if loss is None else dict(loss.weaker),
            "residual_df": None if loss is None else list(loss.residual_df),
            "redo": None if redo is None else {**asdict(redo), "weld": self.results.weld[redo.weld]},
        }


def rescue(results: Results) -> tuple[Rescue, ...]:
    """Find what lost welds mean, response by response; responses that lost the same welds are told together.

    Parameters
    ----------
    results : Results

    Returns
    -------
    tuple of Rescue
        None of them where nothing was lost, or nothing was read at all.
    """
    coming, beyond = _to_come(results), _beyond_plan(results)
    by_loss: dict[tuple[tuple[int, ...], tuple[int, ...]], list[str]] = {}
    for response in results.study.responses:
        read = _has_reading(results, response.name)
        meant = read | ~beyond
        lost = tuple(int(i) for i in np.flatnonzero(meant & ~read & ~coming))
        if read.any() and lost:
            by_loss.setdefault((lost, tuple(int(i) for i in np.flatnonzero(meant))), []).append(response.name)
    return tuple(
        Rescue(results, tuple(responses), lost, len(meant), int(coming.sum()), _loss(results, lost, meant))
        for (lost, meant), responses in by_loss.items()
    )


def _loss(results: Results, lost: tuple[int, ...], meant: tuple[int, ...]) -> Loss | None:
    """Weigh the loss among the welds that were meant for a response."""
    rows = np.array(meant)
    blocks = [results.block[i] for i in meant]
    block = numbered(blocks) if all(blocks) else None
    layout = Layout(numbered([results.plate[i] for i in meant]), results.position[rows], block)
    loss = loss_of(results.study, results.settings[rows], layout, ~np.isin(rows, lost))
    if loss is None:
        return None
    return replace(loss, redos=tuple(replace(redo, weld=int(rows[redo.weld])) for redo in loss.redos))


def _beyond_plan(results: Results) -> BoolArray:
    """Whether each weld is none of the plan's, or a second bead; where nothing was planned no weld is."""
    return (np.array([not role for role in results.role]) & any(results.role)) | results.is_second


def _has_reading(results: Results, name: str) -> BoolArray:
    """Whether each weld has a reading of a response."""
    readings = results.readings[name]
    if isinstance(readings, Measurement):
        return np.asarray(np.isfinite(readings.values).any(axis=1))
    if isinstance(readings, Counts):
        return np.isfinite(readings.counts)
    if isinstance(readings, Trips):
        return np.isfinite(readings.tripped)
    if isinstance(readings, Passes):
        return np.isfinite(readings.passed)
    message = f"no rule for readings of type {type(readings).__name__}"
    raise TypeError(message)


def _to_come(results: Results) -> BoolArray:
    """Whether each weld is still to be made: not run, and after the last one made in its own table's order."""
    idle = np.array([status == "not run" for status in results.status])
    order = results.order.astype(float)
    last = max((order[i] for i in np.flatnonzero(~idle)), default=0.0)
    return np.asarray(idle & (order > last))


# --- words


def _words(found: Rescue) -> Iterator[str]:
    results, loss = found.results, found.loss
    n = found.n_meant
    for_whom = " and ".join(found.responses)
    coming = f", {found.to_come} still to come" if found.to_come else ""
    yield f"{for_whom}: {names(results, found.lost)} of {n} welds came to nothing{coming}."
    if loss is None:
        yield "So few welds could not tell a model by themselves; what can be said rests on what is known beforehand."
        return
    if loss.lost_terms:
        still = f"a {loss.still} model can" if loss.still else "not even a first order model can"
        yield f"{', '.join(loss.lost_terms)} cannot be told any more; {still}."
    else:
        wider = "no wider than planned" if loss.widening < 1.005 else f"{_percent(loss.widening)} wider than planned"
        yield f"Every term of the {loss.model} model can still be told; bands are on average {wider}{_weakest(loss)}."
    if loss.residual_df[1] <= 0:
        yield "No weld is left over to see the scatter: state expect_scatter, or make a weld again."
    yield from _redo_words(found)


def _weakest(loss: Loss) -> str:
    """Name the terms that suffered most."""
    worst = [f"{term} {_percent(ratio)}" for term, ratio in loss.weaker[:3]]
    return f" (standard errors grew most for {', '.join(worst)})" if worst else ""


def _redo_words(found: Rescue) -> Iterator[str]:
    """Say which single redo is worth most."""
    redo, results = found.redo, found.results
    if redo is None:
        yield "No redo is needed for it."
        return
    factors = zip(results.study.factors, results.planned[redo.weld], strict=True)
    at = ", ".join(f"{factor.name} {_shown(factor, float(value))}" for factor, value in factors)
    if redo.lost_terms:
        brings = f"{', '.join(redo.lost_terms)} would still be lost"
    elif math.isinf(found.loss.widening if found.loss else math.inf):
        brings = f"it brings back every term, with bands {_than_planned(redo.widening)}"
    else:
        brings = f"bands are then {_than_planned(redo.widening)}"
    yield (
        f"The one redo that helps most: {results.weld[redo.weld]} ({at}), one weld on a plate of its own: {brings}. "
        "If the setting itself could not be run, that is a result: leave it, and write it into the notes."
    )


def _shown(factor: Factor, value: float) -> str:
    """Write a setting: what the dial shows first, what it was calibrated to behind."""
    mark = factor.mark_at(value) if factor.calibrated else None
    return shown_value(factor, value) if mark is None else f"{mark} ({shown_value(factor, value)})"


def _than_planned(widening: float) -> str:
    return "as planned" if widening < 1.005 else f"{_percent(widening)} wider than planned"


def _percent(ratio: float) -> str:
    return f"{(ratio - 1) * 100:.0f} %"
