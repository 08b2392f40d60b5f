"""A claimed window beside the hidden truth of the virtual welder that made the welds."""

from __future__ import annotations

from dataclasses import asdict, dataclass

import numpy as np

from doe.coding import FloatArray
from doe.virtual.welder import VirtualWelder, true_assurance
from doe.window.box import BoolArray, Box, largest_box, pack
from doe.window.claim import main_dials
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
            f"The virtual welder’s hidden truth: {100 * self.true_share:.0f} % of the settings that can be set give at "
            f"least {100 * self.reliability:g} % good welds."
        )
        if self.lowest_true is None:
            return (truth, "No window was claimed.")
        return (
            truth,
            f"The window holds {100 * self.claimed_share:.0f} % of those settings; the worst setting inside it truly "
            f"gives {np.floor(self.lowest_true * 1000) / 10:.1f} % good welds"
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


@dataclass(frozen=True)
class TrueWindow:
    """The largest box that truly holds everywhere: what a window could be at best.

    Attributes
    ----------
    share : float
        Of the reachable settings.
    is_window : bool
        Whether it has two marks or more of every main dial; less is a setting, not a window.
    box : SettingBox
        Where it lies; what truly holds is held with confidence 1.
    """

    share: float
    is_window: bool
    box: SettingBox


def find_true_window(window: Window, *, welder: VirtualWelder) -> TrueWindow | None:
    """Find the largest true box on the window's grid, by number of settings; None where no setting truly holds."""
    _, truth = _truth(window, welder)
    good = np.zeros(window.reachable.shape, dtype=bool)
    good[window.reachable] = truth >= window.study.claim.reliability
    boxes = [box for part in _by_kind(good, window) if (box := largest_box(pack(part.reshape(-1, 1), part.shape), 1))]
    if not boxes:
        return None
    best = max(boxes, key=lambda box: box.size)
    is_window = all(best.high[j] > best.low[j] for j in main_dials(window.study))
    share = best.size / int(window.reachable.sum())
    return TrueWindow(share, is_window, _on_dials(best, window, share))


def _on_dials(box: Box, window: Window, share: float) -> SettingBox:
    """Put a box of the grid on the dials."""
    sides = list(zip(window.axes, box.low, box.high, strict=True))
    low, high = tuple(float(axis[a]) for axis, a, _ in sides), tuple(float(axis[b]) for axis, _, b in sides)
    return SettingBox(low, high, tuple(axis[a : b + 1] for axis, a, b in sides), share, 1.0)


def _by_kind(good: BoolArray, window: Window) -> list[BoolArray]:
    """Take the grid once a kind, as a box is of one kind: all other kinds count as bad."""
    parts = [good]
    for axis, factor in enumerate(window.study.factors):
        if factor.is_kind:
            kind = np.arange(len(factor.kinds)).reshape([-1 if i == axis else 1 for i in range(good.ndim)])
            parts = [part & (kind == k) for part in parts for k in range(len(factor.kinds))]
    return parts


def _truth(window: Window, welder: VirtualWelder) -> tuple[FloatArray, FloatArray]:
    """Give the reachable settings, natural, and their true assurance."""
    study = window.study
    grid = np.stack(np.meshgrid(*window.axes, indexing="ij"), axis=-1)
    settings = grid[window.reachable]
    truth = true_assurance(welder, study, settings)
    if study.plan.later_welds == "warm" and study.plan.welds_per_plate > 1:
        truth = np.minimum(truth, true_assurance(welder, study, settings, later=True))
    return settings, truth
