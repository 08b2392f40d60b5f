"""What size of drift a study's own welds would have shown: by simulation, and never more than normal theory allows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import special, stats

from doe.bench.results import Counts
from doe.models.count import fit_count
from doe.models.drift import LEVEL, change_along, drift_of_drawn, drift_of_measure, find_sight, order_column
from doe.models.drift_power import MOSTLY, most_power, power_of_t, sight_of, sight_of_factor
from doe.models.grid import Grid, ScatterPrior, lay_out_effects, make_nodes
from doe.models.measure import fit_measure
from doe.models.surface import build_surface
from doe.study.model import Response

PLATES = np.arange(18) // 2
WELD_SD, PLATE_SD = 0.2, 0.12
PORES = Response("porosity", "count", at_most=2.0, per_mm=100.0)


def truth(coded):
    v, f, p = coded.T
    return 2.5 + 0.5 * v + 0.4 * f + 0.2 * p - 0.3 * v * f - 0.4 * v**2 - 0.3 * f**2


@pytest.fixture
def settings(lug_settings):
    """Eighteen welds on nine plates."""
    return np.vstack([lug_settings, [[-0.6, 0.5, 0.0], [0.6, -0.5, 0.0]]])


def made(settings, rng):
    """One study's order of welding and readings, without a drift."""
    order = 2 * rng.permutation(9)[PLATES] + np.arange(18) % 2 + 1
    noise = PLATE_SD * rng.normal(size=9)[PLATES] + WELD_SD * rng.normal(size=18)
    return order, truth(settings) + noise


# --- normal theory


def test_the_most_there_can_be_is_the_power_of_a_z_test_on_a_slope():
    """Welds all alike, mean 0 and scatter 1 known: the slope by least squares, its known standard error, 200,000 times.

    Monte Carlo error .11 points.
    """
    n, size, rng = 18, 1.0, np.random.default_rng(1)
    o = np.arange(n) / (n - 1) - 0.5
    information = (o**2).sum()
    assert information == pytest.approx(n * (n + 1) / (12 * (n - 1)))
    slope = (size * o + rng.normal(size=(200_000, n))) @ o / information
    seen = np.abs(slope) * np.sqrt(information) > special.ndtri(0.5 + LEVEL / 2)
    assert most_power(n, size, level=LEVEL) == pytest.approx(seen.mean(), abs=0.004)
    assert most_power(n, size, level=LEVEL) == pytest.approx(0.365, abs=5e-4)
    assert most_power(n, 0.0, level=LEVEL) == pytest.approx(1.0 - LEVEL)


@pytest.mark.parametrize("df", [1.3, 7.0, 60.0])
def test_the_power_of_a_t_test_is_that_of_the_noncentral_t(df):
    """The library's own distribution by another route: simulated (Z + d) / sqrt(chi2 / df)."""
    rng, d = np.random.default_rng(2), np.array([0.0, 0.8, 2.5, 6.0])
    t = (rng.normal(size=(100_000, 1)) + d) / np.sqrt(rng.chisquare(df, size=(100_000, 1)) / df)
    seen = (np.abs(t) > stats.t.ppf(0.95, df)).mean(axis=0)
    assert power_of_t(d, df, level=0.90) == pytest.approx(seen, abs=0.006)


def test_it_is_asked_for_the_size_that_is_seen_four_times_of_five():
    sight = sight_of(np.array([0.25, 0.75]), np.array([0.4, 1.5]), 12.0, level=LEVEL)
    power = power_of_t(sight.size * np.sqrt([0.4, 1.5]), 12.0, level=LEVEL)
    assert 0.25 * power[0] + 0.75 * power[1] == pytest.approx(MOSTLY, abs=1e-3)
    assert 1.0 - LEVEL < sight.of_one_scatter < power_of_t(np.sqrt([1.5]), 12.0, level=LEVEL)[0]
    assert sight_of(np.ones(1), np.array([1e-12]), 12.0, level=LEVEL).size is None


# --- by simulation, and within the bound


def test_what_is_said_comes_true_and_stays_below_normal_theory(lug_study, settings, make_results):
    """400 studies of 18 welds on 9 plates, weld sd .2, plate sd .12. Monte Carlo error up to 2.5 points."""
    results = make_results(lug_study, settings, {"depth": truth(settings)})
    surface = build_surface(results)
    effects = lay_out_effects(surface.welds(results), surface.classes, plates=PLATES, blocks=PLATES * 0, grid=Grid())
    nodes, rng, n_sets = make_nodes(effects, ScatterPrior()), np.random.default_rng(3), 400
    sizes = np.array([1.0, 2.0, 3.0, 4.5])
    seen, foretold, mostly = np.zeros(len(sizes)), [], []
    for _ in range(n_sets):
        order, y = made(settings, rng)
        column = order_column(order)
        sight = find_sight(nodes, y, column)
        foretold.append(sight.of_one_scatter)
        mostly.append(sight.size)
        for j, size in enumerate(sizes):
            below = change_along(nodes, y + size * WELD_SD * column, column).chance_below(np.array([0.0]))[0]
            seen[j] += abs(2.0 * below - 1.0) > LEVEL
    share = seen / n_sets
    error = np.sqrt(share * (1.0 - share) / n_sets)
    most = np.array([most_power(18, size, level=LEVEL) for size in sizes])
    assert np.all(share < most + 2.0 * error)
    assert share[0] < 0.5 * most[0] + 0.05  # plates and settings take half of what could be at the best
    assert np.mean(foretold) == pytest.approx(share[0], abs=3.0 * error[0])
    assert np.max(foretold) < most[0]
    assert np.median(mostly) == pytest.approx(4.5, abs=0.5)
    assert MOSTLY - 2.0 * error[3] < share[3] < MOSTLY + 0.12  # on the safe side: the nodes are not known


def counted(study, settings, make_results, rng, *, log_factor):
    """One counted study, its rate changing evenly by a factor from the first weld to the last, and its order."""
    order = 2 * rng.permutation(9)[PLATES] + np.arange(18) % 2 + 1
    mean = 4.5 * np.exp(0.5 * settings[:, 0] ** 2 + log_factor * order_column(order))
    counts = rng.negative_binomial(2.0, 2.0 / (2.0 + mean)).astype(float)
    results = make_results(study, settings, {"porosity": Counts(counts, np.full(18, 450.0))}, order=order)
    return drift_of_drawn(PORES, fit_count(results, PORES, seed=1).model, order, np.random.default_rng(1))


def test_the_factor_that_is_said_is_seen_about_four_times_of_five(lug_study, settings, make_results):
    """80 counted studies: Monte Carlo error 4.5 points."""
    study, rng = replace(lug_study, responses=(PORES,)), np.random.default_rng(4)
    quiet = [counted(study, settings, make_results, rng, log_factor=0.0) for _ in range(12)]
    said = [drift.sight.size or np.inf for drift in quiet if not drift.is_doubtful]
    factor = np.median(said)
    assert 8.0 < factor < 40.0
    spoken = next(drift for drift in quiet if drift.sight is not None and (drift.sight.size or 1000.0) < 100.0)
    assert f"about a factor of {float(f'{spoken.sight.size:.2g}'):g}, or of one over that" in spoken.sentence
    seen = [counted(study, settings, make_results, rng, log_factor=np.log(factor)).is_doubtful for _ in range(80)]
    assert np.mean(seen) == pytest.approx(MOSTLY, abs=0.13)


def test_where_hardly_any_change_of_a_rate_would_show_that_is_said():
    assert sight_of_factor(1.2, 1.2, level=LEVEL).size is None
    assert sight_of_factor(1.19, 1.2, level=LEVEL).size is None
    known = sight_of_factor(0.1, 100.0, level=LEVEL)  # hardly any prior: the z test's own size, 1.645 + .842 sd
    assert known.size == pytest.approx(np.exp(0.1 * (special.ndtri(0.95) + special.ndtri(0.8))), rel=1e-4)


# --- words


def test_the_verdict_says_what_these_welds_would_have_shown(lug_study, settings, make_results):
    order, y = made(settings, np.random.default_rng(5))
    results = make_results(lug_study, settings, {"depth": y}, order=order)
    model = fit_measure(results, lug_study.responses[0], seed=1).model
    drift = drift_of_measure(model, order, [""] * 18)
    assert not drift.is_doubtful
    chance, size = drift.sight.of_one_scatter, drift.sight.size
    assert f"such a drift would show in these welds about {round(100 * chance)} times of 100" in drift.sentence
    assert f"{size:.1f} times that scatter" in drift.sentence
    assert "to show four times of five it takes one of " in drift.sentence
    assert drift.to_dict()["would_have_seen"] == {"of_one_scatter": chance, "size": size}
