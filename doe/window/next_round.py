"""How many welds the next round has, where nobody says."""

from __future__ import annotations

from itertools import accumulate
from typing import Final

import numpy as np

from doe.bench.results import Results
from doe.planning.staging import stages

DEFAULT_WELDS: Final = 6
MOST_WELDS: Final = 8
"""Welds of one round of follow-ups; more are better planned after a look at what these brought (METHOD section 5)."""


def usual_round(results: Results) -> int:
    """Give the usual number of welds of the next round.

    Where the study is made in stages what is left of the next one, at most a round; else six, or the few that are left
    of what the study can afford.
    """
    study, made = results.study, n_made(results)
    wished = stages(study)
    if len(wished) > 1 and made < sum(wished):
        return min(next(end - made for end in accumulate(wished) if end > made), MOST_WELDS)
    left = study.plan.welds - made
    return left if 0 < left < DEFAULT_WELDS else DEFAULT_WELDS


def n_made(results: Results) -> int:
    """Give the number of welds made, second beads not counted."""
    made = np.array([status != "not run" for status in results.status], dtype=bool)
    return int((made & ~results.is_second).sum())
