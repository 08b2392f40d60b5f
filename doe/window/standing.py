"""Where a claim stands: what became of each round of confirmation welds, in short, for page and card."""

from __future__ import annotations

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
        made = f"{self.passed} of {self.judged} confirmation welds met every requirement"
        when = f", {self.date}" if self.date else ""
        return f"{made}{when}" + (f" ({'; '.join(self.changed)})" if self.changed else "")


@dataclass(frozen=True)
class Standing:
    """Where a claim stands, for page and card.

    Attributes
    ----------
    verdict : str or None
        Of the last round that was judged; None while the first is waited for.
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
    def last(self) -> Round | None:
        """The last round that was judged."""
        return next((r for r in reversed(self.rounds) if r.verdict is not None), None)
