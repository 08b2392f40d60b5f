"""Finding a box on the dials: searched on one set of draws, checked on another.

Every box is found on one set of 4,000 draws and checked on another that had no part in finding it: the confidence
printed is that of the fresh draws. Where these do not bear the box out, the search is made again asking for one Monte
Carlo standard error more, at most three times; then there is none. All of it follows from the seed alone.

Where ranges were thinned, the sides of the box are then moved outwards by the dial's own steps.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.planning.region import spread
from doe.study.model import Factor
from doe.window.assurance import Assurance, Draws, assess, holding, holdings
from doe.window.box import Bits, Box, WordArray, box_words, count_bits, enough, pack
from doe.window.growth import find_box
from doe.window.inquiry import CLAIM_DRAWS, FLOOR_BELOW, Inquiry
from doe.window.welded import WeldedRegion
from doe.window.window import SettingBox

MOST_ROUNDS: Final = 4
"""Searches until fresh draws bear the box out. Our choice."""
CHECKED_SETTINGS: Final = 600
"""Where ranges were thinned, so many settings of a box, its corners among them, are checked on fresh draws."""
FACE_VALUES: Final = 5
"""Values a factor at which the ground just outside a face is looked at."""
FACE_SETTINGS: Final = 2_500
"""With many factors fewer values each, so that a face has at most so many settings; always its corners. Our choice."""
CLAIM_STAGE: Final = 2
WORKING_STAGE: Final = 10
"""First stage of fresh draws for checking windows, and for checking working regions."""


@dataclass(frozen=True, eq=False)
class CheckedBox:
    """A box, and what fresh draws say inside it.

    Attributes
    ----------
    box : SettingBox
    settings : ndarray, shape (n_checked, n_factors)
    assurance : Assurance
        At these settings, from the fresh draws.
    draws : Draws
        The fresh draws.
    stage : int
        Of these draws.
    """

    box: SettingBox
    settings: FloatArray
    assurance: Assurance
    draws: Draws
    stage: int


def search(inquiry: Inquiry, bits: Bits, level: float) -> tuple[CheckedBox | None, tuple[str, ...]]:
    """Find the largest box at a confidence and check it on fresh draws; a finding where these do not bear it out."""
    error = math.sqrt(level * (1.0 - level) / bits.n_draws)
    for turn in range(MOST_ROUNDS):
        need = enough(min(level + turn * error, 1.0), bits.n_draws)
        found = _largest(inquiry.region, bits, need)
        if found is None:
            break
        box, proven = found
        low, high = _ends(inquiry.region, box)
        if inquiry.region.thinned:
            low, high = _move_sides(inquiry, (low, high), words=box_words(bits, box), need=need)
            proven = False
        checked = check(inquiry, _setting_box(inquiry.region, low, high, proven), stage=CLAIM_STAGE + turn)
        if checked.box.confidence >= level:
            return checked, ()
    if turn:
        return None, ("A box was found, but fresh draws from the models did not bear it out.",)
    return None, ()


def largest_on_draws(region: WeldedRegion, bits: Bits, level: float) -> SettingBox | None:
    """Find the largest box that holds in a share of the draws at hand, on the grid's values; not checked on others."""
    found = _largest(region, bits, enough(level, bits.n_draws))
    if found is None:
        return None
    low, high = _ends(region, found[0])
    box = _setting_box(region, low, high, found[1] and not region.thinned)
    return replace(box, confidence=found[0].count / bits.n_draws)


def _largest(
    region: WeldedRegion, bits: Bits, need: int, *, cost: FloatArray | None = None, limit: float = 0.0
) -> tuple[Box, bool] | None:
    """Find the largest box over the kinds: by share of the reachable settings of its kind, then by count."""
    best: tuple[float, int, Box, bool] | None = None
    for kinds in kind_combinations(region):
        cut = _kind_cut(region, kinds)
        words = bits.words[(slice(None), *cut)].reshape(len(bits.words), *_numeric_shape(region))
        part = None if cost is None else cost[cut].reshape(words.shape[1:])
        box, proven = find_box(Bits(words, bits.n_draws), need, cost=part, limit=limit)
        if box is not None:
            share = box.size / int(np.count_nonzero(region.reachable[cut]))
            if best is None or (share, box.count) > best[:2]:
                best = share, box.count, _whole_box(region, box, kinds), proven
    return None if best is None else (best[2], best[3])


def _kind_cut(region: WeldedRegion, kinds: tuple[int, ...]) -> tuple[int | slice, ...]:
    """Index one combination of kinds in an array over the grid."""
    at = dict(zip(region.kind_axes, kinds, strict=True))
    return tuple(at.get(j, slice(None)) for j in range(len(region.axes)))


def _numeric_shape(region: WeldedRegion) -> tuple[int, ...]:
    """Give the shape of the numeric axes; one of length 1 where every factor is one of kinds."""
    return tuple(n for j, n in enumerate(region.shape) if j not in region.kind_axes) or (1,)


def _whole_box(region: WeldedRegion, box: Box, kinds: tuple[int, ...]) -> Box:
    """Put the kinds back among the axes."""
    numeric = iter(zip(box.low, box.high, strict=True))
    kind = iter(kinds)
    ends = [(k := next(kind), k) if j in region.kind_axes else next(numeric) for j in range(len(region.axes))]
    return Box(tuple(low for low, _ in ends), tuple(high for _, high in ends), box.count)


def _ends(region: WeldedRegion, box: Box) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Give a grid box's ends, natural."""
    low = tuple(float(axis[i]) for axis, i in zip(region.axes, box.low, strict=True))
    high = tuple(float(axis[i]) for axis, i in zip(region.axes, box.high, strict=True))
    return low, high


def _move_sides(
    inquiry: Inquiry, ends: tuple[tuple[float, ...], tuple[float, ...]], *, words: WordArray, need: int
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Move each side outwards by the dial's own steps, side after side in turn, while the box passes."""
    low, high = list(ends[0]), list(ends[1])
    sides = [(j, up) for j, f in enumerate(inquiry.region.study.factors) if not f.is_kind for up in (False, True)]
    while sides:
        for side in list(sides):
            step = next_value(inquiry.region, (tuple(low), tuple(high)), side)
            if step is None:
                sides.remove(side)
                continue
            layer = face_layer(inquiry.region, (tuple(low), tuple(high)), side[0], step)
            if not inquiry.region.is_claimable(layer).all():
                sides.remove(side)
                continue
            held = holding(inquiry.claim_draws, layer, inquiry.scenario, reliability=inquiry.reliability)
            wider = words & pack(np.asarray(held.all(axis=0))[None, :]).words[:, 0]
            if int(count_bits(wider)) < need:
                sides.remove(side)
                continue
            words = wider
            (high if side[1] else low)[side[0]] = step
    return tuple(low), tuple(high)


def next_value(
    region: WeldedRegion, ends: tuple[tuple[float, ...], tuple[float, ...]], side: tuple[int, bool]
) -> float | None:
    """Give the dial's next value beyond one side of a box; None where the dial ends."""
    j, up = side
    values = region.study.factors[j].positions
    slack = 1e-9 * max(1.0, float(np.abs(values).max()))
    beyond = values[values > ends[1][j] + slack] if up else values[values < ends[0][j] - slack][::-1]
    return float(beyond[0]) if len(beyond) else None


def face_layer(
    region: WeldedRegion, ends: tuple[tuple[float, ...], tuple[float, ...]], j: int, value: float
) -> FloatArray:
    """Give settings just outside a face: one factor at a value, the others over the box."""
    whole = [_between(factor, low, high) for factor, low, high in zip(region.study.factors, *ends, strict=True)]
    whole[j] = np.array([value])
    for n_values in range(FACE_VALUES, 1, -1):
        axes = [spread(axis, n_values) for axis in whole]
        if math.prod(len(axis) for axis in axes) <= FACE_SETTINGS:
            break
    return _product(axes)


def _between(factor: Factor, low: float, high: float) -> FloatArray:
    """Give every value of a factor from low to high."""
    values = factor.positions
    slack = 1e-9 * max(1.0, float(np.abs(values).max()))
    return values[(values >= low - slack) & (values <= high + slack)]


def _product(axes: list[FloatArray]) -> FloatArray:
    """Give every combination of values, shape (n, n_factors)."""
    return np.column_stack([axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")])


def _setting_box(region: WeldedRegion, low: tuple[float, ...], high: tuple[float, ...], proven: bool) -> SettingBox:
    """Make a box on the dials."""
    values = tuple(_between(f, a, b) for f, a, b in zip(region.study.factors, low, high, strict=True))
    kinds = tuple(round(low[j]) for j in region.kind_axes)
    share = math.prod(len(v) for v in values) / max(region.count(kinds), 1)
    return SettingBox(low, high, values, min(share, 1.0), math.nan, proven)


def every_setting(box: SettingBox, *, at_most: int | None = None) -> FloatArray:
    """Give the settings of a box, its corners always among them, shape (n, n_factors).

    Where there are more than ``at_most``, the longest dials are thinned evenly.
    """
    dials = list(box.dials)
    while at_most is not None and math.prod(len(v) for v in dials) > at_most:
        longest = max(range(len(dials)), key=lambda j: len(dials[j]))
        dials[longest] = spread(dials[longest], (len(dials[longest]) + 1) // 2)
    return _product(dials)


def check(inquiry: Inquiry, box: SettingBox, *, stage: int) -> CheckedBox:
    """Work out a box on fresh draws."""
    settings, draws = _settings_to_check(inquiry, box), inquiry.source(stage, CLAIM_DRAWS)
    seen = assess(
        draws,
        settings,
        inquiry.scenario,
        confidence=inquiry.confidence,
        reliabilities=(inquiry.reliability,),
    )
    confidence = float(seen.holds[0].all(axis=0).mean())
    return CheckedBox(replace(box, confidence=confidence), settings, seen, draws, stage)


def _settings_to_check(inquiry: Inquiry, box: SettingBox) -> FloatArray:
    """Give every setting of a box, or some 600 of them where ranges were thinned."""
    return every_setting(box, at_most=CHECKED_SETTINGS if inquiry.region.thinned else None)


def find_working_box(inquiry: Inquiry) -> tuple[SettingBox, float] | None:
    """Find the working region, and its expected share of bad settings on fresh draws (METHOD section 1).

    Largest box whose posterior mean share of settings below R is at most 1 - C and in which every setting reaches
    R - .15 with confidence C. As for the window, the box is checked on fresh draws and asked for more where it fails.
    """
    allowed_share, floor = 1.0 - inquiry.confidence, inquiry.ground.floor
    error = math.sqrt(inquiry.confidence * allowed_share / floor.n_draws)
    for turn in range(MOST_ROUNDS):
        need = enough(min(inquiry.confidence + turn * error, 1.0), floor.n_draws)
        limit = max(allowed_share - turn * error / 2.0, 0.0)
        found = _largest(inquiry.region, floor, need, cost=1.0 - inquiry.chance, limit=limit)
        if found is None:
            return None
        low, high = _ends(inquiry.region, found[0])
        proven = found[1] and not inquiry.region.thinned
        box = _setting_box(inquiry.region, low, high, proven)
        draws, settings = inquiry.source(WORKING_STAGE + turn, CLAIM_DRAWS), _settings_to_check(inquiry, box)
        reliabilities = (inquiry.reliability, inquiry.reliability - FLOOR_BELOW)
        good, above_floor = holdings(draws, settings, inquiry.scenario, reliabilities=reliabilities)
        bad_share, floor_held = 1.0 - float(good.mean()), float(above_floor.all(axis=0).mean())
        if bad_share <= allowed_share and floor_held >= inquiry.confidence:
            return replace(box, confidence=floor_held), bad_share
    return None


def kind_combinations(region: WeldedRegion) -> Iterator[tuple[int, ...]]:
    """Give every combination of kinds on the grid."""
    yield from itertools.product(*(range(len(region.axes[j])) for j in region.kind_axes))
