from __future__ import annotations

from dataclasses import replace

import pytest

from doe.errors import DoeError
from doe.rehearsal.__main__ import Told, main
from doe.rehearsal.calibration import demo_study, setups_of
from doe.rehearsal.record import RecordFile
from doe.rehearsal.setup import TRUTHS


@pytest.fixture
def table(tmp_path, record):
    """A table in which the quick part is done, but for nothing."""
    path = tmp_path / "studies.csv"
    setups = setups_of(demo_study(), "quick")
    RecordFile(path).add(
        replace(record, knowledge=s.label[0], truth=s.label[1], stages=s.label[2], welds=s.welds) for s in setups
    )
    return path


def test_what_is_done_is_not_run_again_and_the_page_is_written(table, tmp_path, capsys):
    before, page = table.read_bytes(), tmp_path / "reports" / "calibration.md"
    assert main([str(table), "--part", "quick", "--studies", "1", "--page", str(page)]) == 0
    assert table.read_bytes() == before
    text = page.read_text(encoding="utf-8")
    assert '`python -m doe.rehearsal studies.csv --part "quick" --studies 1 --seed 1`' in text
    assert str(tmp_path) not in text
    assert "wrote" in capsys.readouterr().err


def test_some_cells_can_be_run_before_the_others(table, tmp_path, monkeypatch):
    asked = []

    def take(_table, setups, **_more):
        asked.extend(setups)
        raise DoeError("far enough")

    monkeypatch.setattr("doe.rehearsal.__main__.run_calibration", take)
    few = ["--welds", "18", "--welds", "24", "--known", "informed", "--page", str(tmp_path / "page.md")]
    assert main([str(table), "--part", "one stage", *few]) == 2
    assert {(s.welds, s.knowledge.name) for s in asked} == {(18, "informed"), (24, "informed")}
    assert len(asked) == 2 * len(TRUTHS)
    asked.clear()
    assert main([str(table), "--part", "one stage", *few, "--truth", "sharp ridge", "--truth", "no pores"]) == 2
    assert {s.truth.name for s in asked} == {"sharp ridge", "no pores"}
    assert len(asked) == 4


def test_another_seed_ends_with_a_message(table, tmp_path, capsys):
    page = tmp_path / "page.md"
    assert main([str(table), "--part", "quick", "--studies", "1", "--seed", "5", "--page", str(page)]) == 2
    assert "made with seed 1, not 5" in capsys.readouterr().err
    assert not page.exists()


def test_progress_is_told_on_stderr_now_and_then(capsys):
    told = Told()
    for done in range(1, 6):
        told(done, 5, 0.3)
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 1  # within seconds only the last is told
    assert said[0].startswith("5 of 5 studies, 0.30 s each; about 0 min left")


def test_help_names_what_can_be_asked(capsys):
    with pytest.raises(SystemExit):
        main(["--help"])
    said = capsys.readouterr().out
    assert all(word in said for word in ("--studies", "--seed", "--jobs", "--page", "--part", "--truth"))


def test_the_page_of_a_run_that_was_stopped_can_be_had(table, tmp_path, capsys):
    page = tmp_path / "page.md"
    assert main([str(table), "--run-nothing", "--studies", "40", "--page", str(page)]) == 0
    assert "4 studies in 4 cells" in page.read_text(encoding="utf-8")
