r"""Maximum likelihood for Weibull times with right censoring: terms on log time.

.. math:: \log T_i = x_i b + s W_i, \quad P(W > w) = \exp(-e^w)

s, the scale, is the reciprocal of the Weibull shape; a positive coefficient lengthens the time.

References
----------
.. [1] Lawless (2003), Statistical Models and Methods for Lifetime Data, 2nd ed., ch. 6 (from memory).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from doe.coding import FloatArray
from doe.models.textbook.location_scale import EXTREME_VALUE, BoolArray, LocationScaleFit, fit_location_scale


def fit_weibull(X: FloatArray, time: FloatArray, event: BoolArray) -> LocationScaleFit | None:
    """Fit times to an event, some of them only known to be longer.

    Parameters
    ----------
    X : ndarray, shape (n, n_terms)
        Independent columns.
    time : ndarray, shape (n,)
        Above 0.
    event : ndarray of bool, shape (n,)
        True: the event came at ``time``; False: it had not come by then.

    Returns
    -------
    LocationScaleFit or None
        On log time; ``log_likelihood`` is that of the times (not of their logarithms). None where the likelihood has no
        maximum in the scale: no event, or the terms fit every event exactly.
    """
    log_time = np.log(time)
    fit = fit_location_scale(X, log_time, event, law=EXTREME_VALUE)
    if fit is None:
        return None
    return replace(fit, log_likelihood=fit.log_likelihood - float(log_time[event].sum()))
