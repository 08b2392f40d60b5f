"""How hard a weld loads the supply: its line current over the breaker's rating, from readings.

    log r = g_0 + g_1 log(V/V_0) + g_2 log(F/F_0) + g_3 p + ... + e,   e ~ N(0, s_load^2)

V voltage, F feed, p coded preheat (METHOD.md section 4). Either the line current was read, or it is computed from
arc volts and amps; then efficiency and power factor add an error that all welds share. Without either the load
is unknown. Prior figures are METHOD.md's, found by simulation; those for other factors are ours, no source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from scipy import special

from doe.bench.results import Results
from doe.coding import FloatArray
from doe.models.surface import BoolArray, kind_contrasts
from doe.planning.heat import arc_power
from doe.study.model import Factor, Study
from doe.trade.supply import line_current_a

LoadKind = Literal["measured", "computed", "unknown"]

LEAST_READINGS: Final = 3
"""Welds that must have readings for the load to count as known."""
MEASURED_SCATTER: Final = 0.03
"""Expected scatter of log line current about its trend, worth ``SCATTER_WORTH`` welds. [log]"""
SCATTER_WORTH: Final = 4.0
"""Welds the expected scatter is worth."""
COMPUTED_ERROR: Final = 0.15
"""Error of a computed load ratio, shared by all welds and from weld to weld. [log]"""
SCATTER_GRID: Final = np.geomspace(0.005, 0.4, 24)
"""Scatters that are integrated over. [log]"""
FREE: Final = 10.0
"""Prior standard deviation that leaves the constant free. [log]"""


@dataclass(frozen=True, eq=False)
class LoadTrend:
    """What is known of the load ratio's trend over the settings.

    Attributes
    ----------
    kind : {"measured", "computed"}
    columns : LoadColumns
    log_ratio : ndarray, shape (n_welds,)
        Log load ratio read or computed at each weld; by the trend where there was no reading.
    n_readings : int
    scatter, weights : ndarray, shape (n_nodes,)
        Scatter s_load from weld to weld, and how probable each value is.
    means : ndarray, shape (n_nodes, n_columns)
    roots : ndarray, shape (n_nodes, n_columns, n_columns)
        Coefficients given the scatter: N(mean, root root').
    """

    kind: Literal["measured", "computed"]
    columns: LoadColumns
    log_ratio: FloatArray
    n_readings: int
    scatter: FloatArray
    weights: FloatArray
    means: FloatArray
    roots: FloatArray

    @property
    def mean(self) -> FloatArray:
        """Posterior mean of the coefficients, shape (n_columns,)."""
        return np.asarray(self.weights @ self.means)

    def draw(self, n_draws: int, rng: np.random.Generator) -> tuple[FloatArray, FloatArray]:
        """Draw coefficients, shape (n_draws, n_columns), and scatters, shape (n_draws,)."""
        node = rng.choice(len(self.weights), n_draws, p=self.weights)
        normal = rng.standard_normal((n_draws, self.means.shape[1]))
        return self.means[node] + np.einsum("dij,dj->di", self.roots[node], normal), self.scatter[node]


def find_load(results: Results) -> LoadTrend | None:
    """Find the load ratio's trend from the readings; None where the load is unknown.

    Measured line current is preferred. A computed load needs the supply's voltage (or line-voltage readings),
    the breaker's rating, the machine's efficiency and power factor, and arc volts and amps, read or by the user's own
    burn-off.
    """
    breaker = results.study.supply.breaker_a
    if breaker is None:
        return None
    measured = _condition(results, "line current [A]")
    if int(np.isfinite(measured).sum()) >= LEAST_READINGS:
        return _measured_trend(results, np.log(measured / breaker))
    computed = _computed_current(results)
    if int(np.isfinite(computed).sum()) >= LEAST_READINGS:
        return _computed_trend(results, np.log(computed / breaker))
    return None


def find_arc_power(results: Results) -> LoadTrend | None:
    """Find the trend of log arc power over the settings, from welds whose amps were read; None where too few were."""
    power = arc_power(results.study, results.settings, results.conditions)
    known = np.where(power.is_read, power.watts, np.nan)
    if int(np.isfinite(known).sum()) < LEAST_READINGS:
        return None
    return _measured_trend(results, np.log(known))


def _condition(results: Results, name: str) -> FloatArray:
    return results.conditions.get(name, np.full(results.n_welds, np.nan))


def _computed_current(results: Results) -> FloatArray:
    """Compute line current in A from the arc's power, shape (n_welds,); nan where anything is missing."""
    supply, machine = results.study.supply, results.study.machine
    line = _condition(results, "line voltage [V]")
    stated = np.nan if supply.voltage_v is None else supply.voltage_v
    read = {name: _condition(results, name) for name in ("arc voltage [V]", "arc current [A]", "stick-out [mm]")}
    power = arc_power(results.study, results.settings, read, built_in=False).watts
    power = np.where(np.array(results.status) == "not run", np.nan, power)
    if machine.efficiency is None or machine.power_factor is None:
        return np.full(results.n_welds, np.nan)
    volts = np.where(np.isfinite(line), line, stated)
    efficiency, factor = machine.efficiency, machine.power_factor
    current = [
        line_current_a(float(p), efficiency=efficiency, power_factor=factor, supply_voltage_v=float(v))
        if np.isfinite(p) and np.isfinite(v)
        else np.nan
        for p, v in zip(power, volts, strict=True)
    ]
    return np.array(current)


def _measured_trend(results: Results, log_ratio: FloatArray) -> LoadTrend:
    """Fit the trend of measured currents; the scatter is integrated over a grid."""
    known = np.isfinite(log_ratio)
    columns = _columns(results, known, with_preheat=True)
    mean, sd = _prior(results.study, slope_sd=0.2, with_preheat=True)
    G, y = columns(results.settings), log_ratio
    fits = [_regress(G[known], y[known], mean, sd, scatter=s) for s in SCATTER_GRID]
    # log s on an even grid: the weight of a node is its prior density times s
    prior = [_log_scatter_prior(s) for s in SCATTER_GRID]
    log_weights = np.array(prior) + np.array([fit[2] for fit in fits])
    weights = np.exp(log_weights - special.logsumexp(log_weights))
    means, roots = np.stack([fit[0] for fit in fits]), np.stack([fit[1] for fit in fits])
    filled = np.where(known, log_ratio, G @ (weights @ means))
    return LoadTrend("measured", columns, filled, int(known.sum()), SCATTER_GRID, weights, means, roots)


def _computed_trend(results: Results, log_ratio: FloatArray) -> LoadTrend:
    """Fit the trend of computed currents, each right to ``COMPUTED_ERROR``, and all off together by as much."""
    known = np.isfinite(log_ratio)
    columns = _columns(results, known, with_preheat=False)
    mean, sd = _prior(results.study, slope_sd=0.35, with_preheat=False)
    G = columns(results.settings)
    centre, root, _ = _regress(G[known], log_ratio[known], mean, sd, scatter=COMPUTED_ERROR)
    covariance = root @ root.T
    covariance[0, 0] += COMPUTED_ERROR**2
    scatter, root = np.array([COMPUTED_ERROR]), np.asarray(np.linalg.cholesky(covariance))
    filled = np.where(known, log_ratio, G @ centre)
    n_readings = int(known.sum())
    return LoadTrend("computed", columns, filled, n_readings, scatter, np.ones(1), centre[None], root[None])


def _log_scatter_prior(scatter: float) -> float:
    """Give the log density of log s where s^2 is scaled inverse chi-squared around ``MEASURED_SCATTER``."""
    ratio = (MEASURED_SCATTER / scatter) ** 2
    return float(0.5 * SCATTER_WORTH * (np.log(ratio) - ratio))


def _regress(
    G: FloatArray, y: FloatArray, mean: FloatArray, sd: FloatArray, *, scatter: float
) -> tuple[FloatArray, FloatArray, float]:
    """Regress with a normal prior and known scatter: posterior mean, root of the covariance, log evidence."""
    precision = G.T @ G / scatter**2 + np.diag(sd**-2)
    covariance = np.linalg.inv(precision)
    residual = y - G @ mean
    shift = covariance @ (G.T @ residual) / scatter**2
    quadratic = residual @ (residual - G @ shift) / scatter**2
    log_determinant = len(y) * np.log(scatter**2) + np.linalg.slogdet(precision)[1]
    evidence = -0.5 * (log_determinant + quadratic)
    return mean + shift, np.asarray(np.linalg.cholesky(covariance)), float(evidence)


# --- columns and priors, factor by factor


@dataclass(frozen=True)
class LoadColumns:
    """The trend's columns at natural settings: constant, then one a factor, one less than its kinds a factor of kinds.

    Attributes
    ----------
    study : Study
    centres : tuple of (str, float)
        V_0 and F_0, the geometric means of the settings with readings, of the factors that enter by their log.
    with_preheat : bool
    """

    study: Study
    centres: tuple[tuple[str, float], ...]
    with_preheat: bool

    def __call__(self, natural: FloatArray) -> FloatArray:
        """Make the columns, shape (n, n_columns)."""
        settings = np.array(natural, dtype=float, ndmin=2)
        coded = self.study.coding.to_coded(settings)
        centres = dict(self.centres)
        made = [np.ones((len(settings), 1))]
        for j, factor in enumerate(self.study.factors):
            if factor.is_kind:
                made.append(kind_contrasts(len(factor.kinds))[settings[:, j].astype(int)])
            elif factor.name in centres:
                made.append(np.log(settings[:, [j]] / centres[factor.name]))
            elif self.with_preheat or factor.role != "preheat":
                made.append(coded[:, [j]])
        return np.hstack(made)


def _columns(results: Results, known: BoolArray, *, with_preheat: bool) -> LoadColumns:
    index = results.study.coding.index
    centres = tuple(
        (f.name, float(np.exp(np.log(results.settings[known, index[f.name]]).mean())))
        for f in results.study.factors
        if _is_physical(f)
    )
    return LoadColumns(results.study, centres, with_preheat)


def _prior(study: Study, *, slope_sd: float, with_preheat: bool) -> tuple[FloatArray, FloatArray]:
    """Give the prior mean and standard deviation of each column's coefficient."""
    rows = [(0.0, FREE)]
    for factor in study.factors:
        if factor.is_kind:
            rows += [(0.0, 0.2)] * (len(factor.kinds) - 1)
        elif _is_physical(factor):
            rows.append((1.0 if factor.role == "voltage" else 0.9, slope_sd))
        elif factor.role == "preheat":
            rows += [(0.0, 0.03)] * with_preheat
        else:
            rows.append((0.15, 0.15) if factor.role in {"voltage", "feed"} else (0.0, 0.1))
    mean, sd = np.array(rows).T
    return mean, sd


def _is_physical(factor: Factor) -> bool:
    """Whether the factor is a voltage or a feed in true units, so that line current goes with its log."""
    in_units = factor.calibrated and factor.unit not in {"", "mark"} and factor.low > 0.0
    return factor.role in {"voltage", "feed"} and in_units and not factor.is_kind
