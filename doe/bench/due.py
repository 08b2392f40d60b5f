"""Which step of the work is due: told from the study's files alone, nothing is fitted.

study -> plan -> (weld) -> report -> no claim: next -> (weld) -> report ...
                                  -> a claim: confirm -> (weld) -> verdict and report
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from doe.bench.answer_file import ReportedAnswer, read_answer
from doe.bench.practice_file import how_to_make
from doe.bench.stage import filled_tables, last_stage, results_tables

CLAIM: Final = "claim.json"


@dataclass(frozen=True)
class DueStep:
    """The step that is due.

    Attributes
    ----------
    command : str
        Empty where something is waited for, or nothing is due.
    reason : str
    anew : bool
        Whether an old claim makes way for a new one.
    """

    command: str
    reason: str
    anew: bool = False


def due_step(folder: Path) -> DueStep:
    """Say which step of the work is due in a study's folder."""
    if not (folder / "study.toml").exists():
        return DueStep("new", "there is no study.toml yet")
    tables, filled = results_tables(folder), filled_tables(folder)
    if not tables and not last_stage(folder):
        return DueStep("plan", "there is no plan yet")
    blank = [path.name for path in tables if path not in filled]
    if not filled:
        return DueStep("", _waiting(folder, blank))
    answer = read_answer(folder)
    if answer is None:
        claimed = ", and the verdict on the claim that was fixed" if (folder / CLAIM).exists() else ""
        return DueStep("report", f"results were filled in since the last report: a new one{claimed}")
    return DueStep("", _waiting(folder, blank)) if blank else _after_the_report(folder, answer)


def _waiting(folder: Path, blank: list[str]) -> str:
    """Say which welds are waited for."""
    return f"the welds are waited for: {how_to_make(folder, ' and '.join(blank) if blank else 'the results')}"


def _after_the_report(folder: Path, answer: ReportedAnswer) -> DueStep:
    """Lead on from a report that is current."""
    if (folder / CLAIM).exists() and not answer.has_claim:
        return DueStep("confirm", "a claim was fixed, and its welds are not there yet")
    if answer.has_claim and answer.is_waiting:
        how = how_to_make(folder, "their results")
        return DueStep("", f"some confirmation welds are waited for: {how}")
    if answer.stands:
        return DueStep(
            "",
            "nothing is due: the claim stands, and the card is in the report folder. After a new spool, on another "
            "outlet, outdoors or in another season, check it again: weldwindow confirm --recheck",
        )
    if answer.found:
        first = "the earlier claim no longer stands, but" if answer.has_claim else "the report found that"
        return DueStep(
            "confirm",
            f"{first} settings can be claimed; their confirmation welds are planned. To enlarge the window before "
            "that: weldwindow next",
            anew=answer.has_claim,
        )
    return _after_no_claim(answer.reason)


def _after_no_claim(reason: str) -> DueStep:
    """Lead on from a report that found nothing to claim."""
    if reason == "data speak against":
        return DueStep(
            "",
            "the data speak against any such setting in this region, and more welds here would mostly be wasted. Ask "
            "for something else in study.toml (the region, the requirement, the claim), or weld on all the same: "
            "weldwindow next",
        )
    if reason == "no requirement":
        return DueStep(
            "",
            "nothing is due: no response has a requirement, so there is no window to ask for. Write in study.toml what "
            "a good weld must meet (at_least, at_most or hold), and go on",
        )
    return DueStep("next", "the report found nothing that can be claimed yet; the next welds are planned")
