"""From fitted responses to the setting window that can be claimed.

- ``find_window(fit, *, seed) -> Window``: the window and the best setting in it, or what can be said instead
- ``box_confidence(fit, box, *, position, seed) -> float``: of the same box under another fit
- ``window_sentences(window, answer)``: the same in plain sentences
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from doe.window.finding import box_confidence, find_window
    from doe.window.window import Window
    from doe.window.words import window_sentences

_WHERE = {
    "Window": "window",
    "box_confidence": "finding",
    "find_window": "finding",
    "window_sentences": "words",
}

__all__ = ["Window", "box_confidence", "find_window", "window_sentences"]


def __getattr__(name: str) -> object:
    """Import what is public when it is first asked for."""
    if name in _WHERE:
        return getattr(import_module(f"doe.window.{_WHERE[name]}"), name)
    message = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(message)
