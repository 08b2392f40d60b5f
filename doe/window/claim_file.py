"""claim.json: the window as it was claimed, and the rule for its confirmation, fixed before a weld is made.

Written once and never rewritten: what it says cannot be moved afterwards to suit the welds.
"""

from __future__ import annotations

import json
from importlib.metadata import version
from pathlib import Path
from typing import Final, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from doe.errors import Fault, ResultsError, WouldOverwriteError
from doe.models.textbook.tolerance import proportion_lower_limit
from doe.saving import keep_copy, write_text
from doe.study.model import Factor, Response, Study
from doe.window.window import SettingBox

NAME: Final = "claim.json"


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class PassRule(_Frozen):
    """The rule: of so many confirmation welds at most so many may fail."""

    welds: int = Field(ge=1)
    failures_allowed: int = Field(ge=0)

    def proves(self, confidence: float) -> float:
        """Give the reliability that keeping the rule shows by itself, exactly (the binomial limit)."""
        passes = max(self.welds - self.failures_allowed, 0)
        return proportion_lower_limit(passes, self.welds, confidence=confidence)

    def to_dict(self, confidence: float) -> dict[str, object]:
        """Give the rule as ``confirm --json`` prints it."""
        proves = {"reliability": self.proves(confidence), "confidence": confidence}
        return {"welds": self.welds, "failures_allowed": self.failures_allowed, "proves": proves}


class ClaimedLevels(_Frozen):
    """The claim's levels."""

    reliability: float = Field(gt=0, lt=1)
    confidence: float = Field(gt=0, lt=1)


class ClaimedSide(_Frozen):
    """One factor's part of the window: from low to high, or a kind."""

    low: float | None = None
    high: float | None = None
    kind: str | None = None


class ClaimedWeld(_Frozen):
    """One confirmation weld as it was planned."""

    weld: str
    plate: str
    position: int
    order: int
    settings: dict[str, float | str]
    block: str | None = None


class ClaimFile(_Frozen):
    """What claim.json holds.

    Attributes
    ----------
    version, fingerprint, seed
        What made it, and of which question.
    claim : ClaimedLevels
    requirements : dict
        Each response's requirement in the claim.
    window : dict of str to ClaimedSide
    single_setting : bool
    position : "any", 1 or 2
    confidence, share : float
        As they were when the claim was made.
    rests_on : int
        Welds it was made from.
    assumptions : tuple of str
    rule : PassRule
    stage : int
        Stage of the confirmation welds.
    welds : tuple of ClaimedWeld
    """

    version: str
    fingerprint: str
    seed: int
    claim: ClaimedLevels
    requirements: dict[str, dict[str, float | str]]
    window: dict[str, ClaimedSide]
    single_setting: bool
    position: Literal["any", 1, 2] = "any"
    confidence: float
    share: float
    rests_on: int
    assumptions: tuple[str, ...]
    rule: PassRule
    stage: int = Field(ge=1)
    welds: tuple[ClaimedWeld, ...]

    def text(self) -> str:
        """Give the file's text; the same claim gives the same bytes."""
        held = {"schema": 1, **self.model_dump(mode="json", exclude_none=True)}
        return json.dumps(held, ensure_ascii=False, allow_nan=False, indent=1) + "\n"

    def box(self, study: Study) -> SettingBox:
        """Give the claimed box on the study's dials."""
        low, high, dials = [], [], []
        for factor in study.factors:
            side = self.window[factor.name]
            if side.kind is not None:
                ends = (float(factor.kinds.index(side.kind)),) * 2
            else:
                ends = (float(side.low or 0.0), float(side.high or 0.0))
            slack = 1e-9 * max(1.0, abs(factor.low), abs(factor.high))
            values = factor.positions
            dials.append(np.asarray(values[(values >= ends[0] - slack) & (values <= ends[1] + slack)]))
            low.append(ends[0])
            high.append(ends[1])
        return SettingBox(tuple(low), tuple(high), tuple(dials), self.share, self.confidence)


def program_version() -> str:
    """Give this program's version."""
    return version("weldwindow")


def requirement_of(response: Response) -> dict[str, float | str]:
    """Give what a response must meet, as claim.json holds it."""
    held = {name: getattr(response, name) for name in ("at_least", "at_most", "per_mm", "hold_s")}
    numbers: dict[str, float | str] = {name: float(value) for name, value in held.items() if value is not None}
    return {"kind": response.kind, **({"unit": response.unit} if response.unit else {}), **numbers}


def write_claim(claim: ClaimFile, folder: Path, *, anew: bool = False) -> Path:
    """Write claim.json into a folder that has none, or, ``anew``, in the place of one that is kept beside.

    Raises
    ------
    WouldOverwriteError
        If there is one: a claim is never rewritten.
    """
    path = folder / NAME
    if anew:
        keep_copy(path)
    elif path.exists():
        message = f"{NAME} stands already and is never rewritten; a withdrawn one makes way by “confirm --anew”"
        raise WouldOverwriteError(message)
    write_text(path, claim.text())
    return path


def read_claim(folder: Path) -> ClaimFile | None:
    """Read claim.json; None where there is none.

    Raises
    ------
    ResultsError
        If it is not as ``confirm`` writes it: every fault at once.
    """
    path = folder / NAME
    if not path.exists():
        return None
    try:
        held = json.loads(path.read_text(encoding="utf-8"))
        if isinstance(held, dict):
            held.pop("schema", None)
        return ClaimFile.model_validate(held)
    except ValidationError as error:
        faults = [Fault(e["msg"], file=NAME, key=".".join(str(part) for part in e["loc"])) for e in error.errors()]
    except (OSError, ValueError, RecursionError) as error:  # not text, not JSON, a number of thousands of digits
        faults = [Fault(f"it cannot be read as JSON ({error})", file=NAME)]
    message = f"{NAME} is not as it was written: a claim that was changed by hand cannot be confirmed."
    raise ResultsError(message, faults)


def differences(claim: ClaimFile, study: Study) -> list[Fault]:
    """List what the study asks otherwise than the claim: factors and their values, requirements, levels."""
    found = [_level_fault(name, getattr(claim.claim, name), getattr(study.claim, name)) for name in _LEVELS]
    names = {factor.name for factor in study.factors}
    found += [Fault(f"the study has no factor “{name}”", NAME, key="window") for name in set(claim.window) - names]
    for factor in study.factors:
        side = claim.window.get(factor.name)
        if side is None:
            found.append(Fault(f"the claim says nothing of the factor “{factor.name}”", NAME, key="window"))
        elif not _can_be_set(factor, side):
            found.append(Fault("its ends can no longer be set on this dial", NAME, key=f"window.{factor.name}"))
    if any(set(weld.settings) != names for weld in claim.welds):
        found.append(Fault("its welds do not have the study's factors", NAME, key="welds"))
    for factor in (f for f in study.factors if f.is_kind):
        if any(weld.settings.get(factor.name) not in factor.kinds for weld in claim.welds):
            found.append(Fault(f"its welds have a kind of {factor.name} that the study has not", NAME, key="welds"))
    known = {response.name: response for response in study.responses}
    for name, requirement in claim.requirements.items():
        if name not in known or requirement_of(known[name]) != requirement:
            found.append(Fault("the study now asks for something else", NAME, key=f"requirements.{name}"))
    return [fault for fault in found if fault is not None]


_LEVELS: Final = ("reliability", "confidence")


def _level_fault(name: str, claimed: float, asked: float) -> Fault | None:
    """Say so where a level differs."""
    if abs(claimed - asked) < 1e-12:
        return None
    return Fault(f"claimed at {claimed:g}, the study now asks for {asked:g}", NAME, key=f"claim.{name}")


def _can_be_set(factor: Factor, side: ClaimedSide) -> bool:
    """Whether a side's ends, or its kind, are among the factor's values."""
    if factor.is_kind:
        return side.kind in factor.kinds
    if side.low is None or side.high is None or side.low > side.high:
        return False
    slack = 1e-9 * max(1.0, abs(factor.low), abs(factor.high))
    return all(bool((np.abs(factor.positions - end) <= slack).any()) for end in (side.low, side.high))
