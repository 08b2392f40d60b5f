"""The workbook form: locked plan, lists and limits, and read back through the reader."""

from __future__ import annotations

import io
import time
import zipfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest

from doe.bench import read_results, results_table
from doe.bench.columns import plan_columns, results_columns
from doe.bench.form_entries import entry_of
from doe.bench.results import Counts, Measurement, Passes, Trips
from doe.bench.workbook_form import results_workbook, write_workbook_form
from doe.planning.plan import Plan
from doe.planning.table import plan_table
from doe.study.model import Factor, Response, Study

Rows = list[dict[str, str]]


def load(plan: Plan) -> Any:
    return openpyxl.load_workbook(io.BytesIO(results_workbook(plan)))


def column_of(sheet: Any, heading: str) -> int:
    return [cell.value for cell in sheet[1]].index(heading) + 1


def rule_of(sheet: Any, heading: str) -> Any:
    letter = openpyxl.utils.get_column_letter(column_of(sheet, heading))
    rules = [rule for rule in sheet.data_validations.dataValidation if str(rule.sqref).startswith(f"{letter}2:")]
    assert len(rules) == 1
    return rules[0]


def fill(book: Any, rows: Rows) -> None:
    """Type rows into the form: whatever is not there yet."""
    sheet = book["welds"]
    by_weld = {sheet.cell(row=i, column=1).value: i for i in range(2, sheet.max_row + 1)}
    for row in rows:
        for heading, text in row.items():
            cell = sheet.cell(row=by_weld[row["weld"]], column=column_of(sheet, heading))
            if text and cell.value is None:
                cell.value = float(text) if text.replace(".", "", 1).isdigit() else text


def test_the_form_filled_in_is_read_like_the_same_table_typed(planned: Study, plan: Plan, filled: Rows, write: Any):
    book = load(plan)
    fill(book, filled)
    book.save(planned.folder / "results.xlsx")
    from_form = read_results(planned.folder / "results.xlsx", planned)
    (planned.folder / "results.xlsx").unlink()
    typed = read_results(write(filled), planned)
    assert from_form.weld == typed.weld
    assert from_form.status == typed.status
    np.testing.assert_array_equal(from_form.settings, typed.settings)
    np.testing.assert_array_equal(from_form.position, typed.position)
    for name, parts in (
        ("penetration", ("values",)),
        ("porosity", ("counts", "length_mm")),
        ("trip", ("tripped", "time_s")),
        ("root fused", ("passed",)),
    ):
        reading, other = from_form.readings[name], typed.readings[name]
        assert isinstance(reading, Measurement | Counts | Trips | Passes)
        for part in parts:
            np.testing.assert_array_equal(getattr(reading, part), getattr(other, part))
    assert from_form.conversions == ()
    key = "plate temperature [degC]"
    np.testing.assert_array_equal(from_form.conditions[key], typed.conditions[key])


def test_the_blank_form_says_that_nothing_was_run(planned: Study, plan: Plan):
    (planned.folder / "results.xlsx").write_bytes(results_workbook(plan))
    assert set(read_results(planned.folder, planned).status) == {"not run"}


def test_headings_are_those_of_results_csv_and_rows_stand_in_the_order_of_welding(study: Study, plan: Plan):
    orders = (3, 4, 1, 2, 6, 5)
    mixed = replace(plan, welds=tuple(replace(w, order=o) for w, o in zip(plan.welds, orders, strict=True)))
    sheet = load(mixed)["welds"]
    head = next(line for line in results_table(mixed).splitlines() if not line.startswith("#"))
    assert [cell.value for cell in sheet[1]][: len(head.split(","))] == head.split(",")
    assert [sheet.cell(row=i, column=1).value for i in range(2, 8)] == ["W03", "W04", "W01", "W02", "W06", "W05"]


def test_the_same_plan_gives_the_same_bytes_at_any_time(plan: Plan):
    first = results_workbook(plan)
    time.sleep(2.1)  # a zip file keeps time in steps of two seconds
    assert results_workbook(plan) == first


def test_the_plan_is_locked_and_the_rest_is_free(study: Study, plan: Plan):
    sheet = load(plan)["welds"]
    n_planned = len(plan_columns(study))
    assert sheet.protection.sheet
    assert sheet.protection.password is None
    assert all(sheet.cell(row=1, column=j).protection.locked for j in range(1, 20))
    assert all(sheet.cell(row=4, column=j).protection.locked for j in range(1, n_planned + 1))
    n_columns = len(results_columns(study))
    assert not any(sheet.cell(row=4, column=j).protection.locked for j in range(n_planned + 1, n_columns + 7))
    assert sheet.freeze_panes == "B2"
    assert sheet.print_title_rows == "$1:$1"


def test_numbers_are_numbers_and_marks_are_text(plan: Plan):
    sheet = load(plan)["welds"]
    row = {cell.value: sheet.cell(row=2, column=cell.column).value for cell in sheet[1]}
    assert row["voltage mark"] == "1"
    assert row["voltage [V]"] == 17
    assert row["feed [m/min]"] == 5
    assert isinstance(row["order"], int)


def test_lists_and_limits_warn_and_let_the_person_go_on(plan: Plan):
    book = load(plan)
    sheet = book["welds"]
    for heading in ("status", "trip", "root fused", "place"):
        rule = rule_of(sheet, heading)
        assert rule.type == "list"
        assert rule.formula1.startswith("lists!$")
    assert "the supply breaker only. A cut-out of the machine" in rule_of(sheet, "trip").prompt
    depth = rule_of(sheet, "penetration [mm]")
    assert (depth.type, depth.formula1, depth.formula2) == ("decimal", "-10", "10")
    assert rule_of(sheet, "porosity").type == "whole"
    assert rule_of(sheet, "stick-out [mm]").formula2 == "100"
    for rule in sheet.data_validations.dataValidation:
        assert rule.errorStyle == "warning"
        assert rule.showInputMessage
        assert len(rule.prompt) <= 255
        assert len(rule.error) <= 255
        assert len(rule.promptTitle) <= 32
        assert str(rule.sqref).endswith("7")
    letters = [openpyxl.utils.get_column_letter(cell.column) for cell in sheet[1] if cell.value == "status"]
    source = rule_of(sheet, "status").formula1.split("!")[1].replace("$", "")
    assert letters
    assert [row[0].value for row in book["lists"][source]] == ["done", "aborted", "scrapped", "not run"]


def test_each_list_points_at_its_own_words(study: Study, plan: Plan):
    factors = (
        *study.factors,
        Factor("wire", kinds=("A, “x”", "=1+1")),
        Factor("tap", values=(1.0, 2.0), marks=("a", "b"), calibrated=False),
    )
    more = replace(study, factors=factors)
    welds = tuple(replace(weld, settings=(*weld.settings, 1.0, 2.0)) for weld in plan.welds)
    book = load(Plan(more, welds, seed=1))
    sheet, lists = book["welds"], book["lists"]
    for column in results_columns(more)[len(plan_columns(more)) :]:
        choices = entry_of(column, more).choices
        if choices:
            source = rule_of(sheet, column.heading).formula1.split("!")[1].replace("$", "")
            assert tuple(row[0].value for row in lists[source]) == choices
    kind = sheet.cell(row=2, column=column_of(sheet, "wire"))
    assert (kind.value, kind.data_type) in {("=1+1", "s"), ("'=1+1", "s")}


def test_guide_and_plan_sheets_are_not_read_as_welds(plan: Plan):
    book = load(plan)
    assert book.sheetnames == ["welds", "guide", "plan", "lists"]
    assert [book[name].sheet_state for name in book.sheetnames] == ["visible", "visible", "hidden", "hidden"]
    said = [cell.value for cell in book["plan"]["A"]]
    assert "fingerprint 0123456789ab" in said
    assert "seed 1" in said
    guide = [cell.value for cell in book["guide"]["A"] if cell.value]
    assert "penetration [mm]" in guide
    assert any("results.xlsx" in line for line in guide)


def test_limits_of_a_study_in_customary_units_are_in_its_units(study: Study, plan: Plan):
    us = replace(study, units="us")
    sheet = load(replace(plan, study=us))["welds"]
    temperature = rule_of(sheet, "plate temperature [degF]")
    assert (temperature.formula1, temperature.formula2) == ("-58", "1472")
    assert float(rule_of(sheet, "stick-out [in]").formula2) == pytest.approx(100 / 25.4, abs=1e-4)


def test_a_date_made_of_a_fraction_is_outside_every_limit(study: Study):
    # 2000-01-01 is day 36 526 of a spreadsheet's calendar (ECMA-376, part 1, 18.17.4 (from memory)).
    for column in results_columns(study)[len(plan_columns(study)) :]:
        limits = entry_of(column, study).limits
        assert limits is None or limits[1] < 36_526


def test_control_characters_in_a_title_do_no_harm(plan: Plan):
    named = replace(plan, study=replace(plan.study, title="Lugs \x07 10 mm"))
    assert load(named).properties.title == "Lugs  10 mm"


def test_a_measure_without_a_unit_and_one_without_full_are_told_of(study: Study, plan: Plan):
    more = replace(study, responses=(Response("bends", "measure"), Response("leg", "measure", "mm")))
    sheet = load(replace(plan, study=more))["welds"]
    assert "its own unit" in rule_of(sheet, "bends").prompt
    assert "burn-through" not in rule_of(sheet, "leg [mm]").prompt


def test_the_form_lies_in_the_report_folder_under_its_stage(study: Study, plan: Plan):
    (study.folder / "plan.csv").write_text(plan_table(plan), encoding="utf-8")
    paths = [*write_workbook_form(plan), *write_workbook_form(replace(plan, stage=2))]
    assert [path.relative_to(study.folder) for path in paths] == [
        Path("report/run-sheet.xlsx"),
        Path("report/run-sheet-2.xlsx"),
    ]
    assert zipfile.is_zipfile(paths[0])


def test_a_form_that_was_filled_in_is_kept_beside_when_the_stage_is_planned_again(planned: Study, plan: Plan):
    (path,) = write_workbook_form(plan)
    write_workbook_form(plan)
    assert not path.with_name("run-sheet.1.xlsx").exists()  # nobody saved it since
    book = openpyxl.load_workbook(path)
    book["welds"].cell(2, 12).value = "1.7"
    book.save(path)
    saved = path.read_bytes()
    write_workbook_form(plan)
    assert path.with_name("run-sheet.1.xlsx").read_bytes() == saved
    assert path.read_bytes() != saved
