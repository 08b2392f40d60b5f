"""Sense checks ask; they never remove."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Literal

import numpy as np
import pytest

from doe.bench import read_results, sense_checks
from doe.bench.circumstances import travel_speed_off
from doe.bench.results import Measurement, Results
from doe.planning.plan import Plan
from doe.study.model import Blocks, Factor, Job, PlanWishes, Response, Study

Rows = list[dict[str, str]]
Write = Callable[..., Path]
Cells = dict[tuple[str, str], str]

PEN, COUNT, LENGTH, TIME = "penetration [mm]", "porosity", "porosity length [mm]", "trip time [s]"
TEMPERATURE, STICK, LINE = "plate temperature [degC]", "stick-out [mm]", "line voltage [V]"
GAP, TRAVEL = "gap [mm]", "travel speed [mm/min]"


def change(filled: Rows, cells: Cells) -> Rows:
    for (weld, heading), text in cells.items():
        for row in filled:
            if weld in (row["weld"], "*"):
                row[heading] = text
    return filled


def test_a_plain_table_is_not_asked_about(write: Write, filled: Rows, planned: Study) -> None:
    assert read_results(write(filled), planned).questions == ()


ASKED: dict[str, tuple[Cells, str]] = {
    "a zero that hides how much is missing": (
        {("W03", PEN): "0", ("W05", PEN): "0.0"},
        r"penetration \[mm\]”: W03, W05: no fusion at the root. 0 hides by how much .* As 0 it counts as exactly 0",
    ),
    "deeper than the plate is thick": (
        {("W03", PEN): "21"},
        "21 mm is deeper than the plate is thick .10 mm.. Is it 2.1, or",
    ),
    "a decimal point left out": ({("W03", PEN): "21"}, "21 mm is far from the others. Is it 2.1 .a decimal point."),
    "a decimal point too many": ({("W03", PEN): "0.21"}, "0.21 mm is far from the others. Is it 2.1 .a decimal point."),
    "inches among millimetres": ({("W03", PEN): "0.083"}, "Is it 2.11 .inches among millimetres.|8.3"),
    "far from the others for no known reason": ({("W03", LENGTH): "5000"}, "They lie from 80 to 100"),
    "an inspected length in inches": ({("W03", LENGTH): "4"}, "Is it 102 .inches among millimetres."),
    "an arc time in minutes": (
        {("W01", TIME): "1", ("W06", TIME): "61"},
        "1 s is far from the others. Is it .*60 .minutes among seconds.",
    ),
    "the same value in a row": (
        {(f"W0{i}", PEN): "1.8" for i in range(2, 6)},
        "1.8 mm stands in 4 rows one after the other",
    ),
    "a copied row": (
        {("W02", PEN): "1.5", ("W02", LENGTH): "100", ("W02", TIME): "60", ("W02", TEMPERATURE): "21"},
        "W02: every measurement is that of W01",
    ),
    "an actual setting far from the planned one": (
        {("W02", "feed actual [m/min]"): "6.6"},
        "planned 5.5 m/min, set 6.6 m/min",
    ),
    "an actual feed in inches a minute": (
        {("W02", "feed actual [m/min]"): "217"},
        "set 217 m/min. Is it 5.51 m/min .in/min among m/min.",
    ),
    "an actual voltage ten times out": ({("W02", "voltage actual [V]"): "196"}, "Is it 19.6 V .a decimal point."),
    "an actual preheat in fahrenheit": (
        {("W03", "preheat actual [degC]"): "158", ("W04", "preheat actual [degC]"): "158"},
        "Is it 70 °C .°C and °F mixed.",
    ),
    "a preheat that differs on a plate": (
        {("W03", "preheat actual [degC]"): "95"},
        "preheat is set once a plate, and P02 has 70 °C and 95 °C",
    ),
    "a plate that was not at its preheat": (
        {("W05", TEMPERATURE): "60"},
        "the plate was at 60 °C and its preheat is 120 °C",
    ),
    "a plate temperature in fahrenheit": ({("W03", TEMPERATURE): "158"}, "Is it °F .70 °C."),
    "two welds in one place": ({("W02", "position"): "1"}, "W01, W02: all are at position 1 of plate P01"),
    "a second side without a first": (
        {("W01", "plate"): "P09", ("W01", "position"): "2"},
        "W01: position 2 of plate P09, which has no weld at position 1",
    ),
    "a second side made first": (
        {("W01", "order"): "2", ("W02", "order"): "1"},
        "W02: position 2, yet its order comes before that of W01",
    ),
    "a trip without its time": ({("W06", TIME): ""}, "W06: no arc time is noted"),
    "an aborted weld without a reason": ({("W06", "trip"): "no"}, "W06: aborted, and no reason is noted"),
    "a weld without a reading": (
        {("W01", h): "" for h in (PEN, COUNT, LENGTH, "trip", TIME, "root fused")},
        "W01: made, and no response is filled in yet",
    ),
    "a length that holds the ends": (
        {("W03", LENGTH): "150"},
        "less than 15 mm at each end of the bead, so that it holds start or stop",
    ),
    "a stick-out off its aim": ({("W03", STICK): "20"}, "20 mm; the aim is 16 mm"),
    "root gaps that differ": (
        {("W01", GAP): "0", ("W03", GAP): "1.5"},
        "W03: the root gap runs from 0 to 1.5 mm. A gap moves penetration, and the models do not know of it",
    ),
    "a line voltage off the supply's": ({("W03", LINE): "120"}, "120 V; the supply is 230 V"),
    "an outlet that changed": (
        {("W01", "outlet"): "kitchen", ("W02", "outlet"): "kitchen", ("W04", "outlet"): "garage"},
        "column “outlet”: changed at W04 .“kitchen”, “garage”.",
    ),
    "a spool that changed": ({("W01", "spool"): "7", ("W05", "spool"): "8"}, "column “spool”: changed at W05"),
    "a time before the one before": (
        {("W01", "time"): "2031-05-04 10:30", ("W02", "time"): "2031-05-04T10:10"},
        "W02: its time is before that of W01",
    ),
    "a time of day before the one before": (
        {("W01", "time"): "10:30", ("W03", "time"): "09:00"},
        "W03: its time is before",
    ),
    "a time that cannot be read": ({("W01", "time"): "after lunch"}, "“after lunch” is no time"),
}


@pytest.mark.parametrize(("cells", "says"), ASKED.values(), ids=ASKED.keys())
def test_is_asked_about_and_kept(cells: Cells, says: str, write: Write, filled: Rows, planned: Study) -> None:
    results = read_results(write(change(filled, cells)), planned)
    assert [q for q in results.questions if re.search(says, q)], results.questions
    assert results.n_welds == 6
    typed = cells.get(("W03", PEN))
    measure = results.readings["penetration"]
    assert isinstance(measure, Measurement)
    if typed:
        assert measure.values[2, 0] == float(typed)


QUIET: dict[str, Cells] = {
    "root gaps that hardly differ": {("W01", GAP): "0.2", ("W03", GAP): "0.6"},
    "a blank table of conditions": {},
    "a setting within the dial's wander": {("W02", "voltage actual [V]"): "20.1"},
    "times that rise": {("W01", "time"): "2031-05-04 10:30", ("W02", "time"): "2031-05-04T10:40+02:00"},
    "three equal values": {(f"W0{i}", PEN): "1.8" for i in range(2, 5)},
    "a trip is reason enough to abort": {("W06", "notes"): ""},
    "a reason that is noted": {("W06", "trip"): "no", ("W06", "notes"): "wire jammed"},
    "one outlet throughout": {("*", "outlet"): "garage"},
    "no fusion at the root with the depth that is missing": {("W03", PEN): "-0.4"},
    "a zero among readings below it": {("W03", PEN): "0", ("W04", PEN): "-0.4"},
    "no pores": {("W03", COUNT): "0"},
    "burnt through": {("W03", PEN): "10"},
}


@pytest.mark.parametrize("cells", QUIET.values(), ids=QUIET.keys())
def test_is_not_asked_about(cells: Cells, write: Write, filled: Rows, planned: Study) -> None:
    assert read_results(write(change(filled, cells)), planned).questions == ()


def test_legs_may_be_larger_than_the_plate_is_thick(write: Write, filled: Rows, planned: Study) -> None:
    thin = replace(planned, job=Job(thickness_mm=1.0, weld_length_mm=150.0))
    leg = Response("leg", "measure", "mm")
    study = replace(thin, responses=(leg, *planned.responses[1:]))
    rows = [{("leg [mm]" if h == PEN else h): text for h, text in row.items()} for row in filled]
    assert not [q for q in read_results(write(rows), study).questions if "thick" in q]


def test_a_whole_column_in_inches_is_asked_about(write: Write, filled: Rows, planned: Study) -> None:
    for row in filled:
        row[PEN] = f"{float(row[PEN]) / 25.4:.4f}"
    results = read_results(write(filled), planned)
    assert any("far from the 1.2 mm asked for: are they inches read as millimetres?" in q for q in results.questions)


def test_a_whole_column_in_millimetres_is_asked_about(write: Write, filled: Rows, planned: Study) -> None:
    inches = Response("penetration", "measure", "in", at_least=0.05)
    study = replace(planned, responses=(inches, *planned.responses[1:]))
    rows = [{("penetration [in]" if h == PEN else h): text for h, text in row.items()} for row in filled]
    results = read_results(write(rows), study)
    assert any("are they millimetres read as inches?" in q for q in results.questions)


def test_several_values_in_another_unit_are_each_asked_about(write: Write, filled: Rows, planned: Study) -> None:
    results = read_results(write(change(filled, {("W02", PEN): "0.07", ("W04", PEN): "0.0945"})), planned)
    asked = [q for q in results.questions if "inches among millimetres" in q]
    assert [("W02" in q, "W04" in q) for q in asked] == [(True, False), (False, True)]


def test_a_setting_outside_the_study_is_asked_about(study: Study) -> None:
    path = study.folder / "results.csv"
    path.write_text("weld,voltage,feed [m/min],preheat\nA,17,217,20\nB,17,5,250\n", encoding="utf-8")
    asked = read_results(path, study).questions
    assert any("217 m/min lies outside 5 to 9 m/min. Is it 5.51 m/min (in/min among m/min)?" in q for q in asked)
    assert any("250 °C lies outside 20 to 120 °C. Is it 121 °C (°C and °F mixed)?" in q for q in asked)


def test_another_kind_than_planned_is_asked_about(write: Write, filled: Rows, planned: Study, plan: Plan) -> None:
    study = replace(planned, factors=(Factor("wire", kinds=("A", "B"), hard_to_change=True),))
    path = study.folder / "results.csv"
    (study.folder / "plan.csv").unlink()
    path.write_text("weld,plate,position,wire,wire actual,penetration\n1,P,1,A,,1\n2,P,2,A,B,1.2\n", encoding="utf-8")
    asked = read_results(path, study).questions
    assert any("planned A, set B. Is that right?" in q for q in asked)
    assert any("wire is set once a plate, and P has A and B" in q for q in asked)


def test_a_spool_that_is_the_block_may_change(write: Write, filled: Rows, planned: Study) -> None:
    study = replace(planned, plan=PlanWishes(welds=6, welds_per_plate=2, blocks=Blocks("spool", (3, 3))))
    (planned.folder / "plan.csv").unlink()
    rows = change(filled, {("W01", "spool"): "7", ("W05", "spool"): "8"})
    assert not [q for q in read_results(write(rows), study).questions if "changed at" in q]


def test_a_bead_is_as_long_as_it_was_welded(write: Write, filled: Rows, planned: Study) -> None:
    write(change(filled, {("W03", LENGTH): "250", ("W06", "trip"): "no", ("W06", "notes"): "no wire"}))
    study = replace(planned, job=replace(planned.job, travel_speed_mm_s=5.0))
    asked = [q for q in read_results(planned.folder, study).questions if "each end" in q]
    assert len(asked) == 1
    # W03 ran 62 s at 5 mm/s and has room for 250 mm; W06 stopped after 12 s, and 80 mm were inspected.
    assert "W06" in asked[0]
    assert "W03" not in asked[0]


@pytest.mark.parametrize(
    ("units", "text", "says"),
    [
        ("metric", "480", "W03: 480 mm/min; the aim is 300 mm/min. Is that right?"),
        ("metric", "12", "W03: 12 mm/min; the aim is 300 mm/min. Is it 305 mm/min (in/min among mm/min)?"),
        ("metric", "5", "W03: 5 mm/min; the aim is 300 mm/min. Is it 300 mm/min (a second for a minute)?"),
        ("us", "30 mm/min", "W03: 1.18 in/min; the aim is 11.8 in/min. Is it 11.8 in/min (a decimal point)?"),
        ("metric", "400", ""),
    ],
)
def test_a_travel_speed_far_from_its_aim_is_asked_about(
    units: Literal["metric", "us"], text: str, says: str, write: Write, filled: Rows, planned: Study
) -> None:
    study = replace(planned, units=units, job=replace(planned.job, travel_speed_mm_s=5.0))
    asked = [q for q in read_results(write(change(filled, {("W03", TRAVEL): text})), study).questions if "aim" in q]
    assert [q.partition(": ")[2] for q in asked] == ([says] if says else [])
    varied = replace(study, factors=(*study.factors[:2], Factor("travel", "other", "mm/min", (100.0, 300.0))))
    results = read_results(write(change(filled, {("W03", TRAVEL): text})), study)
    assert not list(travel_speed_off(replace(results, study=varied)))


def test_a_warm_second_weld_is_not_asked_about_where_plates_stay_warm(
    write: Write, filled: Rows, planned: Study
) -> None:
    write(change(filled, {("W02", TEMPERATURE): "95"}))
    assert any("the plate was at 95 °C" in q for q in read_results(planned.folder, planned).questions)
    warm = replace(planned, plan=replace(planned.plan, later_welds="warm"))
    assert read_results(planned.folder, warm).questions == ()


def test_questions_stand_by_file_and_row(write: Write, filled: Rows, planned: Study) -> None:
    rows = change(filled, {("W05", STICK): "30", ("W02", LINE): "120", ("W06", TIME): ""})
    asked = read_results(write(rows), planned).questions
    assert [q.split(",")[1] for q in asked] == [
        " column “trip time”: W06: no arc time is noted (until the trip",
        " row 3",
        " row 6",
    ]


def test_sense_checks_are_part_of_the_questions(write: Write, filled: Rows, planned: Study) -> None:
    results: Results = read_results(write(change(filled, {("W03", PEN): "21"})), planned)
    checks = sense_checks(results)
    assert checks
    assert set(checks) <= set(results.questions)


def test_results_made_elsewhere_can_be_checked(write: Write, filled: Rows, planned: Study) -> None:
    results = read_results(write(filled), planned)
    bare = replace(results, conditions={}, remarks={}, row=np.zeros(6, dtype=int))
    assert sense_checks(bare) == ()
