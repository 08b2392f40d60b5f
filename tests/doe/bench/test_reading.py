"""What is read: stages, plans, statuses, settings, readings."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose

from doe.bench import read_results
from doe.bench.results import Counts, Measurement, Passes, Results, Trips
from doe.errors import ResultsError
from doe.planning.plan import Plan, PlannedWeld
from doe.planning.table import plan_table
from doe.study.model import Blocks, Factor, Job, PlanWishes, Response, Study

Rows = list[dict[str, str]]
Write = Callable[..., Path]


def read(text: str, study: Study, name: str = "results.csv") -> Results:
    path = study.folder / name
    path.write_text(text, encoding="utf-8")
    return read_results(path, study)


def at(results: Results, weld: str) -> int:
    return results.weld.index(weld)


def refuse(text: str, study: Study, match: str) -> ResultsError:
    with pytest.raises(ResultsError, match=match) as caught:
        read(text, study)
    return caught.value


# the plan


def test_a_planned_weld_without_a_row_is_not_run(write: Write, filled: Rows, planned: Study) -> None:
    write(filled[1:])
    results = read_results(planned.folder, planned)
    i = at(results, "W01")
    assert results.status[i] == "not run"
    assert (results.file[i], results.row[i], results.order[i], results.plate[i]) == ("plan.csv", 0, 1, "P01")
    assert_allclose(results.settings[i], [17.0, 5.0, 20.0])


def test_the_welds_of_a_stage_that_has_no_results_yet_are_not_listed(
    write: Write, filled: Rows, planned: Study, plan: Plan
) -> None:
    write(filled)
    later = Plan(planned, (PlannedWeld("W07", "P04", 1, 7, (17.0, 5.0, 20.0), role="next"),), seed=1, stage=2)
    (planned.folder / "plan-2.csv").write_text(plan_table(later), encoding="utf-8")
    assert "W07" not in read_results(planned.folder, planned).weld
    write(
        [{**filled[0], "weld": "W07"}],
        "results-2.csv",
        cells={"voltage mark": "", "voltage [V]": "", "role": "", "plate": ""},
    )
    results = read_results(planned.folder, planned)
    assert results.role[at(results, "W07")] == "next"
    assert results.plate[at(results, "W07")] == "P04"


def test_results_without_a_plan_are_welcome(study: Study) -> None:
    results = read(
        "weld,voltage mark,feed,preheat,penetration\nA,1,5 m/min,20,1.5\nB,C2,197 in/min,68 °F,1.6\n".replace(
            "C2", "2"
        ),
        study,
    )
    assert results.weld == ("A", "B")
    assert_allclose(results.settings, [[17.0, 5.0, 20.0], [18.4, 5.0, 20.0]])
    assert results.status == ("done", "done")
    assert results.role == ("", "")
    assert results.plate == ("(A)", "(B)")
    assert list(results.position) == [1, 1]
    assert list(results.order) == [0, 0]
    assert sum("a plate of its own" in c.read_as for c in results.conversions) == 2


def test_extra_welds_are_welcome_beside_a_plan(write: Write, filled: Rows, planned: Study) -> None:
    extra = {**filled[0], "weld": "T1", "plate": "T", "order": "7", "voltage mark": "4", "voltage [V]": "", "role": ""}
    write([*filled, extra])
    results = read_results(planned.folder, planned)
    i = at(results, "T1")
    assert_allclose(results.settings[i], [21.1, 5.0, 20.0])
    assert (results.plate[i], results.role[i]) == ("T", "")


def test_a_setting_edited_by_hand_is_used_and_asked_about(write: Write, filled: Rows, planned: Study) -> None:
    filled[2]["feed [m/min]"] = "6.2"
    write(filled)
    results = read_results(planned.folder, planned)
    i = at(results, "W03")
    assert (results.planned[i, 1], results.settings[i, 1]) == (6.0, 6.2)
    assert [q for q in results.questions if "6.2 m/min here and 6 m/min in the plan" in q]


def test_an_edit_is_asked_about_once_and_the_likely_slip_is_named(write: Write, filled: Rows, planned: Study) -> None:
    filled[2]["feed [m/min]"] = "236"
    write(filled)
    asked = [q for q in read_results(planned.folder, planned).questions if "W03" in q]
    assert len(asked) == 1
    assert "Is it 5.99 m/min (in/min among m/min)?" in asked[0]


@pytest.mark.parametrize(("column", "text"), [("plate", "P03"), ("position", "2"), ("order", "9"), ("role", "repeat")])
def test_a_plan_column_edited_by_hand_is_used_and_asked_about(
    column: str, text: str, write: Write, filled: Rows, planned: Study
) -> None:
    filled[0][column] = text
    write(filled)
    results = read_results(planned.folder, planned)
    assert str(getattr(results, column)[at(results, "W01")]) == text
    if column != "order":
        assert any(f"W01 has {column} {text} here" in q for q in results.questions)


def test_blocks_are_read(study: Study) -> None:
    study = replace(study, plan=PlanWishes(blocks=Blocks("day", (1, 1))))
    results = read("weld,day,voltage,feed,preheat,penetration\nA,Monday,17,5,20,1.5\nB,monday,17,5,20,1.5\n", study)
    assert results.block == ("Monday", "Monday")


def test_no_blocks_are_empty(write: Write, filled: Rows, planned: Study) -> None:
    write(filled)
    assert read_results(planned.folder, planned).block == ("",) * 6


# settings


def test_a_mark_gives_the_setting(study: Study) -> None:
    assert_allclose(read("weld,voltage mark,feed,preheat\nA,4,5,20\n", study).settings, [[21.1, 5.0, 20.0]])


def test_mark_and_value_may_stand_together(study: Study) -> None:
    assert_allclose(read("weld,voltage mark,voltage,feed,preheat\nA,4,21.1,5,20\n", study).settings[:, 0], [21.1])


@pytest.mark.parametrize(
    ("text", "value"), [("21.4", 21.4), ("21,4 V", 21.4), ("mark 3", 19.6), ("Mark 3.0", 19.6), ("0.0214 kV", 21.4)]
)
def test_an_actual_setting_is_a_value_or_a_mark(
    text: str, value: float, write: Write, filled: Rows, planned: Study
) -> None:
    filled[4]["voltage actual [V]"] = text
    write(filled)
    results = read_results(planned.folder, planned)
    i = at(results, "W05")
    assert_allclose((results.planned[i, 0], results.settings[i, 0]), (21.1, value))


def test_an_actual_letter_is_a_mark(study: Study) -> None:
    dial = Factor("tap", unit="V", values=(17.0, 19.0), marks=("A", "B"))
    study = replace(study, factors=(dial,))
    results = read("weld,tap mark,tap actual [V],penetration\nW1,A,B,1\nW2,b,16.5,1\n", study)
    assert_allclose(results.planned[:, 0], [17.0, 19.0])
    assert_allclose(results.settings[:, 0], [19.0, 16.5])


def test_only_an_actual_setting_is_enough(study: Study) -> None:
    results = read("weld,voltage actual [V],feed,preheat\nA,18.2,5,20\n", study)
    assert_allclose((results.planned[0, 0], results.settings[0, 0]), (18.2, 18.2))


def test_an_uncalibrated_dial_is_read_by_its_marks(study: Study) -> None:
    dial = Factor("tap", values=(1.0, 2.0, 3.0), marks=("A", "B", "C"), calibrated=False)
    study = replace(study, factors=(dial,))
    results = read("weld,tap mark,tap actual,penetration\nW1,b,,1\nW2,A,c,1\n", study)
    assert_allclose(results.planned[:, 0], [2.0, 1.0])
    assert_allclose(results.settings[:, 0], [2.0, 3.0])


def test_an_uncalibrated_range_is_read_in_marks(study: Study) -> None:
    dial = Factor("dial", unit="mark", values=(1.0, 1.5, 2.0), calibrated=False, is_continuous=True)
    study = replace(study, factors=(dial,))
    for heading in ("dial mark", "dial [mark]"):
        assert_allclose(read(f"weld,{heading},penetration\nW1,1.5,1\n", study).settings, [[1.5]])


def test_kinds_are_read_by_name(study: Study) -> None:
    study = replace(study, factors=(Factor("wire", kinds=("rutile", "basic", "1.0")),))
    results = read("weld,wire,wire actual,penetration\n1,Basic,,1\n2,rutile,basic,1\n3,1,,1\n", study)
    assert results.planned[:, 0].tolist() == [1.0, 0.0, 2.0]
    assert results.settings[:, 0].tolist() == [1.0, 1.0, 2.0]
    error = refuse("weld,wire,penetration\n1,basics,1\n", study, "known are rutile, basic, 1.0. Did you mean “basic”")
    assert len(error.faults) == 1


def test_a_setting_typed_in_another_unit_settles_on_what_the_dial_has(study: Study) -> None:
    results = read("weld,voltage,feed [in/min],preheat\nA,17,216.5,20\nB,17,220,20\n", study)
    assert results.settings[0, 1] == 5.5
    assert_allclose(results.settings[1, 1], 5.588)


def test_an_actual_setting_is_never_settled(study: Study) -> None:
    results = read("weld,voltage,feed,feed actual [in/min],preheat\nA,17,5.5,217,20\n", study)
    assert_allclose(results.settings[0, 1], 5.5118)


def test_a_factor_without_unit_takes_bare_numbers(study: Study) -> None:
    study = replace(study, factors=(Factor("x1", values=(-1.0, 0.0, 1.0)),))
    assert_allclose(read("weld,x1,penetration\n1,-1,2\n2,0.5,2\n", study).settings[:, 0], [-1.0, 0.5])
    refuse("weld,x1 [mm],penetration\n1,-1,2\n", study, "gives no unit for x1")


# statuses


def test_a_blank_status_is_done_where_anything_was_measured(write: Write, filled: Rows, planned: Study) -> None:
    for row in filled:
        row["status"] = ""
    for heading in ("penetration [mm]", "porosity", "porosity length [mm]", "trip", "trip time [s]", "root fused"):
        filled[0][heading] = filled[1][heading] = ""
    filled[0]["plate temperature [degC]"] = ""
    write(filled)
    assert read_results(planned.folder, planned).status == ("not run", *("done",) * 5)


def test_a_scrapped_weld_keeps_only_its_trip(write: Write, filled: Rows, planned: Study) -> None:
    filled[5]["status"] = "scrapped"
    write(filled)
    results = read_results(planned.folder, planned)
    i = at(results, "W06")
    measure, count = results.readings["penetration"], results.readings["porosity"]
    trip, passed = results.readings["trip"], results.readings["root fused"]
    assert isinstance(measure, Measurement)
    assert isinstance(count, Counts)
    assert isinstance(trip, Trips)
    assert isinstance(passed, Passes)
    assert np.isnan([measure.values[i, 0], count.counts[i], count.length_mm[i], passed.passed[i]]).all()
    assert (trip.tripped[i], trip.time_s[i]) == (1.0, 12.0)


def test_an_aborted_weld_keeps_its_readings(write: Write, filled: Rows, planned: Study) -> None:
    write(filled)
    results = read_results(planned.folder, planned)
    i = at(results, "W06")
    measure, count = results.readings["penetration"], results.readings["porosity"]
    assert isinstance(measure, Measurement)
    assert isinstance(count, Counts)
    assert results.status[i] == "aborted"
    assert (measure.values[i, 0], count.counts[i], count.length_mm[i]) == (1.6, 1.0, 80.0)


def test_a_reading_counts_though_the_weld_is_marked_not_run(write: Write, filled: Rows, planned: Study) -> None:
    filled[0]["status"] = "not run"
    write(filled)
    results = read_results(planned.folder, planned)
    measure = results.readings["penetration"]
    assert isinstance(measure, Measurement)
    assert (results.status[0], measure.values[0, 0]) == ("not run", 1.5)
    assert any("marked “not run”, yet readings stand in its row" in q for q in results.questions)


def test_a_refused_setting_is_one_fault(study: Study) -> None:
    error = refuse("weld,voltage mark,feed,preheat\nA,9,5,20\n", study, "“9” is no mark of voltage")
    assert len(error.faults) == 1


# readings


def test_further_cuts_are_columns_of_their_own(study: Study) -> None:
    headings = "weld,voltage,feed,preheat,penetration [mm],penetration 2 [mm],penetration 3 [in]\n"
    text = f"{headings}A,17,5,20,1.5,,0.0630\nB,17,5,20,,2.1,\n"
    measure = read(text, study).readings["penetration"]
    assert isinstance(measure, Measurement)
    assert_allclose(measure.values, [[1.5, np.nan, 1.6002], [np.nan, 2.1, np.nan]])


def test_the_first_cut_may_be_numbered(study: Study) -> None:
    measure = read(
        "weld,voltage,feed,preheat,penetration 1 [mm],penetration_2_mm\nA,17,5,20,1.5,1.7\n", study
    ).readings["penetration"]
    assert isinstance(measure, Measurement)
    assert_allclose(measure.values, [[1.5, 1.7]])


def test_full_is_the_studys_or_the_welds_own(study: Study) -> None:
    text = "weld,voltage,feed,preheat,penetration [mm],penetration full [in]\nA,17,5,20,1.5,\nB,17,5,20,6.0,0.25\n"
    measure = read(text, study).readings["penetration"]
    assert isinstance(measure, Measurement)
    assert_allclose(measure.full, [10.0, 6.35])
    bare = replace(study, responses=(Response("penetration", "measure", "mm"),))
    measure = read("weld,voltage,feed,preheat,penetration [mm]\nA,17,5,20,1.5\n", bare).readings["penetration"]
    assert isinstance(measure, Measurement)
    assert measure.full.tolist() == [np.inf]


@pytest.mark.parametrize(
    ("text", "value", "full"),
    [
        (">8", 8.0, 8.0),
        ("≥ 8 mm", 8.0, 8.0),
        ("over 0.2 in", 5.08, 5.08),
        ("at least 6", 6.0, 6.0),
        ("8+", 8.0, 8.0),
        ("burn-through", 10.0, 10.0),
        ("Burn through", 10.0, 10.0),
        (">12", 12.0, 10.0),
    ],
)
def test_at_least_is_a_reading(text: str, value: float, full: float, study: Study) -> None:
    results = read(f"weld,voltage,feed,preheat,penetration [mm]\nA,17,5,20,{text}\n", study)
    measure = results.readings["penetration"]
    assert isinstance(measure, Measurement)
    assert_allclose((measure.values[0, 0], measure.full[0]), (value, full))
    assert any("at least" in c.read_as for c in results.conversions)


def test_burn_through_needs_the_thickness(study: Study) -> None:
    bare = replace(study, responses=(Response("penetration", "measure", "mm"),))
    refuse("weld,voltage,feed,preheat,penetration [mm]\nA,17,5,20,burn-through\n", bare, "write it as >10 mm")


def test_at_least_in_one_cut_and_more_in_another_is_asked_about(study: Study) -> None:
    text = "weld,voltage,feed,preheat,penetration [mm],penetration 2 [mm]\nA,17,5,20,>8,9\n"
    assert any("every cut is then read as at least 8" in q for q in read(text, study).questions)


def test_a_negative_penetration_is_a_reading(study: Study) -> None:
    measure = read("weld,voltage,feed,preheat,penetration [mm]\nA,17,5,20,-0.4\n", study).readings["penetration"]
    assert isinstance(measure, Measurement)
    assert measure.values.tolist() == [[-0.4]]


@pytest.mark.parametrize("text", ["?", "n/a", "-", "–", "not readable", "N.A."])
def test_not_readable_is_not_zero(text: str, write: Write, filled: Rows, planned: Study) -> None:
    for heading in ("penetration [mm]", "porosity", "trip", "root fused"):
        filled[0][heading] = text
    write(filled)
    results = read_results(planned.folder, planned)
    measure, count = results.readings["penetration"], results.readings["porosity"]
    assert isinstance(measure, Measurement)
    assert isinstance(count, Counts)
    assert np.isnan([measure.values[0, 0], count.counts[0]]).all()
    assert sum(c.read_as == "nothing read" for c in results.conversions) == 4


def test_a_blank_length_is_the_studys_and_asked_about(write: Write, filled: Rows, planned: Study) -> None:
    filled[1]["porosity length [mm]"] = ""
    write(filled)
    results = read_results(planned.folder, planned)
    count = results.readings["porosity"]
    assert isinstance(count, Counts)
    assert count.length_mm[1] == 100.0
    assert any("without an inspected length on W02: 100 mm is taken" in q for q in results.questions)


def test_a_length_stays_unknown_where_the_study_has_none(study: Study) -> None:
    bare = replace(study, responses=(Response("porosity", "count"),))
    count = read("weld,voltage,feed,preheat,porosity\nA,17,5,20,3\n", bare).readings["porosity"]
    assert isinstance(count, Counts)
    assert np.isnan(count.length_mm).all()


def test_a_length_without_a_count_is_asked_about(write: Write, filled: Rows, planned: Study) -> None:
    filled[0]["porosity"] = ""
    write(filled)
    results = read_results(planned.folder, planned)
    assert any("write 0 where none was found" in q for q in results.questions)
    count = results.readings["porosity"]
    assert isinstance(count, Counts)
    assert np.isnan(count.length_mm[0])


def test_an_arc_time_without_yes_or_no_is_asked_about(write: Write, filled: Rows, planned: Study) -> None:
    filled[0]["trip"] = ""
    write(filled)
    assert any("trip is left blank: did it trip?" in q for q in read_results(planned.folder, planned).questions)


def test_conditions_are_in_the_units_of_the_contract(study: Study) -> None:
    text = (
        "weld,voltage,feed,preheat,plate temperature [degF],rest [s],line voltage,"
        "travel speed [mm/min],stick-out [in],gap (mm)\n"
        "A,17,5,20,70,90,0.23 kV,300,0.63,\n"
    )
    conditions = read(text, study).conditions
    found = {key: values[0] for key, values in conditions.items()}
    assert found["plate temperature [degC]"] == pytest.approx(21.11, abs=0.01)
    assert found["rest [min]"] == pytest.approx(1.5)
    assert found["line voltage [V]"] == pytest.approx(230.0)
    assert found["travel speed [mm/s]"] == pytest.approx(5.0)
    assert found["stick-out [mm]"] == pytest.approx(16.0, abs=0.01)
    assert np.isnan(found["gap [mm]"])
    assert np.isnan(found["line current [A]"])


def test_a_fraction_of_a_millimetre_is_asked_about(study: Study) -> None:
    results = read("weld,voltage,feed,preheat,penetration [mm]\nA,17,5,20,3/32\n", study)
    measure = results.readings["penetration"]
    assert isinstance(measure, Measurement)
    assert measure.values.tolist() == [[3 / 32]]
    assert any("“3/32” is read as 0.09375 mm. Is it of an inch (2.381 mm)?" in q for q in results.questions)


def test_a_travel_speed_is_read_in_the_unit_of_its_heading_or_its_cell(study: Study) -> None:
    text = "weld,voltage,feed,preheat,travel speed [in/min]\nA,17,5,20,12\nB,17,5,20,300 mm/min\n"
    assert read(text, study).conditions["travel speed [mm/s]"] == pytest.approx([5.08, 5.0])


def test_a_condition_without_a_unit_is_asked_about(study: Study) -> None:
    results = read("weld,voltage,feed,preheat,travel speed\nA,17,5,20,300\n", study)
    assert results.conditions["travel speed [mm/s]"][0] == pytest.approx(5.0)
    assert any("gives no unit: mm/min is taken" in q for q in results.questions)


def test_remarks_and_columns_of_ones_own_are_kept(write: Write, filled: Rows, planned: Study) -> None:
    filled[0].update({"outlet": "kitchen", "helper": "Ann", "notes": "a, b"})
    write([{"helper": "", **row} for row in filled])
    remarks = read_results(planned.folder, planned).remarks
    assert (remarks["outlet"][0], remarks["helper"][0], remarks["notes"][0]) == ("kitchen", "Ann", "a, b")
    assert list(remarks) == ["outlet", "cord", "place", "spool", "time", "notes", "helper"]


def test_cells_without_a_heading_are_asked_about(study: Study) -> None:
    results = read("weld,voltage,feed,preheat,,penetration\nA,17,5,20,stray,1.5\n", study)
    assert any("cells without a heading (column 5) are not read" in q for q in results.questions)


def test_results_cannot_be_written_to(write: Write, filled: Rows, planned: Study) -> None:
    write(filled)
    results = read_results(planned.folder, planned)
    for array in (results.settings, results.planned, results.order, *results.conditions.values()):
        assert not array.flags.writeable


def test_the_order_of_the_rows_does_not_matter(write: Write, filled: Rows, planned: Study) -> None:
    write(filled)
    forward = read_results(planned.folder, planned)
    write(filled[::-1])
    back = read_results(planned.folder, planned)
    assert back.weld == forward.weld[::-1]
    assert_allclose(back.settings, forward.settings[::-1])


# limits


def test_a_file_over_five_million_bytes_is_refused(study: Study) -> None:
    path = study.folder / "results.csv"
    path.write_bytes(b"weld,voltage\n" + b"A" * 5_000_000)
    with pytest.raises(ResultsError, match="at most 5,000,000 bytes are read"):
        read_results(path, study)


def test_more_than_five_thousand_rows_are_refused(study: Study) -> None:
    refuse("weld,voltage\n" + "A,17\n" * 5001, study, "more than 5000 rows")


def test_more_than_four_hundred_columns_are_refused(study: Study) -> None:
    refuse("weld,voltage," + ",".join("x" * 400) + "\n", study, "more than 400 columns")


def test_a_thousand_rows_are_read(study: Study) -> None:
    text = "weld,voltage,feed,preheat,penetration\n" + "".join(f"A{i},17,5,20,{1 + i / 1000}\n" for i in range(1000))
    assert read(text, study).n_welds == 1000


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"\x00\x01\x02\x03" * 10, "not text|no row"),
        (b"\x81\x8d\x8f", "this is not text"),
        (b"\xd0\xcf\x11\xe0 old workbook", "an older kind of workbook"),
        (b"PK\x03\x04 no workbook", "damaged"),
        (b"", "no row with the headings"),
        (b"weld", "no row with the headings"),
    ],
)
def test_what_is_no_table_is_refused(data: bytes, says: str, study: Study) -> None:
    path = study.folder / "results.csv"
    path.write_bytes(data)
    with pytest.raises(ResultsError, match=says):
        read_results(path, study)


def test_a_folder_may_be_read_from_anywhere(write: Write, filled: Rows, planned: Study, tmp_path: Path) -> None:
    write(filled)
    elsewhere = tmp_path / "copy of study"
    elsewhere.mkdir()
    for path in (planned.folder / "plan.csv", planned.folder / "results.csv"):
        shutil.copy(path, elsewhere)
    assert read_results(elsewhere, replace(planned, job=Job())).n_welds == 6
