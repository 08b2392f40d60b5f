"""Draws from a posterior known by its log-density: importance sampling, with an ensemble to fall back on.

METHOD.md section 7. Newton's method finds the mode; multivariate t proposals are fitted to it and refitted
twice to what they found; the weights of all rounds are those of one mixture (deterministic mixture weights,
Owen and Zhou 2000, JASA 95, 135-143); systematic resampling makes equal draws of them. Where too few of the
proposals carry the weight, the affine-invariant ensemble sampler of Goodman and Weare (2010, Comm. App.
Math. Comp. Sci. 5, 65-80, the stretch move) takes over, judged by the split R-hat of Gelman et al. (2013,
Bayesian Data Analysis, 3rd ed., section 11.4). Sources cited from memory.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Final, Literal, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import linalg, special

from doe.coding import FloatArray

LogDensity = Callable[[FloatArray], FloatArray]
"""Log-density, up to a constant, of each row of an array of shape (n, dim); shape (n,)."""
Allowed = Callable[[FloatArray], npt.NDArray[np.bool_]]
"""Whether each row of an array of shape (n, dim) may be at all; shape (n,)."""

NOT_SETTLED: Final = "The fit did not settle; no claim."
"""What is said where neither sampler can be trusted."""

STEP_CAP: Final = 2.5
"""Longest Newton step. [1]"""
NEWTON_STEPS: Final = 60
"""Most Newton steps."""
DIFFERENCE: Final = 1e-3
"""Width of the finite differences; parameters are of order one. [1]"""
CURVATURE_FLOOR: Final = 0.02
"""Least curvature a proposal is made from: no wider than a standard deviation of 7. [1]"""
DEGREES: Final = 6.0
"""Degrees of freedom of the t proposals."""
FIRST_WIDENING: Final = 1.15
"""By which the inverse curvature at the mode is widened for the first round."""
ROUNDS: Final = (1500, 1500, 3000)
"""Proposals a round."""
TRUNCATION: Final = 20.0
"""A weight counts for at most this many times the average when a proposal is refitted."""
EXTRA_ROUNDS: Final = 3
"""Further rounds, each as long as the last, while the effective sample size is under ``LEAST_ESS``."""
LEAST_ESS: Final = 1000.0
"""Below this effective sample size the ensemble takes over. METHOD.md has 250 and no further rounds; a proposal
that misses a tail looks better than it is: draws of a bent ridge were a third too narrow at 620."""
LARGEST_R_HAT: Final = 1.05
"""Above this split R-hat there is no claim."""
N_ENSEMBLES: Final = 4
"""Independent ensembles, so that they can be compared."""
ENSEMBLE_STEPS: Final = ((400, 800), (800, 3200))
"""Steps dropped and steps kept; the second, longer run goes on from the first where that did not settle."""
CHAIN_WALKERS: Final = 4
"""Walkers pooled into one chain for R-hat. One walker alone moves too slowly to be judged by, a whole
ensemble hides walkers that never leave their corner."""
STRETCH: Final = 2.0
"""Scale a of the stretch move."""


@dataclass(frozen=True, eq=False)
class Sample:
    """Draws from a posterior, and whether they can be trusted.

    Attributes
    ----------
    draws : ndarray, shape (n_draws, dim)
        In random order.
    ess : float
        Effective sample size behind the draws.
    method : {"importance", "ensemble"}
    r_hat : float or None
        The largest split R-hat of any parameter; None by importance sampling, which has no chains.
    settled : bool
        False where the draws cannot be trusted: no claim.
    mode : ndarray, shape (dim,)
        Where the next fit of the same posterior can start.
    log_mass : float
        Log of the integral of the density over what is allowed, by importance sampling; with normalised priors it is
        the log evidence of the model.
    """

    draws: FloatArray
    ess: float
    method: Literal["importance", "ensemble"]
    r_hat: float | None
    settled: bool
    mode: FloatArray
    log_mass: float


def sample_posterior(
    log_density: LogDensity,
    start: FloatArray,
    *,
    n_draws: int,
    rng: np.random.Generator,
    allowed: Allowed | None = None,
) -> Sample:
    """Draw from a posterior.

    Parameters
    ----------
    log_density : callable
        Smooth and finite everywhere; it need not be normalised.
    start : ndarray, shape (dim,)
        Where to begin looking for the mode.
    n_draws : int
        Number of draws wanted.
    rng : numpy.random.Generator
    allowed : callable, optional
        Where the posterior is not nought. The mode is sought without it, so that the log-density stays
        smooth; forbidden draws then weigh nothing.

    Returns
    -------
    Sample
    """
    mode, covariance = find_mode(log_density, start)

    def restricted(x: FloatArray) -> FloatArray:
        density = log_density(x)
        return density if allowed is None else np.where(allowed(x), density, -np.inf)

    points, log_weights = _adapt(restricted, _Proposal.make(mode, FIRST_WIDENING * covariance), rng)
    weights, log_mass = _normalised(log_weights), float(special.logsumexp(log_weights))
    ess = effective_sample_size(weights)
    if ess >= LEAST_ESS:
        draws = points[resample(weights, n_draws, rng)]
        return Sample(draws, ess, "importance", None, True, mode, log_mass)
    walkers = _choose_walkers(points, log_weights, rng)
    if walkers is None:  # hardly a proposal was allowed: nowhere to start from
        chosen = rng.integers(len(points), size=n_draws) if ess == 0.0 else resample(weights, n_draws, rng)
        return Sample(points[chosen], ess, "importance", None, False, mode, log_mass)
    sample = _sample_by_ensemble(restricted, walkers, n_draws=n_draws, rng=rng, mode=mode)
    return replace(sample, log_mass=log_mass)


# --- the mode


def find_mode(log_density: LogDensity, start: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Find the mode by Newton's method, and the inverse of the curvature there.

    Returns
    -------
    mode : ndarray, shape (dim,)
    covariance : ndarray, shape (dim, dim)
        The inverse of minus the Hessian, its eigenvalues held to at least ``CURVATURE_FLOOR``.
    """
    x = np.array(start, dtype=float)
    halvings = 0.5 ** np.arange(12)[:, None]
    gradient, covariance = _derivatives(log_density, x)
    for _ in range(NEWTON_STEPS):
        step = covariance @ gradient
        length = float(np.linalg.norm(step))
        step *= min(1.0, STEP_CAP / max(length, 1e-300))
        trials = np.vstack([x, x + halvings * step])
        best = int(np.argmax(log_density(trials)))
        if best == 0:
            break
        x = trials[best]
        gradient, covariance = _derivatives(log_density, x)
        if length < 1e-6:
            break
    return x, covariance


def _derivatives(log_density: LogDensity, x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give the gradient and the inverse of minus the Hessian, by central differences in one call.

    The mixed second derivative is ``[f(+i+j) + f(-i-j) - f(+i) - f(-i) - f(+j) - f(-j) + 2 f] / 2 h^2``.
    """
    dim, h = len(x), DIFFERENCE
    steps = h * np.eye(dim)
    i, j = np.triu_indices(dim, 1)
    pairs = steps[i] + steps[j]
    f = log_density(np.vstack([x[None], x + steps, x - steps, x + pairs, x - pairs]))
    f0, up, down = f[0], f[1 : 1 + dim], f[1 + dim : 1 + 2 * dim]
    both = f[1 + 2 * dim : 1 + 2 * dim + len(i)] + f[1 + 2 * dim + len(i) :]
    hessian = np.diag(up + down - 2.0 * f0)
    hessian[i, j] = hessian[j, i] = 0.5 * (both - (up + down)[i] - (up + down)[j] + 2.0 * f0)
    values, vectors = np.linalg.eigh(-hessian / h**2)
    covariance = (vectors / np.maximum(values, CURVATURE_FLOOR)) @ vectors.T
    return (up - down) / (2.0 * h), covariance


# --- importance sampling


class _Proposal(NamedTuple):
    """A multivariate t distribution."""

    centre: FloatArray
    root: FloatArray

    @classmethod
    def make(cls, centre: FloatArray, scale: FloatArray) -> _Proposal:
        """Take centre and scale matrix; the root is a lower triangle with ``root @ root.T == scale``."""
        ridge = 1e-10 * np.trace(scale) / len(centre)
        return cls(centre, np.linalg.cholesky(scale + ridge * np.eye(len(centre))))

    def draw(self, n: int, rng: np.random.Generator) -> FloatArray:
        normal = rng.standard_normal((n, len(self.centre)))
        return self.centre + normal @ self.root.T / np.sqrt(rng.chisquare(DEGREES, n) / DEGREES)[:, None]

    def log_density(self, x: FloatArray) -> FloatArray:
        dim = len(self.centre)
        z = linalg.solve_triangular(self.root, (x - self.centre).T, lower=True, check_finite=False)
        constant = special.gammaln((DEGREES + dim) / 2.0) - special.gammaln(DEGREES / 2.0)
        constant -= 0.5 * dim * np.log(DEGREES * np.pi) + np.log(np.diag(self.root)).sum()
        return np.asarray(constant - 0.5 * (DEGREES + dim) * np.log1p((z * z).sum(axis=0) / DEGREES))


def _adapt(log_density: LogDensity, proposal: _Proposal, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
    """Propose in rounds, refitting in between; give every point and its log mixture weight."""
    points, target = np.empty((0, len(proposal.centre))), np.empty(0)
    sizes: list[int] = []
    parts: list[_Proposal] = []
    densities = np.empty((0, 0))  # a row a proposal, a column a point
    log_weights = np.empty(0)
    for n in (*ROUNDS, *[ROUNDS[-1]] * EXTRA_ROUNDS):
        if len(parts) >= len(ROUNDS) and effective_sample_size(_normalised(log_weights)) >= LEAST_ESS:
            break
        if parts:
            proposal = _refit(points, log_weights, proposal)
        new = proposal.draw(n, rng)
        of_new = np.array([part.log_density(new) for part in (*parts, proposal)])
        densities = np.hstack([np.vstack([densities, proposal.log_density(points)]), of_new])
        parts, sizes = [*parts, proposal], [*sizes, n]
        points, target = np.vstack([points, new]), np.append(target, log_density(new))
        mixture = np.logaddexp.reduce(densities + np.log(sizes)[:, None], axis=0)
        log_weights = target - mixture
    return points, log_weights


def _refit(points: FloatArray, log_weights: FloatArray, proposal: _Proposal) -> _Proposal:
    """Fit the proposal to the weighted points, no weight over ``TRUNCATION`` times the average."""
    weights = np.minimum(_normalised(log_weights), TRUNCATION / len(points))
    carried = int((weights > 0.0).sum())
    if carried <= 2 * len(proposal.centre):
        return proposal  # too few points to make a covariance of
    weights /= weights.sum()
    centre = weights @ points
    deviation = points - centre
    return _Proposal.make(centre, (weights[:, None] * deviation).T @ deviation)


def _normalised(log_weights: FloatArray) -> FloatArray:
    """Give weights that add up to 1; all nought where every log weight is -inf."""
    top = log_weights.max()
    if top == -np.inf:
        return np.zeros_like(log_weights)
    weights = np.exp(log_weights - top)
    return np.asarray(weights / weights.sum())


def effective_sample_size(weights: FloatArray) -> float:
    """Give the number of equal draws the weights are worth, ``(sum w)^2 / sum w^2``; 0 where all are 0."""
    total = float((weights**2).sum())
    return float(weights.sum()) ** 2 / total if total > 0.0 else 0.0


def resample(weights: FloatArray, n_draws: int, rng: np.random.Generator) -> npt.NDArray[np.intp]:
    """Choose indices by systematic resampling, in random order.

    Each index is chosen ``n_draws`` times its weight, rounded up or down.

    Parameters
    ----------
    weights : ndarray, shape (n,)
        Adding up to 1.
    n_draws : int
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of int, shape (n_draws,)
    """
    ladder = (np.arange(n_draws) + rng.random()) / n_draws
    chosen = np.minimum(np.searchsorted(np.cumsum(weights), ladder), len(weights) - 1)
    return rng.permutation(chosen)


# --- the ensemble


def _sample_by_ensemble(
    log_density: LogDensity,
    walkers: FloatArray,
    *,
    n_draws: int,
    rng: np.random.Generator,
    mode: FloatArray,
) -> Sample:
    for steps in ENSEMBLE_STEPS:
        chain = run_ensembles(log_density, walkers, steps=steps, rng=rng)
        r_hat = _ensemble_r_hat(chain)
        settled = r_hat <= LARGEST_R_HAT  # a comparison with nan is False, as it should be
        if settled:
            break
        walkers = chain[-1]
    flat = chain.reshape(-1, chain.shape[-1])
    draws = flat[rng.choice(len(flat), n_draws, replace=n_draws > len(flat))]
    return Sample(draws, _batch_ess(chain), "ensemble", r_hat, settled, mode, np.nan)


def _ensemble_r_hat(chain: FloatArray) -> float:
    """Give the largest split R-hat of chains of ``CHAIN_WALKERS`` walkers each."""
    kept, n_ensembles, n_walkers, dim = chain.shape
    n_chains = n_ensembles * n_walkers // CHAIN_WALKERS
    chains = chain.reshape(kept, n_chains, CHAIN_WALKERS, dim).transpose(1, 0, 2, 3)
    return float(split_r_hat(chains.reshape(n_chains, kept * CHAIN_WALKERS, dim)).max())


def _choose_walkers(points: FloatArray, log_weights: FloatArray, rng: np.random.Generator) -> FloatArray | None:
    """Choose where the walkers start: allowed proposals, by flattened weight so that they lie wide apart.

    All are different: walkers move only within what the others span. None where too few are allowed.
    """
    dim = points.shape[1]
    n_walkers = 4 * max(8, dim // 2 + 1)  # over twice the dimension, and a multiple of CHAIN_WALKERS
    flattened = _normalised(0.25 * log_weights)
    if int((flattened > 0.0).sum()) < N_ENSEMBLES * n_walkers:
        return None
    chosen = rng.choice(len(points), N_ENSEMBLES * n_walkers, replace=False, p=flattened)
    return np.asarray(points[chosen]).reshape(N_ENSEMBLES, n_walkers, dim)


def run_ensembles(
    log_density: LogDensity, walkers: FloatArray, *, steps: tuple[int, int], rng: np.random.Generator
) -> FloatArray:
    """Run independent ensembles by the stretch move (Goodman and Weare 2010, eq. 7).

    Parameters
    ----------
    log_density : callable
        May be -inf.
    walkers : ndarray, shape (n_ensembles, n_walkers, dim)
        Where they start, each of finite density; an even number of walkers.
    steps : (int, int)
        Steps to drop, and steps to keep.
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, shape (kept, n_ensembles, n_walkers, dim)
    """
    n_ensembles, n_walkers, dim = walkers.shape
    half = n_walkers // 2
    x = walkers.copy()
    density = log_density(x.reshape(-1, dim)).reshape(n_ensembles, n_walkers)
    rows = np.arange(n_ensembles)[:, None]
    chain = np.empty((steps[1], *walkers.shape))
    for step in range(sum(steps)):
        for first in (0, half):
            movers = slice(first, first + half)
            partners = x[rows, (half - first) + rng.integers(half, size=(n_ensembles, half))]
            stretch = (1.0 + (STRETCH - 1.0) * rng.random((n_ensembles, half))) ** 2 / STRETCH
            trial = partners + stretch[..., None] * (x[:, movers] - partners)
            value = log_density(trial.reshape(-1, dim)).reshape(n_ensembles, half)
            log_chance = (dim - 1) * np.log(stretch) + value - density[:, movers]
            moves = np.log(rng.random((n_ensembles, half))) < log_chance
            x[:, movers] = np.where(moves[..., None], trial, x[:, movers])
            density[:, movers] = np.where(moves, value, density[:, movers])
        if step >= steps[0]:
            chain[step - steps[0]] = x
    return chain


def split_r_hat(chains: FloatArray) -> FloatArray:
    """Give the split R-hat of each parameter: each chain is cut in two, and the halves compared.

    Parameters
    ----------
    chains : ndarray, shape (n_chains, n, dim)

    Returns
    -------
    ndarray, shape (dim,)
        Near 1 where the chains agree; nan where a parameter never moved.
    """
    half = chains.shape[1] // 2
    halves = np.concatenate([chains[:, :half], chains[:, half : 2 * half]])
    within = halves.var(axis=1, ddof=1).mean(axis=0)
    between = half * halves.mean(axis=1).var(axis=0, ddof=1)
    pooled = (half - 1) / half * within + between / half
    ratio = np.divide(pooled, within, out=np.full_like(pooled, np.nan), where=within > 0.0)
    return np.asarray(np.sqrt(ratio))


def _batch_ess(chain: FloatArray, *, n_batches: int = 20) -> float:
    """Give the smallest effective sample size of any parameter, by batch means over each ensemble's steps."""
    kept, n_ensembles, n_walkers, dim = chain.shape
    size = kept // n_batches
    if size == 0:
        return 0.0
    batches = chain[: size * n_batches].reshape(n_batches, size, n_ensembles, n_walkers, dim)
    error = batches.mean(axis=(1, 3)).reshape(-1, dim).var(axis=0, ddof=1) / (n_batches * n_ensembles)
    spread = chain.reshape(-1, dim).var(axis=0)
    ess = np.divide(spread, error, out=np.zeros(dim), where=error > 0.0)
    return float(min(ess.min(), kept * n_ensembles * n_walkers))
