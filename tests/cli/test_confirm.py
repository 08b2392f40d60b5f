from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from cli.steps import read_folder
from doe.models import fit_responses
from doe.window import claimed_window, find_window
from doe.window.explore import expect_setting, open_explorer


def test_confirm_fixes_claim_and_welds_and_says_the_rule(welded: Path, weldwindow):
    result = weldwindow("confirm", welded)
    assert result.exit_code == 0
    assert "Rule, fixed beforehand: 4 welds" in result.stdout
    assert "22 of 22" in result.stdout
    for name in ("claim.json", "plan-2.csv", "results-2.csv", "report/run-sheet-2.pdf"):
        assert f"wrote {welded / name}" in result.stderr
    assert result.stderr.rstrip().endswith(f"then weldwindow go {welded}")


def test_confirm_answers_as_the_interface_says(welded: Path, weldwindow):
    answer = json.loads(weldwindow("confirm", welded, "--json").stdout)
    assert answer["schema"] == 1
    assert answer["rule"]["welds"] == 4
    assert answer["rule"]["failures_allowed"] == 0
    assert answer["rule"]["proves"]["confidence"] == 0.9
    assert 0.56 < answer["rule"]["proves"]["reliability"] < 0.57
    assert [weld["role"] for weld in answer["welds"]] == ["confirm"] * 4
    assert answer["verdict"] is None
    assert {"confidence", "expected", "low"} <= set(answer["assurance"])
    assert answer["zero_failure_welds"]["0.9/0.9"] == 22


def test_asking_again_changes_nothing_and_another_rule_is_refused(welded: Path, weldwindow):
    first = weldwindow("confirm", welded, "--json")
    before = {path: path.read_bytes() for path in welded.iterdir() if path.is_file()}
    again = weldwindow("confirm", welded, "--json")
    assert again.stdout == first.stdout
    assert "wrote" not in again.stderr
    refused = weldwindow("confirm", welded, "--welds", "6", "--json")
    assert refused.exit_code == 5
    assert json.loads(refused.stdout)["error"]["code"] == 5
    assert weldwindow("confirm", welded, "--allow", "1").exit_code == 5
    assert {path: path.read_bytes() for path in welded.iterdir() if path.is_file()} == before


def test_a_changed_requirement_is_refused_with_its_key(welded: Path, weldwindow):
    weldwindow("confirm", welded)
    path = welded / "study.toml"
    path.write_text(path.read_text().replace("at_least = 1.2", "at_least = 1.0"))
    refused = weldwindow("confirm", welded, "--json")
    assert refused.exit_code == 5
    assert json.loads(refused.stdout)["error"]["faults"][0]["key"] == "requirements.penetration"


def test_the_verdict_comes_with_the_results_and_an_old_claim_can_be_checked_again(welded: Path, weldwindow, fill):
    weldwindow("confirm", welded)
    claim = (welded / "claim.json").read_bytes()
    fill(welded, 2, seed=2)
    judged = json.loads(weldwindow("confirm", welded, "--json").stdout)
    assert len(judged["outcomes"]) == 4
    failed = [outcome["weld"] for outcome in judged["outcomes"] if not outcome["passed"]]
    sure = judged["assurance"]["confidence"]
    assert judged["verdict"] == ("withdrawn" if failed or sure < 0.9 else "not contradicted")
    assert judged["verdict"] == "not contradicted"  # a good machine, and a seed at which it shows
    assert f"next: weldwindow report {welded}" in weldwindow("confirm", welded).stderr
    again = weldwindow("confirm", welded, "--recheck", "--welds", "2")
    assert "Rule, fixed beforehand: 2 welds" in again.stdout
    assert (welded / "plan-3.csv").exists()
    fill(welded, 3, seed=1, welder="no window")  # another outlet, and the welds are shallow
    assert weldwindow("window", welded).exit_code in {0, 4}
    withdrawn = weldwindow("confirm", welded)
    assert withdrawn.exit_code == 0
    assert withdrawn.stdout.startswith("Claim withdrawn: 0 of 2")
    now = json.loads(weldwindow("confirm", welded, "--json").stdout)["window_now"]
    assert ("--anew" if now else f"next: weldwindow next {welded}") in withdrawn.stderr
    assert (welded / "claim.json").read_bytes() == claim


def test_without_a_window_nothing_is_claimed_or_written(tmp_path: Path, weldwindow, weld):
    weld(tmp_path, seed=1, welder="no window")
    refused = weldwindow("confirm", tmp_path)
    assert refused.exit_code == 4
    assert "no window can be claimed, so there is none to confirm" in refused.stderr
    assert not (tmp_path / "claim.json").exists()
    assert not (tmp_path / "plan-2.csv").exists()
    assert weldwindow("confirm", tmp_path, "--recheck").exit_code == 4


def test_a_claim_cannot_be_fixed_while_welds_are_waited_for(welded: Path, weldwindow):
    for name in ("plan-2.csv", "results-2.csv"):
        (welded / name).write_text((welded / "plan.csv").read_text())
    refused = weldwindow("confirm", welded)
    assert refused.exit_code in {3, 4}
    assert not (welded / "claim.json").exists()


def test_a_torn_claim_is_invalid_input(welded: Path, weldwindow):
    (welded / "claim.json").write_text('{"schema": 1}')
    refused = weldwindow("confirm", welded, "--json")
    assert refused.exit_code == 3
    assert "rule" in {fault["key"] for fault in json.loads(refused.stdout)["error"]["faults"]}


@pytest.mark.parametrize("text", ['{"stage": ' + "9" * 5000 + "}", "[" * 3000, "\ufeff{", ""])
def test_a_claim_that_no_reader_can_read_is_invalid_input(welded: Path, weldwindow, text: str):
    (welded / "claim.json").write_text(text)
    refused = weldwindow("confirm", welded)
    assert refused.exit_code == 3
    assert "claim.json" in refused.stderr


def test_a_confirmation_cut_short_between_its_tables_is_completed(welded: Path, weldwindow):
    weldwindow("confirm", welded)
    whole = (welded / "results-2.csv").read_bytes()
    (welded / "results-2.csv").unlink()  # as a kill between the two renames leaves it
    assert weldwindow("confirm", welded).exit_code == 0
    assert (welded / "results-2.csv").read_bytes() == whole


def test_a_confirmation_whose_sheets_cannot_be_written_fixes_nothing(welded: Path, weldwindow):
    (welded / "report").write_text("in the way")
    before = {path: path.read_bytes() for path in welded.iterdir() if path.is_file()}
    assert weldwindow("confirm", welded).exit_code == 6
    assert {path: path.read_bytes() for path in welded.iterdir() if path.is_file()} == before


def test_the_confirmation_sheet_says_what_is_confirmed_and_the_rule(welded: Path, weldwindow, tmp_path: Path):
    if shutil.which("pdftotext") is None:
        pytest.skip("poppler-utils is not installed")
    weldwindow("confirm", welded, "--welds", "5", "--allow", "1")
    sheet = welded / "report" / "run-sheet-2.pdf"
    told = subprocess.run(["pdftotext", "-layout", sheet, "-"], capture_output=True, text=True, check=True).stdout
    text = " ".join(told.split())
    assert text.startswith("Confirmation sheet: Hinge lugs, 10 mm")
    assert "The claim: voltage" in text
    assert "at least 18 of 20 welds good, 90 % sure" in text
    assert "A good weld: penetration at least 1.2 mm; porosity at most 2 over 100 mm; no trip within 30 s." in text
    assert "5 welds at the settings below, at most 1 may fail" in text
    weldwindow("report", welded)
    again = subprocess.run(["pdftotext", "-layout", sheet, "-"], capture_output=True, text=True, check=True).stdout
    assert again == told


def test_page_one_and_the_dials_give_the_same_numbers_for_a_claimed_window(welded: Path, weldwindow):
    weldwindow("confirm", welded)
    fit = fit_responses(read_folder(welded), seed=1)
    window, _ = claimed_window(fit, find_window(fit, seed=1), seed=1)
    best = window.answer.best
    chance, _ = expect_setting(open_explorer(fit, window), best.settings)
    assert (chance.expected, chance.low) == pytest.approx((best.assurance.expected, best.assurance.low), rel=1e-12)


def test_a_withdrawn_claim_asks_for_its_card_to_be_taken_off(welded: Path, weldwindow, fill):
    weldwindow("confirm", welded)
    fill(welded, 2, seed=2, welder="no window")
    weldwindow("confirm", welded)
    weldwindow("report", welded)
    page = (welded / "report" / "report.html").read_text()
    assert "Claim withdrawn: 0 of 4" in page
    assert "Take the card of the withdrawn claim off the machine." in page


def test_a_pack_of_a_study_with_a_claim_makes_the_claimed_window_again(welded: Path, weldwindow):
    weldwindow("confirm", welded, "--welds", "3")
    weldwindow("report", welded)
    claimed = json.loads((welded / "claim.json").read_text())["window"]["feed"]
    weldwindow("pack", welded)
    checked = weldwindow("pack", "--check", welded / "report" / "hinge.zip", "--json")
    assert checked.exit_code == 0
    assert json.loads(checked.stdout)["same"]
    packed = json.loads((welded / "report" / "answer.json").read_text())["window"]["window"]["feed"]
    assert (packed["low"], packed["high"]) == (claimed["low"], claimed["high"])
