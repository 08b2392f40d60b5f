from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from doe.errors import CannotAnswerError
from doe.rehearsal.how_many import SimulatedSize, _smoothed, draw_machines, simulate_sizes
from doe.study.model import Study


def test_more_welds_bring_a_window_more_often(hinge: Study):
    seen = []
    few, many = simulate_sizes(
        hinge, (12, 30), n_studies=12, seed=3, progress=lambda done, total: seen.append((done, total))
    )
    assert (few.welds, many.welds) == (12, 30)
    assert few.chance < many.chance
    assert few.share <= many.share
    assert many.chance > 0.2
    assert seen[-1] == (24, 24)
    assert many.to_dict()["studies"] == 12


def test_second_beads_are_simulated_and_not_counted_as_welds(hinge: Study):
    second = replace(hinge, plan=replace(hinge.plan, second_bead=True))
    (alone,), (both,) = (simulate_sizes(study, (18,), n_studies=6, seed=3) for study in (hinge, second))
    assert alone.welds == both.welds == 18
    assert both.share > alone.share


def test_a_number_of_welds_that_cannot_be_planned_says_why(hinge: Study):
    (row,) = simulate_sizes(hinge, (8,), n_studies=2)
    assert "at least 10 welds" in row.refused
    assert row.to_dict() == {"welds": 8, "refused": row.refused}


def test_machines_have_good_settings_and_are_the_same_for_the_same_seed(hinge: Study):
    machines = draw_machines(hinge, 4, seed=2)
    assert [m.name for m in machines] == ["family: smooth", "family: bent"] * 2
    assert machines == draw_machines(hinge, 4, seed=2)
    assert machines != draw_machines(hinge, 4, seed=3)


def test_a_study_without_a_requirement_has_no_window_to_hope_for(hinge: Study):
    bare = replace(hinge, responses=(replace(hinge.responses[0], at_least=None),))
    with pytest.raises(CannotAnswerError, match="no response has a requirement"):
        simulate_sizes(bare, (12,), n_studies=2)


def test_requirements_no_machine_meets_are_told(hinge: Study):
    strict = tuple(replace(r, at_most=0, per_mm=100.0) if r.kind == "count" else r for r in hinge.responses)
    hard = replace(hinge, responses=strict, claim=replace(hinge.claim, reliability=0.9999))
    with pytest.raises(CannotAnswerError, match="hardly any simulated machine"):
        simulate_sizes(hard, (12,), n_studies=2)


def test_chance_and_share_never_fall_with_more_welds():
    # isotonic regression pools neighbours that fall: .5, .3 become .4, .4
    rows = [
        SimulatedSize(n, chance, 0.1, share, 0.02, 30)
        for n, chance, share in ((12, 0.1, 0.05), (16, 0.5, 0.2), (20, 0.3, 0.1))
    ]
    smooth = _smoothed([SimulatedSize(8, refused="too few"), *rows])
    np.testing.assert_allclose([row.chance for row in smooth[1:]], [0.1, 0.4, 0.4])
    np.testing.assert_allclose([row.share for row in smooth[1:]], [0.05, 0.15, 0.15])
    assert smooth[0].refused
    assert _smoothed([smooth[0]]) == (smooth[0],)


def test_any_number_of_processes_gives_the_same_numbers(hinge: Study):
    assert simulate_sizes(hinge, (12,), n_studies=2, jobs=2) == simulate_sizes(hinge, (12,), n_studies=2)
