"""Handbook limits against published tables; sources in tests/reference/statistics and beside each check."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe.models.textbook.tolerance import (
    _noncentral_t_chance,
    normal_reliability_limit,
    normal_tolerance_factor,
    poisson_lower_limit,
    poisson_upper_limit,
    proportion_lower_limit,
    proportion_upper_limit,
    success_run,
    uniform_prior_lower_limit,
    wilson_limits,
)

Numbers = dict[str, float]


def newcombe(data: pd.DataFrame) -> Numbers:
    ours: Numbers = {}
    for x, n in data.itertuples(index=False):
        low, high = wilson_limits(x, n, level=0.95)
        ours |= {f"Wilson lo {x}/{n}": low, f"Wilson hi {x}/{n}": high}
        ours[f"CP lo {x}/{n}"] = proportion_lower_limit(x, n, confidence=0.975)
        ours[f"CP hi {x}/{n}"] = proportion_upper_limit(x, n, confidence=0.975)
    return ours


def success_runs(data: pd.DataFrame) -> Numbers:
    ours: Numbers = {}
    for c, r, f in data[["confidence", "reliability", "allowed_failures"]].itertuples(index=False):
        ours[f"n C={c:.2f} R={r:.2f} failures={int(f)}"] = success_run(reliability=r, confidence=c, failures=int(f))
    for n, c in ((10, 0.9), (29, 0.95), (59, 0.95), (99, 0.99)):
        name = f"uniform-prior lower bound % n={n} C={c}"
        ours[name] = 100.0 * uniform_prior_lower_limit(n, n, confidence=c)
    return ours


CASES: dict[str, Callable[[pd.DataFrame], Numbers]] = {
    "interval_binomial_newcombe": newcombe,
    "success_run_sample_sizes": success_runs,
}


def test_the_published_number_comes_out(
    published: tuple[str, Mapping[str, Any]],
    case: Callable[[str], Any],
    printed: Callable[[Mapping[str, Any], float], bool],
) -> None:
    name, entry = published
    value = CASES[name](case(name).data)[entry["name"]]
    assert printed(entry, value), (value, entry["value"])


@pytest.mark.parametrize(
    ("n", "reliability", "confidence", "factor"),
    [
        # one-sided normal tolerance factors, Odeh & Owen (1980) and ISO 16269-6 tables (values from memory)
        (5, 0.90, 0.90, 2.742),
        (10, 0.90, 0.90, 2.066),
        (10, 0.90, 0.95, 2.355),
        (20, 0.95, 0.95, 2.396),
        (20, 0.99, 0.95, 3.295),
        (30, 0.90, 0.95, 1.777),
        # NIST/SEMATECH e-Handbook 7.2.6.3, worked example: N = 43, p = 0.90, gamma = 0.99 (from memory)
        (43, 0.90, 0.99, 1.8740),
    ],
)
def test_the_tolerance_factor_is_the_tabled_one(n: int, reliability: float, confidence: float, factor: float) -> None:
    decimals = 4 if n == 43 else 3
    ours = normal_tolerance_factor(n, reliability=reliability, confidence=confidence)
    assert ours == pytest.approx(factor, abs=0.6 * 10.0**-decimals)


@pytest.mark.parametrize(("n", "k"), [(5, 2.742), (12, 0.3), (12, -1.0), (30, 4.0)])
def test_the_reliability_limit_undoes_the_tolerance_factor(n: int, k: float) -> None:
    reliability = normal_reliability_limit(n, k, confidence=0.9)
    assert normal_tolerance_factor(n, reliability=reliability, confidence=0.9) == pytest.approx(k, abs=1e-6)


@pytest.mark.parametrize(("n", "k", "reach"), [(2, 3.0, 1.2), (8, 1.5, 1.3), (25, -0.4, 0.1), (200, 1.4, 1.28)])
def test_the_chance_behind_the_factor_is_the_noncentral_t(n: int, k: float, reach: float) -> None:
    root = math.sqrt(n)
    assert _noncentral_t_chance(n, k, reach) == pytest.approx(stats.nct.cdf(k * root, n - 1, reach * root), abs=1e-9)


def test_no_scatter_decides_for_or_against_at_once() -> None:
    assert normal_reliability_limit(5, np.inf, confidence=0.9) == 1.0
    assert normal_reliability_limit(5, -np.inf, confidence=0.9) == 0.0


@pytest.mark.parametrize(
    ("count", "low", "high"),
    [(0, 0.0, 3.689), (1, 0.0253, 5.572), (3, 0.619, 8.767), (10, 4.795, 18.39)],
)
def test_garwood_limits_are_the_tabled_ones(count: int, low: float, high: float) -> None:
    # Garwood (1936), Biometrika 28, 437-442, Table 1, 95 % two-sided (from memory, to the printed digits)
    assert poisson_lower_limit(count, confidence=0.975) == pytest.approx(low, rel=2e-3)
    assert poisson_upper_limit(count, confidence=0.975) == pytest.approx(high, rel=2e-4)


def test_garwood_limits_meet_the_poisson_tail_that_defines_them() -> None:
    high = poisson_upper_limit(4, confidence=0.9, exposure=2.5)
    low = poisson_lower_limit(4, confidence=0.9, exposure=2.5)
    assert stats.poisson.cdf(4, 2.5 * high) == pytest.approx(0.1)
    assert stats.poisson.sf(3, 2.5 * low) == pytest.approx(0.1)


def test_exact_limits_of_a_proportion_agree_with_scipy() -> None:
    ours = (proportion_lower_limit(7, 19, confidence=0.95), proportion_upper_limit(7, 19, confidence=0.95))
    theirs = stats.binomtest(7, 19).proportion_ci(0.90, "exact")
    assert ours == pytest.approx((theirs.low, theirs.high), rel=1e-12)
    theirs = stats.binomtest(7, 19).proportion_ci(0.90, "wilson")
    assert wilson_limits(7, 19, level=0.90) == pytest.approx((theirs.low, theirs.high), rel=1e-12)


@pytest.mark.parametrize("failures", [0, 1, 2, 5])
def test_one_weld_fewer_than_the_success_run_shows_too_little(failures: int) -> None:
    n = success_run(reliability=0.9, confidence=0.9, failures=failures)
    assert proportion_lower_limit(n - failures, n, confidence=0.9) >= 0.9
    assert proportion_lower_limit(n - 1 - failures, n - 1, confidence=0.9) < 0.9
