from __future__ import annotations

import itertools
import json
from dataclasses import replace

import numpy as np
from numpy.testing import assert_allclose

from doe.rehearsal.judging import find_true_window, judge
from doe.study.model import Study
from doe.virtual import WELDERS, true_assurance
from doe.window.window import Answer, SettingBox, Window

WELDER = WELDERS["hinge lugs"]


def window(study: Study, box: SettingBox | None) -> Window:
    axes = tuple(f.positions for f in study.factors)
    reachable = np.ones(tuple(map(len, axes)), dtype=bool)
    return Window(
        study=study,
        claim=study.claim,
        answers=(Answer("any", box=box),),
        maps=(),
        axes=axes,
        reachable=reachable,
        claimable=reachable,
        assumptions=(),
        left_out=(),
        n_welds=18,
        seed=1,
    )


def box_of(study: Study, low: tuple[float, ...], high: tuple[float, ...]) -> SettingBox:
    dials = tuple(
        f.positions[(f.positions >= a - 1e-9) & (f.positions <= b + 1e-9)]
        for f, a, b in zip(study.factors, low, high, strict=True)
    )
    return SettingBox(low, high, dials, 0.1, 0.9)


def truth(study: Study) -> np.ndarray:
    return true_assurance(WELDER, study, np.array(list(itertools.product(*(f.positions for f in study.factors)))))


def test_a_good_box_is_right_and_its_share_is_counted(hinge: Study):
    judged = judge(window(hinge, box_of(hinge, (18.4, 6.0, 70.0), (19.6, 7.0, 120.0))), welder=WELDER)
    good = truth(hinge) >= 0.9
    assert judged.found
    assert not judged.is_wrong
    assert judged.lowest_true > 0.9
    assert_allclose(judged.claimed_share, 2 * 3 * 2 / good.sum())
    assert_allclose(judged.true_share, good.mean())
    assert "so the claim is right" in judged.words()[1]


def test_one_bad_setting_makes_a_box_wrong(hinge: Study):
    judged = judge(window(hinge, box_of(hinge, (18.4, 5.0, 20.0), (19.6, 7.0, 120.0))), welder=WELDER)
    assert judged.is_wrong
    assert judged.lowest_true < 0.9
    assert "less than was claimed" in judged.words()[1]
    assert json.loads(json.dumps(judged.to_dict()))["is_wrong"] is True


def test_no_window_is_never_wrong(hinge: Study):
    judged = judge(window(hinge, None), welder=WELDER)
    assert (judged.found, judged.is_wrong, judged.lowest_true, judged.claimed_share) == (False, False, None, 0.0)
    assert judged.words()[1] == "No window was claimed."


def test_where_later_welds_start_warm_both_must_hold(hinge: Study):
    hot = replace(WELDER, weld=replace(WELDER.weld, warm_gain=-5.0))
    warm = replace(hinge, plan=replace(hinge.plan, later_welds="warm"))
    box = box_of(hinge, (18.4, 6.0, 70.0), (19.6, 7.0, 120.0))
    assert not judge(window(hinge, box), welder=hot).is_wrong
    assert judge(window(warm, box), welder=hot).is_wrong


def test_the_largest_true_box_is_the_measure_of_a_window(hinge: Study):
    good = (truth(hinge) >= 0.9).reshape(5, 9, 3)
    ranges = [[(a, b) for a in range(n) for b in range(a, n)] for n in good.shape]
    sizes = [
        (b1 - a1 + 1) * (b2 - a2 + 1) * (b3 - a3 + 1)
        for (a1, b1), (a2, b2), (a3, b3) in itertools.product(*ranges)
        if good[a1 : b1 + 1, a2 : b2 + 1, a3 : b3 + 1].all()
    ]
    true = find_true_window(window(hinge, None), welder=WELDER)
    assert_allclose(true.share, max(sizes) / good.size)
    assert true.is_window
    assert find_true_window(window(hinge, None), welder=WELDERS["no window"]) is None


def test_a_true_box_of_one_mark_is_no_window(hinge: Study):
    whole = window(hinge, None)
    only = np.zeros_like(whole.reachable)
    only[2] = True  # one mark of voltage
    true = find_true_window(replace(whole, reachable=only), welder=WELDER)
    assert true.share > 0.3
    assert not true.is_window


def test_a_true_box_is_of_one_kind(hinge: Study):
    wire = replace(hinge.factors[2], name="wire", role="other", values=(), kinds=("A", "B"))
    study = replace(hinge, factors=(*hinge.factors[:2], wire))
    good = (
        true_assurance(
            WELDER, study, np.array(list(itertools.product(*(f.positions for f in study.factors[:2]), (0.0,))))
        )
        >= 0.9
    )
    true = find_true_window(window(study, None), welder=WELDER)
    assert true.share <= good.sum() / (2 * good.size)  # the factor of kinds does nothing: a box may not count twice


def test_the_dials_wander_counts_against_a_window(hinge: Study):
    cliff = (22.3, 7.0, 70.0)
    wandering = replace(hinge, factors=(replace(hinge.factors[0], set_within=0.5), *hinge.factors[1:]))
    many = np.tile(cliff, (4_000, 1))
    many[:, 0] += np.random.default_rng(1).normal(0.0, 0.5, len(many))
    still = replace(hinge, factors=(replace(hinge.factors[0], set_within=0.0), *hinge.factors[1:]))
    judged = judge(window(wandering, box_of(hinge, cliff, cliff)), welder=WELDER)
    assert_allclose(judged.lowest_true, true_assurance(WELDER, still, many).mean(), atol=0.01)
    assert judged.lowest_true < judge(window(still, box_of(hinge, cliff, cliff)), welder=WELDER).lowest_true - 0.01
