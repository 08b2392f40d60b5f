"""The answer: the setting window and everything a report needs about it, as frozen objects."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import pandas as pd

from doe.coding import FloatArray
from doe.study.model import Claim, Factor, Study
from doe.window.assurance import Position
from doe.window.box import BoolArray
from doe.window.standing import Standing

Reason = Literal["data speak against", "cannot say yet", "no requirement"]


@dataclass(frozen=True, eq=False)
class SettingBox:
    """A box of settings on the dials.

    Attributes
    ----------
    low, high : tuple of float
        Lowest and highest value a factor, both inside, natural; a kind's index in both.
    dials : tuple of ndarray
        Every value a factor that can be dialled in from low to high.
    share : float
        Of the reachable settings of that kind.
    confidence : float
        Share of fresh draws in which every setting inside reaches the reliability.
    proven_largest : bool
        Whether every other box was excluded.
    """

    low: tuple[float, ...]
    high: tuple[float, ...]
    dials: tuple[FloatArray, ...]
    share: float
    confidence: float
    proven_largest: bool = True

    @property
    def n_settings(self) -> int:
        """Number of settings inside."""
        return int(np.prod([len(v) for v in self.dials]))

    def contains(self, natural: tuple[float, ...]) -> bool:
        """Whether a setting lies inside."""
        slack = 1e-9
        sides = zip(self.low, natural, self.high, strict=True)
        return all(low - slack <= value <= high + slack for low, value, high in sides)


@dataclass(frozen=True, eq=False)
class WorkingRegion:
    """The larger box in which most settings are good, not all.

    Attributes
    ----------
    box : SettingBox
        Its ``confidence`` is that of the floor.
    expected_bad_share : float
        Posterior mean share of its settings below the reliability.
    floor : float
        Every setting reaches at least this assurance, held with the claim's confidence.
    """

    box: SettingBox
    expected_bad_share: float
    floor: float


@dataclass(frozen=True)
class Chance:
    """A probability: posterior mean, and the bound held with the claim's confidence."""

    expected: float
    low: float

    def to_dict(self) -> dict[str, float]:
        """Give both, as ``window --json`` prints them."""
        return {"expected": self.expected, "low": self.low}


@dataclass(frozen=True)
class ResponseNumbers:
    """What to expect of one response at a setting.

    Attributes
    ----------
    mean, mean_low, mean_high : float
        Posterior mean of the mean, and its confidence band.
    weld_low, weld_high : float
        Prediction band of the next weld on a new plate.
    passes : Chance or None
        Chance of meeting the requirement; None where there is none.
    """

    mean: float
    mean_low: float
    mean_high: float
    weld_low: float
    weld_high: float
    passes: Chance | None = None

    def to_dict(self) -> dict[str, object]:
        """Give the numbers as ``window --json`` prints them."""
        return {
            "mean": self.mean,
            "mean_low": self.mean_low,
            "mean_high": self.mean_high,
            "weld_low": self.weld_low,
            "weld_high": self.weld_high,
            "pass": None if self.passes is None else self.passes.to_dict(),
        }


@dataclass(frozen=True)
class BestSetting:
    """The setting in the window with the most assurance, dial wander included."""

    settings: tuple[float, ...]
    assurance: Chance
    responses: Mapping[str, ResponseNumbers]


@dataclass(frozen=True)
class Nearest:
    """What can be said where no window can be claimed.

    Attributes
    ----------
    settings : tuple of float or None
        The best candidate; None where the responses cannot be judged at all.
    assurance : Chance or None
    reliability_claimable : float or None
        The largest reliability that could be claimed there; None where not even one of two.
    chance : float or None
        g: the confidence that the reliability is reached there.
    limiting : str
        The response with the lowest bound there; empty where no requirement was judged.
    reason : {"data speak against", "cannot say yet", "no requirement"}
        The last where the study asks nothing of any response, so that there is no question to answer.
    more_welds : int
        Welds to make next (METHOD section 6, "No window", 5); 0 where no question was asked.
    """

    settings: tuple[float, ...] | None
    assurance: Chance | None
    reliability_claimable: float | None
    chance: float | None
    limiting: str
    reason: Reason
    more_welds: int


@dataclass(frozen=True, eq=False)
class ShiftedClaim:
    """What would be left of a claim, had another prior been taken for one response.

    Attributes
    ----------
    response : str
    assumption, supposing : str
        What is moved, in words (``doe.models.sampled.Shift``).
    effective_draws : float
        How many equal draws the reweighted ones are worth.
    confidence : float or None
        With which the same box holds; None where too few draws speak for the moved prior to say.
    size_left : float or None
        Size of the largest box then, over that of the claimed one: 1 where that one still holds, 0 where nothing
        could be claimed; None where it cannot be said, or was not sought.
    box : SettingBox or None
        The largest box then, where the claimed one no longer holds.
    """

    response: str
    assumption: str
    supposing: str
    effective_draws: float
    confidence: float | None
    size_left: float | None = None
    box: SettingBox | None = None

    @property
    def is_halved(self) -> bool:
        """Whether less than half would be left (METHOD section 6)."""
        return self.size_left is not None and self.size_left < 0.5

    def to_dict(self, study: Study) -> dict[str, object]:
        """Give the numbers as ``window --json`` prints them."""
        return {
            "response": self.response,
            "assumption": self.assumption,
            "confidence": self.confidence,
            "effective_draws": self.effective_draws,
            "size_left": self.size_left,
            "window": None if self.box is None else describe_box(study, self.box),
        }


@dataclass(frozen=True, eq=False)
class Answer:
    """The answer for one position on the plate.

    Attributes
    ----------
    position : "any", 1 or 2
    box : SettingBox or None
        The window; None where none can be claimed.
    searched_at : float
        The confidence searched with: the claim's, or half way to 1 by METHOD's third rule.
    single_setting : bool
        Fewer than two values of a main dial: never called a window.
    limited_by : mapping of str to str
        ``voltage.high`` to the response that limits there, or ``region``.
    best : BestSetting or None
    working : WorkingRegion or None
    nearest : Nearest or None
        Where there is no window.
    lesser : SettingBox or None
        Where there is no window: the largest box at a reliability of 80 %.
    not_contradicted : SettingBox or None
        The box that would have been claimed, had the arc been held for longer.
    findings : tuple of str
    shifted : tuple of ShiftedClaim
        What would be left of the claim under other priors, one at a time.
    prior_lines : tuple of str
        That in sentences.
    stage : int
        Of the draws behind what is said of the best setting, or of the best candidate: drawn again from the same fit
        and seed they are the same (``doe.window.explore``).
    """

    position: Position
    box: SettingBox | None = None
    searched_at: float = 0.0
    single_setting: bool = False
    limited_by: Mapping[str, str] = field(default_factory=dict)
    best: BestSetting | None = None
    working: WorkingRegion | None = None
    nearest: Nearest | None = None
    lesser: SettingBox | None = None
    not_contradicted: SettingBox | None = None
    findings: tuple[str, ...] = ()
    shifted: tuple[ShiftedClaim, ...] = ()
    prior_lines: tuple[str, ...] = ()
    stage: int = 1

    @property
    def found(self) -> bool:
        """Whether a window (or a single setting) can be claimed."""
        return self.box is not None

    @property
    def is_one_setting(self) -> bool:
        """Whether just one setting is claimed."""
        return self.box is not None and self.box.n_settings == 1


@dataclass(frozen=True, eq=False)
class AssuranceMap:
    """The assurance over the whole grid, for one position; nan where a setting is not reachable.

    Attributes
    ----------
    position : "any", 1 or 2
    expected, low : ndarray, shape of the grid
        Posterior mean, and the bound held with the claim's confidence.
    chance : ndarray, shape of the grid
        Posterior probability that the reliability is reached.
    passes : mapping of str to ndarray
        Each response's expected chance of meeting its requirement.
    """

    position: Position
    expected: FloatArray
    low: FloatArray
    chance: FloatArray
    passes: Mapping[str, FloatArray]


@dataclass(frozen=True, eq=False)
class Window:
    """The setting window of a study.

    Attributes
    ----------
    study : Study
    claim : Claim
    answers : tuple of Answer
        The first serves every weld; where later welds start warm, those for first and for later welds follow.
    maps : tuple of AssuranceMap
        One an answer, in the same order; empty where nothing could be drawn.
    axes : tuple of ndarray
        The grid's values a factor.
    reachable, claimable : ndarray of bool, shape of the grid
        Within the limits; and within what was welded.
    assumptions : tuple of str
        Printed with every claim.
    assumed : tuple of str
        What was said beforehand and not measured, in few words, for the card.
    cool_plate : str
        How cool a plate is before its first weld (``doe.window.cool_down``); empty where it carries one weld.
    left_out : tuple of str
        Responses with a requirement that were not measured: outside the claim.
    findings : tuple of str
    n_welds : int
        Welds the answer rests on, second beads not counted.
    seed : int
    method : {"posterior", "textbook"}
    standing : Standing or None
        Where a claim of it stands; None where none was fixed, or it was not asked for.
    """

    study: Study
    claim: Claim
    answers: tuple[Answer, ...]
    maps: tuple[AssuranceMap, ...]
    axes: tuple[FloatArray, ...]
    reachable: BoolArray
    claimable: BoolArray
    assumptions: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    cool_plate: str = ""
    left_out: tuple[str, ...] = ()
    findings: tuple[str, ...] = ()
    n_welds: int = 0
    seed: int = 1
    method: Literal["posterior", "textbook"] = "posterior"
    standing: Standing | None = None

    @property
    def answer(self) -> Answer:
        """The answer that serves every weld."""
        return self.answers[0]

    @property
    def has_question(self) -> bool:
        """Whether any response has a requirement, so that there is something to claim."""
        return any(response.has_requirement for response in self.study.responses)

    @property
    def found(self) -> bool:
        """Whether a window (or a single setting) can be claimed for every weld."""
        return self.answer.found

    def to_dict(self) -> dict[str, object]:
        """Give the answer as ``window --json`` prints it."""
        printed: dict[str, object] = {
            "schema": 1,
            "claim": {"reliability": self.claim.reliability, "confidence": self.claim.confidence},
            **self._describe(self.answer),
            "assumptions": list(self.assumptions),
            "left_out": list(self.left_out),
            "findings": [*self.findings, *self.answer.findings],
            "method": self.method,
            "seed": self.seed,
        }
        if len(self.answers) > 1:
            others = {str(a.position): {**self._describe(a), "findings": list(a.findings)} for a in self.answers[1:]}
            printed["positions"] = others
        return printed

    def to_frame(self) -> pd.DataFrame:
        """Give the assurance map of every weld as a table: one row a reachable setting, kinds by name."""
        index = np.nonzero(self.reachable)
        columns: dict[str, object] = {}
        for factor, axis, at in zip(self.study.factors, self.axes, index, strict=True):
            values = axis[at]
            columns[factor.name] = [factor.kinds[int(v)] for v in values] if factor.is_kind else values
        for shown in self.maps[:1]:
            columns["expected assurance"] = shown.expected[index]
            columns["assurance held"] = shown.low[index]
        columns["claimable"] = self.claimable[index]
        return pd.DataFrame(columns)

    def _describe(self, answer: Answer) -> dict[str, object]:
        """Describe one position's answer."""
        box, working = answer.box, answer.working
        return {
            "found": answer.found,
            "window": None if box is None else describe_box(self.study, box),
            "single_setting": answer.single_setting,
            "position": answer.position,
            "confidence": None if box is None else box.confidence,
            "share": None if box is None else box.share,
            "proven_largest": None if box is None else box.proven_largest,
            "working_region": None
            if working is None
            else {
                **describe_box(self.study, working.box),
                "expected_bad_share": working.expected_bad_share,
                "floor": working.floor,
            },
            "limited_by": dict(answer.limited_by),
            "prior_shifts": [shift.to_dict(self.study) for shift in answer.shifted],
            "best": None if answer.best is None else self._describe_best(answer.best),
            "if_not": None if answer.nearest is None else self._describe_nearest(answer.nearest),
        }

    def _describe_best(self, best: BestSetting) -> dict[str, object]:
        return {
            "settings": describe_settings(self.study, best.settings),
            "marks": describe_marks(self.study, best.settings),
            "assurance": best.assurance.to_dict(),
            "responses": {name: numbers.to_dict() for name, numbers in best.responses.items()},
        }

    def _describe_nearest(self, nearest: Nearest) -> dict[str, object]:
        return {
            "nearest": None if nearest.settings is None else describe_settings(self.study, nearest.settings),
            "assurance": None if nearest.assurance is None else nearest.assurance.to_dict(),
            "reliability_claimable": nearest.reliability_claimable,
            "limiting": nearest.limiting,
            "reason": nearest.reason,
            "more_welds": nearest.more_welds,
        }


def describe_settings(study: Study, natural: tuple[float, ...]) -> dict[str, object]:
    """Give each factor's value, kinds by name."""
    pairs = zip(study.factors, natural, strict=True)
    return {f.name: f.kinds[round(value)] if f.is_kind else float(value) for f, value in pairs}


def describe_marks(study: Study, natural: tuple[float, ...]) -> dict[str, str]:
    """Give the mark of each factor that has one at its value."""
    marks = ((f.name, f.mark_at(value)) for f, value in zip(study.factors, natural, strict=True))
    return {name: mark for name, mark in marks if mark is not None}


def describe_box(study: Study, box: SettingBox) -> dict[str, object]:
    """Give each factor's range with its marks or settings, or its kind."""
    return {factor.name: _describe_range(factor, j, box) for j, factor in enumerate(study.factors)}


def _describe_range(factor: Factor, j: int, box: SettingBox) -> dict[str, object]:
    if factor.is_kind:
        return {"kind": factor.kinds[round(box.low[j])]}
    ends: dict[str, object] = {"low": float(box.low[j]), "high": float(box.high[j])}
    if factor.marks:
        return {**ends, "marks": [factor.mark_at(float(v)) for v in box.dials[j]]}
    return {**ends, "settings": [float(v) for v in box.dials[j]]}
