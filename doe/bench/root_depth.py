"""Which readings are a depth past the joint's root, and from where such a depth counts.

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


def is_root_depth(response: Response, study: Study) -> bool:
    """Whether a response is the penetration of what may be a fillet: a length of that name, and no other joint named.

    Parameters
    ----------
    response : Response
    study : Study
    """
    is_length = response.kind == "measure" and bool(response.unit) and same_dimension(response.unit, "mm")
    named = "penetration" in response.name.casefold()
    return is_length and named and not any(word in study.job.joint.casefold() for word in OTHER_JOINTS)
