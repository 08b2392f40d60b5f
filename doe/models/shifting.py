"""What draws from a posterior say of the posterior under another prior: they are weighed again, not made again.

The likelihood is the same under both priors, so each draw weighs the moved prior over the prior (importance weights).
For trips by the load or by another cause the draws of the breaker's law weigh against those of the other cause too:
a breaker that was expected to be as the welds then showed it makes the other cause less likely, and the weights hold
that as well.
"""

from __future__ import annotations

import numpy as np

from doe.coding import FloatArray
from doe.models.breaker import BreakerModel
from doe.models.coded_trip import CodedTripModel, CodedTripPosterior
from doe.models.count import CountModel, CountPosterior
from doe.models.fit import Model, Posterior
from doe.models.passing import PassModel, PassPosterior
from doe.models.sampled import SampledModel
from doe.models.sampling import effective_sample_size
from doe.models.trip_cause import CauseModel, CausePosterior

DrawnPosterior = CountPosterior | PassPosterior | CodedTripPosterior
"""Posteriors that know their parameters, one row a draw."""


def shiftable(model: Model | None) -> SampledModel | None:
    """Give a model whose prior can be moved; None for any other."""
    return model if isinstance(model, CountModel | PassModel | CodedTripModel | CauseModel) else None


def shifted_weights(model: SampledModel, moved: SampledModel, posterior: Posterior) -> FloatArray:
    """Weigh draws from a model's posterior so that they stand for that of the same model with its prior moved.

    Parameters
    ----------
    model, moved : SampledModel
        The same model, as it was fitted and as one of its ``shifts`` has it.
    posterior : Posterior
        Draws from ``model``.

    Returns
    -------
    ndarray, shape (n_draws,)
        Adding up to 1.
    """
    if isinstance(posterior, CausePosterior) and isinstance(model, CauseModel) and isinstance(moved, CauseModel):
        log_weights = _cause_log_weights(model.breaker, moved.breaker, posterior)
    elif isinstance(posterior, DrawnPosterior):
        log_weights = moved.log_prior(posterior.parameters) - model.log_prior(posterior.parameters)
    else:
        message = f"no prior can be moved under draws of type {type(posterior).__name__}"
        raise TypeError(message)
    weights = np.exp(log_weights - log_weights.max())
    return np.asarray(weights / weights.sum())


def _cause_log_weights(model: BreakerModel, moved: BreakerModel, posterior: CausePosterior) -> FloatArray:
    """Give the log weights of a mixture's draws, shape (n_draws,); those of the other cause, whose prior stays, are 0.

    Both priors of the breaker count with the constants that make them integrate to 1 over what the standards allow, as
    in ``BreakerModel.log_evidence``.
    """
    out = np.zeros(posterior.n_draws)
    by_load = ~posterior.is_other
    if by_load.any():
        x = posterior.by_load.parameters
        constant = moved.prior.log_constant - model.prior.log_constant
        constant += float(np.log(model.share_allowed()) - np.log(moved.share_allowed()))
        out[by_load] = moved.log_prior(x) - model.log_prior(x) + constant
    return out


def effective_draws(weights: FloatArray, posterior: Posterior) -> float:
    """Give the number of equal, distinct draws that weighted draws are worth.

    A draw that the sampler gave several times counts once, with all its weight: resampled draws say no more than the
    proposals behind them.

    Parameters
    ----------
    weights : ndarray, shape (n_draws,)
        Not below 0.
    posterior : Posterior
        The draws that were weighed.
    """
    _, at = np.unique(_first_parameter(posterior), return_inverse=True)
    return effective_sample_size(np.asarray(np.bincount(at, weights=weights), dtype=float))


def _first_parameter(posterior: Posterior) -> FloatArray:
    """Give one parameter of each draw, shape (n_draws,): a continuous one, so that equal means the same draw."""
    if isinstance(posterior, DrawnPosterior):
        return posterior.parameters[:, 0]
    if isinstance(posterior, CausePosterior):
        first = np.empty(posterior.n_draws)
        for which, part in ((posterior.is_other, posterior.by_other), (~posterior.is_other, posterior.by_load)):
            if which.any():
                first[which] = part.parameters[:, 0]
        return first
    message = f"draws of type {type(posterior).__name__} do not tell their parameters"
    raise TypeError(message)
