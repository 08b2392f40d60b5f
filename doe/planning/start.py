"""Where the search begins: random designs that honour plates, given welds and repeats, and kicks to good designs."""

from __future__ import annotations

from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.planning.candidates import setting_keys
from doe.planning.lockstep import Walk, may_be_welded
from doe.planning.moves import count_distinct
from doe.planning.problem import IntArray

KICKED_SHARE: Final = 1 / 6
"""The most welds a kick puts elsewhere, as a share of the design; at least 3. Tried: 2 to 7 of 12 to 40 welds."""
SWAPPED: Final = 0.5
"""Share of the kicks that exchange settings between places instead."""


def random_designs(walk: Walk, n_designs: int, rng: np.random.Generator) -> FloatArray:
    """Draw designs: a held combination for each plate, then settings among those that have it.

    Returns
    -------
    ndarray, shape (n_designs, n_welds, n_factors)
    """
    problem, candidates = walk.problem, walk.candidates
    n, k = problem.n_welds, len(problem.levels)
    rows = np.empty((n_designs, n, k))
    rows[:, : walk.n_given] = problem.given
    new = np.arange(walk.n_given, n)
    rows[:, new] = candidates.rows[rng.integers(len(candidates.rows), size=(n_designs, len(new)))]
    for members in walk.plates if any(problem.held) else ():
        group = _plate_groups(walk, rows, members, rng)
        movable = members[members >= walk.n_given]
        rows[:, movable] = _draw_from(walk, np.repeat(group[:, None], len(movable), axis=1), rng)
    return add_repeats(walk, rows, rng)


def _plate_groups(walk: Walk, rows: FloatArray, members: IntArray, rng: np.random.Generator) -> IntArray:
    """Choose the held combination of a plate: that of its given welds, or one at random for each design."""
    if members[0] < walk.n_given:
        return walk.candidates.group_of(rows[:, members[0]][:, np.flatnonzero(walk.problem.held)])
    return walk.candidates.group[rng.integers(len(walk.candidates.rows), size=len(rows))]


def _draw_from(walk: Walk, group: IntArray, rng: np.random.Generator) -> FloatArray:
    """Draw a candidate of each group. group: (...); returns (..., n_factors)."""
    candidates = walk.candidates
    offset = np.floor(rng.random(group.shape) * candidates.group_size[group]).astype(np.int64)
    return np.asarray(candidates.rows[candidates.group_start[group] + offset])


def kick(walk: Walk, rows: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Disturb each design a little: put random settings in place of one to three welds, or swap those of a few.

    Settings are exchanged between welds only where a weld's place matters (plates, blocks, positions), and now and
    then a whole plate gets new held settings.

    Parameters
    ----------
    walk : Walk
    rows : ndarray, shape (n_designs, n_welds, n_factors)
    rng : Generator

    Returns
    -------
    ndarray, shape (n_designs, n_welds, n_factors)
    """
    rows = rows.copy()
    has_places = bool(walk.plates) or walk.fixed.shape[1] > 0
    most = max(3, int(KICKED_SHARE * (walk.problem.n_welds - walk.n_given)))
    n_times = rng.integers(1, most + 1, size=len(rows))
    swaps = rng.random(len(rows)) < (SWAPPED if has_places else 0.0)
    if any(walk.problem.held):
        _kick_plates(walk, rows, np.flatnonzero(~swaps), rng)
    for time in range(most):
        still = n_times > time
        _replace_some(walk, rows, np.flatnonzero(still & ~swaps), rng)
        _swap_some(walk, rows, np.flatnonzero(still & swaps), rng)
    return add_repeats(walk, rows, rng)


def _replace_some(walk: Walk, rows: FloatArray, designs: IntArray, rng: np.random.Generator) -> None:
    """Put a random setting in place of a random weld of some designs."""
    welds = rng.integers(walk.n_given, walk.problem.n_welds, size=len(designs))
    drawn = walk.candidates.rows[rng.integers(len(walk.candidates.rows), size=len(designs))]
    is_held = np.array([place.is_held for place in walk.places])[welds]
    if is_held.any():
        held = rows[designs[is_held], welds[is_held]][:, np.flatnonzero(walk.problem.held)]
        drawn[is_held] = _draw_from(walk, walk.candidates.group_of(held), rng)
    rows[designs, welds] = drawn


def _swap_some(walk: Walk, rows: FloatArray, designs: IntArray, rng: np.random.Generator) -> None:
    """Exchange the settings of two random welds of some designs, but not what their plates hold."""
    first, second = rng.integers(walk.n_given, walk.problem.n_welds, size=(2, len(designs)))
    old = np.stack([rows[designs, first], rows[designs, second]])
    new = np.where(np.array(walk.problem.held) & bool(walk.plates), old, old[::-1])
    allowed = may_be_welded(walk, new).all(axis=0)
    rows[designs[allowed], first[allowed]] = new[0, allowed]
    rows[designs[allowed], second[allowed]] = new[1, allowed]


def _kick_plates(walk: Walk, rows: FloatArray, designs: IntArray, rng: np.random.Generator) -> None:
    """In half of some designs give one plate another held combination, its welds drawn anew."""
    free = [members for members in walk.plates if members[0] >= walk.n_given]
    if not free:
        return
    which = rng.integers(2 * len(free), size=len(designs))
    for number, members in enumerate(free):
        chosen = designs[which == number]
        if len(chosen):
            group = walk.candidates.group[rng.integers(len(walk.candidates.rows), size=len(chosen))]
            rows[chosen[:, None], members] = _draw_from(walk, np.repeat(group[:, None], len(members), axis=1), rng)


def add_repeats(walk: Walk, rows: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Copy settings within each design until it has the wished repeats; held settings stay as they are."""
    problem = walk.problem
    if not problem.repeats:
        return rows
    most = problem.n_welds - problem.repeats
    n_distinct = count_distinct(setting_keys(rows))
    for s in np.flatnonzero(n_distinct > most):
        _repeat_in(walk, rows[s], most, rng)
    return rows


def _repeat_in(walk: Walk, design: FloatArray, most: int, rng: np.random.Generator) -> None:
    """Turn single settings of one design into copies of others, in random order, until ``most`` differ."""
    n = len(design)
    keys = setting_keys(design)
    held = np.flatnonzero(walk.problem.held)
    parts = setting_keys(design[:, held]) if len(held) else np.zeros(n)
    may = may_be_welded(walk, design)
    for i in rng.permutation(np.arange(walk.n_given, n)):
        if int(count_distinct(keys)) <= most:
            return
        if (keys == keys[i]).sum() > 1:
            continue
        possible = may & (keys != keys[i])
        if walk.places[i].is_held:
            possible &= parts == parts[i]
        choices = np.flatnonzero(possible)
        if len(choices):
            chosen = int(rng.choice(choices))
            design[i], keys[i] = design[chosen], keys[chosen]
