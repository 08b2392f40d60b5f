"""A few welds beside what the welds before them foretold."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from doe.bench.results import Counts, Measurement
from doe.planning.plan import Plan, PlannedWeld
from doe.virtual.welder import WELDERS
from doe.virtual.welding import add_results, weld_plan
from doe.window.foretold import Foretold, foretell


def plan_of(study, *, n, stage, seed):
    rng = np.random.default_rng(seed)
    dials = [[float(rng.choice(f.positions[1:-1])) for f in study.factors] for _ in range(n)]
    welds = tuple(
        PlannedWeld(
            f"S{stage}-{i:02d}", f"Q{stage}-{i // 2:02d}", i % 2 + 1, i + 1, (*dials[i][:2], dials[i // 2 * 2][2])
        )
        for i in range(n)
    )
    return Plan(study, welds, seed, stage=stage, fingerprint=study.fingerprint)


def checked(study, *, seed=1, n=3, later=WELDERS["no pores"]):
    """24 welds of one machine, and n of another in stage 2."""
    first = weld_plan(
        plan_of(study, n=24, stage=1, seed=seed), WELDERS["no pores"], rng=np.random.default_rng([1, seed])
    )
    second = weld_plan(plan_of(study, n=n, stage=2, seed=seed + 1), later, rng=np.random.default_rng([2, seed]))
    second = replace(second, file=("results-2.csv",) * n)
    return add_results(replace(first, file=("results.csv",) * 24), second), list(range(24, 24 + n))


def test_welds_of_the_same_machine_are_as_foretold(hinge):
    results, rows = checked(hinge)
    depth, pores = foretell(results, rows, stage=2, seed=1)
    assert (depth.response.name, pores.response.name) == ("penetration", "porosity")
    assert depth.welds == 3
    assert depth.seen == pytest.approx(results.readings["penetration"].values[rows].mean())
    assert depth.low < depth.expected < depth.high
    assert not depth.is_doubtful
    assert "as foretold. With so few welds a shift smaller than about" in depth.sentence
    assert not pores.is_doubtful
    assert pores.sentence.startswith("porosity: 0 counted on 3 welds where 0 to")


def test_shallow_welds_are_lower_than_foretold(hinge):
    results, rows = checked(hinge)
    values = results.readings["penetration"].values.copy()
    values[rows] -= 1.2
    results = replace(results, readings={**results.readings, "penetration": Measurement(values, np.full(27, 10.0))})
    depth, _ = foretell(results, rows, stage=2, seed=1)
    assert depth.is_doubtful
    assert "lower than foretold, and worth a look, also where welds passed" in depth.sentence
    assert depth.to_dict()["is_doubtful"] is True


def test_pores_are_counted_over_the_length_that_was_inspected(hinge):
    results, rows = checked(hinge, later=WELDERS["just too many pores"])
    counts, lengths = results.readings["porosity"].counts.copy(), results.readings["porosity"].length_mm.copy()
    counts[:24], counts[rows] = 2.0, 2.0
    lengths[:24], lengths[rows] = 100.0, 100.0

    def pores(length):
        lengths[rows] = length
        read = {**results.readings, "porosity": Counts(counts, lengths.copy())}
        return foretell(replace(results, readings=read), rows, stage=2, seed=1)[1]

    once, tenfold = pores(100.0), pores(1000.0)
    assert tenfold.expected == pytest.approx(10 * once.expected, rel=0.02)
    assert not once.is_doubtful
    assert tenfold.is_doubtful


def test_a_burn_through_and_a_reading_that_is_missing_are_left_out(hinge):
    results, rows = checked(hinge)
    values = results.readings["penetration"].values.copy()
    values[rows[0]], values[rows[1]] = 10.0, np.nan
    read = {**results.readings, "penetration": Measurement(values, np.full(27, 10.0))}
    depth, _ = foretell(replace(results, readings=read), rows, stage=2, seed=1)
    assert depth.welds == 1
    assert "on average of 1 weld where" in depth.sentence
    values[rows[2]] = np.nan
    read = {**results.readings, "penetration": Measurement(values, np.full(27, 10.0))}
    (only,) = foretell(replace(results, readings=read), rows, stage=2, seed=1)
    assert only.response.name == "porosity"


def test_what_cannot_be_fitted_foretells_nothing(hinge):
    results, rows = checked(hinge)
    values = results.readings["penetration"].values.copy()
    values[:20] = np.nan  # four welds left
    read = {**results.readings, "penetration": Measurement(values, np.full(27, 10.0))}
    study = replace(hinge, responses=(replace(hinge.responses[0], expect_scatter=None), *hinge.responses[1:]))
    assert foretell(replace(results, study=study, readings=read), rows, stage=2, seed=1) == ()


def test_more_pores_than_foretold_are_said_to_be(hinge):
    found = Foretold(hinge.responses[1], 2, seen=9.0, expected=1.5, low=0.0, high=4.0, level=0.9)
    assert found.sentence == (
        "porosity: 9 counted on 2 welds where 0 to 4 were foretold (90 % band): higher than foretold, and worth a look."
    )


@pytest.mark.slow
def test_a_machine_that_did_not_change_raises_doubt_no_more_often_than_the_band_says(hinge):
    """40 studies on a machine that stays as it is: about one in ten lies outside a 90 % band (binomial error 4.7 %)."""
    doubts = 0
    for seed in range(40):
        results, rows = checked(hinge, seed=10 * seed + 1)
        doubts += foretell(results, rows, stage=2, seed=seed)[0].is_doubtful
    assert doubts / 40 < 0.10 + 2.5 * np.sqrt(0.09 / 40)
