"""One piece of arithmetic four ways: in which share of 2,000 draws does each of 50,000 settings meet three limits?

The problem is that of a bench the project was given beside its task (designs/window_bench.py of the checks; all numbers
invented): 20 welds of three coded dials, a quadratic by least squares held between two limits, a Poisson rate and a
logistic chance of first order held on one side, on a grid of 50 x 50 x 20 settings. Limits are moved to the link scale
where a way allows it. Each way gives the mean share, which has to agree.

- ``plain``: a loop over the draws, statsmodels' ``predict`` on the whole grid
- ``whole``: one product of matrices a model, the whole 50,000 x 2,000 at once
- ``blocked``: the same in blocks of settings that stay in the cache
- ``ours``: ``doe.window.assurance.holding``, by which every window is found, with the same draws put behind it
- ``ours_with_bounds``: ``assess``, which gives each setting's expectation and its bound as well
"""

from __future__ import annotations

import itertools
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from doe.coding import FloatArray
from doe.models.fit import Points
from doe.window.assurance import EVERY_WELD, Draws, assess, holding, quadrature

N_DRAWS = 2_000
BLOCK = 128
"""Settings worked on at once."""
N_LINEAR = 4
"""Columns of the models of first order."""
LOW, HIGH, MOST_PORES, LEAST_CHANCE = 7.0, 9.5, 4.0, 0.5


def columns(coded: FloatArray) -> FloatArray:
    """Give the ten columns of a quadratic in three dials."""
    a, b, c = coded.T
    return np.column_stack([np.ones(len(coded)), a, b, c, a * a, b * b, c * c, a * b, a * c, b * c])


def grid() -> FloatArray:
    """Give the 50,000 settings, coded."""
    axes = [np.linspace(-1, 1, n) for n in (50, 50, 20)]
    return np.stack(np.meshgrid(*axes, indexing="ij"), -1).reshape(-1, 3)


def fits() -> tuple[object, object, object]:
    """Fit the three models to the 20 welds by statsmodels."""
    import statsmodels.api as sm  # noqa: PLC0415 - its memory belongs to the ways that need it

    rng = np.random.default_rng(3)
    cube = list(itertools.product([-1, 1], repeat=3))
    star = [[s if i == j else 0 for i in range(3)] for j in range(3) for s in (-1, 1)]
    points = np.array([*cube, *star, *[[0, 0, 0]] * 6], float)
    X = columns(points)
    y = X @ np.array([8, 1, 0.6, 0.3, -0.8, -0.5, -0.2, 0.3, 0.1, 0]) + rng.normal(0, 0.3, len(points))
    pores = rng.poisson(np.exp(0.8 + 0.5 * points[:, 0] - 0.4 * points[:, 1] + 0.3 * points[:, 0] ** 2))
    passed = rng.random(len(points)) < 1 / (1 + np.exp(-(0.5 + 0.6 * points[:, 0] - 0.5 * points[:, 1])))
    linear = X[:, :N_LINEAR]
    poisson = sm.GLM(pores, linear, family=sm.families.Poisson()).fit()
    return sm.OLS(y, X).fit(), poisson, sm.Logit(passed.astype(float), linear).fit(disp=0)


def draw() -> tuple[FloatArray, FloatArray, FloatArray]:
    """Draw the coefficients of the three models, each of shape (n_draws, n_columns)."""
    ols, poisson, logit = fits()
    rng = np.random.default_rng(0)
    s = np.sqrt(ols.df_resid / rng.chisquare(ols.df_resid, N_DRAWS))  # type: ignore[attr-defined]
    wide = rng.multivariate_normal(np.zeros(10), ols.cov_params(), N_DRAWS)  # type: ignore[attr-defined]
    others = [rng.multivariate_normal(f.params, f.cov_params(), N_DRAWS) for f in (poisson, logit)]  # type: ignore[attr-defined]
    return ols.params + wide * s[:, None], others[0], others[1]  # type: ignore[attr-defined]


def plain() -> tuple[float, float]:
    """Loop over draws with statsmodels; give seconds and the mean share."""
    (ols, poisson, logit), drawn = fits(), draw()
    whole = columns(grid())
    linear, count = np.ascontiguousarray(whole[:, :N_LINEAR]), np.zeros(len(whole))
    began = time.process_time()
    for k in range(N_DRAWS):
        y = ols.model.predict(drawn[0][k], whole)  # type: ignore[attr-defined]
        rate = poisson.model.predict(drawn[1][k], linear)  # type: ignore[attr-defined]
        chance = logit.model.predict(drawn[2][k], linear)  # type: ignore[attr-defined]
        count += (y >= LOW) & (y <= HIGH) & (rate <= MOST_PORES) & (chance >= LEAST_CHANCE)
    return time.process_time() - began, float(count.mean() / N_DRAWS)


def at_once(X: FloatArray, drawn: tuple[FloatArray, FloatArray, FloatArray]) -> FloatArray:
    """Give the share of draws in which settings meet the limits, shape (n,)."""
    y, linear = X @ drawn[0].T, X[:, :N_LINEAR]
    met = (y >= LOW) & (y <= HIGH)
    met &= linear @ drawn[1].T <= np.log(MOST_PORES)
    met &= linear @ drawn[2].T >= np.log(LEAST_CHANCE / (1 - LEAST_CHANCE))
    return np.asarray(met.mean(axis=1))


def whole() -> tuple[float, float]:
    """Work everything out at once."""
    X, drawn = columns(grid()), draw()
    began = time.process_time()
    share = at_once(X, drawn)
    return time.process_time() - began, float(share.mean())


def blocked() -> tuple[float, float]:
    """Work block after block."""
    X, drawn = columns(grid()), draw()
    began = time.process_time()
    share = np.concatenate([at_once(X[s : s + BLOCK], drawn) for s in range(0, len(X), BLOCK)])
    return time.process_time() - began, float(share.mean())


@dataclass(frozen=True, eq=False)
class Limited:
    """Draws of one model behind the window's own interface: a setting fails a draw or it does not."""

    coefficients: FloatArray
    low: float
    high: float

    @property
    def n_draws(self) -> int:
        """Number of draws."""
        return len(self.coefficients)

    def mean(self, points: Points) -> FloatArray:
        """Give the mean on the link scale."""
        return np.asarray(self.coefficients @ columns(points.natural)[:, : self.coefficients.shape[1]].T)

    def failure(self, points: Points) -> FloatArray:
        """Give 1 where the mean is beyond a limit, 0 elsewhere."""
        mean = self.mean(points)
        return np.asarray((mean < self.low) | (mean > self.high), dtype=float)

    def weld_band(self, points: Points, *, level: float) -> tuple[FloatArray, FloatArray]:
        """Give no scatter of a weld: the band is that of the mean."""
        low, high = np.quantile(self.mean(points), [0.5 - level / 2, 0.5 + level / 2], axis=0)
        return low, high


def posed() -> Draws:
    """Put the draws behind the window's interface."""
    y, pores, passed = draw()
    models = (
        Limited(y, LOW, HIGH),
        Limited(pores, -np.inf, np.log(MOST_PORES)),
        Limited(passed, np.log(LEAST_CHANCE / (1 - LEAST_CHANCE)), np.inf),
    )
    return Draws(("depth", "pores", "passed"), models, quadrature([0.0, 0.0, 0.0]))


def ours() -> tuple[float, float]:
    """Go the way of the search for boxes."""
    draws, settings = posed(), grid()
    began = time.process_time()
    held = holding(draws, settings, EVERY_WELD, reliability=0.5)
    return time.process_time() - began, float(held.mean())


def ours_with_bounds() -> tuple[float, float]:
    """Go the way of the map."""
    draws, settings = posed(), grid()
    began = time.process_time()
    seen = assess(draws, settings, EVERY_WELD, confidence=0.9)
    return time.process_time() - began, float(seen.expected.mean())


WAYS: dict[str, Callable[[], tuple[float, float]]] = {
    f.__name__: f for f in (plain, whole, blocked, ours, ours_with_bounds)
}
