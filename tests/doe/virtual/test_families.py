from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest

from doe.study.model import Factor, Response, Study
from doe.virtual import draw_welder, true_assurance
from doe.virtual.welder import mean_depth


def region(study: Study) -> np.ndarray:
    return np.array(list(itertools.product(*(f.positions for f in study.factors))))


def draws(study: Study, family: str, n: int = 60):
    return [draw_welder(study, family, rng=np.random.default_rng(k)) for k in range(n)]


@pytest.mark.parametrize("family", ["smooth", "bent"])
def test_a_family_has_windows_of_every_size_and_some_truths_without(hinge: Study, family: str):
    good = [(true_assurance(w, hinge, region(hinge)) >= 0.9).mean() for w in draws(hinge, family)]
    assert 0.02 < np.mean([share == 0 for share in good]) < 0.4
    assert np.quantile(good, 0.9) > 0.4
    assert len(set(good)) > 20


@pytest.mark.parametrize("family", ["smooth", "bent"])
def test_scatters_and_pore_sizes_stay_in_the_stated_ranges(hinge: Study, family: str):
    steady = replace(hinge, responses=(replace(hinge.responses[0], expect_scatter=0.25), *hinge.responses[1:]))
    for welder in draws(steady, family):
        assert 0.15 <= welder.weld.weld_sd <= 0.35
        assert 0.1 <= welder.weld.plate_sd <= 0.3
        assert 0.8 <= welder.pores.size <= 5.0


def test_the_same_seed_draws_the_same_welder(hinge: Study):
    assert draw_welder(hinge, "bent", rng=np.random.default_rng(7)) == draw_welder(
        hinge, "bent", rng=np.random.default_rng(7)
    )


def test_bent_depths_are_no_quadratics(hinge: Study):
    at = region(hinge)
    coded = hinge.coding.to_coded(at)
    X = np.column_stack(
        [np.ones(len(at)), *coded.T, *(coded[:, i] * coded[:, j] for i in range(3) for j in range(i, 3))]
    )

    def left(welder):
        depth = mean_depth(welder.weld, hinge, at)
        return (depth - X @ np.linalg.lstsq(X, depth, rcond=None)[0]).std()

    assert np.median([left(w) for w in draws(hinge, "bent", 20)]) > 0.01
    assert max(left(w) for w in draws(hinge, "smooth", 20)) < 1e-9


def test_an_upper_limit_is_met_over_a_part_of_the_region_too(hinge: Study):
    hardness = Response("hardness", "measure", "HV", at_most=350.0, expect_scatter=12.0)
    study = replace(hinge, responses=(hardness,))
    good = [(true_assurance(w, study, region(study)) >= 0.9).mean() for w in draws(study, "bent")]
    assert 0.2 < np.mean(good) < 0.95
    assert any(0 < share < 1 for share in good)


def test_each_measure_has_a_truth_of_its_own(hinge: Study):
    leg = Response("leg", "measure", "mm", at_least=5.0, expect_scatter=0.4)
    study = replace(hinge, responses=(hinge.responses[0], leg))
    welder = draw_welder(study, "smooth", rng=np.random.default_rng(3))
    assert set(welder.others) == {"leg"}
    assert 4.0 < mean_depth(welder.others["leg"], study, np.array([[19.65, 7.0, 70.0]]))[0] < 8.0


def test_a_study_without_a_measure_can_be_drawn_for(hinge: Study):
    study = replace(hinge, responses=hinge.responses[1:])
    assert draw_welder(study, "bent", rng=np.random.default_rng(1)).others == {}


def test_factors_without_a_role_matter_too(hinge: Study):
    angle = replace(hinge.factors[0], name="angle", role="other", marks=(), values=(0.0, 10.0, 20.0))
    wire = Factor("wire", kinds=("A", "B", "C"))
    study = replace(hinge, factors=(angle, wire), responses=hinge.responses[:1])
    at = np.array(list(itertools.product((0.0, 20.0), (0.0, 1.0, 2.0))))
    for welder in draws(study, "smooth", 5) + draws(study, "bent", 5):
        depth = mean_depth(welder.weld, study, at)
        assert abs(depth[:3] - depth[3:]).min() > 0.05
        assert np.ptp(depth[:3]) > 0.05


def test_a_two_sided_measure_lies_between_its_limits_in_the_middle(hinge: Study):
    narrow = Response("leg", "measure", "mm", at_least=5.0, at_most=6.0, expect_scatter=1.0)
    study = replace(hinge, responses=(narrow,))
    middle = np.array([[19.65, 7.0, 70.0]])
    assert all(5.0 < mean_depth(w.weld, study, middle)[0] <= 5.5 + 1e-9 for w in draws(study, "smooth", 10))
