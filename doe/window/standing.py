"""Where a claim stands: what became of each round of confirmation welds, in short, for page and card."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Verdict = Literal["confirmed", "not contradicted", "withdrawn"]


@dataclass(frozen=True)
class Round:
    """One round of confirmation welds.

    Attributes
    ----------
    stage : int
        Of its plan and its results.
    planned, judged, passed : int
        Welds of the rule, those that could be judged, and those that met every requirement.
    verdict : str or None
        None while welds are waited for.
    date : str
        Of the last of its welds, as it was written down; empty where none was.
    changed : tuple of str
        Conditions that were written down and differ from those of the welds before it: ``spool: B7 (before: A3)``.
    """

    stage: int
    planned: int
    judged: int = 0
    passed: int = 0
    verdict: Verdict | None = None
    date: str = ""
    changed: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, object]:
        """Give the round as ``confirm --json`` prints it."""
        return {**vars(self), "date": self.date or None, "changed": list(self.changed)}

    @property
    def words(self) -> str:
        """Say how many welds passed, and when."""
        made = f"{self.passed} of {self.judged} met every requirement"
        when = f", {self.date}" if self.date else ""
        return f"{made}{when}" + (f" ({'; '.join(self.changed)})" if self.changed else "")


def standing_verdict(rounds: Sequence[Round]) -> Verdict | None:
    """Give the verdict of all rounds: the first one's, unless a later check withdrew the claim; None without any."""
    verdicts = [made.verdict for made in rounds if made.verdict is not None]
    return None if not verdicts else "withdrawn" if "withdrawn" in verdicts else verdicts[0]


@dataclass(frozen=True)
class Standing:
    """Where a claim stands, for page and card.

    Attributes
    ----------
    verdict : str or None
        Of all rounds that were judged; None while the first is waited for.
    rounds : tuple of Round
        The first is that of claim.json; later ones are checks of the old claim.
    lines : tuple of str
        What there is to say beside the stamp.
    shows_claim : bool
        Whether what is shown is the claimed window; else what can be claimed now.
    """

    verdict: Verdict | None
    rounds: tuple[Round, ...]
    lines: tuple[str, ...] = ()
    shows_claim: bool = True

    @property
    def stamp(self) -> str:
        """The stamp of what is shown: a window that is not the claimed one is not confirmed."""
        if not self.shows_claim or self.verdict is None:
            return "NOT CONFIRMED"
        return self.verdict.upper()

    @property
    def judged(self) -> tuple[Round, ...]:
        """The rounds that were judged."""
        return tuple(made for made in self.rounds if made.verdict is not None)
