from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from doe.bench import read_results
from doe.bench.practice_file import Practice, read_practice, write_practice
from doe.bench.stage import write_stage
from doe.errors import CannotAnswerError, DoeError, WouldOverwriteError
from doe.planning.plan import Plan, PlannedWeld
from doe.planning.region import reachable_settings
from doe.planning.second_beads import add_second_beads
from doe.rehearsal.practice import class_welder, make_welds
from doe.shipped import shipped
from doe.study import read_study
from doe.study.model import Study
from doe.virtual import true_assurance


@pytest.fixture
def study(tmp_path: Path) -> Study:
    """A planned study of four welds."""
    (tmp_path / "study.toml").write_text(shipped("hinge-lugs/study.toml").read_text(encoding="utf-8"), encoding="utf-8")
    read = read_study(tmp_path)
    welds = tuple(PlannedWeld(f"W0{i}", f"P0{i}", 1, 5 - i, (19.6, 6.0 + i / 2, 70.0)) for i in range(1, 5))
    write_stage(Plan(read, welds, seed=1, fingerprint=read.fingerprint))
    return read


def readings(study: Study) -> np.ndarray:
    return read_results(study.folder, study).readings["penetration"].values[:, 0]


def test_a_group_shares_its_truth_and_another_has_its_own(study):
    one, same, other = class_welder(study, 3), class_welder(study, 3), class_welder(study, 4)
    assert one == same
    assert one != other


@pytest.mark.parametrize("group", range(6))
def test_a_truth_to_practise_on_has_something_to_find_and_something_to_lose(study, group):
    settings = reachable_settings(study).points
    good = true_assurance(class_welder(study, group), study, settings) >= study.claim.reliability
    assert 0.06 <= good.mean() <= 0.5


def test_welds_come_out_the_same_whether_made_singly_or_together(study):
    practice = Practice(3, "Ida")
    make_welds(study, practice, ["W03"])
    alone = readings(study)
    assert np.isnan(alone).sum() == 3
    path, new = make_welds(study, practice, None)
    assert new == ("W04", "W02", "W01")
    assert readings(study)[2] == alone[2]
    singly = path.read_bytes()
    path.unlink()
    make_welds(study, practice, None)
    assert path.read_bytes() == singly


def test_learners_weld_alike_but_not_the_same(study):
    path, _ = make_welds(study, Practice(3, "Ida"), None)
    hers = readings(study)
    path.unlink()
    make_welds(study, Practice(3, "Olu"), None)
    assert not np.allclose(readings(study), hers)


def test_a_table_somebody_wrote_in_is_left_alone(study):
    practice = Practice(3)
    path, _ = make_welds(study, practice, ["W01"])
    text = path.read_text().replace("W02,", "W02 ,")
    path.write_text(text)
    with pytest.raises(WouldOverwriteError, match="written by hand"):
        make_welds(study, practice, ["W02"])
    assert path.read_text() == text


@pytest.mark.parametrize(
    ("wanted", "message"),
    [(["W09"], "W09 is not in the plan. Stage 1 has W01 to W04"), (["w01"], "W01 was made before")],
)
def test_a_weld_that_cannot_be_made_is_refused(study, wanted, message):
    make_welds(study, Practice(3), ["W01"])
    with pytest.raises(CannotAnswerError, match=message):
        make_welds(study, Practice(3), wanted)


def test_nothing_is_left_to_weld_when_all_are_made(study):
    make_welds(study, Practice(3), None)
    with pytest.raises(CannotAnswerError, match="all 4 welds of stage 1 are made"):
        make_welds(study, Practice(3), None)


def test_nothing_is_welded_after_the_key(study):
    with pytest.raises(CannotAnswerError, match="begin in a new folder"):
        make_welds(study, Practice(3, key_shown=True), None)


def test_practice_is_read_back_and_a_spoilt_file_refused(tmp_path):
    assert read_practice(tmp_path) is None
    practice = Practice(3, "Ida", key_shown=True)
    path = write_practice(tmp_path, practice)
    assert read_practice(tmp_path) == practice
    path.write_text('{"group": "x"}')
    with pytest.raises(DoeError, match="begin again in a new folder"):
        read_practice(tmp_path)


def test_second_beads_are_welded_under_their_own_numbers(tmp_path: Path):
    text = shipped("hinge-lugs/study.toml").read_text(encoding="utf-8")
    (tmp_path / "study.toml").write_text(text.replace("[plan]", "[plan]\nsecond_bead = true"), encoding="utf-8")
    read = read_study(tmp_path)
    welds = [PlannedWeld(f"W0{i}", f"P0{i}", 1, i, (19.6, 6.0 + i / 2, 70.0)) for i in range(1, 4)]
    plan = Plan(read, add_second_beads(welds, wanted=True), seed=1, fingerprint=read.fingerprint)
    write_stage(plan)
    _, new = make_welds(read, Practice(3, "Ida"), ["w02B", "W01"])
    assert new == ("W01", "W02b")
    found = read_results(read.folder, read)
    made = [weld for weld, status in zip(found.weld, found.status, strict=True) if status != "not run"]
    assert made == ["W01", "W02b"]
    assert np.isnan(readings(read)[list(found.weld).index("W02b")])
