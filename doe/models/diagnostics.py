"""Does the fit deserve its claim? Every check of every response, in plain sentences with their sizes.

``diagnose(fit) -> tuple[Diagnosis, ...]`` runs, one response at a time:

- leave-one-plate-out prediction (``plate_check``), for every kind
- the Gaussian-process challenger (``smooth``), for measures
- influential welds (``influence``), for every kind
- drift over the order of welding (``drift``), for every kind
- residuals for plots (``residuals``)

Nothing is dropped and nothing is changed: what looks odd becomes a question. What each check finds, and how often it
raises a false alarm, stands in its module.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from doe.bench.results import Counts, Passes, Results, Trips
from doe.coding import Coding, FloatArray
from doe.models.coded_trip import CodedTripModel, CodedTripPosterior
from doe.models.count import CountModel, CountPosterior
from doe.models.drift import Drift, drift_of_drawn, drift_of_measure
from doe.models.fit import Fit, Points, ResponseFit
from doe.models.influence import Influence, influence_on_drawn, influence_on_measure
from doe.models.left_out import LEAST_READINGS, Groups, completed_readings, group_welds
from doe.models.measure import MeasureModel
from doe.models.naming import with_unit
from doe.models.passing import PassModel, PassPosterior
from doe.models.plate_check import LeftOut, check_count, check_measure, check_outcomes, predict_groups
from doe.models.residuals import Residuals, drawn_residuals, name_residuals, of_used
from doe.models.responses import seed_of
from doe.models.reweighting import Cloud, DrawnModel, make_cloud
from doe.models.smooth import MANY, Challenge, challenge
from doe.models.surface import BoolArray, count_levels
from doe.models.trip import usable_trips
from doe.models.trip_cause import CauseModel
from doe.models.trip_words import describe_setting
from doe.models.usable import block_labels

CHOOSING_DRAWS: Final = 500
"""Draws from which the most promising setting is chosen."""
OTHER_LIKELY: Final = 0.2
"""Chance of trips by another cause than the load from which the checks say that they do not judge it. Our rule."""
LEAST_CHALLENGED: Final = 10
"""Fewest readings on which the challenger is let loose. Our rule: below, neither surface has anything to bend."""


@dataclass(frozen=True, eq=False)
class Diagnosis:
    """What the checks say of one response.

    Attributes
    ----------
    response : str
    findings : tuple of str
        Doubts and questions.
    notes : tuple of str
        Checks that raised none, each with its size, and checks that could not be made, with the reason.
    left_out : LeftOut or None
    smooth : Challenge or None
    influence : Influence or None
    drift : Drift or None
    residuals : Residuals or None
        None where a check was not made.
    """

    response: str
    findings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    left_out: LeftOut | None = None
    smooth: Challenge | None = None
    influence: Influence | None = None
    drift: Drift | None = None
    residuals: Residuals | None = None

    @property
    def sentences(self) -> tuple[str, ...]:
        """Everything that is said, findings first."""
        return (*self.findings, *self.notes)

    def to_dict(self) -> dict[str, object]:
        """Give the diagnosis as ``fit --json`` prints it."""
        parts = {
            "left_out": self.left_out,
            "smooth": self.smooth,
            "influence": self.influence,
            "drift": self.drift,
            "residuals": self.residuals,
        }
        return {
            "findings": list(self.findings),
            "notes": list(self.notes),
            **{name: None if part is None else part.to_dict() for name, part in parts.items()},
        }


def diagnose(fit: Fit, *, at: FloatArray | None = None) -> tuple[Diagnosis, ...]:
    """Check every response of a fit.

    Parameters
    ----------
    fit : Fit
    at : ndarray, shape (n_factors,), optional
        The setting at which influential welds are judged, natural: the best setting where there is a window. Default:
        the tested setting that promises most (``most_promising``).

    Returns
    -------
    tuple of Diagnosis
        In the order of ``fit.responses``. The same fit gives the same diagnosis.
    """
    setting = most_promising(fit) if at is None else np.asarray(at, dtype=float)
    return tuple(_diagnose(fit, part, setting) for part in fit.responses)


def most_promising(fit: Fit) -> FloatArray:
    """Find the tested setting at which a weld most likely meets every requirement, shape (n_factors,), natural.

    Where no response has a requirement and a model: the tested setting nearest the middle of the region.
    """
    made = np.array([status != "not run" for status in fit.results.status])
    tested = np.unique(fit.results.settings[made], axis=0)
    promise = np.zeros(len(tested))
    judged = [(part.name, part.model) for part in fit.responses if part.model and part.response.has_requirement]
    for name, model in judged:
        rng = np.random.default_rng(seed_of(fit.seed, f"{name} promise"))
        failure = model.draw(CHOOSING_DRAWS, rng).failure(Points(tested)).mean(axis=0)
        promise += np.log(np.maximum(1.0 - failure, 1e-12))
    if not judged:
        coded = _features(fit.coding, tested)
        promise = -np.linalg.norm(coded, axis=1)
    return np.asarray(tested[int(np.argmax(promise))])


def _diagnose(fit: Fit, part: ResponseFit, at: FloatArray) -> Diagnosis:
    """Check one response, or say why it cannot be checked."""
    model, name = part.model, part.name
    if model is None:
        why = (
            f"A textbook fit of {name} is judged by its own tests (lack of fit, deviance); leave-one-plate-out "
            "prediction, influence and drift are worked out for the Bayesian fit."
            if fit.textbook
            else f"{name} was not estimated, so nothing could be checked."
        )
        return Diagnosis(name, notes=(why,))
    if part.n < LEAST_READINGS:
        few = f"{name} was read on {part.n} welds only: with fewer than {LEAST_READINGS} no check means anything."
        return Diagnosis(name, notes=(few,))
    rng = np.random.default_rng(seed_of(fit.seed, f"{name} diagnosis"))
    if isinstance(model, MeasureModel):
        return _diagnose_measure(fit, model, at, rng)
    if isinstance(model, CauseModel):
        found = _diagnose_drawn(fit, part, model.breaker, at=at, rng=rng)
        if model.other_chance > OTHER_LIKELY:
            alone = (
                f"{name}: trips may well have another cause than the load; these checks are of the load's law alone."
            )
            found = replace(found, notes=(*found.notes, alone))
        return found
    if isinstance(model, CountModel | PassModel | CodedTripModel):
        return _diagnose_drawn(fit, part, model, at=at, rng=rng)
    message = f"no check is known for {type(model).__name__}"
    raise TypeError(message)


# --- measures


def _diagnose_measure(fit: Fit, model: MeasureModel, at: FloatArray, rng: np.random.Generator) -> Diagnosis:
    results, used, name = fit.results, model.usable.used, model.response.name
    weld, groups = of_used(results.weld, used), group_welds(of_used(results.plate, used))
    order, blocks = results.order[used], of_used(block_labels(results), used)
    predicted = predict_groups(model, completed_readings(model), groups)
    left_out = check_measure(model, weld, groups, predicted=predicted)
    smooth, smooth_words = _challenge(fit, model, groups, ours=predicted.mean)
    influence = influence_on_measure(model, weld, at, place=describe_setting(results.study, at), rng=rng)
    drift = drift_of_measure(model, order, blocks)
    residuals = name_residuals(
        results, used, fitted=model.fitted, residual=model.residual, meaning="reading less fitted mean"
    )
    said = [
        (left_out.is_doubtful, left_out.sentence),
        (smooth is not None and smooth.wins, smooth_words),
        *_influence_words(influence),
        (drift.is_doubtful, drift.sentence),
        *(
            (False, words)
            for words in _layout_words(results, used, groups, n_terms=len(model.surface.order("second").columns))
        ),
    ]
    return Diagnosis(name, *_split(said), left_out, smooth, influence, drift, residuals)


def _challenge(fit: Fit, model: MeasureModel, groups: Groups, *, ours: FloatArray) -> tuple[Challenge | None, str]:
    """Let the challenger predict the left-out plates beside ours, and put the verdict in words."""
    name, n = model.response.name, model.usable.n
    if n < LEAST_CHALLENGED:
        return None, f"{n} readings of {name} are too few to try a curve of another shape on."
    y, settings = completed_readings(model), fit.results.settings[model.usable.used]
    beside = (*_start_column(model, fit.results), model.covariates.Z)
    features = np.column_stack([_features(fit.coding, settings), *beside])
    found = challenge(features, y, ours, index=groups.index)
    misses = (
        f"it misses them by {with_unit(found.miss, model.response)} (root mean square), the fitted surface by "
        f"{with_unit(found.surface_miss, model.response)}"
    )
    if n > MANY:
        misses += f"; how far it bends was found on {MANY} of the {n} readings"
    if not found.wins:
        return found, f"{name}: a curve of another shape does not predict the left-out {groups.by}s better ({misses})."
    weld = of_used(fit.results.weld, model.usable.used)[found.best_at]
    place = describe_setting(fit.results.study, settings[found.best_at])
    return found, (
        f"{name}: a curve of another shape predicts the left-out {groups.by}s better: {misses}. The second-order shape "
        f"may be wrong near {weld} ({place}); more welds there would tell."
    )


def _features(coding: Coding, settings: FloatArray) -> FloatArray:
    """Give coded settings with a column of 0 and 1 for each kind."""
    coded = coding.to_coded(settings)
    columns = []
    for j, factor in enumerate(coding.factors):
        if factor.is_kind:
            columns += [(coded[:, j] == k).astype(float) for k in range(len(factor.kinds))]
        else:
            columns.append(coded[:, j])
    return np.column_stack(columns)


def _start_column(model: MeasureModel, results: Results) -> list[FloatArray]:
    """Give the column of first and later welds, where the surface has one."""
    X = model.surface.welds(results)[model.usable.used]
    return [X[:, j] for j, column in enumerate(model.surface.columns) if column.covariate]


# --- counts, trips, passes


def _diagnose_drawn(
    fit: Fit, part: ResponseFit, model: DrawnModel, *, at: FloatArray, rng: np.random.Generator
) -> Diagnosis:
    results, response = fit.results, part.response
    used = _used(results, part)
    weld, groups = of_used(results.weld, used), group_welds(of_used(results.plate, used))
    cloud = make_cloud(model, rng)
    check = check_count if isinstance(model, CountModel) else check_outcomes
    left_out = check(response, cloud, weld, groups=groups, rng=rng)
    mean = _mean_at(cloud, at, rng)
    place = describe_setting(results.study, at)
    influence = influence_on_drawn(response, cloud, weld, mean=mean, place=place)
    drift = drift_of_drawn(response, model, results.order[used], rng)
    fitted, residual, meaning = drawn_residuals(cloud)
    residuals = name_residuals(results, used, fitted=fitted, residual=residual, meaning=meaning)
    said = [
        *([] if left_out is None else [(left_out.is_doubtful, left_out.sentence)]),
        *_influence_words(influence),
        (drift.is_doubtful, drift.sentence),
        *((False, words) for words in _layout_words(results, used, groups, n_terms=cloud.x.shape[1])),
    ]
    return Diagnosis(part.name, *_split(said), left_out, None, influence, drift, residuals)


def _used(results: Results, part: ResponseFit) -> BoolArray:
    """Give the welds that entered a sampled fit, shape (n_welds,)."""
    readings = results.readings[part.name]
    if isinstance(readings, Counts):
        return np.asarray(np.isfinite(readings.counts))
    if isinstance(readings, Passes):
        return np.asarray(np.isfinite(readings.passed))
    if isinstance(readings, Trips):
        return usable_trips(results, readings).used
    message = f"{part.name} has no counts, trips or passes"
    raise TypeError(message)


def _mean_at(cloud: Cloud, at: FloatArray, rng: np.random.Generator) -> FloatArray:
    """Give what each proposal predicts at one setting, for the first weld of a plate, shape (n_proposals,)."""
    model, points = cloud.model, Points(at[None, :])
    if isinstance(model, CountModel):
        return CountPosterior(model.surface, cloud.x, model.limit).mean(points)[:, 0]
    if isinstance(model, PassModel):
        return PassPosterior(model.surface, cloud.x).mean(points)[:, 0]
    if isinstance(model, CodedTripModel):
        return CodedTripPosterior(model.surface, cloud.x, model.log_hold).mean(points)[:, 0]
    return model.posterior(cloud.x, rng).mean(points)[:, 0]


# --- words


def _influence_words(influence: Influence) -> list[tuple[bool, str]]:
    """Mark each sentence of the influence; questions about single readings come first and are findings."""
    *far, shifts = influence.sentences
    return [*((True, words) for words in far), (influence.has_mover, shifts)]


def _split(said: list[tuple[bool, str]]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Part findings from notes, each in the order they were said."""
    return tuple(words for doubt, words in said if doubt), tuple(words for doubt, words in said if not doubt)


def _layout_words(results: Results, used: BoolArray, groups: Groups, *, n_terms: int) -> Iterator[str]:
    """Say what the layout of the welds takes from the checks."""
    n = int(used.sum())
    if groups.by == "weld":
        yield "Too few plates carry several welds: welds were left out one by one, not plate by plate."
    if n <= n_terms:
        yield (f"{n} welds for {n_terms} terms: the priors hold what the welds do not; only gross misfits are seen.")
    study = results.study
    coded = study.coding.to_coded(results.settings)[used]
    for j, factor in enumerate(study.factors):
        if factor.hard_to_change and groups.by == "plate" and count_levels(coded[:, j]) == groups.n:
            yield (
                f"Each level of {factor.name} was welded on one plate only: without it a plate is predicted from other "
                "levels."
            )
