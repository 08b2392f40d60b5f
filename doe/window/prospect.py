"""What further welds are expected to bring: machines drawn from the posterior, welded on, fitted, searched.

Each draw from the posterior is a machine that the welds so far leave possible. The new welds are made on it
(``doe.window.simulated``), everything is fitted again with the same models, and the window is searched by the same
rules. The average over the machines is what can be expected, as far as models and priors are right.

Measured on virtual welders, 12 welds and 6 more: on 60 smooth ones a window was foretold with .258 and found with .250,
its share foretold .015 and found .013. Where half of the welders have a sharp ridge, which no second-order surface
follows, it is too hopeful: share foretold .020, found .008 (31 welders); with 16 welds and 6 more it is right again
(.019 and .017, 29 welders).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Final

from doe.bench.results import Results
from doe.errors import CannotAnswerError
from doe.models import fit_responses
from doe.models.fit import Fit
from doe.planning.plan import PlannedWeld
from doe.window.assurance import Draws
from doe.window.claim import apply_rules
from doe.window.inquiry import EXPLORING_STAGE, FINDING_STAGE, DrawSource
from doe.window.posing import (
    UnsettledError,
    blocked_fits,
    draw_source,
    pose,
    required_fits,
    scenarios_of,
)
from doe.window.simulated import simulate_results
from doe.window.welded import find_welded_region
from doe.window.window import SettingBox

N_MACHINES: Final = 32
"""Machines that are welded on: a chance is then right to about 9 points. Our choice: some 10 s."""
SIZES_TRIED: Final = (0.5, 2.0)
"""The share that was found over the share foretold, on average over each kind of truth that was tried: about half where
depth bends more sharply than the models can, up to twice where good settings lie inside (reports/forecast.md)."""
LARGE_STUDY: Final = 1_000
"""Readings, welds times responses, above which fewer machines are welded on."""
FEW_MACHINES: Final = 8
"""Machines for a large study: a chance is then right to about 18 points. Our choice: every one is fitted anew."""
QUICK_DRAWS: Final = 1_000
"""Draws of each simulated fit, a quarter of those of a claim; the draws for looking around also find the boxes, and
as for a claim others check them. Our choice."""
MACHINE_STAGE: Final = 50
"""Stage of the draws that are the machines."""

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class Outlook:
    """A window's prospect: the chance that one can be claimed, and its expected share of the reachable settings.

    Attributes
    ----------
    found : float
        1 or 0 where it is known.
    share : float
        0 where none is found.
    """

    found: float
    share: float

    def to_dict(self) -> dict[str, float]:
        """Give both, as ``next --json`` prints them."""
        return {"found": self.found, "share": self.share}


@dataclass(frozen=True)
class Expected:
    """What further welds are expected to bring: now, and with them added."""

    now: Outlook
    then: Outlook
    machines: int

    @property
    def share_range(self) -> tuple[float, float]:
        """The share then, if this machine is as far from the models as the worst and the best kind that was tried."""
        low, high = SIZES_TRIED
        return low * self.then.share, min(high * self.then.share, 1.0)

    def to_dict(self) -> dict[str, object]:
        """Give both, as ``next --json`` prints them."""
        return {"now": self.now.to_dict(), "then": self.then.to_dict(), "then_share_range": list(self.share_range)}


def usual_machines(fit: Fit) -> int:
    """Give the usual number of machines: fewer for a large study, and where Student-t errors take ten times as long."""
    is_slow = any(part.response.errors == "student t" for part in fit.responses)
    is_large = fit.results.n_welds * len(fit.responses) > LARGE_STUDY
    return FEW_MACHINES if is_slow or is_large else N_MACHINES


def outlook_now(box: SettingBox | None) -> Outlook:
    """Give the outlook where the answer is known."""
    return Outlook(0.0, 0.0) if box is None else Outlook(1.0, box.share)


def outlook_then(
    fit: Fit,
    welds: tuple[PlannedWeld, ...],
    *,
    seed: int,
    machines: int,
    jobs: int = 1,
    progress: Progress | None = None,
) -> Outlook:
    """Weld on machines drawn from the posterior, and average what can then be claimed.

    Parameters
    ----------
    fit : Fit
        Every response with a requirement able to draw.
    welds : tuple of PlannedWeld
        The welds to be made.
    seed : int
    machines : int
    jobs : int
        Processes; the answer is the same, whatever their number.
    progress : callable, optional
        Called with machines done and machines in all.

    Raises
    ------
    UnsettledError
        If the draws that are the machines did not settle.
    """
    required = required_fits(fit)
    drawn = draw_source(required, fit, seed)(MACHINE_STAGE, machines)
    posteriors = dict(zip(drawn.names, drawn.posteriors, strict=True))
    known = replace(fit.results, readings={name: fit.results.readings[name] for name in posteriors})
    simulated = (
        (simulate_results(known, posteriors, welds, draw=draw, seed=seed), seed + draw) for draw in range(machines)
    )
    boxes = []
    for box in _boxes(simulated, jobs):
        boxes.append(box)
        if progress is not None:
            progress(len(boxes), machines)
    found = [box for box in boxes if box is not None]
    return Outlook(len(found) / machines, sum(box.share for box in found) / machines)


def _boxes(simulated: Iterable[tuple[Results, int]], jobs: int) -> Iterator[SettingBox | None]:
    """Find the box of each simulated study, in their order."""
    if jobs == 1:
        for results, seed in simulated:
            yield quick_box(results, seed=seed)
        return
    import joblib  # noqa: PLC0415 - only where several processes are asked for

    with joblib.parallel_config(backend="loky", inner_max_num_threads=1):
        parallel = joblib.Parallel(n_jobs=jobs, return_as="generator")
        yield from parallel(joblib.delayed(quick_box)(results, seed=seed) for results, seed in simulated)


def quick_box(results: Results, *, seed: int) -> SettingBox | None:
    """Fit results and find the box that can be claimed for every weld, on fewer draws than a claim takes."""
    try:
        fit = fit_responses(results, seed=seed)
        required, region = required_fits(fit), find_welded_region(results)
    except CannotAnswerError:
        return None  # nothing can be claimed from such results
    if blocked_fits(required) or not region.claimable.any():
        return None
    source = _quick(draw_source(required, fit, seed))
    try:
        inquiry, _ = pose(fit, region, scenarios_of(fit)[0][0], source=source, seed=seed)
        checked = apply_rules(inquiry).checked
    except UnsettledError:
        return None
    return None if checked is None else checked.box


def _quick(source: DrawSource) -> DrawSource:
    """Give fewer draws wherever more are asked for, and the same ones for looking around and for finding boxes."""

    def draw(stage: int, n_draws: int) -> Draws:
        return source(FINDING_STAGE if stage == EXPLORING_STAGE else stage, min(n_draws, QUICK_DRAWS))

    return draw
