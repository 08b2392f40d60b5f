"""Whole studies run on virtual welders, whose truth is known.

- ``judge(window, *, welder) -> Judgement``: a window beside the truth
- ``rehearse(setup, *, n_studies, seed, jobs) -> Rehearsal``: one setup many times
- ``simulate_sizes(study, sizes, *, n_studies, jobs)``: chance and size of a window against the number of welds
- ``python -m doe.rehearsal``: the calibration

Each is imported when it is first asked for, so that importing a leaf stays quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from doe.rehearsal.how_many import SimulatedSize, simulate_sizes
    from doe.rehearsal.judging import Judgement, judge
    from doe.rehearsal.rehearsal import Rehearsal, rehearse
    from doe.rehearsal.setup import INFORMED, KNOWLEDGE, NOTHING_KNOWN, TRUTHS, Knowledge, Setup, Truth

_WHERE = {
    "INFORMED": "setup",
    "KNOWLEDGE": "setup",
    "Judgement": "judging",
    "Knowledge": "setup",
    "NOTHING_KNOWN": "setup",
    "Rehearsal": "rehearsal",
    "Setup": "setup",
    "SimulatedSize": "how_many",
    "TRUTHS": "setup",
    "Truth": "setup",
    "judge": "judging",
    "rehearse": "rehearsal",
    "simulate_sizes": "how_many",
}

__all__ = [
    "INFORMED",
    "KNOWLEDGE",
    "NOTHING_KNOWN",
    "TRUTHS",
    "Judgement",
    "Knowledge",
    "Rehearsal",
    "Setup",
    "SimulatedSize",
    "Truth",
    "judge",
    "rehearse",
    "simulate_sizes",
]


def __getattr__(name: str) -> object:
    """Import what is public when it is first asked for."""
    if name in _WHERE:
        return getattr(import_module(f"doe.rehearsal.{_WHERE[name]}"), name)
    message = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(message)
