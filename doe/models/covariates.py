"""Travel speed and stick-out as covariates of a measure: what the hand did beside what was set.

Only where ``[job] covariates`` names them: by default they bring too little (DEVELOPERS.md).

A hand does not hold the travel speed, and what it does to the depth is part of the scatter between welds. Where it was
measured, that part is known, and the surface stands out better. With z the covariates, standardised, the measure's
model has more first-order terms::

    y = B(x) beta + z' gamma + u_plate + e,   gamma_j ~ N(0, .49 s2)

A weld to come has covariates that nobody knows yet. It is made as the test welds were, and so

- its scatter is that of the same model without covariates: nothing known of the hand makes a weld look steadier, even
  where gamma is wrong. Its draws are put in the order of those of s2, so that a large scatter goes with large errors of
  the surface (from one model, as s2 + gamma' Sigma gamma, windows were smaller than without covariates: DEVELOPERS.md);
- its mean is that over what the hand does at that setting. The hand has a model of its own, of the covariates given
  the settings, F being the first-order columns and tau on a grid::

    z = mu + F b + w,   w ~ N(0, Sigma),   mu flat,   p(Sigma) ~ |Sigma|^-(m+1)/2,   b_k ~ N(0, tau^2 Sigma)

Given x, the mean is B(x) beta + (mu + F b)' gamma. A hand that goes faster where the feed is higher has b away from 0:
then what the speed does and what the feed does are not told apart, and need not be, as only their sum enters. The two
models have no parameter in common, so that (mu, b, Sigma) are drawn apart, exactly: at a node of tau, with
V = I + tau^2 F F', P = V^-1 - V^-1 1 (1' V^-1 1)^-1 1' V^-1::

    S = z' P z,   log weight = -m/2 (log|V| + log 1' V^-1 1) - (n-1)/2 log|S|
    Sigma ~ inverse Wishart(S, n-1),   mu | Sigma ~ N(1' V^-1 z / 1' V^-1 1, Sigma / 1' V^-1 1)

(the matrix normal and inverse Wishart pair: Gelman et al. (2013), Bayesian Data Analysis, 3rd ed., section 3.6; from
memory, the tests compare with a simulation).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from scipy import stats

from doe.bench.columns import CONDITIONS, Condition
from doe.bench.results import Results
from doe.coding import FloatArray
from doe.models.grid import node_probabilities
from doe.models.naming import listed
from doe.models.surface import BoolArray, Surface
from doe.study.model import Response, Study
from doe.units import convert

LEAST_WELDS: Final = 10
"""Fewest welds on which a covariate is used. Our rule."""
MOST_MISSING: Final = 1 / 8
"""Share of the welds that may lack a covariate: more, and it is not used. Our rule, see DEVELOPERS.md."""
IN_STEP: Final = 0.99
"""Two covariates correlated more than this are one. Our rule."""
HABIT: Final = (0.0, 0.25, 1.0, 4.0)
"""tau: how far the hand follows the settings, over its own wander. [1]"""


@dataclass(frozen=True, eq=False)
class HandDraws:
    """Draws of what the hand does.

    Attributes
    ----------
    mean : ndarray, shape (n_draws, m)
        mu.
    habit : ndarray, shape (n_draws, n_first, m)
        b.
    wander : ndarray, shape (n_draws, m, m)
        Sigma.
    """

    mean: FloatArray
    habit: FloatArray
    wander: FloatArray


@dataclass(frozen=True, eq=False)
class Covariates:
    """The covariates of one measure's welds.

    Attributes
    ----------
    kept : tuple of Condition, length m
        None where nothing that was measured can be used.
    Z : ndarray, shape (n, m)
        Standardised over the welds that have them all; 0, their mean, where a weld lacks one.
    complete : ndarray of bool, shape (n,)
        The welds that lack none.
    centre, scale : ndarray, shape (m,)
        What was taken off, and what 1 is. [unit of ``Results``]
    first : ndarray, shape (n, n_first)
        F, centred over the complete welds.
    first_mean : ndarray, shape (n_first,)
        What was taken off F.
    at : ndarray of int, shape (n_first,)
        The surface's columns that F holds.
    findings : tuple of str
        What was measured and is not used, and why.
    """

    kept: tuple[Condition, ...]
    Z: FloatArray
    complete: BoolArray
    centre: FloatArray
    scale: FloatArray
    first: FloatArray
    first_mean: FloatArray
    at: FloatArray
    findings: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """The covariates' names."""
        return tuple(condition.words for condition in self.kept)

    def draw_hand(self, n_draws: int, rng: np.random.Generator) -> HandDraws:
        """Draw (mu, b, Sigma) from their exact posterior."""
        Z, F = self.Z[self.complete], self.first[self.complete]
        nodes = [_HandNode(Z, F, tau) for tau in HABIT]
        weight = node_probabilities(np.array([node.log_weight for node in nodes]))
        share = rng.multinomial(n_draws, weight)
        drawn = [node.draw(int(n), rng) for node, n in zip(nodes, share, strict=True) if n]
        order = rng.permutation(n_draws)
        return HandDraws(*(np.concatenate(parts)[order] for parts in zip(*drawn, strict=True)))


class _HandNode:
    """The hand's model at one tau."""

    def __init__(self, Z: FloatArray, F: FloatArray, tau: float) -> None:
        n, m = Z.shape
        V = np.eye(n) + tau**2 * F @ F.T
        self.Z, self.F, self.tau, self.V_inv = Z, F, tau, np.linalg.inv(V)
        self.V_inv_1 = self.V_inv.sum(axis=1)
        self.precision = float(self.V_inv_1.sum())
        P = self.V_inv - np.outer(self.V_inv_1, self.V_inv_1) / self.precision
        self.S = Z.T @ P @ Z
        log_det = float(np.linalg.slogdet(V).logabsdet) + float(np.log(self.precision))
        self.log_weight = -0.5 * m * log_det - 0.5 * (n - 1) * float(np.linalg.slogdet(self.S).logabsdet)

    def draw(self, n_draws: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Draw mu, b and Sigma; b by conditioning a draw from its prior on the covariates (Matheron's rule)."""
        n, m = self.Z.shape
        drawn = stats.invwishart(df=n - 1, scale=self.S).rvs(size=n_draws, random_state=rng)
        wander = np.asarray(drawn, dtype=float).reshape(n_draws, m, m)
        root = np.linalg.cholesky(wander)

        def noise(rows: int) -> FloatArray:
            return np.asarray(rng.standard_normal((n_draws, rows, m)) @ root.transpose(0, 2, 1))

        mean = self.V_inv_1 @ self.Z / self.precision + noise(1) / np.sqrt(self.precision)
        prior = self.tau * noise(self.F.shape[1])
        gap = self.Z - mean - self.F @ prior - noise(n)
        habit = prior + self.tau**2 * self.F.T @ self.V_inv @ gap
        return mean[:, 0, :], np.asarray(habit), wander


def find_covariates(results: Results, surface: Surface, used: BoolArray) -> Covariates:
    """Find which covariates can be used on the welds with a reading, of those ``[job] covariates`` asks for.

    Parameters
    ----------
    results : Results
    surface : Surface
    used : ndarray of bool, shape (n_welds,)
    """
    kept, findings, nowhere = [], [], np.full(results.n_welds, np.nan)
    for condition in (c for c in CONDITIONS if c.words in results.study.job.covariates):
        values = results.conditions.get(condition.key, nowhere)[used]
        reason = _reason_against(condition, values, [w for w, u in zip(results.weld, used, strict=True) if u])
        if _is_factor(results.study, condition):
            reason = f"{condition.words.capitalize()} is set by the plan, and so is no covariate."
        if reason:
            findings.append(reason)
        elif _varies(values):
            kept.append(condition)
        else:
            findings.append(f"{condition.words.capitalize()} is the same for every weld: was each one measured?")
    if len(kept) > 1 and _in_step(results, kept, used):
        findings.append(f"{kept[1].words.capitalize()} went in step with {kept[0].words} and is not used beside it.")
        kept = kept[:1]
    return _lay_out(results, surface, used, kept=tuple(kept), findings=tuple(findings))


def _lay_out(
    results: Results, surface: Surface, used: BoolArray, *, kept: tuple[Condition, ...], findings: tuple[str, ...]
) -> Covariates:
    n, m = int(used.sum()), len(kept)
    raw = np.column_stack([results.conditions[c.key][used] for c in kept]) if kept else np.empty((n, 0))
    complete = np.asarray(np.isfinite(raw).all(axis=1))
    centre, scale = (raw[complete].mean(axis=0), raw[complete].std(axis=0, ddof=1)) if m else (np.empty(0), np.empty(0))
    Z = np.where(np.isfinite(raw), (raw - centre) / np.where(scale > 0.0, scale, 1.0), 0.0)
    at = np.array([j for j, c in enumerate(surface.columns) if c.term_class == "first"], dtype=int)
    F = surface.welds(results)[used][:, at]
    middle = F[complete].mean(axis=0)
    return Covariates(kept, Z, complete, centre, scale, F - middle, middle, at, findings)


def _varies(values: FloatArray) -> bool:
    """Whether a covariate was written down, and differs by more than the rounding of a conversion."""
    known = values[np.isfinite(values)]
    return known.size > 0 and bool(np.ptp(known) > 1e-6 * np.abs(known).max())


def _in_step(results: Results, kept: Sequence[Condition], used: BoolArray) -> bool:
    """Whether two covariates are one and the same, nearly."""
    raw = np.column_stack([results.conditions[c.key][used] for c in kept])
    raw = raw[np.isfinite(raw).all(axis=1), :]
    if len(raw) < LEAST_WELDS or np.any(np.ptp(raw, axis=0) == 0.0):
        return True
    return bool(abs(np.corrcoef(raw[:, 0], raw[:, 1]).item(1)) > IN_STEP)


def _is_factor(study: Study, condition: Condition) -> bool:
    """Whether the study sets this itself."""
    start = condition.words.split("-", maxsplit=1)[0].split()[0]
    return any(factor.name.casefold().startswith(start) for factor in study.factors)


def _reason_against(condition: Condition, values: FloatArray, welds: list[str]) -> str:
    """Say why a covariate that was asked for is not used; empty where it is."""
    missing = [weld for weld, value in zip(welds, values, strict=True) if not np.isfinite(value)]
    n_read = len(values) - len(missing)
    if not n_read:
        return f"{condition.words.capitalize()} was to be used and was written down for no weld."
    if len(missing) > MOST_MISSING * len(values):
        return (
            f"{condition.words.capitalize()} was written down for {n_read} of {len(values)} welds only and is not "
            f"used: it is missing for {listed(missing)}."
        )
    if n_read < LEAST_WELDS:
        return (
            f"{condition.words.capitalize()} was written down for {n_read} welds; it is used from {LEAST_WELDS} on, as "
            "fewer say too little of what it does."
        )
    return ""


def wander_variance(slopes: FloatArray, wander: FloatArray) -> FloatArray:
    """Give gamma' Sigma gamma, shape (n_draws,), from slopes (n_draws, m) and Sigma (n_draws, m, m)."""
    return np.asarray(np.sum((slopes[:, None, :] @ wander)[:, 0, :] * slopes, axis=1))


def describe_covariates(covariates: Covariates, response: Response, study: Study, *, share: float) -> Iterator[str]:
    """Say what was used and what the claim rests on."""
    if not covariates.kept:
        return
    n, m = len(covariates.Z), len(covariates.kept)
    values = " and ".join(
        _values(condition, study, centre=float(centre), scale=float(scale))
        for condition, centre, scale in zip(covariates.kept, covariates.centre, covariates.scale, strict=True)
    )
    lacking = int((~covariates.complete).sum())
    filled = f" ({lacking} of {n} welds lack a value and stand at the mean)" if lacking else ""
    them = "it" if m == 1 else "them"
    yield (
        f"The model of {response.name} knows the {' and '.join(covariates.names)} of each weld{filled}; about "
        f"{100 * share:.0f} % of the scatter between welds comes from {them}. The claim is for welds made with as much "
        f"wander as these: {values}. Nothing was taken off their scatter."
    )


def _values(condition: Condition, study: Study, *, centre: float, scale: float) -> str:
    """Say how a covariate lay about its aim, in the study's units."""
    unit = condition.us if study.units == "us" else condition.metric
    one = float(convert(1.0, condition.unit, unit))
    aim = study.job.travel_speed_mm_s if condition.words == "travel speed" else study.job.stickout_mm
    aimed = "" if aim is None else f" (the aim is {aim * one:.3g} {unit})"
    spread = f"{scale * one:.2g} {unit}"
    return f"{condition.words} {centre * one:.3g} {unit} on average{aimed}, with a standard deviation of {spread}"
