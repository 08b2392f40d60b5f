"""Settings at which two sides are compared where no requirement points to any: the middle, and the two ends."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from doe.coding import FloatArray
from doe.window.claim import main_dials
from doe.window.sides import SharedGround, Side


def find_landmarks(sides: Sequence[Side], ground: SharedGround) -> Iterator[tuple[tuple[float, ...], str]]:
    """Give the middle of the shared ground, and the settings nearest its low and high end of the main dials.

    They do not depend on what was measured, so the bands there are no worse for having been chosen.

    Parameters
    ----------
    sides : sequence of Side
    ground : SharedGround

    Yields
    ------
    setting : tuple of float
        Shared; of the kinds that share most settings, where there are kinds.
    why : str
    """
    study = sides[0].study
    settings = _most_shared_kinds(ground)
    numeric = [j for j, factor in enumerate(study.factors) if not factor.is_kind]
    low, high = settings.min(axis=0), settings.max(axis=0)
    everyone = "both" if len(sides) == 2 else "all"
    yield _nearest(settings, numeric, (low + high) / 2.0), f"the middle of what was welded on {everyone}"
    dials = list(main_dials(study))
    names = [study.factors[j].name for j in dials]
    told = " and ".join([", ".join(names[:-1]), names[-1]] if names[1:] else names)
    for end, name in ((low, "low"), (high, "high")):
        target = (low + high) / 2.0
        target[dials] = end[dials]
        if dials:
            yield _nearest(settings, numeric, target), f"towards the {name} end of {told}"


def _most_shared_kinds(ground: SharedGround) -> FloatArray:
    """Give the shared settings of the combination of kinds that has most of them, shape (n, n_factors)."""
    settings = ground.settings(ground.claimable)
    if not ground.kind_axes:
        return settings
    kinds, of_kind, count = np.unique(
        settings[:, list(ground.kind_axes)], axis=0, return_inverse=True, return_counts=True
    )
    return np.asarray(settings[of_kind.ravel() == int(np.argmax(count[: len(kinds)]))])


def _nearest(settings: FloatArray, numeric: Sequence[int], target: FloatArray) -> tuple[float, ...]:
    """Give the setting nearest to a target, each dial by its own reach; the first of equals."""
    reach = np.ptp(settings, axis=0)
    gap = (settings - target) / np.where(reach > 0.0, reach, 1.0)
    return tuple(float(v) for v in settings[int(np.argmin(np.round((gap[:, numeric] ** 2).sum(axis=1), 12)))])
