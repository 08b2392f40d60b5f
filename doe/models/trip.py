"""Trips: the time the supply holds, as a Weibull time to event (METHOD.md section 4).

A trip at t is an event, a weld that ran t without one is censored: it held at least so long, no more is known.
Where the load on the supply is known from readings the breaker's time law is used (``doe.models.breaker``);
otherwise the log of the median time is linear in the coded factors, with a prior that expects hotter settings to
trip sooner. The breaker's law is for breakers only: it goes to the first trip response whose name speaks of one
(``doe.study.trips``); the others, and those whose name leaves it open, are fitted in the coded factors.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from doe.bench.results import Results, Trips
from doe.coding import FloatArray
from doe.errors import CannotAnswerError
from doe.models import trip_words
from doe.models.breaker import REFERENCE, BreakerModel, exponent, log_shape, make_prior, standard_bounds
from doe.models.coded_trip import CodedTripModel, CodedTripPosterior, coded_prior
from doe.models.fit import ResponseFit, TermEstimate
from doe.models.load import LoadTrend, find_load
from doe.models.sampled import FIT_DRAWS, SampledModel, SampledPosterior, find_sensitivity
from doe.models.sampling import NOT_SETTLED, Sample
from doe.models.separation import find_separation
from doe.models.summary import summarise_draws, summarise_terms
from doe.models.surface import BoolArray, build_surface
from doe.models.trip_cause import CauseModel, chance_of_other_cause, other_cause_model
from doe.models.weibull import TripTimes, shape_of
from doe.study.model import Response
from doe.study.trips import is_breaker

SHORTEST_S: Final = 0.1
"""A trip the moment the arc was lit counts as this. [s]"""


# --- what the welds say


@dataclass(frozen=True, eq=False)
class UsableTrips:
    """Trips with the arc times they can be given.

    Attributes
    ----------
    used : ndarray of bool, shape (n_welds,)
        The welds that enter.
    times : TripTimes
        Of the used welds.
    by_length : int
        Used welds whose arc time is weld length over travel speed.
    lost_trips : ndarray of bool, shape (n_welds,)
        Trips at no known time and under no known limit: without them nothing may be claimed.
    lost_holds : ndarray of bool, shape (n_welds,)
        Welds without a trip that ran for no known time; leaving them out is on the safe side.
    """

    used: BoolArray
    times: TripTimes
    by_length: int
    lost_trips: BoolArray
    lost_holds: BoolArray


def usable_trips(results: Results, trips: Trips) -> UsableTrips:
    """Give each trip its arc time: as read, else weld length over travel speed (METHOD.md section 4).

    A trip without a time came before that arc time was over; a weld without a trip held for it. An aborted weld
    that did not trip ran for an unknown part of its length, so it has no arc time unless one was read.
    """
    known, tripped = np.isfinite(trips.tripped), trips.tripped == 1.0
    timed = np.isfinite(trips.time_s)
    aborted = np.array([status == "aborted" for status in results.status], dtype=bool)
    by_length = np.where(aborted & ~tripped, np.nan, _arc_time_by_length(results))
    time_s = np.where(timed, trips.time_s, by_length)
    used, lost = known & np.isfinite(time_s), known & ~np.isfinite(time_s)
    times = TripTimes(np.log(np.maximum(time_s[used], SHORTEST_S)), tripped[used], timed[used])
    return UsableTrips(used, times, int((used & ~timed).sum()), lost & tripped, lost & ~tripped)


def _arc_time_by_length(results: Results) -> FloatArray:
    """Give weld length over travel speed in s, shape (n_welds,); nan where either is unknown."""
    job = results.study.job
    stated = np.nan if job.travel_speed_mm_s is None else job.travel_speed_mm_s
    speed = results.conditions.get("travel speed [mm/s]", np.full(results.n_welds, np.nan))
    length = np.nan if job.weld_length_mm is None else job.weld_length_mm
    return np.asarray(length / np.where(np.isfinite(speed), speed, stated))


# --- the fit


def fit_trip(results: Results, response: Response, *, seed: int) -> ResponseFit:
    """Fit a trip response.

    Parameters
    ----------
    results : Results
        With at least one weld whose trip, or its absence, was noted.
    response : Response
        Of kind ``trip``. Without ``hold`` the chance to hold is that over the median arc time of the welds.
    seed : int

    Returns
    -------
    ResponseFit
        ``numbers`` holds ``scale`` (posterior mean of the reciprocal Weibull shape), ``separated``, ``trips``,
        ``load`` and ``sensitivity`` (``find_sensitivity``); ``conditions`` holds ``load`` and ``arc_time_ratio``,
        the shortest arc time without a trip over the time to hold.

    Raises
    ------
    CannotAnswerError
        If not one weld has an arc time.
    """
    readings = results.readings[response.name]
    if not isinstance(readings, Trips):
        message = f"{response.name} has no trips"
        raise TypeError(message)
    trips = usable_trips(results, readings)
    if not trips.used.any():
        raise CannotAnswerError(trip_words.no_times(results, response, trips.lost_trips | trips.lost_holds))
    task = TripTask(results, response, trips, np.random.default_rng(seed))
    load = find_load(results) if is_breaker(results.study, response) else None
    fitted = _fit_coded(task) if load is None else _fit_breaker(task, load)
    return _report(task, fitted, load)


@dataclass(frozen=True, eq=False)
class TripTask:
    """What is to be fitted: the results, the response, its usable trips, and the random numbers."""

    results: Results
    response: Response
    trips: UsableTrips
    rng: np.random.Generator

    @property
    def log_hold(self) -> float:
        """Log of the arc time to hold; without a requirement that of the typical weld. [log s]."""
        hold_s = self.response.hold_s
        return float(np.median(self.trips.times.log_time) if hold_s is None else np.log(hold_s))

    @property
    def settings(self) -> FloatArray:
        """Natural settings of the used welds, shape (n, n_factors)."""
        return self.results.settings[self.trips.used]


@dataclass(frozen=True, eq=False)
class FittedTrip:
    """A trip model, its draws and what they say of the terms.

    ``other_chance`` is the chance that trips have another cause than the load; None where the load is unknown.
    ``posterior`` and ``sample`` are those of the time law alone.
    """

    model: SampledModel
    sample: Sample
    posterior: SampledPosterior
    terms: tuple[TermEstimate, ...]
    scale: float
    method: str
    other_chance: float | None = None


def _fit_coded(task: TripTask) -> FittedTrip:
    """Fit the model in the coded factors."""
    used, level = task.trips.used, task.results.study.claim.confidence
    surface = build_surface(task.results, highest="first", used=used)
    prior = coded_prior(surface, task.log_hold)
    X = surface.welds(task.results)[used]
    model = CodedTripModel(surface, X, task.trips.times, task.log_hold, prior, prior.mean)
    sample = model.sample(FIT_DRAWS, task.rng)
    return FittedTrip(
        model=replace(model, start=sample.mode),
        sample=sample,
        posterior=CodedTripPosterior(surface, sample.draws, task.log_hold),
        terms=summarise_terms(surface, sample.draws[:, :-1], level=level),
        scale=float((1.0 / shape_of(sample.draws[:, -1])).mean()),
        method="Bayesian Weibull time to trip, log of the median time of first order in the coded factors",
    )


def _fit_breaker(task: TripTask, load: LoadTrend) -> FittedTrip:
    """Fit the breaker's time law, and beside it trips by another cause."""
    model = _make_breaker_model(task, load)
    sample = model.sample(FIT_DRAWS, task.rng)
    other = other_cause_model(build_surface(task.results, highest="first"), task.trips.times, task.log_hold)
    beside = other.sample(FIT_DRAWS, task.rng)
    chance = chance_of_other_cause(model.log_evidence(sample), other.log_evidence(beside))
    x, b, warm = sample.draws, exponent(sample.draws), model.position is not None
    names = ("constant", "load", "position") if warm else ("constant", "load")
    draws = np.column_stack([x[:, 0] + b * np.log(REFERENCE), -b, x[:, 3:4] if warm else x[:, :0]])
    return FittedTrip(
        model=CauseModel(replace(model, start=sample.mode), replace(other, start=beside.mode), chance),
        sample=replace(sample, settled=sample.settled and beside.settled),
        posterior=model.posterior(x, task.rng),
        terms=summarise_draws(names, draws, level=task.results.study.claim.confidence),
        scale=float(np.exp(-log_shape(x)).mean()),
        method=(
            "Bayesian Weibull time to trip of a breaker, log of the median time linear in the log of "
            f"line current over breaker rating (load {load.kind})"
        ),
        other_chance=chance,
    )


def _make_breaker_model(task: TripTask, load: LoadTrend) -> BreakerModel:
    study, used = task.results.study, task.trips.used
    warm = study.plan.later_welds == "warm" and study.plan.welds_per_plate > 1
    columns = load.columns(task.settings)
    prior = make_prior(columns.shape[1] if load.kind == "computed" else 0, has_position=warm)
    return BreakerModel(
        times=task.trips.times,
        load=load,
        columns=columns,
        log_ratio=load.log_ratio[used],
        position=np.where(task.results.position[used] > 1, 0.5, -0.5) if warm else None,
        bounds=standard_bounds(study.supply.curve, study.supply.breaker_a or 0.0),
        log_hold=task.log_hold,
        prior=prior,
        start=prior.mean,
    )


def _report(task: TripTask, fitted: FittedTrip, load: LoadTrend | None) -> ResponseFit:
    """Put numbers, findings and assumptions together."""
    trips, results, response = task.trips, task.results, task.response
    X = build_surface(results, highest="first").welds(results)[trips.used]
    separation = find_separation(X, trips.times.tripped)
    sensitivity = None
    if response.has_requirement:
        sensitivity = find_sensitivity(fitted.model, fitted.posterior, results.study, task.settings)
    told = trip_words.Told(results, response, trips.used, trips.times, float(np.exp(task.log_hold)))
    ratio, settled = _arc_time_ratio(task), fitted.sample.settled
    return ResponseFit(
        response=response,
        method=fitted.method,
        n=int(trips.used.sum()),
        terms=fitted.terms,
        numbers={
            "scale": fitted.scale,
            "separated": separation != "none",
            "trips": int(trips.times.tripped.sum()),
            "load": _describe_load(load, trips.used),
            "effective_draws": fitted.sample.ess,
            **({} if fitted.other_chance is None else {"other_cause": fitted.other_chance}),
            **({"sensitivity": sensitivity.to_dict(results.study)} if sensitivity else {}),
        },
        findings=(
            *trip_words.outcome_findings(told, complete=separation == "complete"),
            *trip_words.prior_findings(told, sensitivity if load is None else None),
            *trip_words.short_findings(ratio),
            *trip_words.lost_findings(results, trips.lost_trips, trips.lost_holds),
            *trip_words.load_findings(load),
            *trip_words.cause_findings(told, fitted.other_chance),
            *(() if settled else (NOT_SETTLED,)),
        ),
        assumptions=trip_words.assumptions(told, load, by_length=trips.by_length),
        prior_findings=trip_words.prior_findings(told, sensitivity if load is None else None),
        model=fitted.model,
        settled=settled,
        can_claim=settled and not trips.lost_trips.any(),
        conditions={"load": load.kind if load else "unknown", "arc_time_ratio": ratio},
    )


def _describe_load(load: LoadTrend | None, used: BoolArray) -> dict[str, object]:
    """Give the load ratios of the welds, as ``fit --json`` prints them."""
    if load is None:
        return {"kind": "unknown"}
    ratio = np.exp(load.log_ratio[used])
    scatter = float(load.weights @ load.scatter)
    lowest, highest = float(ratio.min()), float(ratio.max())
    return {"kind": load.kind, "low": lowest, "high": highest, "scatter": scatter, "readings": load.n_readings}


def _arc_time_ratio(task: TripTask) -> float:
    """Give the shortest arc time without a trip over the time to hold; infinite where every weld tripped.

    Aborted welds do not count as long as others held: how long the tester meant to run is what is judged.
    """
    trips = task.trips
    held = ~trips.times.tripped
    done = np.array([task.results.status[i] != "aborted" for i in np.flatnonzero(trips.used)], dtype=bool)
    held = held & done if (held & done).any() else held
    if not held.any():
        return float("inf")
    return float(np.exp(trips.times.log_time[held].min() - task.log_hold))
