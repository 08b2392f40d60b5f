"""The plan: which welds to make, where, and in which order."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from doe.coding import FloatArray
from doe.study.model import Study

WeldRole = Literal["plan", "repeat", "next", "confirm"]


@dataclass(frozen=True)
class PlannedWeld:
    """One weld to make.

    Attributes
    ----------
    weld, plate : str
        ``W01``, ``P01``.
    position : int
        1, 2 ... on its plate.
    order : int
        1 ... n, the order to weld in.
    settings : tuple of float
        Natural value a factor, in the study's order; kinds by index.
    block : str or None
    role : {"plan", "repeat", "next", "confirm"}
    """

    weld: str
    plate: str
    position: int
    order: int
    settings: tuple[float, ...]
    block: str | None = None
    role: WeldRole = "plan"


@dataclass(frozen=True, eq=False)
class Plan:
    """The welds to make.

    Attributes
    ----------
    study : Study
    welds : tuple of PlannedWeld
        In the order W01, W02 ...
    seed : int
    stage : int
        1 for plan.csv, 2 for plan-2.csv ...
    reasons : mapping of str to str
        Weld to why it is there, for follow-up welds.
    """

    study: Study
    welds: tuple[PlannedWeld, ...]
    seed: int
    stage: int = 1
    reasons: Mapping[str, str] = field(default_factory=dict)

    @property
    def settings(self) -> FloatArray:
        """Natural settings, shape (n_welds, n_factors)."""
        return np.array([weld.settings for weld in self.welds], dtype=float).reshape(len(self.welds), -1)
