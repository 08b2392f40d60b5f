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
    "- *informed, second beads*: informed, and at every setting one more bead, looked over for pores and not cut",
    "  (`[plan] second_bead`); *welds* are those that are cut.",
    "",
)
AIMED: Final = {
    "informed": {12: (8, 12), 16: (19, 25), 18: (29, 33), 20: (26, None), 24: (37, 45)},
    "nothing known": {12: (1, 2), 16: (5, 8), 18: (11, 16), 20: (11, None), 24: (18, 24)},
}
"""Share of the true window that METHOD.md's prototype reached, and what was aimed at, by number of welds. [%]"""
FRONTIER_TOLD: Final = (
    "*Prototype*: what the method’s first prototype reached on twelve truths of its own; *aimed at*: what was",
    "hoped for.",
    "",
    "Why it is not more at the full 90 %: 18 welds, informed, 11 truths of 12 studies, before the prior grid of",
    "penetration was changed, claimed 23 % of the true window. It would be 51 % were penetration known exactly,",
    "34 % were porosity, 28 % were trips; with only one of them unknown 44 % (penetration), 58 % (porosity), 88 %",
    "(trips). The search for the box is exact, and the rules cost 1 to 2 points: what is missing is knowledge of",
    "the surfaces, of which so many welds give so much. A confidence of 85 % would give 30 %, 80 % 35 %, 50 % 65",
    "%: another promise, so it is not done.",
    "",
    "What else was tried is written down in DEVELOPERS.md with its numbers: travel speed and stick-out as covariates,",
    "a plate effect in the counts, pore areas and diameters, plans chosen by the simulated window, other priors. Only",
    "second beads bring much, and they cost a coupon each.",
    "",
    "Where the promise would be broken: on the sharp ridge, 24 welds, 18 of 100 further informed studies claimed",
    "wrongly at a confidence of 90 % (at 18 welds 5 of 80), most by settings of a true assurance of 86 to 87 %. So",
    "where a measure limits, the confidence asked for grows from 90 % at 17 welds to 91.7 % at 20, 93.9 % at 24 and",
    "95 % from 26 on: of 400 further studies there (seed 7) 48 were wrong at 20 welds (12.0 ± 1.6 %) and 43 at 24",
    "(10.8 ± 1.5 %), 22 at 16 and 12 at 18. That is why 24 welds claim hardly more than 20, and it is as far as it",
    "goes: with 93.3 % asked for at 20 welds 40 of the same 400 are wrong, and windows elsewhere lose a tenth.",
    "",
)
LEVERS_TOLD: Final = (
    f"The informed shop with one lever less, with a wrong one, or with one more, on: {', '.join(LEVER_TRUTHS)}.",
    "",
)
TRUTHS_TOLD: Final = (
    "Wrong claims and studies by number of welds. *All*: over every number; *chance*: of so many or more, were the",
    "true share 10 % (exact binomial test).",
    "",
)
BANDS: Final = (
    "Per cent of all reachable settings. *Pointwise* and *everywhere* (simultaneous) are bands of the mean response,",
    "*next weld* is the prediction band. *Smooth*: truths whose surface of that response bends smoothly, of the second",
    "order or not, with even scatter. *Awkward*: for penetration a sharp ridge, days, drift, warm or uneven plates and",
    "misread sections; for porosity a step, dirty plates, answers that are false; for the supply trips whatever the",
    "load; and what lies at the very edge of the possible (no pores, never trips), outside every two-sided band. The",
    "bands of porosity and trips lean on prior information.",
    "",
)


def about(truth: Truth) -> str:
    """Say what a truth is."""
    if truth.welder is not None:
        return truth.welder.about
    if truth.family == "smooth":
        return "drawn anew for every study; quadratic in the coded settings"
    return "drawn anew for every study; powers of the settings with a ridge, pores with a step towards a long arc"
