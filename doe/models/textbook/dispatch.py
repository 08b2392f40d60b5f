"""One textbook fit a response, chosen by its kind."""

from __future__ import annotations

from dataclasses import replace

from doe.bench.results import Counts, Measurement, Passes, Results
from doe.models.fit import ResponseFit
from doe.models.textbook.events import fit_count, fit_pass, fit_trip
from doe.models.textbook.measures import fit_measure
from doe.study.model import Response


def fit_textbook(results: Results, response: Response, *, level: float) -> ResponseFit:
    """Fit one response as a handbook does: no prior information, no selection of terms.

    Measures: least squares; restricted maximum likelihood where plates hold several welds or welds were
    cut several times; censored normal where a reading is at ``full``. Counts: maximum-likelihood Poisson or negative
    binomial. Passes, and trips without times: bias-reduced (Firth) or plain logistic regression. Trips with times:
    maximum-likelihood Weibull.

    Parameters
    ----------
    results : Results
        The model is the study's ([plan] terms, else model), at the settings as they were.
    response : Response
        One of the study's, with readings.
    level : float
        Of the two-sided limits: t-based for measures, profile likelihood otherwise.

    Returns
    -------
    ResponseFit
        Without ``model``: a textbook fit draws nothing. An estimate that maximum likelihood puts at infinity is
        ``inf``, one that is not determined ``nan``, each with a finding that says so.

    Raises
    ------
    CannotAnswerError
        If the welds that were read cannot estimate the model.
    DoeError
        If a term of the study cannot be read.
    """
    readings = results.readings[response.name]
    if isinstance(readings, Measurement):
        fit = fit_measure(results, response, readings, level=level)
        return fit if response.errors == "normal" else replace(fit, findings=(*fit.findings, _normal_only(response)))
    if isinstance(readings, Counts):
        return fit_count(results, response, readings, level=level)
    if isinstance(readings, Passes):
        return fit_pass(results, response, readings, level=level)
    return fit_trip(results, response, readings, level=level)


def _normal_only(response: Response) -> str:
    """Say that the response's other errors do not enter."""
    said = f"The handbook’s fit of {response.name} takes normal errors"
    return f'{said}: `errors = "{response.errors}"` does not count in it.'
