"""The search for the best design of a given size.

Many random designs are improved side by side, weld by weld, until no exchange betters them (Fedorov 1972; Cook and
Nachtsheim 1980); then the best are kicked, a few welds at random, and improved again. Where there are too many
settings to price each of them for every weld, a coarser grid is exchanged first and then one factor at a time over
all its levels (coordinate exchange, Meyer and Nachtsheim 1995). Where a weld's place does not matter a few designs are
built weld by weld as well: an effort of a few starts is these alone. The effort is a number of starts, so that the same
seed gives the same design on a fast machine and on a slow one.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.errors import CannotAnswerError
from doe.planning.candidates import n_pairs
from doe.planning.lockstep import PRICED_IN_FULL, Batch, Walk, empty_batch, join, loss, make_batch, prepare, refresh
from doe.planning.moves import candidate_squares, change_step, exchange_step, plate_step, repeat_step, replace_step
from doe.planning.problem import (
    BoolArray,
    Criterion,
    DesignProblem,
    IntArray,
    criterion_value,
    fixed_columns,
    n_grid,
    plate_members,
)
from doe.planning.sequential import STAND_INS, can_be_sequential, sequential_designs
from doe.planning.solvable import check_solvable
from doe.planning.start import kick, random_designs

SECONDS: Final = 2.0
"""What the default effort is meant to take. [s]"""
FEWEST_STARTS: Final = 64
MOST_STARTS: Final = 4_000
"""The default effort stays between these."""
BATCH: Final = 64
"""Designs that are improved side by side."""
MOST_SWEEPS: Final = 40
"""Sweeps over all welds after which a start ends even where exchanges still help."""
MOST_SINGULAR: Final = 6
"""Sweeps after which a start that still cannot estimate the model is given up."""
RANDOM_SHARE: Final = 0.15
"""Share of the starts that begin from a random design; the others begin from a kicked good one."""
ELITE: Final = 8
"""How many of the best designs are kept, to be kicked."""
GOES_ON: Final = 0.15
"""Share of the designs that go on from the coarse grid to all levels, the better ones."""
MEMORY: Final = 128
"""Designs among which the better ones are told, the latest ones."""
COARSE_PART: Final = 8
"""A search on the ends and middle of the levels comes first, with this part of the starts ..."""
FEWEST_COARSE: Final = 16
"""... where that leaves so many for it."""
PRICED_AT_ONCE: Final = 20_000
"""Exchanges up to which those of all welds of the built designs are priced at once."""
SAME_LOSS: Final = 1e-7
"""Designs that differ by less than this in the logarithm of the criterion count as one."""


Progress = Callable[[int, int], None]


@dataclass(frozen=True, eq=False)
class Design:
    """The best design found.

    Attributes
    ----------
    rows : ndarray, shape (n_welds, n_factors)
        Coded settings in the order of the problem's plates, blocks and positions; given welds first.
    value : float
        I value, D value, or sqrt(D/I) for the compound.
    criterion : {"I", "D", "compound"}
    starts : int
        The effort that found it.
    """

    rows: FloatArray
    value: float
    criterion: Criterion
    starts: int


def search_design(
    problem: DesignProblem,
    *,
    criterion: Criterion,
    starts: int | None = None,
    rng: np.random.Generator,
    progress: Progress | None = None,
) -> Design:
    """Search for the best design.

    Parameters
    ----------
    problem : DesignProblem
    criterion : {"I", "D", "compound"}
        I: least average prediction variance over the region. D: largest determinant. Compound: both, as in ``Design``.
    starts : int, optional
        The effort; ``default_starts`` of the problem where not given.
    rng : Generator
        The same state gives the same design.
    progress : callable, optional
        Called with starts done and starts in all.

    Raises
    ------
    CannotAnswerError
        If no design of this size can estimate the model.
    """
    n_starts = default_starts(problem, criterion) if starts is None else max(1, starts)
    if len(problem.given) == problem.n_welds:
        n_starts = 1  # nothing to search for: the given welds are the design
    walk = prepare(problem, criterion, rng)
    check_solvable(walk)
    n_built = min(n_starts, len(STAND_INS)) if can_be_sequential(walk) else 0
    halls = [_searched(walk, n_starts, rng, progress)] if n_starts > n_built else []
    if n_built:
        halls.append(_built(walk, n_built, rng))
    best = halls[-1] if halls[-1].losses[0] < halls[0].losses[0] - SAME_LOSS else halls[0]
    return best.best(n_starts)


def _searched(walk: Walk, n_starts: int, rng: np.random.Generator, progress: Progress | None) -> _Hall:
    """Search from random designs and kicked good ones."""
    hall = _Hall(walk, n_starts)
    coarse = _coarse_design(walk, n_starts // COARSE_PART, rng)
    if coarse is not None:
        hall.begin_with(coarse)
    hall.run(rng, progress)
    return hall


def _built(walk: Walk, n_designs: int, rng: np.random.Generator) -> _Hall:
    """Build designs weld by weld and improve them."""
    hall, rows = _Hall(walk, n_designs), sequential_designs(walk, n_designs)
    if not walk.candidates.is_complete or rows[..., 0].size * len(walk.candidates.rows) > PRICED_AT_ONCE:
        hall.begin_with(rows)
        hall.run(rng)
        return hall
    batch, may_better = make_batch(walk, rows), True
    while may_better:
        refresh(walk, batch)
        may_better = bool(exchange_step(walk, batch).any())
    hall.end(batch.rows, loss(walk, batch))
    return hall


def _coarse_design(walk: Walk, n_starts: int, rng: np.random.Generator) -> FloatArray | None:
    """Find a good design on the ends and middle of the levels, to begin with; None where that cannot be or hardly pays.

    On many levels a search settles on crooked designs near the straight ones; on three it finds those at once.
    """
    problem = walk.problem
    is_long = [
        len(levels) > 3 and not f.is_kind for levels, f in zip(problem.levels, problem.coding.factors, strict=True)
    ]
    if (
        n_starts < FEWEST_COARSE
        or not any(is_long)
        or not walk.candidates.is_complete
        or problem.candidates is not None
    ):
        return None
    levels = tuple(
        values[[0, len(values) // 2, -1]] if long else values
        for values, long in zip(problem.levels, is_long, strict=True)
    )
    try:
        hall = _Hall(prepare(replace(problem, levels=levels), walk.criterion, rng), n_starts)
    except CannotAnswerError:
        return None  # the limits leave none of these settings
    hall.run(rng)
    return hall.rows[:1] if np.isfinite(hall.losses[0]) else None


def default_starts(problem: DesignProblem, criterion: Criterion = "I") -> int:
    """Give the effort that takes about two seconds on one core.

    What a start takes was measured on 60 problems and put into a formula, which is right to a factor of two; the
    machine's clock has no part in it, so that the same problem has the same effort everywhere.
    """
    p, q = len(problem.terms), len(problem.terms) + fixed_columns(problem).shape[1]
    n_settings = n_grid(problem) if problem.candidates is None else len(problem.candidates)
    most = PRICED_IN_FULL // n_pairs(p)
    ms_per_weld = 0.013 + 65e-6 * (n_settings if n_settings <= most else 0.4 * most) + 50e-6 * q**2
    if n_settings > most:
        ms_per_weld += 18e-6 * q * sum(map(len, problem.levels))
    if problem.repeats:
        ms_per_weld += 0.07
    if plate_members(problem):
        held = math.prod(len(levels) for levels, is_held in zip(problem.levels, problem.held, strict=True) if is_held)
        ms_per_weld += 0.05 + 0.006 * min(held, 64)
    n_new = max(1, problem.n_welds - len(problem.given)) * (0.5 if criterion == "D" else 1.0)
    return int(np.clip(SECONDS * 1000.0 / (ms_per_weld * n_new), FEWEST_STARTS, MOST_STARTS))


class _Hall:
    """Designs under way in each stage of the search, and the best of those that have ended.

    As soon as a design has ended, the next one takes its place, so that every sweep has a full batch. Where there
    are two stages, only the better designs go on from the coarse grid to all levels.
    """

    def __init__(self, walk: Walk, n_starts: int) -> None:
        self.walk = walk
        self.n_starts = n_starts
        self.n_random = max(min(n_starts, BATCH), int(RANDOM_SHARE * n_starts))
        self.n_begun = self.n_ended = 0
        self.moves = [_replacements] if walk.candidates.is_complete else [_replacements, _changes]
        nothing = empty_batch(walk)
        self.live = [nothing for _ in self.moves]
        self.age = [np.zeros(0, dtype=np.int64) for _ in self.moves]
        self.idle = [np.zeros(0, dtype=np.int64) for _ in self.moves]
        self.rows, self.losses, self.latest = nothing.rows, np.zeros(0), np.zeros(0)

    def begin_with(self, rows: FloatArray) -> None:
        """Take designs from elsewhere as the first. rows: (n_designs, n_welds, n_factors)."""
        self.n_begun += len(rows)
        self._enter(0, rows.copy())

    def run(self, rng: np.random.Generator, progress: Progress | None = None) -> None:
        """Sweep until every start has ended."""
        while self.n_ended < self.n_starts:
            self.sweep(rng)
            if progress is not None:
                progress(self.n_ended, self.n_starts)

    def sweep(self, rng: np.random.Generator) -> None:
        """Sweep once in each stage that has designs enough, or none to wait for."""
        self._begin(rng)
        for stage in range(len(self.moves)):
            is_last_call = self.n_begun == self.n_starts and not any(len(batch) for batch in self.live[:stage])
            if len(self.live[stage]) >= (BATCH // 2 if not is_last_call else 1):
                self._sweep_stage(stage)

    def _begin(self, rng: np.random.Generator) -> None:
        """Fill the first stage up: with random designs at first, with kicked good ones later."""
        n_next = min(BATCH - len(self.live[0]), self.n_starts - self.n_begun)
        if n_next <= 0:
            return
        if self.n_begun < self.n_random or not len(self.losses):
            rows = random_designs(self.walk, n_next, rng)
        else:
            parents = rng.integers(min(ELITE, len(self.losses)), size=n_next)
            rows = kick(self.walk, self.rows[parents], rng)
        self.n_begun += n_next
        self._enter(0, rows)

    def _enter(self, stage: int, rows: FloatArray) -> None:
        """Put designs into a stage."""
        self.live[stage] = join([self.live[stage], make_batch(self.walk, rows)])
        new = np.zeros(len(rows), dtype=np.int64)
        self.age[stage] = np.concatenate([self.age[stage], new])
        self.idle[stage] = np.concatenate([self.idle[stage], new])

    def _sweep_stage(self, stage: int) -> None:
        """Sweep over the designs of one stage and move on those that a whole round of moves has not bettered."""
        batch = self.live[stage]
        refresh(self.walk, batch)
        was_singular = batch.is_singular
        moves = self.moves[stage](self.walk, batch)
        self.idle[stage] = np.where(was_singular, 0, _make(moves, batch, self.idle[stage]))
        self.age[stage] += 1
        most = np.where(was_singular, MOST_SINGULAR, MOST_SWEEPS)
        has_ended = (self.idle[stage] >= len(moves)) | (self.age[stage] >= most)
        if not has_ended.any():
            return
        ended, going = np.flatnonzero(has_ended), np.flatnonzero(~has_ended)
        losses = loss(self.walk, batch)[ended]
        promising = np.zeros(len(ended), dtype=bool)
        if stage + 1 < len(self.moves):
            self.latest = np.concatenate([self.latest, losses])[-MEMORY:]
            promising = losses <= np.sort(self.latest)[int(GOES_ON * len(self.latest))]
            self._enter(stage + 1, batch.rows[ended[promising]])
        self.end(batch.rows[ended[~promising]], losses[~promising])
        self.live[stage] = batch.take(going)
        self.age[stage], self.idle[stage] = self.age[stage][going], self.idle[stage][going]

    def end(self, rows: FloatArray, losses: FloatArray) -> None:
        """Keep the best designs, one of each loss."""
        self.n_ended += len(rows)
        rows, losses = np.concatenate([self.rows, rows]), np.concatenate([self.losses, losses])
        order = np.argsort(losses, kind="stable")
        finite = np.minimum(losses[order], np.finfo(float).max)  # designs that cannot estimate the model are infinite
        differs = np.diff(finite, prepend=-np.inf) > SAME_LOSS
        kept = order[differs | (np.arange(len(order)) == 0)][:ELITE]
        self.rows, self.losses = rows[kept], losses[kept]

    def best(self, n_starts: int) -> Design:
        """Give the best design, judged afresh from its rows."""
        problem, criterion = self.walk.problem, self.walk.criterion
        if not np.isfinite(self.losses[0]):
            message = (
                f"no design of {problem.n_welds} welds was found that can estimate the model with these plates, "
                "blocks and given welds; plan more welds, or a simpler model"
            )
            raise CannotAnswerError(message)
        return Design(self.rows[0], criterion_value(problem, self.rows[0], criterion), criterion, n_starts)


Move = Callable[[Batch], BoolArray]


def _make(moves: Sequence[Move], batch: Batch, idle: IntArray) -> IntArray:
    """Make the moves one after the other; give how many in a row have not bettered each design."""
    for move in moves:
        idle = np.where(move(batch), 0, idle + 1)
        if idle.min() >= len(moves):
            break
    return idle


def _replacements(walk: Walk, batch: Batch) -> list[Move]:
    """Give the moves of a sweep that prices every candidate for every weld, then changes plates."""
    squares = candidate_squares(walk, batch)
    welds = range(walk.n_given, walk.problem.n_welds)
    return [*(partial(replace_step, walk, i=i, squares=squares) for i in welds), *_plate_changes(walk)]


def _changes(walk: Walk, _: Batch) -> list[Move]:
    """Give the moves of a sweep that changes one factor of a weld at a time, then plates."""
    moves: list[Move] = []
    for i in range(walk.n_given, walk.problem.n_welds):
        moves.append(partial(change_step, walk, i=i))
        if walk.problem.repeats:
            moves.append(partial(repeat_step, walk, i=i))
    return moves + _plate_changes(walk)


def _plate_changes(walk: Walk) -> list[Move]:
    """Give the moves that change a held factor of a plate, for plates without given welds."""
    free = [members for members in walk.plates if members[0] >= walk.n_given]
    held = [int(j) for j in np.flatnonzero(walk.problem.held)]
    return [partial(plate_step, walk, members=members, j=j) for members in free for j in held]
