"""What a comparison is: the sides, the differences between them, and the card that serves all."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from doe.study.model import Claim, Response, Study
from doe.window.window import SettingBox, describe_box, describe_marks, describe_settings

Verdict = Literal[
    "one card serves both", "each needs its own card", "only one has a card", "cannot say yet", "no requirement"
]


@dataclass(frozen=True, eq=False)
class SideAnswer:
    """What one side says alone.

    Attributes
    ----------
    label : str
    study : Study
    n_welds : int
        Welds made on this side.
    box : SettingBox or None
        Its own window.
    best : tuple of float or None
        The best setting in it; without a window the most promising setting. Natural, as this side sets it. None where
        no requirement can be judged.
    single_setting : bool
        Whether the window is too narrow to be called one.
    blocked : tuple of str
        Responses that forbid any claim.
    """

    label: str
    study: Study
    n_welds: int
    box: SettingBox | None
    best: tuple[float, ...] | None
    single_setting: bool = False
    blocked: tuple[str, ...] = ()

    @property
    def has_question(self) -> bool:
        """Whether anything is asked of a weld at all."""
        return any(response.has_requirement for response in self.study.responses)


@dataclass(frozen=True)
class ResponseDifference:
    """The difference of a response's mean from the first side, with its band.

    Attributes
    ----------
    response : Response
    label : str
        The side that is compared with the first.
    first, other : float
        The means.
    difference, low, high : float
        Other less first.
    hold_s : float or None
        Of a trip: the arc time within which it is counted. [s]
    """

    response: Response
    label: str
    first: float
    other: float
    difference: float
    low: float
    high: float
    hold_s: float | None = None

    @property
    def is_shown(self) -> bool:
        """Whether the band excludes no difference."""
        return self.low > 0.0 or self.high < 0.0


@dataclass(frozen=True)
class Place:
    """Differences at one shared setting, and why it is of interest."""

    settings: tuple[float, ...]
    why: str
    differences: tuple[ResponseDifference, ...]


@dataclass(frozen=True, eq=False)
class Card:
    """A box that holds on every side.

    Attributes
    ----------
    box : SettingBox
        As the first side sets it; ``share`` is that of the settings every side can be set to.
    best : tuple of float
        The setting in it at which the worst side has most assurance; shared.
    single_setting : bool
    searched_at : float
    """

    box: SettingBox
    best: tuple[float, ...]
    single_setting: bool
    searched_at: float


@dataclass(frozen=True, eq=False)
class Comparison:
    """Two studies, or the kinds inside one.

    Attributes
    ----------
    claim : Claim
        The stricter of the studies' levels.
    by : str
        The factor whose kinds are compared; empty for two studies.
    sides : tuple of SideAnswer
    places : tuple of Place
    card : Card or None
    verdict : str
    not_compared : tuple of str
    findings : tuple of str
    seed : int
    """

    claim: Claim
    by: str
    sides: tuple[SideAnswer, ...]
    places: tuple[Place, ...]
    card: Card | None
    verdict: Verdict
    not_compared: tuple[str, ...]
    findings: tuple[str, ...]
    seed: int

    @property
    def study(self) -> Study:
        """The first side's study: settings are told in its order."""
        return self.sides[0].study

    def to_dict(self) -> dict[str, object]:
        """Give what ``compare --json`` prints."""
        return {
            "schema": 1,
            "claim": {"reliability": self.claim.reliability, "confidence": self.claim.confidence},
            "by": self.by or None,
            "sides": [_describe_side(side) for side in self.sides],
            "differences": [self._describe_place(place) for place in self.places],
            "one_card": self._describe_card(),
            "verdict": self.verdict,
            "not_compared": list(self.not_compared),
            "findings": list(self.findings),
            "seed": self.seed,
        }

    def shown_settings(self, settings: tuple[float, ...]) -> dict[str, object]:
        """Give a shared setting by name, without the factor that is compared."""
        described = describe_settings(self.study, settings)
        described.pop(self.by, None)
        return described

    def _describe_place(self, place: Place) -> dict[str, object]:
        marks = describe_marks(self.study, place.settings)
        rows = [
            {
                "response": d.response.name,
                "side": d.label,
                "first_mean": d.first,
                "mean": d.other,
                "difference": d.difference,
                "low": d.low,
                "high": d.high,
                **({} if d.hold_s is None else {"hold_s": d.hold_s}),
            }
            for d in place.differences
        ]
        return {"settings": self.shown_settings(place.settings), "marks": marks, "why": place.why, "responses": rows}

    def _describe_card(self) -> dict[str, object]:
        if self.card is None:
            none = dict.fromkeys(("window", "confidence", "share", "best"))
            return {"found": False, **none, "if_not": _if_not(is_asked=self.verdict != "no requirement")}
        window = describe_box(self.study, self.card.box)
        window.pop(self.by, None)
        return {
            "found": True,
            "window": window,
            "single_setting": self.card.single_setting,
            "confidence": self.card.box.confidence,
            "share": self.card.box.share,
            "best": self.shown_settings(self.card.best),
            "if_not": None,
        }


def _describe_side(side: SideAnswer) -> dict[str, object]:
    return {
        "side": side.label,
        "welds": side.n_welds,
        "found": side.box is not None,
        "window": None if side.box is None else describe_box(side.study, side.box),
        "single_setting": side.single_setting,
        "confidence": None if side.box is None else side.box.confidence,
        "best": None if side.best is None else describe_settings(side.study, side.best),
        "if_not": _if_not(is_asked=side.has_question),
    }


def _if_not(*, is_asked: bool) -> dict[str, str] | None:
    """Say why there is no window, where it is because none was asked for."""
    return None if is_asked else {"reason": "no requirement"}
