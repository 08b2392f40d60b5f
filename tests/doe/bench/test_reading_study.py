"""The sheet of a reading study: written, filled in, read, and handed to the models."""

from __future__ import annotations

import csv
from dataclasses import replace
from pathlib import Path

import pytest

from doe.bench import read_results
from doe.bench.reading_study import (
    FILE,
    blank_rows,
    blank_table,
    lacks_reading_scatter,
    measures,
    read_reading_study,
)
from doe.errors import CannotAnswerError, ResultsError
from doe.study.model import Response, Study

DEPTHS = {"S1": 0.8, "S2": 1.2, "S3": 1.7, "S4": 2.1, "S5": 2.8}


def fill_sheet(study: Study, *, readers: str = "A", change: dict[tuple[str, str, str], str] | None = None) -> Path:
    """Fill the sheet in: the second reading is 0.1 more, reader B reads 0.3 more; some cells changed."""
    rows = blank_rows(n_sections=5, readers=readers, seed=1)
    lines = []
    for line in blank_table(study, rows, seed=1).splitlines():
        cells = line.split(",")
        if not line.startswith("#") and cells[0] != "reading":
            section, reader, round_ = cells[1:4]
            value = DEPTHS[section] + 0.1 * (round_ == "2") + 0.3 * (reader == "B")
            cells[4] = (change or {}).get((section, reader, round_), f"{value:.2f}")
        lines.append(",".join(cells))
    path = study.folder / FILE
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def test_each_reader_reads_each_section_twice_in_another_order():
    rows = blank_rows(n_sections=5, readers="AB", seed=3)
    assert len(rows) == len(set(rows)) == 20
    first = [section for section, reader, round_ in rows if (reader, round_) == ("A", "1")]
    second = [section for section, reader, round_ in rows if (reader, round_) == ("A", "2")]
    assert sorted(first) == sorted(second) == ["S1", "S2", "S3", "S4", "S5"]
    assert first != second
    assert [round_ for *_, round_ in rows] == ["1"] * 10 + ["2"] * 10
    assert rows == blank_rows(n_sections=5, readers="AB", seed=3)
    assert rows != blank_rows(n_sections=5, readers="AB", seed=4)


def test_the_blank_table_has_a_column_a_measure(study: Study):
    two = replace(study, responses=(*study.responses, Response("leg", "measure", "mm")))
    table = blank_table(two, blank_rows(n_sections=3, readers="A", seed=1), seed=1)
    heads = next(csv.reader(line for line in table.splitlines() if not line.startswith("#")))
    assert heads == ["reading", "section", "reader", "round", "penetration [mm]", "leg [mm]"]


def test_one_reader_is_read(study: Study):
    [part] = read_reading_study(fill_sheet(study), study)
    assert part.found is not None
    assert (part.found.n_sections, part.found.n_readers, part.found.error_df) == (5, 1, 5)
    # differences of 0.1 between two readings: variance 0.1^2 / 2
    assert part.found.repeat_sd == pytest.approx(0.1 / 2**0.5)
    assert part.notes == ()


def test_two_readers_are_told_apart(study: Study):
    [part] = read_reading_study(fill_sheet(study, readers="AB"), study)
    assert part.found is not None
    assert part.found.reader_means[1] - part.found.reader_means[0] == pytest.approx(0.3)
    assert part.found.components.reader == pytest.approx(0.3**2 / 2)


def test_a_blank_table_has_nothing_to_say(study: Study):
    path = study.folder / FILE
    path.write_text(blank_table(study, blank_rows(n_sections=5, readers="A", seed=1), seed=1), encoding="utf-8")
    assert read_reading_study(path, study) == ()


def test_units_fractions_and_a_decimal_comma_are_read(study: Study):
    change = {("S1", "A", "1"): "1/32 in", ("S1", "A", "2"): '"0,79"'}
    [part] = read_reading_study(fill_sheet(study, change=change), study)
    assert part.found is not None
    assert part.found.n_sections == 5


@pytest.mark.parametrize("text", ["", "?"])
def test_a_section_that_lacks_a_reading_is_left_out_and_named(study: Study, text: str):
    [part] = read_reading_study(fill_sheet(study, change={("S2", "A", "2"): text}), study)
    assert part.found is not None
    assert part.found.n_sections == 4
    assert part.notes == ("section S2 lacks a reading and is left out",)


@pytest.mark.parametrize("text", ["10", ">= 9", "≥ 9"])
def test_at_least_is_no_reading_to_repeat(study: Study, text: str):
    [part] = read_reading_study(fill_sheet(study, change={("S5", "A", "1"): text}), study)
    assert part.notes == ("section S5 was read as “at least” and is left out",)


def test_too_few_whole_sections_give_no_answer(study: Study):
    change = {(section, "A", "2"): "" for section in ("S1", "S2", "S3")}
    [part] = read_reading_study(fill_sheet(study, change=change), study)
    assert part.found is None
    assert "at least 3 are needed, each read twice" in part.notes[-1]


def test_a_second_round_that_was_never_made_gives_no_answer(study: Study):
    change = {(section, "A", "2"): "" for section in DEPTHS}
    [part] = read_reading_study(fill_sheet(study, change=change), study)
    assert part.found is None
    assert "read twice" in part.notes[-1]


def test_a_second_person_who_never_read_is_not_waited_for(study: Study):
    change = {(section, "B", round_): "" for section in DEPTHS for round_ in "12"}
    [part] = read_reading_study(fill_sheet(study, readers="AB", change=change), study)
    assert part.found is not None
    assert part.found.n_readers == 1


def test_readings_that_never_differ_are_doubted(study: Study):
    change = {(section, "A", "2"): f"{depth:.2f}" for section, depth in DEPTHS.items()}
    [part] = read_reading_study(fill_sheet(study, change=change), study)
    assert part.found is not None
    assert part.found.repeat_sd == pytest.approx(0.1 / 12**0.5)
    assert "that of rounding alone" in part.notes[0]


def test_sections_all_alike_are_doubted(study: Study):
    change = {(s, "A", r): f"{1.5 + 0.1 * ((i + int(r)) % 2):.2f}" for i, s in enumerate(DEPTHS) for r in "12"}
    [part] = read_reading_study(fill_sheet(study, change=change), study)
    assert "choose some that are shallow and some deep" in part.notes[-1]


@pytest.mark.parametrize(
    ("edit", "said"),
    [
        (lambda t: t.replace("penetration [mm]", "depth [mm]"), "no column of a measure of the study"),
        (lambda t: t.replace("penetration [mm]", "penetration [s]"), "“s” is no unit of penetration"),
        (lambda t: t.replace("reader", "who"), "it needs the columns section, reader, round"),
        (lambda t: t.replace("2.80", "deep"), "deep"),
        (lambda t: t + "11,S5,A,1,2.8\n", "section s5, reader a, round 1 stands here a second time"),
        (lambda t: t + "11,,A,1,2.8\n", "section, reader and round must stand before a reading"),
    ],
)
def test_what_cannot_be_read_is_refused_with_its_place(study: Study, edit, said: str):
    path = fill_sheet(study)
    path.write_text(edit(path.read_text(encoding="utf-8")), encoding="utf-8")
    with pytest.raises(ResultsError) as refused:
        read_reading_study(path, study)
    assert any(said in str(fault) for fault in refused.value.faults)
    assert all(fault.file == FILE for fault in refused.value.faults)


def test_a_study_without_a_measure_has_no_reading_to_study(study: Study):
    with pytest.raises(CannotAnswerError, match="measures nothing on a scale"):
        measures(replace(study, responses=(Response("trip", "trip"),)))


def test_the_results_carry_what_the_reading_study_found(write, study: Study, filled: list[dict[str, str]]):
    write(filled)
    assert read_results(study.folder, study).reading_scatter == {}
    fill_sheet(study)
    scatter = read_results(study.folder, study).reading_scatter["penetration"]
    assert scatter.sd == pytest.approx(0.1 / 2**0.5)
    # chi-squared, 5 degrees of freedom, 0.9: 9.236 (handbook table)
    assert scatter.proven_variance == pytest.approx(5 * 0.005 / 9.236, rel=1e-3)


def test_an_incomplete_reading_study_is_asked_about(write, study: Study, filled: list[dict[str, str]]):
    write(filled)
    fill_sheet(study, change={(section, "A", "2"): "" for section in DEPTHS})
    results = read_results(study.folder, study)
    assert results.reading_scatter == {}
    assert any("the reading study is not complete" in question for question in results.questions)


def test_a_reading_study_that_cannot_be_read_is_a_fault_of_the_results(write, study, filled):
    write(filled)
    (study.folder / FILE).write_text("a,b\n1,2\n", encoding="utf-8")
    with pytest.raises(ResultsError) as refused:
        read_results(study.folder, study)
    assert refused.value.faults[0].file == FILE


def test_it_is_offered_where_nothing_tells_how_a_reading_repeats(write, study, filled):
    write(filled)
    assert lacks_reading_scatter(read_results(study.folder, study))
    fill_sheet(study)
    assert not lacks_reading_scatter(read_results(study.folder, study))
    (study.folder / FILE).unlink()
    write([{**row, "penetration 2 [mm]": "1.7"} for row in filled])
    assert not lacks_reading_scatter(read_results(study.folder, study))
    write([{**row, "penetration [mm]": ""} for row in filled])
    assert not lacks_reading_scatter(read_results(study.folder, study))
