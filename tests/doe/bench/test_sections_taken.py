"""Readings of sections put into a table: what stands there stays, cell by cell and line by line."""

from __future__ import annotations

import csv
from pathlib import Path

import openpyxl
import pytest

from doe.bench import read_results, results_table
from doe.bench.stage import is_untouched, write_stage
from doe.bench.taking import FROM_MACRO_PAGE, Export, read_export, write_export
from doe.errors import ResultsError, WouldOverwriteError
from doe.planning.plan import Plan

Rows = list[dict[str, str]]
HEAD = "weld,penetration [mm],penetration 2 [mm],section leg A [mm],section picture"


def macro_export(plan: Plan, *lines: str, head: str = HEAD) -> Path:
    """Write what the macro page exports."""
    comments = [line for line in results_table(plan).splitlines() if line.startswith(("# f", "# seed", "# stage"))]
    path = plan.study.folder.parent / f"macro-{plan.study.fingerprint}-1.csv"
    path.write_text("\n".join([*comments, FROM_MACRO_PAGE, head, *lines, ""]), encoding="utf-8")
    return path


def take(plan: Plan, *lines: str, head: str = HEAD, replace: bool = False) -> Export:
    export = read_export(macro_export(plan, *lines, head=head), plan.study)
    write_export(export, replace=replace)
    return export


def table(plan: Plan, name: str = "results.csv") -> Rows:
    text = (plan.study.folder / name).read_text(encoding="utf-8")
    return list(csv.DictReader(line for line in text.splitlines() if line.strip() and not line.startswith("#")))


@pytest.fixture
def staged(plan: Plan) -> Plan:
    write_stage(plan)
    return plan


def test_a_blank_table_is_filled_in_and_is_a_person_s_from_then_on(staged: Plan):
    export = take(staged, "W02,1.52,1.61,5.1,a.jpg", "W04,2.10,,,b.jpg")
    assert export.sections == ("W02", "W04")
    rows = {row["weld"]: row for row in table(staged)}
    assert rows["W02"]["penetration [mm]"] == "1.52"
    assert (rows["W02"]["penetration 2 [mm]"], rows["W02"]["section picture"]) == ("1.61", "a.jpg")
    assert rows["W01"]["penetration [mm]"] == ""
    assert not is_untouched(staged.study.folder / "results.csv")
    results = read_results(staged.study.folder, staged.study)
    assert results.readings["penetration"].values[1].tolist() == [1.52, 1.61]  # type: ignore[union-attr]
    assert results.remarks["section leg A [mm]"][1] == "5.1"


def test_the_blanks_of_a_filled_in_table_are_filled_and_it_is_kept_beside(staged: Plan, filled: Rows):
    path = staged.study.folder / "results.csv"
    rows = [{**row, "penetration [mm]": ""} for row in filled]
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    before = path.read_bytes()
    take(staged, "W03,1.9,,,")
    assert (staged.study.folder / "results.1.csv").read_bytes() == before
    found = table(staged)
    for row, old in zip(found, rows, strict=True):
        expected = {**old, "penetration [mm]": "1.9" if row["weld"] == "W03" else ""}
        assert {heading: row[heading] for heading in expected} == expected


def test_a_cell_that_holds_something_else_is_only_replaced_when_asked_and_listed(staged: Plan):
    take(staged, "W03,1.9,,,")
    before = (staged.study.folder / "results.csv").read_bytes()
    with pytest.raises(WouldOverwriteError, match="do not say the same") as refused:
        take(staged, "W03,2.0,,5.0,")
    row = next(i for i, line in enumerate(before.decode().splitlines(), 1) if line.startswith("W03"))
    assert [(f.row, f.column) for f in refused.value.faults] == [(row, "penetration [mm]")]
    assert (staged.study.folder / "results.csv").read_bytes() == before
    export = take(staged, "W03,2.0,,5.0,", replace=True)
    said = [(c.column, c.found, c.read_as) for c in export.conversions if c.found == "1.9"]
    assert said == [("penetration [mm]", "1.9", "2.0, from macro-0123456789ab-1.csv")]
    assert table(staged)[2]["penetration [mm]"] == "2.0"


def test_the_same_readings_again_change_nothing(staged: Plan):
    take(staged, "W03,1.9,,5.0,c.jpg")
    before = (staged.study.folder / "results.csv").read_bytes()
    assert write_export(read_export(macro_export(staged, "W03,1.9,,5.0,c.jpg"), staged.study)).files == ()
    assert (staged.study.folder / "results.csv").read_bytes() == before


def test_rows_keep_their_numbers_and_lines_above_stay(staged: Plan):
    path = staged.study.folder / "results.csv"
    lines = ["Lugs, Saturday", "", *path.read_text(encoding="utf-8").splitlines(), "", "# end, of it"]
    wet = lines[-4].split(",")
    lines[-4] = ",".join([*wet[:-1], '"wet;\nthen dry"'])
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    take(staged, "W06,1.4,,,")
    new = path.read_text(encoding="utf-8").splitlines()
    for old, found in zip("\n".join(lines).splitlines(), new, strict=False):
        if old.startswith("# rows as written"):
            assert found == ""
        elif old.startswith(("W06", "weld")):
            assert found.split(",")[0] == old.split(",")[0]
        elif old.startswith(("# end", "# study")) or not old.startswith("#"):
            assert found.replace('"', "").rstrip(",").replace(", ", ",") == old.replace('"', "").rstrip(",").replace(
                ", ", ","
            )
    assert new[-1] == "# 1 cell filled from macro-0123456789ab-1.csv"
    assert len(new) == len("\n".join(lines).splitlines()) + 1


def test_semicolons_decimal_commas_and_other_letters_stay_readable(staged: Plan, filled: Rows):
    rows = [{**row, "penetration [mm]": "", "voltage [V]": row["voltage [V]"].replace(".", ",")} for row in filled]
    rows[0]["notes"] = "naß; 20 °C"
    text = ";".join(rows[0]) + "\n"
    for row in rows:
        text += ";".join(f'"{cell}"' if ";" in cell else cell for cell in row.values()) + "\n"
    (staged.study.folder / "results.csv").write_bytes(text.encode("cp1252"))
    export = take(staged, "W01,1.52,,,", replace=True)
    assert export.results.readings["penetration"].values[0][0] == 1.52  # type: ignore[union-attr]
    assert export.results.remarks["notes"][0] == "naß; 20 °C"
    assert export.results.settings[1][0] == 19.6


def test_a_column_in_another_unit_gets_the_number_with_its_unit(staged: Plan):
    path = staged.study.folder / "results.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("penetration [mm]", "Penetration (in)"), encoding="utf-8")
    export = take(staged, "W01,1.52,,,", "W02,burn-through,,,", replace=True)
    assert table(staged)[0]["Penetration (in)"] == "1.52 mm"
    assert table(staged)[1]["Penetration (in)"] == "burn-through"
    assert export.results.readings["penetration"].values[0][0] == pytest.approx(1.52)  # type: ignore[union-attr]


def test_stray_cells_do_not_come_under_a_new_heading(staged: Plan):
    path = staged.study.folder / "results.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    lines = [
        f"{line},," if line.startswith("weld,") else f"{line},,stray" if line.startswith("W02") else line
        for line in lines
    ]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    take(staged, "W01,,,5.0,", replace=True)
    assert "stray" not in {row["section leg A [mm]"] for row in table(staged)}
    assert table(staged)[0]["section leg A [mm]"] == "5.0"


def test_text_that_a_spreadsheet_would_run_is_kept_from_it(staged: Plan):
    take(staged, "W01,1.5,,,'=cmd.jpg")
    text = (staged.study.folder / "results.csv").read_text(encoding="utf-8")
    assert "'=cmd.jpg" in text
    assert read_results(staged.study.folder, staged.study).remarks["section picture"][0] == "=cmd.jpg"


def test_welds_that_are_unknown_or_have_no_row_are_faults(staged: Plan):
    with pytest.raises(ResultsError, match="W30 is not in the plan of this stage"):
        take(staged, "W30,1.5,,,")
    path = staged.study.folder / "results.csv"
    kept = [line for line in path.read_text(encoding="utf-8").splitlines() if not line.startswith("W02")]
    path.write_text("\n".join(kept), encoding="utf-8")
    with pytest.raises(ResultsError, match=r"W02 has no row in results\.csv: give it one"):
        take(staged, "W02,1.5,,,", replace=True)


def test_faults_of_the_table_are_given_with_its_name_and_row(staged: Plan):
    path = staged.study.folder / "results.csv"
    lines = path.read_text(encoding="utf-8").splitlines()
    path.write_text("\n".join(lines).replace("W02,P01,2", "W02,P01,second"), encoding="utf-8")
    row = next(i for i, line in enumerate(lines, 1) if line.startswith("W02"))
    with pytest.raises(ResultsError) as caught:
        take(staged, "W01,1.5,,,", replace=True)
    assert [(fault.file, fault.row) for fault in caught.value.faults] == [("results.csv", row)]


def test_an_unreadable_export_is_refused_with_its_own_name(staged: Plan):
    with pytest.raises(ResultsError) as caught:
        take(staged, "W01,deep,,,")
    assert [(f.file, f.column) for f in caught.value.faults] == [("macro-0123456789ab-1.csv", "penetration [mm]")]
    assert is_untouched(staged.study.folder / "results.csv")


def test_a_workbook_of_the_stage_is_never_written_over(staged: Plan):
    (staged.study.folder / "results.csv").unlink()
    openpyxl.Workbook().save(staged.study.folder / "results.xlsx")
    with pytest.raises(WouldOverwriteError, match="one stage has one table"):
        take(staged, "W01,1.5,,,", replace=True)


def test_a_missing_table_is_made_with_the_readings_in_it(staged: Plan):
    (staged.study.folder / "results.csv").unlink()
    take(staged, "W05,1.7,,,")
    assert [row["penetration [mm]"] for row in table(staged)] == ["", "", "", "", "1.7", ""]


def test_an_export_of_another_study_is_refused(staged: Plan, tmp_path: Path):
    file = macro_export(staged, "W01,1.5,,,")
    file.write_text(file.read_text(encoding="utf-8").replace("0123456789ab", "ba9876543210"), encoding="utf-8")
    with pytest.raises(ResultsError, match="not a table of this study's bench page or macro page"):
        read_export(file, staged.study)
