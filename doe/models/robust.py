"""Readings some of which may be grossly wrong: Student-t errors, so that a misreading pulls less.

METHOD.md section 2, the robust option. Each reading's error variance is s2 / w_i with w_i ~ Gamma(nu/2, nu/2), nu = 4:
errors are Student's t with 4 degrees of freedom. Gibbs sampling between the exact posterior given the weights (on a
smaller grid) and the weights given the errors, w_i ~ Gamma((nu + 1)/2, rate (nu + e_i^2 / s2)/2).

Scatter between welds is not the t tail: misreadings are not welds. METHOD.md takes s2 for it, which is ``SCALE`` of the
variance where welds are normal, so that windows grew by what nobody knows (DEVELOPERS.md); here it is s2 / ``SCALE``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from doe.coding import FloatArray
from doe.models.censored import complete_readings, join_draws
from doe.models.grid import EffectDraws, Effects, Grid, ScatterPrior, draw_effects, make_nodes
from doe.models.sampling import split_r_hat
from doe.models.surface import BoolArray

ROBUST_GRID: Final = Grid(
    first=(2.5, 8.0), second=(0.5, 2.0), third=(0.05, 0.5), plate=(0.0, 0.3, 1.0, 2.5), block=(0.0, 0.4)
)
"""The smaller grid of METHOD.md section 2; for blocks two of its values, ours."""
DEGREES: Final = 4.0
"""nu, degrees of freedom of the t errors. [1]"""
SCALE: Final = 0.69
"""s2 of Student's t with 4 degrees of freedom, fitted to normal readings, over their variance: where E[(nu + 1) z^2 /
(nu SCALE + z^2)] = 1 for a standard normal z (the likelihood's slope in s2 is then 0). [1]"""
N_CHAINS: Final = 4
"""Chains, one after another."""
BURN_IN: Final = 60
"""Steps dropped from each chain."""
KEPT: Final = 50
"""Steps kept of each chain: 200 in all. Each gives several draws from the exact posterior given its weights."""
LARGEST_ROBUST_R_HAT: Final = 1.1
"""Above this split R-hat there is no claim. Looser than elsewhere: half chains of 25 steps leave it that uncertain.
The value of Gelman et al. (2013), Bayesian Data Analysis, 3rd ed., section 11.4; from memory. [1]"""


@dataclass(frozen=True, eq=False)
class RobustDraws:
    """Draws, and how far each reading was trusted.

    Attributes
    ----------
    draws : EffectDraws
    weights : ndarray, shape (n,)
        Posterior mean of w: about 1 for a reading like the others, near 0 for a gross misreading.
    settled : bool
        Whether the chains agree on the log weld variance.
    """

    draws: EffectDraws
    weights: FloatArray
    settled: bool


def draw_robust(
    effects: Effects,
    prior: ScatterPrior,
    y: FloatArray,
    *,
    censored: BoolArray,
    n_draws: int,
    rng: np.random.Generator,
) -> RobustDraws:
    """Draw from the posterior with Student-t errors.

    Parameters
    ----------
    effects : Effects
        Laid out on ``ROBUST_GRID``.
    prior : ScatterPrior
    y : ndarray, shape (n,)
        Readings; a lower limit where censored.
    censored : ndarray of bool, shape (n,)
    n_draws : int
    rng : Generator
    """
    each = -(-n_draws // (N_CHAINS * KEPT))
    steps = [
        step
        for _ in range(N_CHAINS)
        for step in _run_chain(effects, prior, y, censored=censored, n_draws=each, rng=rng)
    ]
    trace = np.log([draws.s2[0] for draws, _ in steps]).reshape(N_CHAINS, KEPT, 1)
    rows = rng.permutation(each * len(steps))[:n_draws]
    weights = np.mean([w for _, w in steps], axis=0)
    settled = bool(split_r_hat(trace)[0] <= LARGEST_ROBUST_R_HAT)
    return RobustDraws(join_draws([draws for draws, _ in steps], rows), weights, settled)


def _run_chain(
    effects: Effects,
    prior: ScatterPrior,
    y: FloatArray,
    *,
    censored: BoolArray,
    n_draws: int,
    rng: np.random.Generator,
) -> Iterator[tuple[EffectDraws, FloatArray]]:
    """Give the draws and the weights of each kept step."""
    completed = y.copy()
    w = rng.gamma(DEGREES / 2.0, 2.0 / DEGREES, len(y))
    for step in range(BURN_IN + KEPT):
        nodes = make_nodes(effects, prior, error=1.0 / w)
        draws = draw_effects(nodes, completed, n_draws if step >= BURN_IN else 1, rng)
        if step >= BURN_IN:
            yield draws, w
        mean = draws.constant[0] + effects.C @ draws.theta[0]
        if censored.any():
            sd = np.sqrt(draws.s2[0] / w[censored])
            completed[censored] = complete_readings(y[censored], mean=mean[censored], sd=sd, rng=rng)
        rate = (DEGREES + (completed - mean) ** 2 / draws.s2[0]) / 2.0
        w = rng.gamma((DEGREES + 1.0) / 2.0, 1.0 / rate)
