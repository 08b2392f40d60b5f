"""Models: from results to a fit, one response at a time.

- ``fit_responses(results, *, seed, textbook=False) -> Fit``: all kinds together
- ``diagnose(fit, *, at) -> tuple[Diagnosis, ...]``: checks of what each fit rests on
- ``carry_scatter(study) -> Study``: scatter taken from an earlier study

What a fit is stands in ``fit``; the terms of the Bayesian models in ``surface``; each kind in ``measure``, ``count``,
``trip`` and ``passing``; the handbook's fits in ``textbook``; bands in ``bands``. A public name is imported when it is
first asked for, so that importing a leaf stays cheap.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from doe.models.diagnostics import Diagnosis, diagnose
    from doe.models.earlier import carry_scatter
    from doe.models.responses import fit_responses

_WHERE = {
    "Diagnosis": "diagnostics",
    "carry_scatter": "earlier",
    "diagnose": "diagnostics",
    "fit_responses": "responses",
}

__all__ = ["Diagnosis", "carry_scatter", "diagnose", "fit_responses"]


def __getattr__(name: str) -> object:
    """Import what is public when it is first asked for."""
    if name in _WHERE:
        return getattr(import_module(f"doe.models.{_WHERE[name]}"), name)
    message = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(message)
