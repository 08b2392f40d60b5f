"""Two people fill in one stage: their tables are brought together, and nothing is lost or decided for them."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest

from doe.bench import read_results, results_table
from doe.bench.files import load_sheets
from doe.bench.joining import Joined, join_tables
from doe.bench.stage import write_stage
from doe.bench.taking import read_export, write_export
from doe.errors import ResultsError, WouldOverwriteError
from doe.planning.plan import Plan
from doe.study.model import Study

Rows = list[dict[str, str]]


def export_text(plan: Plan, rows: Rows, separator: str = ",") -> str:
    """Give what the bench page exports."""
    comments = [line for line in results_table(plan).splitlines() if line.startswith("#")]
    text = io.StringIO()
    text.writelines(f"{line}\n" for line in [*comments, "# filled in on the bench page"])
    writer = csv.DictWriter(text, fieldnames=list(rows[0]), lineterminator="\n", delimiter=separator)
    writer.writeheader()
    writer.writerows(rows)
    return text.getvalue()


def join(first: Path, second: Path, study: Study) -> Joined:
    return join_tables(load_sheets(first), load_sheets(second), study)


def only(rows: Rows, blank: Rows, *welds: str) -> Rows:
    """Keep what stands in some welds' rows; the others are as the plan made them."""
    return [full if full["weld"] in welds else bare for full, bare in zip(rows, blank, strict=True)]


@pytest.fixture
def blank(plan: Plan) -> Rows:
    lines = [line for line in results_table(plan).splitlines() if not line.startswith("#")]
    return list(csv.DictReader(lines))


@pytest.fixture
def staged(plan: Plan) -> Study:
    write_stage(plan)
    return plan.study


@pytest.fixture
def phones(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("phones")
    return folder / "first.csv", folder / "second.csv"


def write(path: Path, plan: Plan, rows: Rows, separator: str = ",") -> Path:
    path.write_text(export_text(plan, rows, separator), encoding="utf-8")
    return path


def test_two_halves_make_the_whole_and_the_first_is_kept(staged, plan, filled, blank, phones):
    first = write(phones[0], plan, only(filled, blank, "W01", "W02", "W03"))
    second = write(phones[1], plan, only(filled, blank, "W04", "W05", "W06"))
    write_export(read_export(first, staged))
    taken = write_export(read_export(second, staged))
    assert taken.kept is not None
    assert taken.kept.read_bytes() == first.read_bytes()
    whole = read_results(staged.folder, staged)
    (staged.folder / "results.csv").write_text(export_text(plan, filled), encoding="utf-8")
    expected = read_results(staged.folder, staged)
    assert whole.status == expected.status
    for name, readings in expected.readings.items():
        for key, values in vars(readings).items():
            assert vars(whole.readings[name])[key] == pytest.approx(values, nan_ok=True), (name, key)
    assert whole.conditions["plate temperature [degC]"] == pytest.approx(
        expected.conditions["plate temperature [degC]"], nan_ok=True
    )
    assert {cell.weld for cell in taken.filled} == {"W04", "W05", "W06"}


def test_the_order_of_taking_does_not_matter(staged, plan, filled, blank, phones):
    first = write(phones[0], plan, only(filled, blank, "W01", "W04"))
    second = write(phones[1], plan, only(filled, blank, "W02", "W03"))
    one, other = join(first, second, staged).text, join(second, first, staged).text
    rows = [[line for line in text.splitlines() if not line.startswith("#")] for text in (one, other)]
    assert rows[0] == rows[1]


def test_one_row_is_filled_by_two_people(staged, plan, filled, blank, phones):
    welded = [
        {**row, "trip": full["trip"], "trip time [s]": full["trip time [s]"]}
        for row, full in zip(blank, filled, strict=True)
    ]
    measured = [{**row, "penetration [mm]": full["penetration [mm]"]} for row, full in zip(blank, filled, strict=True)]
    write_export(read_export(write(phones[0], plan, welded), staged))
    taken = write_export(read_export(write(phones[1], plan, measured), staged))
    assert [cell.column for cell in taken.filled] == ["penetration [mm]"] * 6
    results = read_results(staged.folder, staged)
    assert results.readings["trip"].time_s[0] == 60.0
    assert results.readings["penetration"].values[0, 0] == 1.5


def test_taking_the_same_again_writes_nothing(staged, plan, filled, blank, phones):
    first = write(phones[0], plan, only(filled, blank, "W01"))
    second = write(phones[1], plan, only(filled, blank, "W02"))
    write_export(read_export(first, staged))
    write_export(read_export(second, staged))
    before = (staged.folder / "results.csv").read_bytes()
    assert write_export(read_export(second, staged)).files == ()
    assert write_export(read_export(first, staged)).files == ()
    assert (staged.folder / "results.csv").read_bytes() == before
    assert not (staged.folder / "results.2.csv").exists()


def test_every_conflict_is_named_and_nothing_is_written(staged, plan, filled, phones):
    first = write(phones[0], plan, filled)
    other = [dict(row) for row in filled]
    other[0]["penetration [mm]"] = "1.55"
    other[2]["trip"] = "yes"
    other[5]["status"] = "done"
    second = write(phones[1], plan, other)
    write_export(read_export(first, staged))
    with pytest.raises(WouldOverwriteError, match="do not say the same") as refused:
        write_export(read_export(second, staged))
    said = [str(fault) for fault in refused.value.faults]
    assert len(said) == 3
    assert "column “penetration [mm]”: W01 has “1.5” here and “1.55” in second.csv" in said[0]
    assert "a further cut of the same weld has a column of its own" in said[0]
    assert "W03 has “no” here and “yes”" in said[1]
    assert "W06 has “aborted” here and “done”" in said[2]
    assert (staged.folder / "results.csv").read_bytes() == first.read_bytes()


@pytest.mark.parametrize(
    ("column", "written"),
    [
        ("penetration [mm]", ("1.5", "1,5 mm")),
        ("penetration [mm]", ("3/32 in", "2.38125")),
        ("trip", ("no", "n")),
        ("status", ("done", "Done")),
        ("plate temperature [degC]", ("21", "69.8 degF")),
    ],
)
def test_the_same_written_differently_is_no_conflict(staged, plan, filled, phones, column, written):
    first, second = (
        write(path, plan, [{**filled[0], column: text}, *filled[1:]])
        for path, text in zip(phones, written, strict=True)
    )
    assert join(first, second, staged).filled == ()


def test_at_least_so_much_is_not_the_same_as_so_much(staged, plan, filled, phones):
    first = write(phones[0], plan, [{**filled[0], "penetration [mm]": "10"}, *filled[1:]])
    second = write(phones[1], plan, [{**filled[0], "penetration [mm]": ">= 9"}, *filled[1:]])
    with pytest.raises(WouldOverwriteError):
        join(first, second, staged)


@pytest.mark.parametrize("swapped", [False, True])
def test_not_run_against_readings_is_a_conflict_either_way(staged, plan, filled, blank, phones, swapped):
    idle = [{**blank[0], "status": "not run"}, *filled[1:]]
    made = [{**filled[0], "status": ""}, *filled[1:]]
    tables = [write(phones[0], plan, idle), write(phones[1], plan, made)]
    with pytest.raises(WouldOverwriteError) as refused:
        join(*(reversed(tables) if swapped else tables), staged)
    assert "W01 is “not run” in first.csv" in refused.value.faults[0].message


def test_a_unit_goes_along_where_the_headings_differ(staged, plan, filled, blank, phones):
    def inches(row: dict[str, str]) -> dict[str, str]:
        return {("plate temperature [degF]" if k == "plate temperature [degC]" else k): v for k, v in row.items()}

    first = write(phones[0], plan, only(filled, blank, "W01"))
    hot = [{**inches(row), "plate temperature [degF]": "158" if row["weld"] == "W03" else ""} for row in blank]
    merged = join(first, write(phones[1], plan, hot), staged)
    assert [cell.text for cell in merged.filled] == ["158 degF"]


def test_a_column_only_the_second_has_is_added(staged, plan, filled, blank, phones):
    first = write(phones[0], plan, only(filled, blank, "W01"))
    more = [{**row, "penetration 2 [mm]": "1.9" if row["weld"] == "W02" else "", "who": ""} for row in blank]
    write_export(read_export(first, staged))
    write_export(read_export(write(phones[1], plan, more), staged))
    text = (staged.folder / "results.csv").read_text(encoding="utf-8")
    assert "penetration 2 [mm]" in text
    assert "who" not in text
    assert read_results(staged.folder, staged).readings["penetration"].values[1, 1] == 1.9


def test_notes_of_both_are_kept_once(staged, plan, filled, phones):
    first = write(phones[0], plan, [{**filled[0], "notes": "spatter"}, *filled[1:]])
    second = write(phones[1], plan, [{**filled[0], "notes": "gap at the end"}, *filled[1:]])
    merged = join(first, second, staged)
    assert "spatter; gap at the end" in merged.text
    again = phones[0].with_name("again.csv")
    again.write_text(merged.text, encoding="utf-8")
    assert join(again, second, staged).filled == ()


def test_the_layout_of_the_first_table_stays(staged, plan, filled, blank, phones):
    first = write(phones[0], plan, only(filled, blank, "W01"), separator=";")
    second = write(phones[1], plan, only(filled, blank, "W02"))
    merged = join(first, second, staged)
    lines = merged.text.splitlines()
    assert lines[0] == first.read_text(encoding="utf-8").splitlines()[0]
    assert any(line.startswith("W02;P01;2;2;") and "1.8" in line for line in lines)
    assert lines[-1] == f"# {len(merged.filled)} cells filled from second.csv"


def test_the_comment_at_the_end_says_what_was_filled_and_what_was_replaced(staged, plan, filled, blank, phones):
    deeper = [{**row, "penetration [mm]": "2.7"} if row["weld"] == "W01" else row for row in filled]
    first = write(phones[0], plan, only(deeper, blank, "W01"))
    second = write(phones[1], plan, only(filled, blank, "W01"))
    sheets = (load_sheets(first), load_sheets(second))
    merged = join_tables(*sheets, staged, overrules=True)
    assert [cell.was for cell in merged.filled] == ["2.7"]
    assert merged.text.splitlines()[-1] == "# 1 cell replaced from second.csv"
    more = write(phones[1], plan, only(filled, blank, "W01", "W02"))
    both = join_tables(load_sheets(first), load_sheets(more), staged, overrules=True)
    assert both.text.splitlines()[-1] == f"# {len(both.filled) - 1} cells filled and 1 cell replaced from second.csv"
    assert "# " not in join(second, second, staged).text.splitlines()[-1]  # nothing was taken, and nothing is said


def test_a_row_that_was_taken_out_comes_back(staged, plan, filled, blank, phones):
    first = write(phones[0], plan, filled[:5])
    merged = join(first, write(phones[1], plan, filled), staged)
    assert any(line.startswith("W06,P03,2,6,") and "aborted" in line for line in merged.text.splitlines())
    assert {cell.weld for cell in merged.filled} == {"W06"}


def test_a_table_that_cannot_be_read_is_not_merged(staged, plan, filled, phones):
    first = write(phones[0], plan, [{**filled[0], "penetration [mm]": "deep"}, *filled[1:]])
    with pytest.raises(ResultsError, match=r"first\.csv cannot be merged"):
        join(first, write(phones[1], plan, filled), staged)
    twice = write(phones[0], plan, [*filled, filled[0]])
    with pytest.raises(ResultsError, match="a weld stands there twice"):
        join(twice, write(phones[1], plan, filled), staged)
