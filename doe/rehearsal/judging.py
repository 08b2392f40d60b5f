"""A claimed window beside the hidden truth of the virtual welder that made the welds."""

from __future__ import annotations

import itertools
import math
from dataclasses import asdict, dataclass

import numpy as np

from doe.coding import FloatArray
from doe.virtual.welder import VirtualWelder, true_assurance
from doe.window.box import BoolArray, Box, largest_box, pack
from doe.window.window import SettingBox, Window


@dataclass(frozen=True)
class Judgement:
    """How a window compares with the truth.

    Attributes
    ----------
    found : bool
        Whether a window was claimed.
    reliability : float
        What was claimed of every setting inside.
    true_share : float
        Share of the reachable settings that truly hold the reliability.
    claimed_share : float
        Share of those that lie inside the window; 0 where nothing was claimed.
    lowest_true : float or None
        The lowest true assurance inside the window.
    """

    found: bool
    reliability: float
    true_share: float
    claimed_share: float
    lowest_true: float | None

    @property
    def is_wrong(self) -> bool:
        """Whether some setting inside the window truly holds less than was claimed."""
        return self.lowest_true is not None and self.lowest_true < self.reliability

    def to_dict(self) -> dict[str, object]:
        """Give the judgement as ``demo --json`` prints it."""
        return {**asdict(self), "is_wrong": self.is_wrong}

    def words(self) -> tuple[str, ...]:
        """Say it in plain sentences."""
        truth = (
            f"The virtual welder’s hidden truth: {self.true_share:.0%} of the settings that can be set give at least "
            f"{self.reliability:.0%} good welds."
        )
        if self.lowest_true is None:
            return (truth, "No window was claimed.")
        return (
            truth,
            f"The window holds {self.claimed_share:.0%} of those settings; the worst setting inside it truly gives "
            f"{np.floor(self.lowest_true * 1000) / 10:.1f} % good welds"
            + (": less than was claimed." if self.is_wrong else ", so the claim is right."),
        )


def judge(window: Window, *, welder: VirtualWelder) -> Judgement:
    """Set a window beside the truth.

    Parameters
    ----------
    window : Window
    welder : VirtualWelder
        Whose truth it is.

    Returns
    -------
    Judgement
        Over the reachable settings of the window's grid; where later welds start warm, a setting is good if first and
        later welds both hold.
    """
    settings, truth = _truth(window, welder)
    box = window.answer.box
    inside = np.array([box is not None and box.contains(tuple(setting)) for setting in settings], dtype=bool)
    reliability = window.study.claim.reliability
    good = truth >= reliability
    return Judgement(
        found=window.found,
        reliability=reliability,
        true_share=float(good.mean()),
        claimed_share=float((good & inside).sum() / good.sum()) if good.any() else 0.0,
        lowest_true=float(truth[inside].min()) if inside.any() else None,
    )


def largest_true_share(window: Window, *, welder: VirtualWelder) -> float:
    """Give how much of the largest box there truly is a window claims, by number of settings.

    Parameters
    ----------
    window : Window
    welder : VirtualWelder

    Returns
    -------
    float
        Truly good settings inside the window over the settings of the largest box that truly holds everywhere; nan
        where no setting does.
    """
    good, boxes = _true_boxes(window, welder)
    if not boxes:
        return math.nan
    claimed = judge(window, welder=welder).claimed_share * good.sum()
    return float(claimed / max(box.size for _, box in boxes))


def largest_true_box(window: Window, *, welder: VirtualWelder) -> SettingBox | None:
    """Give the largest box, by number of settings, that truly holds everywhere; None where no setting does."""
    _, boxes = _true_boxes(window, welder)
    if not boxes:
        return None
    kinds, box = max(boxes, key=lambda pair: pair[1].size)
    low, high, dials = [], [], []
    sides = iter(zip(box.low, box.high, strict=True))
    for factor, axis in zip(window.study.factors, window.axes, strict=True):
        ends = (kinds[factor.name],) * 2 if factor.is_kind else next(sides)
        dials.append(axis[ends[0] : ends[1] + 1])
        low.append(float(axis[ends[0]]))
        high.append(float(axis[ends[1]]))
    return SettingBox(tuple(low), tuple(high), tuple(dials), box.size / int(window.reachable.sum()), 1.0)


def _true_boxes(window: Window, welder: VirtualWelder) -> tuple[BoolArray, list[tuple[dict[str, int], Box]]]:
    """Find where the truth is good, and the largest good box of each choice of kinds, with that choice."""
    _, truth = _truth(window, welder)
    good = np.zeros(window.reachable.shape, dtype=bool)
    good[window.reachable] = truth >= window.study.claim.reliability
    factors = window.study.factors
    kinds = [factor for factor in factors if factor.is_kind]
    found = []
    for choice in itertools.product(*(range(len(factor.kinds)) for factor in kinds)):
        chosen = dict(zip((factor.name for factor in kinds), choice, strict=True))
        part = good[tuple(chosen.get(factor.name, slice(None)) for factor in factors)]  # a box is of one kind
        box = largest_box(pack(part.reshape(-1, 1), part.shape), 1) if part.any() else None
        if box is not None:
            found.append((chosen, box))
    return good, found


def _truth(window: Window, welder: VirtualWelder) -> tuple[FloatArray, FloatArray]:
    """Give the reachable settings, natural, and their true assurance."""
    study = window.study
    grid = np.stack(np.meshgrid(*window.axes, indexing="ij"), axis=-1)
    settings = grid[window.reachable]
    truth = true_assurance(welder, study, settings)
    if study.plan.later_welds == "warm" and study.plan.welds_per_plate > 1:
        truth = np.minimum(truth, true_assurance(welder, study, settings, later=True))
    return settings, truth
