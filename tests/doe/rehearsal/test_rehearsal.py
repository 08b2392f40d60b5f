from __future__ import annotations

from dataclasses import replace

import pytest

from doe.rehearsal import INFORMED, TRUTHS, Setup, rehearse
from doe.rehearsal.rehearsal import make_tasks, run_many
from doe.study.model import Study


@pytest.fixture
def setup(hinge: Study) -> Setup:
    return Setup(hinge, TRUTHS["edge window"], INFORMED, (18,))


def test_any_number_of_processes_gives_the_same_records(setup, shelf):
    one, two = (
        sorted(
            (r for study in run_many([setup], range(2), seed=1, jobs=jobs, shelf=shelf) for r in study),
            key=lambda r: r.study,
        )
        for jobs in (1, 2)
    )
    assert [repr(replace(r, seconds=0.0)) for r in one] == [repr(replace(r, seconds=0.0)) for r in two]


def test_studies_that_are_done_are_left_out(setup, shelf):
    done = {(*setup.label, number) for number in range(8) if number != 5}
    (task,) = make_tasks([setup], range(8), seed=1, shelf=shelf, done=done)
    assert task.numbers == (5,)


def test_the_work_is_cut_so_that_a_stopped_run_is_even(setup, shelf):
    other = replace(setup, stages=(12,))
    tasks = list(make_tasks([setup, other], range(20), seed=1, shelf=shelf, done=()))
    assert sorted(n for task in tasks if task.setup is other for n in task.numbers) == list(range(20))
    first = {task.setup.welds: 0 for task in tasks}
    for task in tasks[: len(tasks) // 2]:
        first[task.setup.welds] += len(task.numbers)
    assert abs(first[18] - first[12]) <= 8


def test_a_rehearsal_sums_up_its_studies(hinge: Study, monkeypatch, shelf):
    monkeypatch.setattr("doe.rehearsal.rehearsal.PlanShelf", lambda: shelf)
    seen = []
    setup = Setup(hinge, TRUTHS["no pores"], INFORMED, (12,))
    rehearsal = rehearse(setup, n_studies=3, seed=4, progress=lambda done, total: seen.append((done, total)))
    assert [r.study for r in rehearsal.records] == [0, 1, 2]
    assert seen == [(1, 3), (2, 3), (3, 3)]
    assert rehearsal.summary.found.of == 3
    assert {r.seed for r in rehearsal.records} == {4}
