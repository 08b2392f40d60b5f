"""From fitted responses to the setting window that can be claimed.

- ``find_window(fit, *, seed) -> Window``: the window and the best setting in it, or what can be said instead
- ``next_welds(fit, *, n, seed) -> NextPlan``: the next welds worth making, and what they are expected to bring
- ``confirm_window(fit, *, seed) -> Confirmation``: claim and rule fixed beforehand, the verdict afterwards
- ``standing_confirmation(fit, *, seed) -> Confirmation | None``: where a study's claim stands, for the report
- ``claimed_window(fit, window, *, seed)``: the window to show once a claim was fixed, and where the claim stands
- ``window_with_claim(fit, window, confirmation, *, seed) -> Window``: the same where the confirmation is at hand
- ``compare_studies(first, second, *, seed)``, ``compare_kinds(fit, *, seed) -> Comparison``: does one card serve both
- ``climb_ladder(fits, *, seed) -> Ladder``: how thick can this machine go, from studies on several thicknesses
- ``box_confidence(fit, box, *, position, seed) -> float``: of the same box under another fit
- ``window_sentences(window, answer)``: the same in plain sentences
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from doe.window.claimed import claimed_window, window_with_claim
    from doe.window.compare import compare_kinds, compare_studies
    from doe.window.comparison import Comparison
    from doe.window.confirm import confirm_window, standing_confirmation, write_confirmation
    from doe.window.confirmation import Confirmation
    from doe.window.finding import box_confidence, find_window
    from doe.window.follow_up import NextPlan, next_welds
    from doe.window.ladder import Ladder, climb_ladder
    from doe.window.window import Window
    from doe.window.words import window_sentences

_WHERE = {
    "Comparison": "comparison",
    "Confirmation": "confirmation",
    "Ladder": "ladder",
    "NextPlan": "follow_up",
    "Window": "window",
    "box_confidence": "finding",
    "claimed_window": "claimed",
    "climb_ladder": "ladder",
    "compare_kinds": "compare",
    "compare_studies": "compare",
    "confirm_window": "confirm",
    "find_window": "finding",
    "next_welds": "follow_up",
    "standing_confirmation": "confirm",
    "window_sentences": "words",
    "window_with_claim": "claimed",
    "write_confirmation": "confirm",
}

__all__ = [
    "Comparison",
    "Confirmation",
    "Ladder",
    "NextPlan",
    "Window",
    "box_confidence",
    "claimed_window",
    "climb_ladder",
    "compare_kinds",
    "compare_studies",
    "confirm_window",
    "find_window",
    "next_welds",
    "standing_confirmation",
    "window_sentences",
    "window_with_claim",
    "write_confirmation",
]


def __getattr__(name: str) -> object:
    """Import what is public when it is first asked for."""
    if name in _WHERE:
        return getattr(import_module(f"doe.window.{_WHERE[name]}"), name)
    message = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(message)
