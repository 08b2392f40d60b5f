"""Textbook fits: the numbers a handbook or a general statistics library gives.

- ``fit_textbook(results, response, level=...) -> ResponseFit``: one response, by its kind
- ``constant_window(results, reliability=..., confidence=...)``: the handbook's limits for like welds, no factor

On plain arrays: ``exact`` (fractions), ``least_squares``, ``split_plot`` (restricted maximum likelihood), ``censored``,
``counts``, ``logistic``, ``weibull``, ``likelihood`` (search, profile limits, separation), ``canonical``,
``tolerance``. From results to a fit: ``columns``, ``readings``, ``anova``, ``measures``, ``shared_plates``, ``events``,
``constant``.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from doe.models.textbook.constant import constant_window
    from doe.models.textbook.dispatch import fit_textbook

_WHERE = {"constant_window": "constant", "fit_textbook": "dispatch"}

__all__ = ["constant_window", "fit_textbook"]


def __getattr__(name: str) -> Any:
    """Load a public function when it is asked for: importing a leaf of this room stays cheap."""
    if name not in _WHERE:
        message = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(message)
    return getattr(import_module(f"doe.models.textbook.{_WHERE[name]}"), name)
