from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from doe.bench.due import due_step
from doe.bench.stage import (
    is_untouched,
    last_stage,
    read_plans,
    refuse_to_overwrite,
    stage_path,
    write_stage,
)
from doe.errors import WouldOverwriteError
from doe.planning.plan import Plan, PlannedWeld
from doe.study.model import Study
from doe.virtual import WELDERS, filled_table, weld_plan


def make_plan(study: Study, *, stage: int = 1, feed: float = 7.0) -> Plan:
    first = 1 if stage == 1 else 5
    welds = tuple(
        PlannedWeld(f"W{first + i:02d}", f"P{(first + i + 1) // 2:02d}", i % 2 + 1, i + 1, (19.6, feed, 70.0))
        for i in range(4)
    )
    return Plan(study, welds, seed=1, stage=stage)


def test_a_plan_and_its_blank_table_are_written_and_read_back(hinge: Study):
    files = write_stage(make_plan(hinge))
    assert [path.name for path in files] == ["plan.csv", "results.csv"]
    (plan,) = read_plans(hinge)
    assert plan.welds == make_plan(hinge).welds
    assert all(is_untouched(path) for path in files)


def test_untouched_files_may_be_written_again(hinge: Study):
    write_stage(make_plan(hinge))
    write_stage(make_plan(hinge, feed=8.0))
    assert read_plans(hinge)[0].welds[0].settings[1] == 8.0
    assert len(list(hinge.folder.iterdir())) == 2


@pytest.mark.parametrize("name", ["plan.csv", "results.csv"])
def test_what_a_person_wrote_is_not_overwritten(hinge: Study, name: str):
    write_stage(make_plan(hinge))
    path = hinge.folder / name
    path.write_text(path.read_text().replace("W01,P01", "W01,P09"))
    written = path.read_bytes()
    with pytest.raises(WouldOverwriteError, match=rf"{name} may hold what a person filled in"):
        write_stage(make_plan(hinge, feed=8.0))
    assert path.read_bytes() == written


def test_a_filled_in_workbook_is_not_planned_over(hinge: Study):
    (hinge.folder / "results.xlsx").write_bytes(b"anything")
    with pytest.raises(WouldOverwriteError, match=r"results\.xlsx"):
        refuse_to_overwrite(hinge.folder, stage=1)


def test_replace_keeps_the_old_files_beside(hinge: Study):
    plan = make_plan(hinge)
    write_stage(plan)
    filled = filled_table(plan, weld_plan(plan, WELDERS["hinge lugs"], rng=np.random.default_rng(1)))
    (hinge.folder / "results.csv").write_text(filled)
    made_by = (hinge.folder / "plan.csv").read_text()
    write_stage(make_plan(hinge, feed=8.0), replace=True)
    assert (hinge.folder / "results.1.csv").read_text() == filled
    assert (hinge.folder / "plan.1.csv").read_text() == made_by  # results are of use only with their plan
    write_stage(make_plan(hinge, feed=7.0), replace=True)
    assert (hinge.folder / "plan.2.csv").exists()
    assert is_untouched(hinge.folder / "results.csv")


def test_a_note_in_a_comment_does_not_count_as_a_measurement(hinge: Study):
    write_stage(make_plan(hinge))
    path = hinge.folder / "results.csv"
    path.write_text("# a note\n" + path.read_text())
    assert is_untouched(path)


def test_stages_follow_one_another(hinge: Study):
    write_stage(make_plan(hinge))
    write_stage(make_plan(hinge, stage=2))
    assert last_stage(hinge.folder) == 2
    assert [plan.welds[0].weld for plan in read_plans(hinge)] == ["W01", "W05"]
    assert stage_path(hinge.folder, "results", 2).name == "results-2.csv"


def test_the_step_that_is_due_is_named(hinge: Study, tmp_path: Path):
    assert due_step(tmp_path).command == "new"
    (tmp_path / "study.toml").write_text("")
    assert due_step(tmp_path).command == "plan"
    plan = make_plan(hinge)
    write_stage(plan)
    assert due_step(tmp_path).command == ""
    filled = filled_table(plan, weld_plan(plan, WELDERS["hinge lugs"], rng=np.random.default_rng(1)))
    (tmp_path / "results.csv").write_text(filled)
    assert due_step(tmp_path).command == "report"


def test_history_without_a_plan_is_welcome(tmp_path: Path):
    (tmp_path / "study.toml").write_text("")
    (tmp_path / "results.csv").write_text("weld,voltage\nA,19\n")
    assert due_step(tmp_path).command == "report"
