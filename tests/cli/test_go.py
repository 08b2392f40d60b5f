"""``go`` through the whole job: report, next, report, confirm, verdict and report."""

from __future__ import annotations

import json
from pathlib import Path

import pytest


def test_go_leads_from_a_window_to_its_confirmation_the_verdict_and_a_new_report(welded: Path, weldwindow, fill):
    assert "Due now: report" in weldwindow("go", welded).stderr
    fixed = weldwindow("go", welded)
    assert "Due now: confirm" in fixed.stderr
    assert (welded / "claim.json").exists()
    assert (welded / "report" / "bench-2.html").exists()
    waiting = weldwindow("go", welded)
    assert "fill in results-2.csv" in waiting.stderr
    fill(welded, 2, seed=2)  # welds well inside: four passes that lower the confidence withdraw a claim
    judged = weldwindow("go", welded)
    assert "the verdict on the claim that was fixed" in judged.stderr
    assert judged.stdout.startswith("Not contradicted: 4 of 4")
    page = (welded / "report" / "report.html").read_text()
    assert "NOT CONTRADICTED, 4 of 4 welds" in page
    assert "NOT CONFIRMED" not in page
    assert "--recheck" in weldwindow("go", welded).stderr
    claim = json.loads((welded / "claim.json").read_text())
    answer = json.loads((welded / "report" / "answer.json").read_text())
    shown = {name: (side["low"], side["high"]) for name, side in answer["window"]["window"].items()}
    assert shown == {name: (side["low"], side["high"]) for name, side in claim["window"].items()}
    assert answer["confirmation"]["verdict"] == "not contradicted"


@pytest.mark.slow
def test_go_leads_from_no_window_to_the_next_welds(tmp_path: Path, weldwindow, weld, fill):
    weld(tmp_path, seed=1, welder="just short of depth")
    report = json.loads(weldwindow("go", tmp_path, "--json").stdout)
    assert report["window"]["found"] is False
    assert report["window"]["if_not"]["reason"] == "cannot say yet"
    planned = weldwindow("go", tmp_path)
    assert "Due now: next" in planned.stderr
    assert "go beyond that" in planned.stdout  # 24 welds were affordable, and made
    assert (tmp_path / "plan-2.csv").exists()
    assert "fill in results-2.csv" in weldwindow("go", tmp_path).stderr
    fill(tmp_path, 2, seed=1, welder="just short of depth")
    assert "Due now: report" in weldwindow("go", tmp_path).stderr


@pytest.mark.slow
def test_go_fixes_a_new_claim_where_the_old_one_is_withdrawn(welded: Path, weldwindow, fill):
    weldwindow("report", welded)
    weldwindow("go", welded)
    old = (welded / "claim.json").read_bytes()
    fill(welded, 2, seed=5)
    table = welded / "results-2.csv"
    rows = table.read_text().splitlines()
    row = next(i for i, line in enumerate(rows) if ",no," in line)
    rows[row] = rows[row].replace(",no,60", ",yes,29")  # one trip, a second too soon
    table.write_text("\n".join(rows) + "\n")
    assert weldwindow("go", welded).stdout.startswith("Claim withdrawn: 3 of 4")
    page = (welded / "report" / "report.html").read_text()
    assert "Claim withdrawn" in page
    assert "NOT CONFIRMED" in page
    anew = weldwindow("go", welded)
    assert "no longer stands" in anew.stderr
    assert (welded / "claim.1.json").read_bytes() == old
    assert (welded / "plan-3.csv").exists()
