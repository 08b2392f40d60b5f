"""What no design can solve is refused in one sentence that says what would work."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from doe.errors import CannotAnswerError
from doe.planning.exchange import Design, search_design
from doe.planning.problem import DesignProblem

THREE, FIVE = np.array([-1.0, 0.0, 1.0]), np.array([-1.0, -0.5, 0.0, 0.5, 1.0])
Builder = Callable[..., DesignProblem]


def search(problem: DesignProblem) -> Design:
    return search_design(problem, criterion="I", rng=np.random.default_rng(1), starts=32)


def test_too_few_welds_are_refused_with_the_number_it_takes(pose: Builder):
    with pytest.raises(CannotAnswerError, match="takes at least 10 welds"):
        search(pose(FIVE, FIVE, FIVE, n=9))
    with pytest.raises(CannotAnswerError, match="3 repeat another: it takes at least 13 welds"):
        search(pose(FIVE, FIVE, FIVE, n=12, repeats=3))
    with pytest.raises(CannotAnswerError, match="takes at least 8 welds"):
        search(pose(FIVE, FIVE, n=7, block=np.array([0, 0, 0, 1, 1, 2, 2])))


def test_levels_that_cannot_support_a_term_are_refused_by_name(pose: Builder):
    with pytest.raises(CannotAnswerError, match="x2\\^2"):
        search(pose(FIVE, np.array([-1.0, 1.0]), n=12))


def test_too_few_plates_for_what_they_hold_are_refused(pose: Builder):
    problem = pose(FIVE, THREE, n=12, plate=np.repeat([0, 1], 6), held=(False, True), plate_ratio=1.0)
    with pytest.raises(CannotAnswerError, match="at least 3 plates"):
        search(problem)


def test_limits_that_leave_no_setting_are_refused(pose: Builder):
    problem = replace(pose(FIVE, FIVE, n=12), limit_matrix=np.array([[1.0, 1.0]]), limit_bound=np.array([-2.5]))
    with pytest.raises(CannotAnswerError, match="leave no setting"):
        search(problem)


def test_a_begun_plate_that_holds_an_unknown_value_is_refused(pose: Builder):
    problem = pose(
        FIVE,
        THREE,
        n=12,
        given=np.array([[0.0, 0.4]]),
        plate=np.repeat(np.arange(6), 2),
        held=(False, True),
        plate_ratio=1.0,
    )
    with pytest.raises(CannotAnswerError, match="plate 1 was begun"):
        search(problem)


def test_blocks_that_hide_a_term_are_refused(pose: Builder):
    # x1 is held on plates, and with a limit it can only be low in the first block's plate: no design is sound
    problem = pose(
        np.array([-1.0, 1.0]),
        n=4,
        order="first order",
        plate=np.repeat([0, 1], 2),
        held=(True,),
        plate_ratio=1.0,
        block=np.repeat([0, 1], 2),
    )
    with pytest.raises(CannotAnswerError, match="no design of 4 welds was found"):
        search(problem)
