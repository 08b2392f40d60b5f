"""One position's question, and what the draws show over the region's grid."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.models.fit import ResponseFit
from doe.window.assurance import Assurance, Draws, Scenario, assess, blocks, holding
from doe.window.box import WORD_BITS, Bits, pack
from doe.window.welded import WeldedRegion

EXPLORING_DRAWS: Final = 1_000
CLAIM_DRAWS: Final = 4_000
"""METHOD 7.2."""
EXPLORING_STAGE: Final = 0
FINDING_STAGE: Final = 1
"""Stages of draws: for looking around, and for finding boxes."""
LIVE_ERRORS: Final = 4.0
"""Settings that fall short of the confidence by more than so many Monte Carlo standard errors of the exploring draws
cannot be in a box, and are not looked at again. Our choice."""
FLOOR_BELOW: Final = 0.15
"""The working region's floor lies so far below the reliability (METHOD section 1)."""

DrawSource = Callable[[int, int], Draws]
"""Draws afresh: stage number and number of draws; the same stage gives the same draws."""


@dataclass(frozen=True, eq=False)
class Ground:
    """What the exploring draws show, over the region's grid.

    Attributes
    ----------
    reliabilities : tuple of float
    chance : tuple of ndarray, each shape of the grid
        Posterior probability that each of ``reliabilities`` is reached; 0 where it cannot be claimed.
    floor : Bits
        Draws that reach the working region's floor.
    """

    reliabilities: tuple[float, ...]
    chance: tuple[FloatArray, ...]
    floor: Bits


@dataclass(frozen=True, eq=False)
class Inquiry:
    """One position's question, with all that is needed to answer it.

    Attributes
    ----------
    region : WeldedRegion
    scenario : Scenario
    fits : tuple of ResponseFit
        Those with a requirement.
    source : DrawSource
    ground : Ground
    reliability, confidence : float
        The claim's.
    seed : int
    """

    region: WeldedRegion
    scenario: Scenario
    fits: tuple[ResponseFit, ...]
    source: DrawSource
    ground: Ground
    reliability: float
    confidence: float
    seed: int

    @property
    def claim_draws(self) -> Draws:
        """The draws for finding boxes."""
        return self.source(FINDING_STAGE, CLAIM_DRAWS)

    @property
    def chance(self) -> FloatArray:
        """Posterior probability over the grid that the reliability is reached."""
        return self.ground.chance[self.ground.reliabilities.index(self.reliability)]


def explore(
    draws: Draws, region: WeldedRegion, scenario: Scenario, *, confidence: float, reliabilities: tuple[float, ...]
) -> tuple[Assurance, Ground]:
    """Look at every reachable setting with the exploring draws.

    The last of ``reliabilities`` is the working region's floor; its draws are kept.
    """
    settings = region.settings(region.reachable)
    seen = assess(draws, settings, scenario, confidence=confidence, reliabilities=reliabilities)
    claimable = region.claimable[region.reachable]
    chance = tuple(_over_grid(region, held.mean(axis=1) * claimable) for held in seen.holds)
    floor = np.zeros((region.reachable.size, draws.n_draws), dtype=bool)
    floor[np.flatnonzero(region.reachable)] = seen.holds[-1] & claimable[:, None]
    return seen, Ground(reliabilities, chance, pack(floor, region.shape))


def _over_grid(region: WeldedRegion, values: FloatArray) -> FloatArray:
    """Spread values of the reachable settings over the grid, 0 elsewhere."""
    grid = np.zeros(region.shape)
    grid[region.reachable] = values
    return grid


def claim_bits(inquiry: Inquiry) -> Bits:
    """Work out the claim draws at every setting that can be in a box, bits over the grid."""
    n = EXPLORING_DRAWS
    c = inquiry.confidence
    live = inquiry.chance >= c - LIVE_ERRORS * math.sqrt(c * (1.0 - c) / n)
    draws, settings = inquiry.claim_draws, inquiry.region.settings(live)
    words = np.zeros((-(-draws.n_draws // WORD_BITS), live.size), dtype=np.uint64)
    at = np.flatnonzero(live)
    for block in blocks(len(settings), draws.n_draws):
        held = holding(draws, settings[block], inquiry.scenario, reliability=inquiry.reliability)
        words[:, at[block]] = pack(held).words
    return Bits(words.reshape(-1, *live.shape), draws.n_draws)
