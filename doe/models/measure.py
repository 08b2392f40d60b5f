"""Measures: readings on a scale, such as penetration in millimetres.

METHOD.md section 2: a Bayesian linear model with plates and blocks as random effects, second-order terms and
heavily shrunk third-order terms; ``grid`` works out its posterior exactly.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from doe.bench.results import Measurement, Results
from doe.coding import FloatArray
from doe.errors import CannotAnswerError
from doe.models.censored import draw_censored
from doe.models.covariates import Covariates, HandDraws, describe_covariates, find_covariates, wander_variance
from doe.models.fit import ResponseFit, TermEstimate
from doe.models.grid import (
    BLOCK_GROUP,
    PLATE_GROUP,
    THIRD,
    THIRD_GROUP,
    EffectDraws,
    Grid,
    Nodes,
    ScatterPrior,
    draw_effects,
    effective_terms,
    lay_out_effects,
    make_nodes,
    without_covariates,
)
from doe.models.measure_findings import (
    assumptions_of,
    findings_of,
    is_scatter_known,
    refusal_of,
    scatter_conflict,
    suspects_of,
)
from doe.models.measure_posterior import MeasurePosterior
from doe.models.robust import ROBUST_GRID, SCALE, draw_robust
from doe.models.sampling import NOT_SETTLED
from doe.models.summary import summarise_draws, summarise_terms
from doe.models.surface import BoolArray, Surface, build_surface
from doe.models.usable import Usable, block_labels, number_groups, usable_readings
from doe.study.model import Response

SUMMARY_DRAWS: Final = 4000
"""Draws from which terms and numbers are summarised."""
LEAST_WELD_SHARE: Final = 0.25
"""Least share of s2 left to welding once the scatter of reading is taken off; METHOD.md section 2."""
REST_SHARE: Final = 2 / 3
"""Share of a stated variance between welds that is not the hand's, where its doings are known. [1] Our value."""
METHOD: Final = (
    "Bayesian linear model, plates as random effects, second order with heavily shrunk third-order terms, "
    "hyper-parameters integrated on a grid"
)
"""What is done, in words."""
ROBUST: Final = "; Student-t errors, so that a gross misreading pulls less"
"""What is done besides where readings are doubtful."""


@dataclass(frozen=True, eq=False)
class MeasureModel:
    """A fitted measure.

    Attributes
    ----------
    response : Response
    surface : Surface
    nodes, plain : Nodes
        With the covariates, and without: one and the same where there are none. The scatter of a weld to come is the
        plain one's, so that what is known of the hand makes no weld look steadier. Where errors are Student's t,
        ``nodes`` holds how far each reading was trusted, for the checks; draws weigh the readings anew.
    usable : Usable
    covariates : Covariates
        Travel speed and stick-out, where they were measured; none of them, often.
    fitted, residual : ndarray, shape (n,)
        Posterior mean at each weld used, and what its reading lies above it.
    robust : bool
        Whether errors are Student's t.
    new_day : bool
        Whether a weld to come is on another day or spool: where blocks were named. A shift between stages alone is
        estimated, so that it does not pass for an effect of the settings, but not expected again.
    """

    response: Response
    surface: Surface
    nodes: Nodes
    plain: Nodes
    usable: Usable
    covariates: Covariates
    fitted: FloatArray
    residual: FloatArray
    robust: bool = False
    new_day: bool = False

    def draw(self, n_draws: int, rng: np.random.Generator) -> MeasurePosterior:
        """Draw afresh from the posterior."""
        return _posterior(self, _draw(self, n_draws, rng))


def fit_measure(results: Results, response: Response, *, seed: int) -> ResponseFit:
    """Fit one measure.

    Parameters
    ----------
    results : Results
    response : Response
        Of kind ``measure``, with at least one reading; its ``errors`` are normal or Student's t.
    seed : int
        Of the summary's draws.

    Raises
    ------
    CannotAnswerError
        If the readings do not allow any estimate: the message says why.
    """
    readings = results.readings[response.name]
    if not isinstance(readings, Measurement):
        message = f"{response.name} is not a measure"
        raise TypeError(message)
    usable = usable_readings(readings, studied=results.reading_scatter.get(response.name))
    if refusal := refusal_of(response, usable):
        raise CannotAnswerError(refusal)
    rng = np.random.default_rng(seed)
    model = _set_up(results, response, usable)
    drawn = _draw(model, SUMMARY_DRAWS, rng)
    posterior = _posterior(model, drawn)
    fitted = _fitted(model, results, drawn.draws)
    model = _trusting(replace(model, fitted=fitted, residual=usable.y - fitted), drawn.weights)
    doubts = (
        *findings_of(results, posterior, usable),
        *model.covariates.findings,
        *suspects_of(results, response, usable, fitted, drawn.weights),
    )
    return ResponseFit(
        response,
        method=METHOD + (ROBUST if model.robust else ""),
        n=usable.n,
        terms=_terms(model, posterior, drawn, level=results.study.claim.confidence),
        numbers=_numbers(model.nodes, usable, posterior, drawn.scatter) | _covariate_numbers(model, drawn),
        findings=doubts if drawn.settled else (NOT_SETTLED, *doubts),
        assumptions=(
            *assumptions_of(results, response, usable),
            *describe_covariates(model.covariates, response, results.study, share=_share(model, drawn)),
        ),
        prior_findings=tuple(scatter_conflict(posterior)),
        model=model,
        settled=drawn.settled,
        can_claim=is_scatter_known(results, response, usable),
    )


def _set_up(results: Results, response: Response, usable: Usable) -> MeasureModel:
    """Lay out surface, covariates, plates and blocks of the welds used, and work out the grid; nothing fitted yet."""
    surface = build_surface(results, used=usable.used)
    covariates = find_covariates(results, surface, usable.used)
    plates = number_groups(_of(results.plate, usable.used))
    blocks = number_groups(_of(block_labels(results), usable.used))
    X = surface.welds(results)[usable.used]
    robust = response.errors == "student t"
    grid = ROBUST_GRID if robust else Grid()
    effects = lay_out_effects(X, surface.classes, plates=plates, blocks=blocks, grid=grid, covariates=covariates.Z)
    none, stated = np.full(usable.n, np.nan), response.expect_scatter
    prior = ScatterPrior() if stated is None else ScatterPrior.about(stated)
    nodes = plain = make_nodes(effects, prior)
    if covariates.kept:
        nodes = make_nodes(effects, replace(prior, s0=prior.s0 * float(np.sqrt(REST_SHARE))))
        plain = make_nodes(without_covariates(effects), prior)
    return MeasureModel(response, surface, nodes, plain, usable, covariates, none, none, robust, any(results.block))


def _trusting(model: MeasureModel, weights: FloatArray) -> MeasureModel:
    """Give the model with each reading's error variance s2 / w; weights w of shape (n,). Normal errors need none."""
    if not model.robust:
        return model
    weighed = make_nodes(model.nodes.effects, model.nodes.prior, error=1.0 / weights)
    return replace(model, nodes=replace(weighed, fresh=1.0 / SCALE))


def _of(labels: Sequence[str], used: BoolArray) -> tuple[str, ...]:
    return tuple(label for label, is_used in zip(labels, used, strict=True) if is_used)


@dataclass(frozen=True, eq=False)
class _Drawn:
    """Draws of every effect; those of the scatter; the hand's; whether chains settled; the weight of each reading.

    ``scatter`` comes from the model without covariates, and is ``draws`` where there are none. Weights are 1 unless the
    errors are Student's.
    """

    draws: EffectDraws
    scatter: EffectDraws
    hand: HandDraws | None
    settled: bool
    weights: FloatArray


def _draw(model: MeasureModel, n_draws: int, rng: np.random.Generator) -> _Drawn:
    """Draw every effect, and with covariates the scatter of a weld to come apart."""
    draws, settled, weights = _draw_effects(model, model.nodes, n_draws, rng)
    if not model.covariates.kept:
        return _Drawn(draws, draws, None, settled, weights)
    hand = model.covariates.draw_hand(n_draws, rng)
    scatter, is_plain_settled, _ = _draw_effects(model, model.plain, n_draws, rng)
    return _Drawn(draws, _paired(scatter, draws), hand, settled and is_plain_settled, weights)


def _paired(scatter: EffectDraws, draws: EffectDraws) -> EffectDraws:
    """Put draws of the scatter in the order, by size, of those of the surface: where it is large, so are its errors."""
    size, wanted = (d.s2 * (1.0 + d.variance[:, PLATE_GROUP]) for d in (scatter, draws))
    rows = np.empty(len(size), dtype=int)
    rows[np.argsort(wanted)] = np.argsort(size)
    return EffectDraws(**{name: part[rows] for name, part in vars(scatter).items()})


def _draw_effects(
    model: MeasureModel, nodes: Nodes, n_draws: int, rng: np.random.Generator
) -> tuple[EffectDraws, bool, FloatArray]:
    """Draw every effect by the sampler the readings ask for; with it whether it settled, and the readings' weights."""
    # readings are centred, which the flat constant does not notice and the arithmetic likes
    usable = model.usable
    centre, censored = usable.y.mean(), usable.censored
    y, settled, weights = usable.y - centre, True, np.ones(usable.n)
    if model.robust:
        found = draw_robust(nodes.effects, nodes.prior, y, censored=censored, n_draws=n_draws, rng=rng)
        draws, settled, weights = found.draws, found.settled, found.weights
    elif censored.any():
        draws, settled = draw_censored(nodes, y, censored=censored, n_draws=n_draws, rng=rng)
    else:
        draws = draw_effects(nodes, y, n_draws, rng)
    return replace(draws, constant=draws.constant + centre), settled, weights


def _slopes(model: MeasureModel, draws: EffectDraws) -> FloatArray:
    """Give gamma, shape (n_draws, m)."""
    start = len(model.surface.columns) - 1
    return draws.theta[:, start : start + len(model.covariates.kept)]


def _fitted(model: MeasureModel, results: Results, draws: EffectDraws) -> FloatArray:
    """Give the posterior mean at each weld used, at the covariates it had, shape (n,)."""
    n_terms = len(model.surface.columns) - 1
    beta = np.append(draws.constant.mean(), draws.theta[:, :n_terms].mean(axis=0))
    X = model.surface.welds(results)[model.usable.used]
    return np.asarray(X @ beta + model.covariates.Z @ _slopes(model, draws).mean(axis=0))


def _posterior(model: MeasureModel, drawn: _Drawn) -> MeasurePosterior:
    """Turn draws of the effects into those of a weld to come, whose hand does as the test welds' did."""
    draws, scatter, usable = drawn.draws, drawn.scatter, model.usable
    n_terms, s2 = len(model.surface.columns) - 1, scatter.s2
    # a weld's own scatter: reading taken off, but never below what rounding alone would give
    own = s2 / SCALE if model.robust else s2
    weld = np.maximum(own - usable.reading_variance, LEAST_WELD_SHARE * own)
    weld = np.maximum(weld, usable.resolution**2 / 12.0)
    coefficients = np.column_stack([draws.constant, draws.theta[:, :n_terms]])
    if drawn.hand is not None:
        slopes, covariates = _slopes(model, draws), model.covariates
        followed = np.einsum("dkj,dj->dk", drawn.hand.habit, slopes)
        coefficients[:, covariates.at] += followed
        coefficients[:, 0] += np.einsum("dj,dj->d", drawn.hand.mean, slopes) - followed @ covariates.first_mean
    return MeasurePosterior(
        model.response,
        model.surface,
        coefficients=coefficients,
        weld_sd=np.sqrt(weld),
        plate_sd=np.sqrt(s2 * scatter.variance[:, PLATE_GROUP]),
        block_sd=_block_sd(scatter) if model.new_day else np.zeros_like(s2),
        third_order=draws.variance[:, THIRD_GROUP] == THIRD[-1] ** 2,
        settled=drawn.settled,
    )


def _terms(
    model: MeasureModel, posterior: MeasurePosterior, drawn: _Drawn, *, level: float
) -> tuple[TermEstimate, ...]:
    """Summarise the surface's terms, and what one standard deviation of each covariate does."""
    names = [f"{name}, per sd" for name in model.covariates.names]
    covariates = summarise_draws(names, _slopes(model, drawn.draws), level=level) if names else ()
    return (*summarise_terms(model.surface, posterior.coefficients, level=level), *covariates)


def _share(model: MeasureModel, drawn: _Drawn) -> float:
    """Give the mean share of the variance between welds that the covariates explain."""
    if drawn.hand is None:
        return 0.0
    explained = wander_variance(_slopes(model, drawn.draws), drawn.hand.wander)
    return float(np.mean(explained / (explained + drawn.draws.s2)))


def _covariate_numbers(model: MeasureModel, drawn: _Drawn) -> dict[str, object]:
    """Give the scatter that each covariate alone brings; nothing where there is none."""
    if drawn.hand is None:
        return {}
    sds = np.abs(_slopes(model, drawn.draws)) * np.sqrt(np.diagonal(drawn.hand.wander, axis1=1, axis2=2))
    return {"covariates": dict(zip(model.covariates.names, sds.mean(axis=0).tolist(), strict=True))}


def _block_sd(draws: EffectDraws) -> FloatArray:
    return np.asarray(np.sqrt(draws.s2 * draws.variance[:, BLOCK_GROUP]))


def _numbers(nodes: Nodes, usable: Usable, posterior: MeasurePosterior, draws: EffectDraws) -> dict[str, object]:
    groups = set(nodes.effects.group.tolist())
    spread = {
        "weld": float(posterior.weld_sd.mean()),
        "plate": float(posterior.plate_sd.mean()) if PLATE_GROUP in groups else None,
        "reading": usable.studied.sd if usable.reading_sd is None and usable.studied else usable.reading_sd,
    }
    has_wide_third = bool(np.any(nodes.effects.variance[:, THIRD_GROUP] == THIRD[-1] ** 2))
    if BLOCK_GROUP in groups:
        spread["block"] = float(_block_sd(draws).mean())
    return {
        "residual_df": usable.n - effective_terms(nodes, usable.y),
        "spread": spread,
        "lack_of_fit": None,
        "stationary": None,
        "third_order_share": float(posterior.third_order.mean()) if has_wide_third else None,
    }
