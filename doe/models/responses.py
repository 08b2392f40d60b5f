"""Every response of a study, fitted by its kind."""

from __future__ import annotations

import zlib
from dataclasses import replace

import numpy as np

from doe.bench.results import Counts, Measurement, Readings, Results, Trips, in_welding_order
from doe.errors import CannotAnswerError, Fault
from doe.models.count import fit_count
from doe.models.earlier import carry_scatter
from doe.models.fit import Fit, ResponseFit
from doe.models.measure import fit_measure
from doe.models.passing import fit_passing
from doe.models.surface import describe_start, find_start
from doe.models.textbook import fit_textbook
from doe.models.trip import fit_trip
from doe.study.model import Response


def fit_responses(results: Results, *, seed: int = 1, textbook: bool = False) -> Fit:
    """Fit every response that was measured.

    Parameters
    ----------
    results : Results
    seed : int
        The same seed gives the same fit. Each response has a random stream of its own, named after it: adding a
        response leaves the others as they were.
    textbook : bool
        Least squares and maximum likelihood without prior information, instead of the Bayesian models.

    Returns
    -------
    Fit
        Its results are in the order of welding. A response without a reading is in ``left_out``. One that cannot be
        estimated keeps its place, with the reason among its findings and ``can_claim`` False.

    Raises
    ------
    CannotAnswerError
        If no response was measured, or none can be estimated: the reasons, all at once.
    StudyError
        If a scatter is to be taken from an earlier study that does not hold it.
    """
    results = in_welding_order(replace(results, study=carry_scatter(results.study)))
    measured = [r for r in results.study.responses if is_measured(results.readings.get(r.name))]
    left_out = tuple(r.name for r in results.study.responses if r not in measured)
    if not measured:
        message = "nothing was measured yet: the results hold no reading of any response"
        raise CannotAnswerError(message)
    refusals: dict[str, str] = {}
    fits = [
        _fit_or_say_why(results, response, seed=seed, textbook=textbook, refusals=refusals) for response in measured
    ]
    if len(refusals) == len(fits):
        message = "no response can be estimated from these results"
        raise CannotAnswerError(message, [Fault(why, key=name) for name, why in refusals.items()])
    if not textbook and (start := describe_start(results.study, find_start(results))):
        fits = [replace(fit, assumptions=(*fit.assumptions, start)) for fit in fits]
    return Fit(results, results.study.coding, tuple(fits), left_out, seed, textbook)


def is_measured(readings: Readings | None) -> bool:
    """Whether a response has any reading at all."""
    if readings is None:
        return False
    if isinstance(readings, Measurement):
        values = readings.values
    elif isinstance(readings, Counts):
        values = readings.counts
    elif isinstance(readings, Trips):
        values = readings.tripped
    else:
        values = readings.passed
    return bool(np.isfinite(values).any())


def seed_of(seed: int, name: str) -> int:
    """Give a response a seed of its own, from the fit's seed and the response's name."""
    sequence = np.random.SeedSequence([seed, zlib.crc32(name.encode())])
    return int(sequence.generate_state(1, np.uint64)[0])


def _fit_or_say_why(
    results: Results, response: Response, *, seed: int, textbook: bool, refusals: dict[str, str]
) -> ResponseFit:
    """Fit a response; where it cannot be estimated, note why and give a fit that claims nothing."""
    try:
        if textbook:
            return fit_textbook(results, response, level=results.study.claim.confidence)
        fit_kind = {"measure": fit_measure, "count": fit_count, "trip": fit_trip, "pass": fit_passing}[response.kind]
        return fit_kind(results, response, seed=seed_of(seed, response.name))
    except CannotAnswerError as error:
        refusals[response.name] = error.message
        return ResponseFit(response, method="not estimated", n=0, terms=(), findings=(error.message,), can_claim=False)
