"""The sentences of the calibration's page."""

from __future__ import annotations

from typing import Final

from doe.rehearsal.calibration import LEVER_TRUTHS
from doe.rehearsal.setup import Truth

OPENING: Final = (
    "# Calibration: does a claimed window keep its promise?",
    "",
    "Whole studies on virtual welders whose truth is known: planned, welded, measured, fitted, a window claimed at",
    "R = 90 % and C = 90 % with every rule on, and set beside the truth. All of it is invented: it shows whether the",
    "method keeps its promise on such truths, not what a real machine does.",
    "",
)
TERMS: Final = (
    "± is one Monte Carlo standard error; where nothing was counted, the exact upper 95 % limit stands instead.",
    "",
    "- *found*: studies that claim a window.",
    "- *wrong*: claimed windows that hold a setting whose true assurance is below 90 %, the dial’s wander included.",
    "- *true window*: truly good settings inside the claimed window over the settings of the true one, the largest box",
    "  that truly holds; *good settings*: over all truly good ones, of which even the true window holds about half, as",
    "  a box cannot follow a bent edge. Over truths with a true window of two marks or more in voltage and in feed",
    "  (less is a setting, not a window), each truth weighing the same; no claim counts as 0.",
    "- *informed*: both porosity answers, an expected scatter (right to a quarter), supply stated, line current read,",
    "  4.5 criterion lengths inspected, arc held for twice the time.",
    "- *nothing known*: no answers, no scatter, no supply, no meter; the arc is held for twice the time, as the run",
    "  sheet asks, and the steady part of that bead is inspected.",
    "",
)
LEVERS_TOLD: Final = (
    f"The informed shop with one lever less, or with a wrong one, on: {', '.join(LEVER_TRUTHS)}.",
    "",
)
TRUTHS_TOLD: Final = (
    "Wrong claims and studies by number of welds. *All*: over every number; *chance*: of so many or more, were the",
    "true share 10 % (exact binomial test).",
    "",
)
BANDS: Final = (
    "Per cent of all reachable settings. *Pointwise* and *everywhere* (simultaneous) are bands of the mean response,",
    "*next weld* is the prediction band. *Second order*: truths whose penetration is one, with even scatter;",
    "*other*: ridges, powers of the settings, days, drift, misread sections. The bands of porosity and trips lean on",
    "prior information; a truth at the very edge of what is possible (no pores, never trips) lies outside every",
    "two-sided band.",
    "",
)


def about(truth: Truth) -> str:
    """Say what a truth is."""
    if truth.welder is not None:
        return truth.welder.about
    if truth.family == "smooth":
        return "drawn anew for every study; quadratic in the coded settings"
    return "drawn anew for every study; powers of the settings with a ridge, pores with a step towards a long arc"
