from __future__ import annotations

from dataclasses import replace

import pytest

from doe.errors import ResultsError
from doe.planning.plan import Plan, PlannedWeld
from doe.planning.reading import read_plan
from doe.planning.table import plan_table
from doe.study.model import Blocks, Factor


@pytest.fixture
def plan(hinge):
    welds = (
        PlannedWeld("W01", "P01", 1, 2, (19.6, 7.0, 20.0)),
        PlannedWeld("W02", "P01", 2, 1, (22.3, 8.5, 20.0), role="repeat"),
        PlannedWeld("W03", "P02", 1, 3, (17.0, 5.0, 120.0)),
    )
    return Plan(hinge(), welds, seed=7, fingerprint="0123456789ab")


@pytest.fixture
def faults_of(plan, tmp_path):
    """Write the plan, change its text, read it, and give the faults as (row, column, message)."""

    def read(*changes: tuple[str, str]):
        text = plan_table(plan)
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        (tmp_path / "plan.csv").write_text(text, encoding="utf-8")
        with pytest.raises(ResultsError, match=r"plan.csv cannot be used as it stands") as refusal:
            read_plan(tmp_path, plan.study)
        return [(fault.row, fault.column, fault.message) for fault in refusal.value.faults]

    return read


def test_what_was_written_is_read_back(plan, tmp_path):
    path = tmp_path / "plan.csv"
    path.write_text(plan_table(plan), encoding="utf-8")
    for place in (path, str(tmp_path)):
        found = read_plan(place, plan.study)
        assert found.welds == plan.welds
        assert (found.seed, found.stage, found.fingerprint) == (7, 1, "0123456789ab")
        assert plan_table(found) == plan_table(plan)


def test_a_table_that_a_spreadsheet_has_saved_again_is_read(plan, tmp_path):
    lines = plan_table(plan).splitlines()
    saved = [f'"{line}";;;;;;;;' if line.startswith("#") else line for line in lines]
    saved = [line if line.startswith('"#') else line.replace(".", ",decimal,").replace(",", ";") for line in saved]
    text = "\ufeff" + "\r\n".join(saved).replace(";decimal;", ",") + "\r\n;;;;;;;;\r\n"
    path = tmp_path / "plan.csv"
    path.write_text(text, encoding="utf-8")
    found = read_plan(path, plan.study)
    assert found.welds == plan.welds
    assert found.seed == 7


def test_kinds_letters_and_blocks_are_read(plan, tmp_path):
    dial = Factor("voltage", "voltage", values=(1.0, 2.0), marks=("A", "-B"), calibrated=False)
    plain = Factor("feed", unit="mark", values=(1.0, 1.5, 2.0), calibrated=False, is_continuous=True)
    study = replace(
        plan.study,
        factors=(dial, plain, Factor("wire", kinds=("=solid", "cored"))),
        limits=(),
        plan=replace(plan.study.plan, blocks=Blocks("day", (1, 1))),
    )
    welds = (
        PlannedWeld("W01", "P01", 1, 1, (2.0, 1.5, 0.0), block="1"),
        PlannedWeld("W02", "P02", 1, 2, (1.0, 2.0, 1.0), block="2"),
    )
    path = tmp_path / "plan-2.csv"
    path.write_text(plan_table(Plan(study, welds, seed=1, stage=2)), encoding="utf-8")
    found = read_plan(path, study)
    assert found.welds == welds
    assert found.stage == 2


def test_mark_or_value_alone_is_enough_and_the_role_may_be_missing(plan, tmp_path):
    text = "weld,plate,position,order,voltage mark,feed [m/min],preheat [degC]\nW1,P1,1,1,3,7.0,20\n"
    (tmp_path / "plan.csv").write_text(text, encoding="utf-8")
    (weld,) = read_plan(tmp_path, plan.study).welds
    assert weld.settings == (19.6, 7.0, 20.0)
    assert weld.role == "plan"
    assert read_plan(tmp_path, plan.study).seed == 0


def test_every_fault_is_listed_at_once_with_its_row_and_column(faults_of):
    faults = faults_of(
        ("W01,P01,1,2,3,19.6,7,20,plan", "W01,,one,2,9,19.6,seven,20,plan"),
        ("W03,P02,1,3,1,17,5,120,plan", "W02,P02,1,2,1,17,5,120,spare"),
    )
    assert (7, "plate", "this cell is empty") in faults
    assert (7, "position", "“one” is not a whole number of 1 or more") in faults
    assert (7, "voltage mark", "“9” is not understood; accepted are the marks 1, 2, 3, 4, 5") in faults
    assert (7, "feed [m/min]", "“seven” is not understood; accepted are numbers from 5 to 9") in faults
    assert (9, "weld", "“W02” stands in row 8 already") in faults
    assert (9, "order", "“2” stands in row 7 already") in faults
    assert any(row == 9 and column == "role" and "“spare” is not a role" in text for row, column, text in faults)


def test_mark_and_value_that_disagree_are_a_fault(faults_of):
    assert faults_of((",3,19.6,", ",3,21.1,")) == [(7, "voltage mark", "mark and value do not belong together")]


def test_a_missing_setting_is_a_fault(faults_of):
    assert faults_of((",3,19.6,", ",,,")) == [(7, "voltage [V]", "there is no setting")]


def test_settings_outside_ranges_or_limits_are_faults(faults_of):
    faults = faults_of((",7,20,", ",10.5,20,"), (",3,19.6,", ",5,22.3,"), ("5,22.3,8.5", "5,22.3,5"))
    assert [(row, text) for row, _, text in faults] == [
        (7, "W01 lies outside the study's ranges or limits"),
        (8, "W02 lies outside the study's ranges or limits"),
    ]


def test_a_plate_that_does_not_hold_its_preheat_is_a_fault(faults_of):
    faults = faults_of((",8.5,20,", ",8.5,70,"))
    assert faults == [(8, "preheat [degC]", "preheat is set once a plate, but differs on P01 from W01")]


def test_the_same_place_on_a_plate_twice_is_a_fault(faults_of):
    assert faults_of(("W02,P01,2", "W02,P01,1")) == [(8, "position", "“P01, 1” stands in row 7 already")]


def test_missing_doubled_and_unknown_columns_are_faults(faults_of):
    faults = faults_of(("plate,position,order", "plate,Position,plate"))
    assert (None, "position", "this column is missing") in faults
    assert (None, "order", "this column is missing") in faults
    assert (None, "plate", "this column stands there twice") in faults
    assert any(column == "Position" and "did you mean “position”?" in text for _, column, text in faults)
    assert any("a plan has weld, plate" in text for _, _, text in faults_of(("order", "sequence")))


def test_a_plate_in_two_blocks_and_an_empty_block_are_faults(plan, tmp_path):
    study = replace(plan.study, plan=replace(plan.study.plan, blocks=Blocks("day", (2, 1))))
    welds = tuple(replace(weld, block=block) for weld, block in zip(plan.welds, ("1", "2", ""), strict=True))
    (tmp_path / "plan.csv").write_text(plan_table(Plan(study, welds, seed=1)), encoding="utf-8")
    with pytest.raises(ResultsError, match="2 faults") as refusal:
        read_plan(tmp_path, study)
    assert [str(f) for f in refusal.value.faults] == [
        "plan.csv, row 9, column “day”: this cell is empty",
        "plan.csv, row 8: plate P01 lies in two blocks",
    ]


def test_an_unknown_kind_names_those_there_are(plan, tmp_path):
    study = replace(plan.study, factors=(Factor("wire", kinds=("A", "B")),), limits=())
    (tmp_path / "plan.csv").write_text("weld,plate,position,order,wire\nW1,P1,1,1,C\n", encoding="utf-8")
    with pytest.raises(ResultsError, match="“C” is not understood; accepted are A, B"):
        read_plan(tmp_path, study)


@pytest.mark.parametrize(
    ("content", "message"), [(b"", "is empty"), (b"\xff\xfe\x00", "cannot be read"), (None, "cannot be read")]
)
def test_a_file_that_is_no_table_is_refused(plan, tmp_path, content, message):
    path = tmp_path / "plan.csv"
    if content is not None:
        path.write_bytes(content)
    with pytest.raises(ResultsError, match=f"plan.csv {message}"):
        read_plan(path, plan.study)


def test_a_table_of_headings_only_has_no_weld(plan, tmp_path):
    text = "\n".join(plan_table(plan).splitlines()[:6])
    (tmp_path / "plan.csv").write_text(text, encoding="utf-8")
    with pytest.raises(ResultsError, match="there is no weld"):
        read_plan(tmp_path, plan.study)
