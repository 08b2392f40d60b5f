"""The thickness ladder: how thick can this machine go, from studies on several thicknesses.

Each thickness answers for itself; no line is drawn through thicknesses (a plate's heat sink changes with it, and so
does what limits). The ladder is climbed from the thinnest rung upwards and stops at the first at which nothing can be
claimed. Taken in an order that was fixed before the welds, each rung at the full confidence, the chance that any rung
so reached is wrong stays below what is allowed for one of them: the first wrong rung must be claimed wrongly before
any above it is looked at (a fixed-sequence procedure; Maurer, Hothorn and Lehmacher 1995, from memory; a case of
closed testing, Marcus, Peritz and Gabriel 1976, from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from doe.errors import CannotAnswerError, Fault, StudyError
from doe.models.fit import Fit
from doe.study.model import Claim, Study
from doe.study.reading import STUDY_FILE
from doe.window.finding import find_window
from doe.window.sides import OTHER_SEED
from doe.window.window import Window, describe_box, describe_marks, describe_settings

ALIKE: Final = ("process", "joint", "material", "wire", "wire_diameter_mm")
"""What must be the same on every rung where it is stated: no claim goes across these (TRAPS 34)."""


@dataclass(frozen=True, eq=False)
class Rung:
    """One thickness.

    Attributes
    ----------
    thickness_mm : float
    window : Window
        What can be claimed there by itself.
    is_reached : bool
        Whether it and every thinner rung can be claimed.
    """

    thickness_mm: float
    window: Window
    is_reached: bool = False

    @property
    def study(self) -> Study:
        """The rung's study."""
        return self.window.study

    def to_dict(self) -> dict[str, object]:
        """Give the rung as ``compare --thickness --json`` prints it."""
        answer, study = self.window.answer, self.study
        box, nearest = answer.box, answer.nearest
        best = answer.best.settings if answer.best is not None else None if nearest is None else nearest.settings
        chance = answer.best.assurance if answer.best is not None else None if nearest is None else nearest.assurance
        return {
            "thickness_mm": self.thickness_mm,
            "side": study.title,
            "welds": self.window.n_welds,
            "found": answer.found,
            "reached": self.is_reached,
            "window": None if box is None else describe_box(study, box),
            "single_setting": answer.single_setting,
            "confidence": None if box is None else box.confidence,
            "share": None if box is None else box.share,
            "best": None if best is None else describe_settings(study, best),
            "marks": {} if best is None else describe_marks(study, best),
            "assurance": None if chance is None else chance.to_dict(),
            "limiting": "" if nearest is None else nearest.limiting,
            "reason": None if nearest is None else nearest.reason,
        }


@dataclass(frozen=True, eq=False)
class Ladder:
    """Rungs from the thinnest to the thickest.

    Attributes
    ----------
    claim : Claim
    rungs : tuple of Rung
    notes : tuple of str
        What is not the same on every rung, and what is not known.
    seed : int
    """

    claim: Claim
    rungs: tuple[Rung, ...]
    notes: tuple[str, ...]
    seed: int

    @property
    def reached(self) -> Rung | None:
        """The thickest rung that was climbed to; None where not even the thinnest was."""
        return next((rung for rung in reversed(self.rungs) if rung.is_reached), None)

    @property
    def stopped_at(self) -> Rung | None:
        """The first rung that could not be claimed; None where every one could."""
        return next((rung for rung in self.rungs if not rung.is_reached), None)

    def to_dict(self) -> dict[str, object]:
        """Give what ``compare --thickness --json`` prints."""
        reached, stopped = self.reached, self.stopped_at
        return {
            "schema": 1,
            "claim": {"reliability": self.claim.reliability, "confidence": self.claim.confidence},
            "reached_mm": None if reached is None else reached.thickness_mm,
            "stopped_at_mm": None if stopped is None else stopped.thickness_mm,
            "rungs": [rung.to_dict() for rung in self.rungs],
            "notes": list(self.notes),
            "seed": self.seed,
        }


def climb_ladder(fits: Sequence[Fit], *, seed: int = 1) -> Ladder:
    """Climb from the thinnest plate upwards, as far as settings can be claimed.

    Parameters
    ----------
    fits : sequence of Fit
        One a thickness, in any order; at least two.
    seed : int

    Raises
    ------
    StudyError
        If thicknesses are missing or the same, or the studies are of different jobs, supplies or claims: every fault
        at once.
    CannotAnswerError
        If nothing is asked of a weld on one of them, or there is nothing to claim.
    """
    studies = [fit.results.study for fit in fits]
    unasked = [s.title for s in studies if not any(response.has_requirement for response in s.responses)]
    if unasked:
        message = (
            f"no response has a requirement in {' and '.join(unasked)}: how thick it can go is asked of what a good "
            "weld must meet; give one in study.toml"
        )
        raise CannotAnswerError(message)
    faults = [*_thickness_faults(studies), *_job_faults(studies)]
    if faults:
        message = "these studies are no ladder of thicknesses"
        raise StudyError(message, faults)
    order = sorted(range(len(fits)), key=lambda i: studies[i].job.thickness_mm or 0.0)
    rungs, is_climbing = [], True
    for place, i in enumerate(order):
        window = find_window(fits[i], seed=seed + place * OTHER_SEED)
        is_climbing = is_climbing and window.found
        rungs.append(Rung(studies[i].job.thickness_mm or 0.0, window, is_climbing))
    return Ladder(studies[0].claim, tuple(rungs), tuple(_notes(studies)), seed)


def _thickness_faults(studies: Sequence[Study]) -> Iterator[Fault]:
    """List thicknesses that are missing, or there twice."""
    if len(studies) < 2:
        yield Fault("a ladder takes studies of at least two thicknesses", STUDY_FILE, key="job.thickness")
    seen: dict[float, Study] = {}
    for study in studies:
        thickness = study.job.thickness_mm
        if thickness is None:
            yield Fault(f"{study.title} ({study.folder}) states no thickness", STUDY_FILE, key="job.thickness")
        elif thickness in seen:
            yield Fault(
                f"{study.folder} and {seen[thickness].folder} are of the same thickness ({thickness:g} mm); compare "
                "these two without --thickness",
                STUDY_FILE,
                key="job.thickness",
            )
        else:
            seen[thickness] = study


def _job_faults(studies: Sequence[Study]) -> Iterator[Fault]:
    """List what makes the studies different questions."""
    for name in ALIKE:
        yield from _differing(f"job.{name.removesuffix('_mm')}", [getattr(study.job, name) for study in studies])
    for name in ("voltage_v", "breaker_a", "curve"):
        key = f"supply.{name.removesuffix('_v').removesuffix('_a')}"
        yield from _differing(key, [getattr(study.supply, name) for study in studies])
    for name in ("reliability", "confidence"):
        yield from _differing(f"claim.{name}", [getattr(study.claim, name) for study in studies])


def _differing(key: str, values: Sequence[object]) -> Iterator[Fault]:
    """Give a fault where stated values differ."""
    stated = list(dict.fromkeys(value for value in values if value not in {None, ""}))
    if len(stated) > 1:
        told = ", ".join(str(value) for value in stated)
        yield Fault(f"it differs ({told}); a ladder is of one job on one supply", STUDY_FILE, key=key)


def _notes(studies: Sequence[Study]) -> Iterator[str]:
    """Say what is not the same, or not stated, and does not forbid the ladder."""
    asked = {tuple((r.name, r.at_least, r.at_most, r.hold_s) for r in study.responses) for study in studies}
    if len(asked) > 1:
        yield "Not every thickness must meet the same: each is judged by the requirements of its own study."
    left = [f"job.{name.removesuffix('_mm')}" for name in ALIKE if any(not getattr(s.job, name) for s in studies)]
    if any(study.supply.breaker_a is None for study in studies):
        left.append("supply")
    if left:
        yield f"Not stated in every study, and taken to be the same: {', '.join(left)}."
