"""The files of the report, written as the public interface says."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from doe.planning.plan import Plan, PlannedWeld
from doe.report import write_report
from doe.study.model import Study
from doe.window import confirm_window


@pytest.fixture
def plan(hinge: Study) -> Plan:
    return Plan(hinge, (PlannedWeld("W01", "P01", 1, 1, (17.0, 5.0, 20.0)),), 1)


def test_every_file_goes_to_the_folder_that_was_named(answered, plan, tmp_path: Path):
    folder = tmp_path / "elsewhere" / "report"
    fit, window = answered.fit, replace(answered.window, maps=())
    written = write_report(plan.study, plan, fit.results, fit, window, str(folder))
    assert [path.name for path in written] == ["report.html", "setting-card.pdf", "run-sheet.pdf"]
    assert all(path.parent == folder and path.stat().st_size for path in written)
    assert not (plan.study.folder / "report").exists()


def test_the_page_says_where_the_claim_stands_that_it_is_given(answered, hinge: Study, tmp_path: Path):
    fit = replace(answered.fit, results=replace(answered.fit.results, study=hinge))
    window = replace(answered.window, maps=())
    fixed = confirm_window(fit, seed=fit.seed)
    pages = []
    for confirmation in (None, fixed):
        page = write_report(hinge, None, fit.results, fit, window, tmp_path / "r", confirmation=confirmation)[0]
        pages.append(page.read_text(encoding="utf-8"))
    assert "Confirmed or not" not in pages[0]
    assert "Confirmed or not" in pages[1]
    assert "NOT CONFIRMED" in pages[1]
