"""Virtual welders: machines with a hidden truth, for the demo, for practice and for showing that claims hold.

All of it is invented; no number here is a fact of welding. ``weld_plan(plan, welder, rng=...) -> Results``.
"""

from __future__ import annotations

from doe.virtual.families import draw_welder
from doe.virtual.filling import filled_table
from doe.virtual.named import WELDERS
from doe.virtual.parts import PorePart, TripPart, VirtualWelder, WeldPart
from doe.virtual.welder import true_assurance, true_mean, true_pass
from doe.virtual.welding import Bench, add_results, weld_plan

__all__ = [
    "WELDERS",
    "Bench",
    "PorePart",
    "TripPart",
    "VirtualWelder",
    "WeldPart",
    "add_results",
    "draw_welder",
    "filled_table",
    "true_assurance",
    "true_mean",
    "true_pass",
    "weld_plan",
]
