r"""What the textbook can promise of one response, setting by setting, without prior information.

**Like welds** (``terms = ["constant"]``): the handbook's limits of ``doe.models.textbook.constant``; the same at every
setting.

**Measures with factors**: simultaneous tolerance limits in regression [1]_. With p columns, residual degrees of
freedom f, residual sd s and leverage h(x), each of two statements holds with confidence 1 - a/2:

.. math:: |x'(\hat b - b)| \le s \sqrt{p F_{p,f}(1 - a/2)} \sqrt{h(x)} \text{ for all } x \text{ at once (Scheffé)},
   \qquad \sigma \le s \sqrt{f / \chi^2_f(a/2)}.

Where both hold, :math:`P(y \ge L) \ge \Phi((\hat y - L - s \sqrt{pF} \sqrt{h}) / \sigma_U)` at every setting at once,
as a window needs; pointwise limits would not do, and estimates put in place of the truth still less (METHOD section
5: wrong in 40 to 78 % of studies).

**Counts, trips and passes with factors**: the textbook has no exact limit for all settings at once; refused.

References
----------
.. [1] Lieberman & Miller (1963), Simultaneous tolerance intervals in regression, Biometrika 50, 155-168 (the
   construction that joins Scheffé's band with the limit of sigma; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special, stats

from doe.bench.results import Counts, Measurement, Results
from doe.coding import FloatArray
from doe.errors import CannotAnswerError
from doe.models.textbook.columns import POSITION, ModelColumns, model_columns, model_terms, require_estimable
from doe.models.textbook.constant import constant_bound
from doe.models.textbook.exact import as_float
from doe.models.textbook.least_squares import LeastSquares, least_squares
from doe.models.textbook.readings import readings_of
from doe.models.textbook.tolerance import (
    poisson_lower_limit,
    poisson_upper_limit,
    proportion_lower_limit,
    proportion_upper_limit,
)
from doe.study.model import Response
from doe.terms import CONSTANT, Term, model_matrix
from doe.window.window import ResponseNumbers

AtSettings = Callable[[FloatArray], FloatArray]
"""Natural settings, shape (n, n_factors), to one number each."""


@dataclass(frozen=True, eq=False)
class Promise:
    """One response's textbook promise.

    Attributes
    ----------
    name, method : str
    held : callable
        At least this share of welds meets the requirement, at all settings at once.
    expected : callable
        The same share with estimates put in place of the truth.
    most : callable
        The share is at most this, judged at one setting.
    numbers : callable
        What to expect at one natural setting.
    findings : tuple of str
    """

    name: str
    method: str
    held: AtSettings
    expected: AtSettings
    most: AtSettings
    numbers: Callable[[FloatArray], ResponseNumbers]
    findings: tuple[str, ...] = ()


def is_constant(results: Results) -> bool:
    """Whether the study's model has no factor."""
    return model_terms(results) == (CONSTANT,)


def promise_of(results: Results, response: Response, *, reliability: float, confidence: float, doubt: float) -> Promise:
    """Work out what the textbook can promise of a response.

    Parameters
    ----------
    results : Results
    response : Response
        With a requirement, and measured.
    reliability, confidence : float
        The claim; the bands are at its confidence.
    doubt : float
        This response's share of 1 - confidence.

    Raises
    ------
    CannotAnswerError
        If there is no rightly derived limit, with what is possible.
    """
    if is_constant(results):
        return _constant_promise(results, response, reliability=reliability, confidence=confidence, doubt=doubt)
    readings = results.readings[response.name]
    if not isinstance(readings, Measurement):
        message = (
            f"“{response.name}”: the textbook has no exact limit for a {response.kind} at all settings at once; "
            'possible are terms = ["constant"] (like welds), or the window without --textbook'
        )
        raise CannotAnswerError(message)
    return _surface_promise(results, response, readings, confidence=confidence, doubt=doubt)


# --- like welds


def _constant_promise(
    results: Results, response: Response, *, reliability: float, confidence: float, doubt: float
) -> Promise:
    """Take the handbook's limit for like welds."""
    bound = constant_bound(results, response, reliability=reliability, confidence=1.0 - doubt)
    most = constant_bound(results, response, reliability=reliability, confidence=0.1).reliability
    numbers = _constant_numbers(results, response, confidence=confidence)
    estimate = _constant_estimate(results, response, numbers.mean)
    return Promise(
        response.name,
        bound.method,
        lambda settings: np.full(len(settings), bound.reliability),
        lambda settings: np.full(len(settings), estimate),
        lambda settings: np.full(len(settings), most),
        lambda _: numbers,
        _shared_plates(results, response),
    )


def _shared_plates(results: Results, response: Response) -> tuple[str, ...]:
    """Say where welds of one plate were taken as independent."""
    named = [plate for plate in results.plate if plate]
    if len(set(named)) == len(named):
        return ()
    return (f"{response.name}: welds that share a plate were taken as independent, as the handbook does.",)


def _constant_estimate(results: Results, response: Response, mean: float) -> float:
    """Put the estimates in place of the truth: the share of welds that meets the requirement."""
    readings = results.readings[response.name]
    if isinstance(readings, Counts):
        return float(special.pdtr(math.floor(response.at_most or 0), mean))
    if not isinstance(readings, Measurement):
        return mean
    values = as_float(readings_of(readings).mean)
    return float(_share_inside(response, np.array([mean]), float(values.std(ddof=1)))[0])


def _constant_numbers(results: Results, response: Response, *, confidence: float) -> ResponseNumbers:
    """Give the exact two-sided limits of like welds; a count's next weld by limits within limits (Bonferroni)."""
    readings, tail = results.readings[response.name], (1.0 - confidence) / 2.0
    bound = constant_bound(results, response, reliability=0.5, confidence=1.0 - tail)
    if isinstance(readings, Measurement):
        values = as_float(readings_of(readings).mean)
        n, mean, sd = len(values), float(values.mean()), float(values.std(ddof=1))
        half = float(special.stdtrit(n - 1, 1.0 - tail)) * sd
        wide, wider = half / math.sqrt(n), half * math.sqrt(1.0 + 1.0 / n)
        return ResponseNumbers(mean, mean - wide, mean + wide, mean - wider, mean + wider)
    if isinstance(readings, Counts):
        total = int(np.nansum(readings.counts))
        # bound.bound is this very limit, of the exposure that was inspected
        exposure = poisson_upper_limit(total, confidence=1.0 - tail) / bound.bound
        low = poisson_lower_limit(total, confidence=1.0 - tail, exposure=exposure)
        high = poisson_upper_limit(total, confidence=1.0 - tail, exposure=exposure)
        lowest = poisson_lower_limit(total, confidence=1.0 - tail / 2.0, exposure=exposure)
        highest = poisson_upper_limit(total, confidence=1.0 - tail / 2.0, exposure=exposure)
        fewest, most = stats.poisson.ppf(tail / 2.0, lowest), stats.poisson.ppf(1.0 - tail / 2.0, highest)
        return ResponseNumbers(bound.estimate, low, high, max(float(fewest), 0.0), float(most))
    good = round(bound.estimate * bound.n)
    low = proportion_lower_limit(good, bound.n, confidence=1.0 - tail)
    high = proportion_upper_limit(good, bound.n, confidence=1.0 - tail)
    return ResponseNumbers(bound.estimate, low, high, low, high)


# --- measures with factors


def _surface_promise(
    results: Results, response: Response, measurement: Measurement, *, confidence: float, doubt: float
) -> Promise:
    """Join Scheffé's band with the limit of sigma."""
    columns, fit = _plain_fit(results, response, measurement)
    f, p = fit.residual_df, len(fit.coefficients)
    reach = fit.residual_sd * math.sqrt(p * float(special.fdtri(p, f, 1.0 - doubt / 2.0)))
    sigma = fit.residual_sd * math.sqrt(f / float(special.chdtri(f, 1.0 - doubt / 2.0)))  # chdtri: upper tail

    def held(settings: FloatArray) -> FloatArray:
        return _over_positions(
            columns, settings, lambda mean, h: _share_held(response, mean, reach * np.sqrt(h), sigma)
        )

    def expected(settings: FloatArray) -> FloatArray:
        return _over_positions(columns, settings, lambda mean, _: _share_inside(response, mean, fit.residual_sd))

    def most(settings: FloatArray) -> FloatArray:
        return _over_positions(columns, settings, lambda mean, h: _share_at_most(response, mean, h, fit=fit))

    def numbers(setting: FloatArray) -> ResponseNumbers:
        return _surface_numbers(columns, fit, setting, confidence=confidence)

    def _over_positions(
        made: ModelColumns, settings: FloatArray, share: Callable[[FloatArray, FloatArray], FloatArray]
    ) -> FloatArray:
        shares = [share(*_predict(fit, X)) for X in _matrices(made, settings)]
        return np.asarray(np.min(shares, axis=0))

    return Promise(
        response.name, "simultaneous tolerance limits of the least-squares surface", held, expected, most, numbers
    )


def _plain_fit(results: Results, response: Response, measurement: Measurement) -> tuple[ModelColumns, LeastSquares]:
    """Fit by least squares; refuse what the limits were not derived for."""
    readings = readings_of(measurement)
    columns = model_columns(results, readings.used)
    require_estimable(columns, response.name)
    unfit = [
        (bool(readings.censored.any()), "readings at or over “full” are no plain numbers"),
        (columns.has_shared_plates, "welds share plates, so that two scatters are at work"),
        (columns.has_blocks, "there are blocks, and the next weld belongs to none of them"),
        (len(set(readings.n_cuts.tolist())) > 1, "welds were not all read equally often"),
        (len(columns.X) - columns.X.shape[1] < 1, "no degree of freedom is left for the scatter"),
    ]
    reasons = [why for is_so, why in unfit if is_so]
    if reasons:
        message = (
            f"“{response.name}”: textbook tolerance limits at all settings at once need independent welds of one "
            f"scatter; here {', and '.join(reasons)}. The window without --textbook takes all of this into account"
        )
        raise CannotAnswerError(message)
    fit = least_squares(columns.X, readings.mean, about_mean=columns.has_constant)
    if not fit.residual_ss > 0.0:
        message = f"“{response.name}”: the terms meet every reading exactly, so that the scatter cannot be judged"
        raise CannotAnswerError(message)
    return columns, fit


def _matrices(columns: ModelColumns, settings: FloatArray) -> list[FloatArray]:
    """Make the model matrix at settings: of every position on the plate where that has a column."""
    terms: tuple[Term, ...] = columns.terms
    X = model_matrix(terms, columns.coding.to_coded(settings), columns.coding, contrast="reference")
    if POSITION not in columns.names:
        return [X]
    return [np.column_stack([X, np.full(len(X), warm)]) for warm in (-0.5, 0.5)]


def _predict(fit: LeastSquares, X: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Give fitted means and leverages at settings."""
    leverage = np.einsum("ij,jk,ik->i", X, fit.unscaled_covariance, X)
    return X @ fit.coefficients, np.maximum(leverage, 0.0)


def _share_held(response: Response, mean: FloatArray, reach: FloatArray, sigma: float) -> FloatArray:
    """Bound the share of welds that meets the requirement; 0 where the band of the mean leaves it."""
    missed = np.zeros(len(mean))
    for margin in _margins(response, mean):
        # A mean beyond its requirement would need a lower limit of sigma; such a setting is never claimed.
        missed += np.where(margin >= reach, special.ndtr(-(margin - reach) / sigma), 1.0)
    return np.maximum(0.0, 1.0 - missed)


def _share_inside(response: Response, mean: FloatArray, sd: float) -> FloatArray:
    """Give the share of a normal population that meets the requirement."""
    if sd <= 0.0:
        return np.asarray(np.all([margin >= 0.0 for margin in _margins(response, mean)], axis=0), dtype=float)
    return np.asarray(1.0 - np.sum([special.ndtr(-margin / sd) for margin in _margins(response, mean)], axis=0))


def _share_at_most(response: Response, mean: FloatArray, leverage: FloatArray, *, fit: LeastSquares) -> FloatArray:
    """Bound the share from above at single settings, 90 % sure (noncentral t)."""
    sides = [
        [_limit_above(float(m), float(h), fit) for m, h in zip(margin, leverage, strict=True)]
        for margin in _margins(response, mean)
    ]
    return np.asarray(np.min(np.array(sides), axis=0))


def _limit_above(margin: float, leverage: float, fit: LeastSquares) -> float:
    """Solve P(T <= t) = 0.1 for the noncentrality (mu - L) / (sigma sqrt(h))."""
    root = math.sqrt(max(leverage, 1e-12))
    t = margin / (fit.residual_sd * root)

    def excess(noncentrality: float) -> float:
        return float(stats.nct.cdf(t, fit.residual_df, noncentrality)) - 0.1

    low, high = t - 1.0, t + 1.0
    while excess(low) < 0.0:
        low -= 2.0 * (high - low)
    while excess(high) > 0.0:
        high += 2.0 * (high - low)
    return float(special.ndtr(optimize.brentq(excess, low, high) * root))


def _margins(response: Response, mean: FloatArray) -> list[FloatArray]:
    """Give the distance of the mean to each requirement, positive inside."""
    margins = []
    if response.at_least is not None:
        margins.append(mean - response.at_least)
    if response.at_most is not None:
        margins.append(response.at_most - mean)
    return margins


def _surface_numbers(
    columns: ModelColumns, fit: LeastSquares, setting: FloatArray, *, confidence: float
) -> ResponseNumbers:
    """Give the t bands of the mean and of the next weld; over both positions where the position has a term."""
    t = float(special.stdtrit(fit.residual_df, 0.5 + confidence / 2.0)) * fit.residual_sd
    found = [_predict(fit, X) for X in _matrices(columns, setting)]
    means = [float(mean[0]) for mean, _ in found]
    bands = [t * math.sqrt(float(h[0])) for _, h in found]
    welds = [t * math.sqrt(1.0 + float(h[0])) for _, h in found]
    return ResponseNumbers(
        sum(means) / len(means),
        min(m - b for m, b in zip(means, bands, strict=True)),
        max(m + b for m, b in zip(means, bands, strict=True)),
        min(m - w for m, w in zip(means, welds, strict=True)),
        max(m + w for m, w in zip(means, welds, strict=True)),
    )
