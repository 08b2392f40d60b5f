from __future__ import annotations

from dataclasses import replace

import pytest

from doe.errors import ResultsError
from doe.rehearsal import INFORMED, TRUTHS, Setup
from doe.rehearsal import calibration as calibration_module
from doe.rehearsal.calibration import WHOLE, demo_study, run_calibration, setups_of
from doe.study.model import Study


def test_the_calibration_meets_every_truth_at_every_size():
    study = demo_study()
    one, staged = setups_of(study, "one stage"), setups_of(study, "staged")
    assert {setup.truth.name for setup in one} == set(TRUTHS)
    assert len(TRUTHS) >= 20
    assert {setup.welds for setup in one} == {12, 16, 18, 20, 24}
    assert {setup.label[2] for setup in staged} == {"8+4", "8+4+4", "8+6+4", "8+6+6", "8+8+8"}
    assert {setup.truth.name for setup in staged} == set(TRUTHS) - {"days differ"}
    labels = [setup.label for part in WHOLE for setup in setups_of(study, part)]
    assert len(labels) == len(set(labels))


def test_the_demo_study_asks_for_nine_in_ten_at_ninety_per_cent():
    claim = demo_study().claim
    assert (claim.reliability, claim.confidence) == (0.9, 0.9)


def test_a_stopped_calibration_goes_on_where_it_was(tmp_path, hinge: Study, shelf, monkeypatch):
    monkeypatch.setattr(calibration_module, "PlanShelf", lambda: shelf)
    setups, seen = [Setup(hinge, TRUTHS["no pores"], INFORMED, (12,))], []
    path = tmp_path / "studies.csv"
    whole = run_calibration(path, setups, n_studies=3, seed=1)
    lines = path.read_text().splitlines(keepends=True)
    path.write_text("".join(lines[:2]) + lines[2][:30])  # stopped in the middle of the second study
    again = run_calibration(path, setups, n_studies=3, seed=1, progress=lambda *told: seen.append(told[:2]))
    assert seen == [(2, 3), (3, 3)]
    told = [sorted(repr(replace(record, seconds=0.0)) for record in c.records) for c in (whole, again)]
    assert told[0] == told[1]
    assert len(path.read_text().splitlines()) == len(lines)


def test_a_table_of_another_seed_is_refused(tmp_path, hinge: Study, record):
    calibration_module.RecordFile(tmp_path / "s.csv").add([record])
    with pytest.raises(ResultsError, match="seed"):
        run_calibration(tmp_path / "s.csv", [], n_studies=1, seed=9)
