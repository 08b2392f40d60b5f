"""A reading of 0 where at least so much is asked: it says "at most 0" and hides by how much the weld falls short.

Fusion that stops short of the root can be recorded as a minus; where it is not, the 0 enters the models as a number
like any other (TRAPS 23).
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

import numpy as np

from doe.bench.asking import question_of_all
from doe.bench.results import BoolArray, Measurement, Results
from doe.bench.root_depth import can_miss_the_root
from doe.bench.slips import response_heading
from doe.errors import Fault
from doe.study.model import Response

COUNTS: Final = (
    "As 0 it counts as exactly 0, and settings like these look better than they are. Write ? if it was not readable."
)
AT_THE_ROOT: Final = (
    "no fusion at the root? 0 hides by how much it falls short: write that as a minus where it can be measured. "
    + COUNTS
)
ELSEWHERE: Final = f"0 was read: is it a reading, or was there nothing to measure? It may hide a shortfall. {COUNTS}"


def hiding_zeros(measurement: Measurement, response: Response) -> BoolArray:
    """Tell which welds read exactly 0 on a measure of which more is asked, shape (n_welds,).

    None where any reading is below 0: whoever writes those down means 0 as 0.
    """
    values = measurement.values
    if response.at_least is None or response.at_least <= 0.0 or (values < 0.0).any():
        return np.zeros(len(values), dtype=bool)
    return np.asarray((values == 0.0).any(axis=1))


def zero_for_too_little(results: Results) -> Iterator[Fault]:
    """Find zeros that hide by how much a weld falls short."""
    for response in results.study.responses:
        readings = results.readings[response.name]
        if not isinstance(readings, Measurement):
            continue
        welds = [int(i) for i in np.flatnonzero(hiding_zeros(readings, response))]
        if not welds:
            continue
        text = AT_THE_ROOT if can_miss_the_root(response) else ELSEWHERE
        yield question_of_all(results, welds, response_heading(response), text)
