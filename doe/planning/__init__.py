"""Where to weld: plans, what they can tell, and what they cost.

- ``plan_welds(study, *, seed, given=None) -> Plan``: the welds of the next stage
- ``score_plan(study, settings) -> PlanQuality``: what a plan can tell, ours or one from elsewhere
- ``near_equal_plans(study, *, seed, tries)``: plans as good as one another, to be chosen among
- ``plan_cost(plan) -> Cost``: plates, wire, arc time, minutes
- ``how_many(study, sizes, *, seed)``: precision and cost against the number of welds
- ``plan_words(plan, quality, cost)``: all of it in plain sentences
- ``read_design(path, study) -> DesignTable``: a plan from elsewhere, one column a factor
- ``plan_table(plan) -> str``, ``read_plan(path, study) -> Plan``: plan.csv
- ``reachable_settings(study) -> ReachableSettings``: every setting that can be dialled in within the limits

Each is imported when it is first asked for, so that importing a leaf stays quick.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from doe.planning.budget import Cost, plan_cost
    from doe.planning.design_file import DesignTable, read_design
    from doe.planning.making import plan_welds
    from doe.planning.near_equal import near_equal_plans
    from doe.planning.plan import Plan, PlannedWeld
    from doe.planning.quality import PlanQuality, score_plan
    from doe.planning.reading import read_plan
    from doe.planning.region import ReachableSettings, reachable_settings
    from doe.planning.sizes import SizeRow, how_many
    from doe.planning.table import plan_table
    from doe.planning.words import plan_words, quality_words

_WHERE = {
    "Cost": "budget",
    "DesignTable": "design_file",
    "Plan": "plan",
    "PlanQuality": "quality",
    "PlannedWeld": "plan",
    "ReachableSettings": "region",
    "SizeRow": "sizes",
    "how_many": "sizes",
    "near_equal_plans": "near_equal",
    "plan_cost": "budget",
    "plan_table": "table",
    "plan_words": "words",
    "quality_words": "words",
    "plan_welds": "making",
    "reachable_settings": "region",
    "read_design": "design_file",
    "read_plan": "reading",
    "score_plan": "quality",
}

__all__ = [
    "Cost",
    "DesignTable",
    "Plan",
    "PlanQuality",
    "PlannedWeld",
    "ReachableSettings",
    "SizeRow",
    "how_many",
    "near_equal_plans",
    "plan_cost",
    "plan_table",
    "plan_welds",
    "plan_words",
    "quality_words",
    "reachable_settings",
    "read_design",
    "read_plan",
    "score_plan",
]


def __getattr__(name: str) -> object:
    """Import what is public when it is first asked for."""
    if name in _WHERE:
        return getattr(import_module(f"doe.planning.{_WHERE[name]}"), name)
    message = f"module {__name__!r} has no attribute {name!r}"
    raise AttributeError(message)
