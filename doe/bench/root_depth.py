"""Which readings are a depth, and from where one past the joint's root counts.

Usage differs, and a leg or the depth of a bead on plate is easily taken for it: so it is said wherever a depth is asked
for. The macro page defines it point by point (``doe.report.macro_measures``).
"""

from __future__ import annotations

from typing import Final

from doe.study.model import Response, Study
from doe.units import same_dimension

FROM_THE_ROOT: Final = "of a fillet from the root corner into the plate, not the leg, not the depth of a bead on plate"
"""From where a depth past the root counts, in words that follow what is measured."""

OTHER_JOINTS: Final = ("butt", "bead")
"""Words of a joint that has no root corner between two plates: a butt joint, a bead on plate."""


def is_depth(response: Response) -> bool:
    """Whether a reading is a depth into the plate: legs and widths may well be larger than the plate is thick."""
    words = ("penetr", "depth", "fusion")
    named = response.full is not None or any(word in response.name.casefold() for word in words)
    return response.kind == "measure" and named and bool(response.unit) and same_dimension(response.unit, "mm")


def can_miss_the_root(response: Response) -> bool:
    """Whether a reading may be a minus: a depth of which more than 0 is asked."""
    return is_depth(response) and (response.at_least or 0.0) > 0.0


def is_root_depth(response: Response, study: Study) -> bool:
    """Whether a response is the penetration of what may be a fillet: a depth of that name, and no other joint named.

    Parameters
    ----------
    response : Response
    study : Study
    """
    named = "penetration" in response.name.casefold()
    return is_depth(response) and named and not any(word in study.job.joint.casefold() for word in OTHER_JOINTS)
