"""The best setting inside a window, and what to expect there."""

from __future__ import annotations

import zlib

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
    at = np.array([setting])
    seen = assess(draws, at, inquiry.scenario, confidence=inquiry.confidence)
    lows = response_lows(draws, at, inquiry.scenario, confidence=inquiry.confidence)
    numbers: dict[str, ResponseNumbers] = {}
    for r, (name, posterior) in enumerate(zip(draws.names, draws.posteriors, strict=True)):
        passes = Chance(float(seen.passes[r, 0]), float(lows[r, 0]))
        numbers[name] = _numbers(posterior, at, inquiry, passes)
    for fit in others:
        if fit.model is not None:
            rng = np.random.default_rng([inquiry.seed, OTHER_STAGE, zlib.crc32(fit.name.encode())])
            numbers[fit.name] = _numbers(fit.model.draw(CLAIM_DRAWS, rng), at, inquiry, None)
    order = [response.name for response in inquiry.region.study.responses]
    return {name: numbers[name] for name in order if name in numbers}


def _numbers(posterior: Posterior, at: FloatArray, inquiry: Inquiry, passes: Chance | None) -> ResponseNumbers:
    """Give mean, confidence band and prediction band.

    Where first and later welds are both meant, the bands hold both, and the mean is midway between the two means.
    """
    scenario: Scenario = inquiry.scenario
    tail = (1.0 - inquiry.confidence) / 2.0
    means, lows, highs, weld_lows, weld_highs = [], [], [], [], []
    for later in scenario.laters:
        points = Points(at, later)
        mean = posterior.mean(points)[:, 0]
        low, high = np.quantile(mean, [tail, 1.0 - tail])
        weld_low, weld_high = posterior.weld_band(points, level=inquiry.confidence)
        means.append(float(mean.mean()))
        lows.append(float(low))
        highs.append(float(high))
        weld_lows.append(float(weld_low[0]))
        weld_highs.append(float(weld_high[0]))
    return ResponseNumbers(sum(means) / len(means), min(lows), max(highs), min(weld_lows), max(weld_highs), passes)
