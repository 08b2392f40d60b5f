"""The two (or more) sides of a comparison, and the settings that all of them can be set to.

A side is a study, or one kind inside a study. Settings are shared settings: natural, in the order of the first side's
factors; each side puts them in its own order, and sets its own kind.
"""

from __future__ import annotations

import itertools
import zlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.errors import CannotAnswerError, Fault, StudyError
from doe.models.fit import Fit
from doe.planning.region import is_reachable, thin
from doe.study.model import Factor, Study
from doe.window.assurance import holding
from doe.window.box import BoolArray, Box
from doe.window.inquiry import EXPLORING_DRAWS, EXPLORING_STAGE, Inquiry
from doe.window.posing import UnsettledError, open_inquiry, with_requirement
from doe.window.welded import WeldedRegion, find_welded_region
from doe.window.window import SettingBox

SHARED_SETTINGS: Final = 4_000
"""Long ranges are thinned to so many shared settings. Our choice, as for a window."""
OTHER_SEED: Final = 1_000_003
"""Added to the seed for the second study: two studies have nothing to do with one another, so their draws must not be
made from the same random numbers."""


@dataclass(frozen=True, eq=False)
class Side:
    """One side of a comparison.

    Attributes
    ----------
    label : str
        What it is called: the study's title, or the kind.
    fit : Fit
    region : WeldedRegion
        What was welded on it; for a kind, of the settings of that kind.
    inquiry : Inquiry or None
        Its question; for a kind, over the settings of that kind. None where no requirement can be judged.
    seed : int
        Of its draws.
    columns : tuple of int
        For each factor of this side, its column among the shared settings.
    kind : tuple of (int, int) or None
        Column and index of the kind that is this side.
    unsettled : tuple of str
        Responses whose draws did not settle, so that there is no question.
    """

    label: str
    fit: Fit
    region: WeldedRegion
    inquiry: Inquiry | None
    seed: int
    columns: tuple[int, ...]
    kind: tuple[int, int] | None = None
    unsettled: tuple[str, ...] = ()

    @property
    def study(self) -> Study:
        """The side's study."""
        return self.fit.results.study

    def settings(self, shared: FloatArray) -> FloatArray:
        """Give shared settings as this side sets them, shape (n, n_factors)."""
        own = np.array(shared, dtype=float, ndmin=2)[:, list(self.columns)]
        if self.kind is not None:
            own[:, self.kind[0]] = self.kind[1]
        return own

    def shared(self, own: FloatArray) -> FloatArray:
        """Give this side's settings as shared ones, shape (n, n_factors)."""
        settings = np.array(own, dtype=float, ndmin=2)
        shared = np.empty_like(settings)
        shared[:, list(self.columns)] = settings
        if self.kind is not None:
            shared[:, self.kind[0]] = 0.0
        return shared

    def can_be_set(self, shared: FloatArray) -> BoolArray:
        """Tell which shared settings this side can be set to, within its limits."""
        return is_reachable(self.study, self.settings(shared))

    def can_be_claimed(self, shared: FloatArray) -> BoolArray:
        """Tell which shared settings lie within what was welded on this side."""
        own = self.settings(shared)
        return np.asarray(is_reachable(self.study, own) & self.region.is_claimable(own))

    @property
    def question(self) -> Inquiry:
        """Its question.

        Raises
        ------
        TypeError
            If no requirement can be judged on this side: then it must not be asked.
        """
        if self.inquiry is None:
            message = f"{self.label} has no requirement that can be judged"
            raise TypeError(message)
        return self.inquiry

    def chance(self, shared: FloatArray) -> FloatArray:
        """Give the confidence that the reliability is reached at shared settings, shape (n,)."""
        inquiry = self.question
        held = holding(
            inquiry.source(EXPLORING_STAGE, EXPLORING_DRAWS),
            self.settings(shared),
            inquiry.scenario,
            reliability=inquiry.reliability,
        )
        return np.asarray(held.mean(axis=1))

    def box(self, low: FloatArray, high: FloatArray) -> SettingBox:
        """Give a shared box as this side sets it."""
        ends = self.settings(np.vstack([low, high]))
        dials = []
        for factor, a, b in zip(self.study.factors, *ends, strict=True):
            slack = 1e-9 * max(1.0, abs(factor.low), abs(factor.high))
            dials.append(factor.positions[(factor.positions >= a - slack) & (factor.positions <= b + slack)])
        low_, high_ = (tuple(float(v) for v in end) for end in ends)
        return SettingBox(low_, high_, tuple(dials), 0.0, 0.0)


@dataclass(frozen=True, eq=False)
class SharedGround:
    """The settings that every side can be set to.

    Attributes
    ----------
    axes : tuple of ndarray
        Values a factor; the compared factor of kinds has one place.
    reachable, claimable : ndarray of bool, shape of the grid
    kind_axes : tuple of int
        Axes of factors of kinds, searched kind by kind.
    """

    axes: tuple[FloatArray, ...]
    reachable: BoolArray
    claimable: BoolArray
    kind_axes: tuple[int, ...]

    def settings(self, mask: BoolArray) -> FloatArray:
        """Give the shared settings where a mask is true, shape (n, n_factors)."""
        return np.column_stack([axis[index] for axis, index in zip(self.axes, np.nonzero(mask), strict=True)])

    def cuts(self) -> Iterator[tuple[tuple[int, ...], tuple[int | slice, ...]]]:
        """Give every combination of kinds with the index of its part of an array over the grid."""
        for kinds in itertools.product(*(range(len(self.axes[j])) for j in self.kind_axes)):
            at = dict(zip(self.kind_axes, kinds, strict=True))
            yield kinds, tuple(at.get(j, slice(None)) for j in range(len(self.axes)))

    def whole(self, box: Box, kinds: tuple[int, ...]) -> tuple[FloatArray, FloatArray]:
        """Give the ends of a box found in one part, as shared settings."""
        at, numeric = dict(zip(self.kind_axes, kinds, strict=True)), iter(zip(box.low, box.high, strict=True))
        ends = [(at[j], at[j]) if j in at else next(numeric) for j in range(len(self.axes))]
        low = np.array([axis[a] for axis, (a, _) in zip(self.axes, ends, strict=True)])
        high = np.array([axis[b] for axis, (_, b) in zip(self.axes, ends, strict=True)])
        return low, high


def study_sides(fits: Sequence[Fit], *, seed: int) -> tuple[Side, ...]:
    """Make a side of each of two studies.

    Raises
    ------
    StudyError
        If their factors are not the same, in the same units: every difference at once.
    """
    first = fits[0].results.study
    sides = []
    for i, fit in enumerate(fits):
        study = fit.results.study
        faults = _factor_faults(first, study)
        if faults:
            message = "these two studies cannot be compared: their factors are not the same, in the same units"
            raise StudyError(message, faults)
        columns = tuple(first.coding.index[factor.name] for factor in study.factors)
        own_seed = seed + i * OTHER_SEED
        region = find_welded_region(fit.results)
        inquiry, unsettled = _question(fit, region, own_seed)
        sides.append(Side(study.title, fit, region, inquiry, own_seed, columns, unsettled=unsettled))
    return tuple(replace(side, label=name) for side, name in zip(sides, _labels(sides), strict=True))


def _question(fit: Fit, region: WeldedRegion, seed: int) -> tuple[Inquiry | None, tuple[str, ...]]:
    """Put a study's question; None where no requirement can be judged: differences need none.

    The second value names the responses whose draws did not settle.
    """
    required = with_requirement(fit)
    if not required or any(f.model is None for f in required) or not region.claimable.any():
        return None, ()
    try:
        return open_inquiry(fit, seed=seed), ()
    except UnsettledError as error:
        return None, error.names


def _labels(sides: Sequence[Side]) -> tuple[str, ...]:
    """Name two studies: by their titles, else by their folders."""
    titles = tuple(side.study.title for side in sides)
    folders = tuple(side.study.folder.resolve().name for side in sides)
    return next((names for names in (titles, folders) if len(set(names)) == len(names)), ("the first", "the second"))


def _factor_faults(first: Study, second: Study) -> list[Fault]:
    """List how the factors of two studies differ."""
    names = [factor.name for factor in first.factors]
    others = {factor.name: factor for factor in second.factors}
    faults = [Fault("only the first study has this factor", key=f"factor “{n}”") for n in names if n not in others]
    faults += [Fault("only the second study has this factor", key=f"factor “{n}”") for n in others if n not in names]
    for factor in first.factors:
        other = others.get(factor.name)
        if other is not None and (why := _difference(factor, other)):
            faults.append(Fault(why, key=f"factor “{factor.name}”"))
    return faults


def _difference(factor: Factor, other: Factor) -> str:
    """Say how a factor differs between two studies; empty where it can be compared."""
    if factor.is_kind != other.is_kind:
        return "it has kinds in one study and numbers in the other"
    if factor.kinds != other.kinds:
        return f"its kinds are {', '.join(factor.kinds)} in the first study and {', '.join(other.kinds)} in the second"
    if factor.unit != other.unit:
        return f"its unit is {factor.unit or 'none'} in the first study and {other.unit or 'none'} in the second"
    if factor.calibrated != other.calibrated:
        return "its dial is calibrated in one study only"
    return ""


def kind_sides(fit: Fit, *, factor: str | None, seed: int) -> tuple[Side, ...]:
    """Make a side of each kind that was welded, of one factor of kinds.

    Raises
    ------
    CannotAnswerError
        If the study has no such factor, or fewer than two of its kinds were welded.
    """
    study = fit.results.study
    names = [f.name for f in study.factors if f.is_kind]
    name = factor or (names[0] if names else "")
    if name not in names:
        has = f"its factors of kinds are {', '.join(names)}" if names else "it has no factor of kinds"
        message = f"there is nothing to compare inside this study: {has}; name a second study’s folder"
        raise CannotAnswerError(message)
    region, j = find_welded_region(fit.results), study.coding.index[name]
    welded = sorted(region.welded_kinds[j])
    if len(welded) < 2:
        message = f"only one kind of {name} was welded, so there is nothing to compare it with"
        raise CannotAnswerError(message)
    columns = tuple(range(len(study.factors)))
    inquiry, unsettled = _question(fit, region, seed)
    sides = (_side_of_kind(fit, inquiry, (j, k), (region, columns, seed)) for k in welded)
    return tuple(replace(side, unsettled=unsettled) for side in sides)


def _side_of_kind(
    fit: Fit, inquiry: Inquiry | None, kind: tuple[int, int], study: tuple[WeldedRegion, tuple[int, ...], int]
) -> Side:
    """Make the side of one kind: the study's region and question, narrowed to its settings."""
    region, columns, seed = study
    mine = np.moveaxis(np.zeros(region.shape, dtype=bool), kind[0], 0)
    mine[kind[1]] = True
    mine = np.moveaxis(mine, 0, kind[0])
    own = replace(region, claimable=region.claimable & mine)
    if inquiry is not None:
        chance = tuple(values * mine for values in inquiry.ground.chance)
        inquiry = replace(inquiry, region=own, ground=replace(inquiry.ground, chance=chance))
    label = fit.results.study.factors[kind[0]].kinds[kind[1]]
    return Side(label, fit, own, inquiry, seed, columns, kind)


def find_shared_ground(sides: Sequence[Side]) -> SharedGround:
    """Find the settings that every side can be set to.

    Raises
    ------
    CannotAnswerError
        If there is none.
    """
    first = sides[0].study
    axes = []
    for j, factor in enumerate(first.factors):
        if sides[0].kind is not None and sides[0].kind[0] == j:
            axes.append(np.zeros(1))
            continue
        values = factor.positions
        for side in sides[1:]:
            other = side.study.factor(factor.name).positions
            slack = 1e-9 * max(1.0, float(np.abs(values).max(initial=0.0)))
            values = values[(np.abs(values[:, None] - other) <= slack).any(axis=1)]
        axes.append(values)
    empty = [f.name for f, axis in zip(first.factors, axes, strict=True) if not len(axis)]
    if empty:
        message = f"no value of {' and of '.join(empty)} can be set on both, so there is no setting to compare at"
        raise CannotAnswerError(message)
    axes = thin([f.is_continuous for f in first.factors], axes, SHARED_SETTINGS)
    grid = np.stack([g.ravel() for g in np.meshgrid(*axes, indexing="ij")], axis=1)
    shape = tuple(len(axis) for axis in axes)
    reachable = np.all([side.can_be_set(grid) for side in sides], axis=0).reshape(shape)
    claimable = np.all([side.can_be_claimed(grid) for side in sides], axis=0).reshape(shape)
    if not claimable.any():
        message = "no setting lies within the limits and within what was welded on every side"
        raise CannotAnswerError(message)
    kind_axes = tuple(j for j, factor in enumerate(first.factors) if factor.is_kind)
    return SharedGround(tuple(axes), reachable, claimable, kind_axes)


def side_rng(side: Side, stage: int, name: str) -> np.random.Generator:
    """Make the random stream of one stage and response; the kinds of one study have the same, two studies never."""
    return np.random.default_rng([side.seed, stage, zlib.crc32(name.encode())])


def all_hold(sides: Sequence[Side], shared: FloatArray, *, reliability: float, stage: int, n_draws: int) -> BoolArray:
    """Tell at which shared settings every side reaches the reliability, draw by draw, shape (n, n_draws).

    Draws of the kinds of one study belong together; draws of two studies are independent, and are paired at random.
    """
    held = [
        holding(
            side.question.source(stage, n_draws), side.settings(shared), side.question.scenario, reliability=reliability
        )
        for side in sides
    ]
    return np.asarray(np.all(held, axis=0))
