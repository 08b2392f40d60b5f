"""The window on the real models: virtual welders with a hidden truth."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from doe.models import fit_responses
from doe.planning.plan import Plan, PlannedWeld
from doe.virtual.welder import WELDERS, true_assurance
from doe.virtual.welding import weld_plan
from doe.window import find_window, window_sentences


def simple_plan(study, seed):
    """24 welds on 12 plates: three levels of each dial, shuffled, preheat by plate."""
    rng = np.random.default_rng(seed)
    ends = [f.positions[[0, len(f.positions) // 2, -1]] for f in study.factors]
    dials = [(v, f) for v in ends[0] for f in ends[1]] * 3
    rng.shuffle(dials)
    welds = tuple(
        PlannedWeld(
            f"W{i + 1:02d}",
            f"P{i // 2 + 1:02d}",
            i % 2 + 1,
            i + 1,
            (float(dials[i][0]), float(dials[i][1]), float(ends[2][i // 2 % 3])),
        )
        for i in range(24)
    )
    return Plan(study, welds, seed)


def welded_window(study, name, seed):
    results = weld_plan(simple_plan(study, seed), WELDERS[name], rng=np.random.default_rng(seed))
    return find_window(fit_responses(results, seed=seed), seed=seed)


@pytest.mark.parametrize("name", ["hinge lugs", "never trips"])
def test_claimed_windows_are_good_on_virtual_welders(hinge, name):
    found = 0
    for seed in range(5):
        window = welded_window(hinge, name, seed)
        json.dumps(window.to_dict(), allow_nan=False)
        assert window_sentences(window, window.answer)
        if window.found:
            found += 1
            inside = np.column_stack([g.ravel() for g in np.meshgrid(*window.answer.box.dials, indexing="ij")])
            # each claim may be wrong once in ten; on these two welders none of these five is
            assert true_assurance(WELDERS[name], hinge, inside).min() >= 0.9
            assert window.answer.best.assurance.low >= 0.9
    assert found


def test_a_claim_says_that_errors_are_students_t(hinge):
    asked = [replace(r, errors="student t") if r.kind == "measure" else r for r in hinge.responses]
    window = welded_window(replace(hinge, responses=tuple(asked)), "no pores", 2)
    said = [
        line for line in window.to_dict()["assumptions"] if line.startswith("Errors of penetration are Student’s t")
    ]
    assert window.found
    assert len(said) == 1


def test_no_window_is_claimed_where_there_is_none(hinge):
    window = welded_window(hinge, "no window", 1)
    assert not window.found
    assert window.answer.nearest.reason == "data speak against"
    assert window.answer.nearest.limiting == "penetration"


def test_a_warm_study_is_answered_for_both_positions(hinge):
    study = replace(hinge, plan=replace(hinge.plan, later_welds="warm"))
    window = welded_window(study, "warm second sides", 3)
    assert [answer.position for answer in window.answers] == ["any", 1, 2]
    shares = [answer.box.share if answer.found else 0.0 for answer in window.answers]
    assert shares[0] <= max(shares[1:]) + 1e-9
    both, first, later = (shown.low for shown in window.maps)
    assert (both <= np.minimum(first, later) + 1e-9).all()


def test_the_same_results_and_seed_give_the_same_bytes(hinge):
    once, twice = (json.dumps(welded_window(hinge, "hinge lugs", 2).to_dict()) for _ in range(2))
    assert once == twice
