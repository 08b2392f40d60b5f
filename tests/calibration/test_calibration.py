"""The promise at length: every truth, informed and with nothing known, in one stage and in several.

A rate fails where so many wrong claims would come in fewer than 1 of 1000 runs at a true share of 10 %: some hundred
rates are looked at. ``python -m doe.rehearsal`` runs more studies, and reports/calibration.md tells what came of them.
"""

from __future__ import annotations

import pytest

from doe.rehearsal import INFORMED, NOTHING_KNOWN, TRUTHS, Setup
from doe.rehearsal.calibration import demo_study
from doe.rehearsal.rehearsal import run_many
from doe.rehearsal.studying import PlanShelf
from doe.rehearsal.summary import first_claims, summarise
from doe.rehearsal.table import AWKWARD

pytestmark = pytest.mark.slow

N_STUDIES = 100
SURELY = 0.001


@pytest.fixture(scope="module")
def shelf() -> PlanShelf:
    return PlanShelf()


def run(truth, known, stages, shelf):
    setup = Setup(demo_study(), TRUTHS[truth], known, stages)
    return [record for study in run_many([setup], range(N_STUDIES), seed=77, jobs=2, shelf=shelf) for record in study]


@pytest.mark.parametrize("welds", [12, 18])
@pytest.mark.parametrize("known", [INFORMED, NOTHING_KNOWN], ids=lambda known: known.name)
@pytest.mark.parametrize("truth", sorted(TRUTHS))
def test_a_claim_is_wrong_at_most_once_in_ten(truth, known, welds, shelf):
    summary = summarise(run(truth, known, (welds,), shelf))
    assert summary.wrong.above(0.10) > SURELY
    if truth not in AWKWARD["measure"]:
        for name in ("point_measure", "all_measure"):
            assert summary.bands[name].value > 0.87 - 3.0 * summary.bands[name].error, name


@pytest.mark.parametrize("known", [INFORMED, NOTHING_KNOWN], ids=lambda known: known.name)
@pytest.mark.parametrize("truth", sorted(set(TRUTHS) - {"days differ"}))
def test_nor_for_the_user_who_stops_at_the_first_window(truth, known, shelf):
    records = run(truth, known, (8, 6, 4), shelf)
    assert summarise(first_claims(records)).wrong.above(0.10) > SURELY
    assert summarise([record for record in records if record.is_last]).wrong.above(0.10) > SURELY
