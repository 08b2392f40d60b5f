"""Drift: whether something changed while the welds were made, from the first to the last.

For a measure the order of welding is one more column o of the grid posterior (see ``grid``), -1/2 for the first weld
and +1/2 for the last, with a coefficient d that is flat beforehand. At a node, by generalized least squares with the
covariance of settings, plates and blocks::

    d = o' P y / o' P o,   q with drift = q - (o' P y)^2 / o' P o,   df with drift = df - 1
    log weight = -1/2 (log |V| + log 1' V^-1 1 + log o' P o) - df/2 log q
    d | node ~ Student's t about that value, scale^2 = q / df / o' P o

A step half-way, and each block against the others, are columns in the same way. For counts, trips and passes the column
is one more first-order term of the sampled model, with the prior of one.

**What it can find**, seen by simulation (``tests/doe/models/test_drift.py``; virtual welders with quadratic truths
drawn at random, plates of two in random order; 260 studies of 18 welds and 60 of 24, Monte Carlo error up to 3 and 6
points). A drift of a measure from first to last, in scatters between welds, is seen in so many of 100 studies:

======  ====  ===  ===  =====
welds   none  one  two  three
======  ====  ===  ===  =====
18       8    15   38   68
24      13    22   60   80
======  ====  ===  ===  =====

The 90 % band holds the truth in 87 to 95 of 100. A drift of one scatter over 18 welds is thus mostly missed, and no
test of this level can do much better: with 18 welds all alike on plates of their own and a known scatter the chance
would be 36 of 100 (Phi(z - 1.645) + Phi(-z - 1.645), z the drift over its standard error); plates of two and the terms
of the surface take the rest (``doe.models.drift_power``, which works out for a study's own welds what they would have
shown). So a drift that is not seen is never called absent unless its band lies within one
scatter. Counts: no drift is taken for one in 2 of 100 studies, a rate that triples in 8, one that grows tenfold in 47
of 100 (60 studies). Trips: false alarms in 1 of 100. A step half-way, or between two blocks, where there is none:
about a tenth of the bands leave out nought.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from doe.bench.results import IntArray
from doe.coding import FloatArray
from doe.models.breaker import BreakerModel
from doe.models.coded_trip import CodedTripModel
from doe.models.count import CountModel
from doe.models.drift_power import Sight, sight_of, sight_of_factor
from doe.models.grid import BLOCK_GROUP, FIRST_GROUP, Effects, Nodes, make_nodes, node_probabilities, quadratic_form
from doe.models.left_out import completed_readings
from doe.models.measure import MeasureModel
from doe.models.naming import signed, with_unit
from doe.models.passing import PassModel
from doe.models.reweighting import DrawnModel
from doe.models.sampled import FIT_DRAWS, NormalPrior
from doe.models.student_mixture import StudentMixture
from doe.study.model import Response

LEVEL: Final = 0.90
"""Level of the bands, two-sided; a drift whose band leaves out nought is asked about."""
ALIASED: Final = 0.8
"""Share of the order's variation that goes with the settings, first order, from which the two are not told apart. The
order is flat beforehand and the settings are held back a little, so that it would take what is theirs."""
ORDER_SD: Final = {"count": 1.2, "pass": 1.2, "trip": 0.5}
"""Prior standard deviation of the change from first to last on the log or logit scale: that of a first-order term."""


@dataclass(frozen=True)
class Change:
    """A change, with its band at ``LEVEL``: in the response's unit, or as a factor for counts, trips and passes."""

    size: float
    low: float
    high: float


@dataclass(frozen=True)
class Drift:
    """What was seen over the order of welding.

    Attributes
    ----------
    sentence : str
        The verdict, with its size and band.
    is_doubtful : bool
        Whether a drift was seen.
    trend : Change or None
        From the first weld to the last, evenly; None where it was not judged.
    step : Change or None
        From the first half of the welds to the second.
    weld_sd : float or None
        Scatter between welds of a measure, drift taken off.
    sight : Sight or None
        What size of drift of a measure, or of the rate of a count, these welds would have shown.
    blocks : mapping of str to Change
        Each block less the others; measures only.
    """

    sentence: str
    is_doubtful: bool = False
    trend: Change | None = None
    step: Change | None = None
    weld_sd: float | None = None
    sight: Sight | None = None
    blocks: dict[str, Change] = field(default_factory=dict)

    def to_dict(self) -> dict[str, object]:
        """Give the drift as ``fit --json`` prints it."""
        return {
            "seen": self.is_doubtful,
            "trend": None if self.trend is None else vars(self.trend),
            "step": None if self.step is None else vars(self.step),
            "weld_sd": self.weld_sd,
            "would_have_seen": None if self.sight is None else vars(self.sight),
            "blocks": {name: vars(change) for name, change in self.blocks.items()},
        }


def order_column(order: IntArray) -> FloatArray | None:
    """Give -1/2 for the first weld to +1/2 for the last, shape (n,); None where the order is not known."""
    if len(np.unique(order)) < len(order) or order.min() < 1:
        return None
    return np.asarray((order - order.min()) / np.ptp(order) - 0.5)


def change_along(nodes: Nodes, y: FloatArray, column: FloatArray) -> StudentMixture | None:
    """Estimate the coefficient of one more column, flat beforehand.

    Parameters
    ----------
    nodes : Nodes
    y, column : ndarray, shape (n,)

    Returns
    -------
    StudentMixture or None
        One number; None where the column is constant, so that nothing could be told.
    """
    if not (column - column.mean()).any() or nodes.df <= 1.0:
        return None
    found = _along(nodes, y, column)
    scale = np.sqrt(found.q / found.df / found.information)
    return StudentMixture(found.weight[:, None], found.size[:, None], scale[:, None], np.array([found.df]))


@dataclass(frozen=True, eq=False)
class _Along:
    """One more column at every node: its share, the column's information over s2, its coefficient, q and df with it."""

    weight: FloatArray
    information: FloatArray
    size: FloatArray
    q: FloatArray
    df: float


def _along(nodes: Nodes, y: FloatArray, column: FloatArray) -> _Along:
    """Take a column that is not constant into every node."""
    centred, o = y - y.mean(), column - column.mean()
    Po = nodes.inverse.project(o)
    along, oPo = Po @ centred, Po @ o
    df = nodes.df - 1.0
    q = quadratic_form(nodes, centred) - along**2 / oPo
    weight = node_probabilities(nodes.log_before - 0.5 * np.log(oPo) - 0.5 * df * np.log(q))
    return _Along(weight, oPo, along / oPo, q, df)


def drift_of_measure(model: MeasureModel, order: IntArray, blocks: Sequence[str]) -> Drift:
    """Judge the drift of a measure.

    Parameters
    ----------
    model : MeasureModel
    order : ndarray of int, shape (n,)
        Order of the welds with a reading, 1 or more; 0 where it was not given.
    blocks : sequence of str, length n
        Block of each of these welds.
    """
    column, y, response = order_column(order), completed_readings(model), model.response
    if column is None:
        return Drift(f"The order of welding is not known for every weld: drift of {response.name} was not looked for.")
    found = change_along(model.nodes, y, column)
    if found is None:
        return Drift(f"Too few readings to look for a drift of {response.name}.")
    if (share := share_in_settings(model, column)) > ALIASED:
        return Drift(
            f"A drift of {response.name} cannot be told from the settings: they change with the order of welding "
            f"({100 * share:.0f} % of it). Weld in the planned, mixed order."
        )
    scatter = weld_scatter(model.nodes, y, column)
    trend, halves = _band(found), change_along(model.nodes, y, np.where(column > 0.0, 0.5, -0.5))
    sight = find_sight(model.nodes, y, column)
    sentence, seen = _say_measure(response, trend, scatter, sight)
    step = None if halves is None else _band(halves)
    if seen and step is not None:
        sentence += f" Taken as one step half-way it is {_with_band(step, response)}."
    differing = block_changes(model, y, blocks)
    return Drift(sentence + _say_blocks(response, differing), seen, trend, step, scatter, sight, differing)


def share_in_settings(model: MeasureModel, column: FloatArray) -> float:
    """Give the share of a column's variation that first-order terms of the settings explain (R^2)."""
    effects, centred = model.nodes.effects, column - column.mean()
    X = np.column_stack([np.ones(len(column)), effects.C[:, effects.group == FIRST_GROUP]])
    left = centred - X @ np.linalg.lstsq(X, centred, rcond=None)[0]
    return float(1.0 - left @ left / (centred @ centred))


def weld_scatter(nodes: Nodes, y: FloatArray, column: FloatArray) -> float:
    """Give the scatter between welds with the drift taken off: the root of the posterior mean of s2, nearly."""
    found = _along(nodes, y, column)
    return float(np.sqrt(nodes.fresh * (found.weight @ found.q / found.df)))


def find_sight(nodes: Nodes, y: FloatArray, column: FloatArray) -> Sight:
    """Work out what size of drift these welds would have shown, the nodes weighed by what was read."""
    found = _along(nodes, y, column)
    return sight_of(found.weight, found.information, found.df, level=LEVEL)


def _band(found: StudentMixture) -> Change:
    tail = (1.0 - LEVEL) / 2.0
    return Change(float(found.mean[0]), float(found.quantile(tail)[0]), float(found.quantile(1.0 - tail)[0]))


def block_changes(model: MeasureModel, y: FloatArray, blocks: Sequence[str]) -> dict[str, Change]:
    """Estimate each block less the others, as steps that are flat beforehand; empty where there is one block."""
    names = sorted(set(blocks))
    if len(names) < 2:
        return {}
    nodes = _without_blocks(model.nodes)
    columns = {name: np.array([float(block == name) for block in blocks]) for name in names}
    found = {name: change_along(nodes, y, column) for name, column in columns.items()}
    return {name: _band(change) for name, change in found.items() if change is not None}


def _without_blocks(nodes: Nodes) -> Nodes:
    """Work the nodes out again without the blocks' own effects."""
    effects, kept = nodes.effects, nodes.effects.group != BLOCK_GROUP
    variance = effects.variance.copy()
    variance[:, BLOCK_GROUP] = 0.0
    return make_nodes(
        Effects(effects.C[:, kept], effects.group[kept], np.unique(variance, axis=0)), nodes.prior, error=nodes.error
    )


def _say_measure(response: Response, trend: Change, scatter: float, sight: Sight) -> tuple[str, bool]:
    """Put the verdict on a measure in words, and say whether a drift was seen."""
    name = response.name
    size = (
        f"{_with_band(trend, response)} from the first weld to the last, where welds scatter by "
        f"{with_unit(scatter, response)}"
    )
    if trend.low > 0.0 or trend.high < 0.0:
        return f"{name} drifted over the order of welding: {size}. Did something wear, warm up or get changed?", True
    if max(-trend.low, trend.high) < scatter:
        return f"No drift of {name} as large as the scatter between welds: {size}.", False
    return (
        f"No drift of {name} over the order of welding was seen: {size}. One as large as the scatter between welds "
        f"cannot be ruled out: {_say_sight(response, scatter, sight)}.",
        False,
    )


def _say_sight(response: Response, scatter: float, sight: Sight) -> str:
    """Say what these welds would have shown: how often a drift of one scatter, and which drift four times of five."""
    chance = 0.0 if sight.of_one_scatter is None else sight.of_one_scatter
    once = f"such a drift would show in these welds about {round(100 * chance)} times of 100"
    if sight.size is None:
        return f"{once}, and no drift four times of five"
    needed = with_unit(sight.size * scatter, response)
    return f"{once}; to show four times of five it takes one of {needed}, {sight.size:.1f} times that scatter"


def _with_band(change: Change, response: Response) -> str:
    """Give a change of a measure with its band."""
    half = 0.5 * (change.high - change.low)
    low, high = signed(change.low, half), signed(change.high, half)
    return f"{signed(change.size, half)} {response.unit} ({100 * LEVEL:.0f} % band {low} to {high})"


def _say_blocks(response: Response, blocks: dict[str, Change]) -> str:
    """Name the block that differs most from the others; they are in the model, so that is no doubt."""
    if not blocks:
        return ""
    name = max(blocks, key=lambda block: abs(blocks[block].size))
    return f" Of the blocks, {name} differs most from the others: {_with_band(blocks[name], response)}."


# --- counts, trips, passes


def drift_of_drawn(response: Response, model: DrawnModel, order: IntArray, rng: np.random.Generator) -> Drift:
    """Judge the drift of a count, a trip or a pass.

    Parameters
    ----------
    response : Response
    model : DrawnModel
    order : ndarray of int, shape (n,)
        Order of the welds that entered, 1 or more; 0 where it was not given.
    rng : numpy.random.Generator
    """
    column = order_column(order)
    if column is None:
        return Drift(f"The order of welding is not known for every weld: drift of {response.name} was not looked for.")
    extended = _with_column(model, column, ORDER_SD[response.kind])
    if extended is None:
        return Drift(f"Drift of {response.name} was not looked for: first and later welds already differ.")
    wider, at = extended
    draws = wider.sample(FIT_DRAWS, rng).draws[:, at]
    low, high = np.exp(np.quantile(draws, [0.5 - LEVEL / 2.0, 0.5 + LEVEL / 2.0]))
    trend = Change(float(np.exp(draws.mean())), float(low), float(high))
    what = {"count": "the rate", "trip": "the time to a trip", "pass": "the odds of passing"}[response.kind]
    size = (
        f"from the first weld to the last {what} changed by a factor of {trend.size:.2g} "
        f"({100 * LEVEL:.0f} % band {trend.low:.2g} to {trend.high:.2g})"
    )
    name = response.name
    if low > 1.0 or high < 1.0:
        return Drift(
            f"{name} drifted over the order of welding: {size}. Did something wear, warm up or get changed?",
            True,
            trend,
        )
    sight = sight_of_factor(float(draws.std()), ORDER_SD["count"], level=LEVEL) if response.kind == "count" else None
    shown = "" if sight is None else _say_factor(sight)
    return Drift(f"No drift of {name} over the order of welding was seen: {size}.{shown}", False, trend, sight=sight)


def _say_factor(sight: Sight) -> str:
    """Say which change of a rate these welds would have shown."""
    if sight.size is None:
        return " These welds could hardly have shown one."
    factor = f"{float(f'{sight.size:.2g}'):g}"
    return f" To show in these welds four times of five it takes about a factor of {factor}, or of one over that."


def _with_column(model: DrawnModel, column: FloatArray, sd: float) -> tuple[DrawnModel, int] | None:
    """Add a column to a sampled model, and say which parameter is its coefficient; None where there is no room."""
    if isinstance(model, BreakerModel):
        if model.position is not None:
            return None
        prior, start = _with_parameter(model.prior, model.start, 3, sd)
        return replace(model, position=column, prior=prior, start=start), 3
    at = model.prior.mean.size - (0 if isinstance(model, PassModel) else 1)
    prior, start = _with_parameter(model.prior, model.start, at, sd)
    if isinstance(model, CountModel):
        data = replace(model.data, X=np.column_stack([model.data.X, column]))
        return replace(model, data=data, prior=prior, start=start), at
    X = np.column_stack([model.X, column])
    if isinstance(model, CodedTripModel):
        return replace(model, X=X, prior=prior, start=start), at
    return replace(model, X=X, prior=prior, start=start), at


def _with_parameter(prior: NormalPrior, start: FloatArray, at: int, sd: float) -> tuple[NormalPrior, FloatArray]:
    """Make room for one more parameter, centred on nought."""
    wider = NormalPrior(np.insert(prior.mean, at, 0.0), np.insert(prior.sd, at, sd))
    return wider, np.insert(start, at, 0.0)
