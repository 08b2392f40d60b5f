"""The best setting inside a window, and what to expect there."""

from __future__ import annotations

import zlib
from collections.abc import Mapping

import numpy as np

from doe.coding import FloatArray
from doe.models.fit import Points, Posterior, ResponseFit
from doe.window.assurance import Draws, Scenario, assess, response_lows
from doe.window.inquiry import CLAIM_DRAWS, Inquiry
from doe.window.search import CheckedBox
from doe.window.window import BestSetting, Chance, ResponseNumbers

OTHER_STAGE = 30
"""Stage of draws for responses without a requirement."""


def best_setting(inquiry: Inquiry, checked: CheckedBox, others: tuple[ResponseFit, ...]) -> BestSetting:
    """Find the setting with the most assurance: highest bound, among equals highest expectation, then the middle.

    The wander of the dial is in the assurance already (``doe.window.assurance``), so a setting near a cliff loses by
    it (TRAPS 40).

    Parameters
    ----------
    inquiry : Inquiry
    checked : CheckedBox
    others : tuple of ResponseFit
        Fitted responses without a requirement: what to expect of them is told as well.
    """
    seen = checked.assurance
    at = most_assured(checked.settings, seen.expected, seen.low)
    setting = tuple(float(v) for v in checked.settings[at])
    return BestSetting(
        setting,
        Chance(float(seen.expected[at]), float(seen.low[at])),
        expect_at(inquiry, checked.draws, setting, others=others),
    )


def most_assured(settings: FloatArray, expected: FloatArray, low: FloatArray) -> int:
    """Give the row with the highest bound, then the highest expectation, then nearest to the middle of all rows."""
    ends = settings.min(axis=0), settings.max(axis=0)
    reach = np.where(ends[1] > ends[0], ends[1] - ends[0], 1.0)
    off_centre = (((settings - (ends[0] + ends[1]) / 2.0) / reach) ** 2).sum(axis=1)
    return int(np.lexsort((off_centre, -expected, -low))[0])


def expect_at(
    inquiry: Inquiry, draws: Draws, setting: tuple[float, ...], *, others: tuple[ResponseFit, ...]
) -> dict[str, ResponseNumbers]:
    """Give what to expect of every response at a setting, in the study's order."""
    beside = draw_others(others, inquiry.seed)
    _, numbers = expect(draws, beside, setting, scenario=inquiry.scenario, confidence=inquiry.confidence)
    order = [response.name for response in inquiry.region.study.responses]
    return {name: numbers[name] for name in order if name in numbers}


def draw_others(others: tuple[ResponseFit, ...], seed: int, n_draws: int = CLAIM_DRAWS) -> dict[str, Posterior]:
    """Draw from the responses without a requirement, by name; those whose draws did not settle are left out."""
    drawn = {
        fit.name: fit.model.draw(n_draws, np.random.default_rng([seed, OTHER_STAGE, zlib.crc32(fit.name.encode())]))
        for fit in others
        if fit.model is not None
    }
    return {name: posterior for name, posterior in drawn.items() if posterior.settled}


def expect(
    draws: Draws,
    others: Mapping[str, Posterior],
    setting: tuple[float, ...],
    *,
    scenario: Scenario,
    confidence: float,
) -> tuple[Chance, dict[str, ResponseNumbers]]:
    """Give the assurance of a setting (1 where nothing is asked), and what to expect of every response there.

    Parameters
    ----------
    draws : Draws
        Of the responses with a requirement.
    others : mapping of str to Posterior
        Responses without one, by name.
    setting : tuple of float
        Natural; kinds by index.
    scenario : Scenario
    confidence : float
        Of all bounds and bands.
    """
    at = np.array([setting])
    numbers: dict[str, ResponseNumbers] = {}
    for name, posterior in others.items():
        numbers[name] = _numbers(posterior, at, scenario, confidence=confidence, passes=None)
    if not draws.names:
        return Chance(1.0, 1.0), numbers
    seen = assess(draws, at, scenario, confidence=confidence)
    lows = response_lows(draws, at, scenario, confidence=confidence)
    for r, (name, posterior) in enumerate(zip(draws.names, draws.posteriors, strict=True)):
        passes = Chance(float(seen.passes[r, 0]), float(lows[r, 0]))
        numbers[name] = _numbers(posterior, at, scenario, confidence=confidence, passes=passes)
    return Chance(float(seen.expected[0]), float(seen.low[0])), numbers


def _numbers(
    posterior: Posterior, at: FloatArray, scenario: Scenario, *, confidence: float, passes: Chance | None
) -> ResponseNumbers:
    """Give mean, confidence band and prediction band.

    Where first and later welds are both meant, the bands hold both, and the mean is midway between the two means.
    """
    tail = (1.0 - confidence) / 2.0
    means, lows, highs, weld_lows, weld_highs = [], [], [], [], []
    for later in scenario.laters:
        points = Points(at, later)
        mean = posterior.mean(points)[:, 0]
        low, high = np.quantile(mean, [tail, 1.0 - tail])
        weld_low, weld_high = posterior.weld_band(points, level=confidence)
        means.append(float(mean.mean()))
        lows.append(float(low))
        highs.append(float(high))
        weld_lows.append(float(weld_low[0]))
        weld_highs.append(float(weld_high[0]))
    return ResponseNumbers(sum(means) / len(means), min(lows), max(highs), min(weld_lows), max(weld_highs), passes)
