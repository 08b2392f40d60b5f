"""Readings in the results against the named acceptance tables."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from doe.bench import read_results
from doe.bench.code_check import WeldVerdicts, check_welds
from doe.errors import ResultsError
from doe.study.model import Response, Study
from doe.trade.macro import Outcome, Wanted

AWS = Wanted("AWS D1.1", leg_mm=6.0, thickness_mm=10.0)
ISO = Wanted("ISO 5817", leg_mm=6.0, thickness_mm=10.0, level="C")


def checked(write, study: Study, filled, wanted: Wanted, **cells: str) -> dict[str, WeldVerdicts]:
    """Add columns to the first weld's row, and check."""
    heads = {key.replace("_", " ") if "[" not in key else key: text for key, text in cells.items()}
    rows = [{**row, **{head: text if i == 0 else "" for head, text in heads.items()}} for i, row in enumerate(filled)]
    write(rows)
    return {found.weld: found for found in check_welds(read_results(study.folder, study), wanted)}


def outcomes(found: WeldVerdicts) -> dict[str, Outcome]:
    return {verdict.check: verdict.outcome for verdict in found.verdicts}


def test_a_good_section_passes_what_was_measured(write, study, filled):
    cells = {"leg A [mm]": "6.4", "leg B [mm]": "6.1", "undercut [mm]": "0.3", "crack": "no", "surface pores": "0"}
    found = checked(write, study, filled, AWS, **cells)["W01"]
    assert outcomes(found) == {
        "cracks": "passes",
        "root fusion": "passes",  # W01 has root fused: yes
        "legs": "passes",
        "minimum size": "passes",
        "undercut": "passes",
        "convexity": "cannot be judged",
        "pores": "passes",
    }
    assert found.words.endswith("cannot be judged, not measured: convexity")


def test_a_bad_section_fails_with_its_reasons_first(write, study, filled):
    cells = {"leg A [mm]": "3.0", "leg B [mm]": "6.1", "undercut [mm]": "2.4", "crack": "yes"}
    found = checked(write, study, filled, AWS, **cells)["W01"]
    assert {v.check for v in found.of("fails")} == {"cracks", "legs", "undercut"}
    # D1.1 Table 6.1: undersize of a 6 mm leg at most 2.5 mm (seen)
    assert "smaller leg 3 mm, 6 mm specified, at most 2.5 mm undersize allowed" in found.words
    assert found.words.startswith("fails cracks")


def test_a_count_alone_cannot_be_judged_against_a_sum_of_diameters(write, study, filled):
    found = checked(write, study, filled, AWS, **{"surface pores": "3"})["W01"]
    assert outcomes(found)["pores"] == "cannot be judged"
    assert "a count says nothing of diameters" in found.words


def test_diameters_and_their_places_are_judged_by_stretches(write, study, filled):
    pores = {"surface pore diameters [mm]": "3; 3; 3; 3", "surface pore places [mm]": "0; 5; 10; 20"}
    found = checked(write, study, filled, AWS, **pores)["W01"]
    # D1.1 Table 6.1: at most 10 mm in any 25 mm (seen); these add up to 12
    assert outcomes(found)["pores"] == "fails"
    few = checked(write, study, filled, AWS, **{"surface pore diameters [mm]": "1.2; 1.5; 2.0; 0.8"})["W01"]
    assert outcomes(few)["pores"] == "passes"


def test_classes_of_diameters_are_judged_by_their_ends(write, study, filled):
    found = checked(write, study, filled, AWS, **{"surface pores 1 to 2 mm": "4"})["W01"]
    assert outcomes(found)["pores"] == "passes"
    many = checked(write, study, filled, AWS, **{"surface pores 1 to 2 mm": "90"})["W01"]
    assert outcomes(many)["pores"] == "fails"


def test_pores_of_a_section_are_not_judged_by_the_visual_table(write, study, filled):
    # the study's porosity is a count without a word of where: it is not the surface's
    assert outcomes(checked(write, study, filled, AWS, crack="no")["W01"])["pores"] == "cannot be judged"


def test_a_response_is_a_reading_too(write, study, filled):
    two = replace(study, responses=(*study.responses, Response("undercut", "measure", "mm")))
    rows = [{**row, "undercut [mm]": "0.7"} for row in filled]
    write(rows)
    found = {w.weld: w for w in check_welds(read_results(two.folder, two), ISO)}
    # ISO 5817 level C: 0.1 t, at most 0.5 mm (seen)
    assert outcomes(found["W03"])["undercut"] == "fails"


def test_units_of_the_heading_and_of_the_cell_are_read(write, study, filled):
    inches = {"leg A [in]": "0.25", "leg B [mm]": "1/4 in"}
    found = checked(write, study, filled, AWS, **inches)["W01"]
    assert outcomes(found)["legs"] == "passes"  # 6.35 mm


def test_depth_past_the_root_shows_fusion_and_nought_shows_nothing(write, study, filled):
    rows = [
        {**row, "root fused": "", "penetration [mm]": "0" if i == 1 else row["penetration [mm]"]}
        for i, row in enumerate(filled)
    ]
    write(rows)
    found = {w.weld: w for w in check_welds(read_results(study.folder, study), AWS)}
    assert outcomes(found["W01"])["root fusion"] == "passes"
    assert "W02" not in found  # nothing is known of it


def test_scrapped_welds_are_left_out(write, study, filled):
    write([{**filled[0], "status": "scrapped"}, *filled[1:]])
    assert "W01" not in {w.weld for w in check_welds(read_results(study.folder, study), AWS)}


@pytest.mark.parametrize(
    ("cells", "said"),
    [
        ({"leg A [mm]": "long"}, "long"),
        ({"crack": "a little"}, "“a little” is neither yes nor no"),
        ({"surface pores": "many"}, "“many” is no whole number of pores"),
        ({"surface pores 1 to 2 mm": "x"}, "“x” is no whole number of pores"),
        (
            {"surface pore diameters [mm]": "1; 2", "surface pore places [mm]": "5"},
            "2 diameters and 1 places: give one each",
        ),
    ],
)
def test_a_cell_that_cannot_be_read_is_named(write, study, filled, cells: dict[str, str], said: str):
    with pytest.raises(ResultsError) as refused:
        checked(write, study, filled, AWS, **cells)
    [fault] = refused.value.faults
    assert fault.message.startswith("W01: ")
    assert said in fault.message
    assert (fault.file, fault.row) == ("results.csv", 2)


def test_pores_without_an_inspected_length_are_asked_about(write, study, filled):
    bare = replace(study, job=replace(study.job, weld_length_mm=None))
    rows = [{**row, "surface pores": "2"} for row in filled[:1]] + [{**row, "surface pores": ""} for row in filled[1:]]
    write(rows)
    with pytest.raises(ResultsError) as refused:
        check_welds(read_results(Path(bare.folder), bare), AWS)
    assert "how many millimetres were looked at is not known" in refused.value.faults[0].message
