from __future__ import annotations

import math
from dataclasses import fields, replace

import pytest

from doe.errors import DoeError, ResultsError
from doe.rehearsal.record import RecordFile, finished, read_records, whole_studies


def same(first, second) -> bool:
    """Equal field by field, nan like nan."""
    return all(repr(getattr(first, f.name)) == repr(getattr(second, f.name)) for f in fields(first))


def test_what_is_written_is_read_back(tmp_path, record, lost):
    path = tmp_path / "deep" / "studies.csv"
    RecordFile(path).add([record, lost])
    RecordFile(path).add([replace(record, study=7, refused="too few, welds\nfor it")])
    read = read_records(path, seed=1)
    assert [r.study for r in read] == [0, 0, 7]
    assert same(read[0], record)
    assert same(read[1], lost)
    assert read[2].refused == "too few, welds\nfor it"


def test_no_file_is_no_records(tmp_path):
    assert read_records(tmp_path / "none.csv", seed=1) == []


def test_a_line_cut_off_in_the_middle_is_left_out_and_written_anew(tmp_path, record):
    path = tmp_path / "studies.csv"
    RecordFile(path).add([record, replace(record, study=1)])
    whole = path.read_bytes()
    path.write_bytes(whole[:-20])
    assert [r.study for r in read_records(path, seed=1)] == [0]
    RecordFile(path).add([replace(record, study=1)])
    assert path.read_bytes() == whole


def test_another_seed_is_refused(tmp_path, record):
    RecordFile(tmp_path / "s.csv").add([record])
    with pytest.raises(ResultsError, match="made with seed 1, not 2"):
        read_records(tmp_path / "s.csv", seed=2)


@pytest.mark.parametrize("text", ["weld,plate\nW01,P01\n", ""])
def test_another_table_is_refused_and_kept(tmp_path, text):
    path = tmp_path / "results.csv"
    path.write_text(text)
    with pytest.raises(ResultsError, match="not a table of rehearsed studies"):
        read_records(path, seed=1)
    assert path.read_text() == text


@pytest.mark.parametrize(("old", "new"), [("yes", "perhaps"), ("informed", "informed,more"), ("0.93", "high")])
def test_a_row_that_cannot_be_read_is_named(tmp_path, record, old, new):
    path = tmp_path / "s.csv"
    RecordFile(path).add([record])
    path.write_text(path.read_text().replace(old, new, 1))
    with pytest.raises(ResultsError, match=r"a row of s\.csv cannot be read") as caught:
        read_records(path, seed=1)
    assert caught.value.faults[0].row == 2


def test_a_file_that_cannot_be_written_is_an_error_a_user_can_read(tmp_path):
    (tmp_path / "taken").write_text("")
    with pytest.raises(DoeError, match="cannot be written"):
        RecordFile(tmp_path / "taken" / "s.csv")


def test_a_study_is_finished_with_its_last_stage(record):
    first = replace(record, stages="8+4", stage=1, welds=8)
    assert finished([first]) == set()
    assert finished([first, replace(first, stage=2)]) == {("informed", "hinge lugs", "8+4", 0)}


def test_unfinished_studies_and_second_copies_are_left_out(record):
    first = replace(record, stages="8+4", stage=1)
    second = replace(first, stage=2)
    records = [first, first, second, replace(first, study=9)]
    assert [(r.study, r.stage) for r in whole_studies(records)] == [(0, 1), (0, 2)]


def test_not_a_number_stays_so(tmp_path, lost):
    RecordFile(tmp_path / "s.csv").add([lost])
    assert math.isnan(read_records(tmp_path / "s.csv", seed=1)[0].lowest_true)
