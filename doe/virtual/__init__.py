"""Virtual welders: machines with a hidden truth, for the demo, for practice and for showing that claims hold.

All of it is invented; no number here is a fact of welding. ``weld_plan(plan, welder, rng=...) -> Results``.
"""

from __future__ import annotations

from doe.virtual.filling import filled_table
from doe.virtual.welder import WELDERS, PorePart, TripPart, VirtualWelder, WeldPart, true_assurance
from doe.virtual.welding import weld_plan

__all__ = [
    "WELDERS",
    "PorePart",
    "TripPart",
    "VirtualWelder",
    "WeldPart",
    "filled_table",
    "true_assurance",
    "weld_plan",
]
