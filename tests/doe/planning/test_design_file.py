from __future__ import annotations

import pytest
from numpy.testing import assert_allclose

from doe.errors import ResultsError
from doe.planning.design_file import read_design
from doe.planning.quality import score_plan
from doe.study.model import Blocks


@pytest.fixture
def written(tmp_path):
    def write(text):
        path = tmp_path / "mine.csv"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_a_design_needs_one_column_a_factor_with_or_without_unit_or_mark(hinge, written):
    by_name = read_design(written("voltage,feed,preheat\n19.6,7,20\n"), hinge())
    by_unit = read_design(written("preheat [degC];feed [m/min];voltage [V]\n20;7,0;19,6\n"), hinge())
    by_mark = read_design(written("voltage mark,feed,preheat\n3,7,20\n"), hinge())
    for design in (by_name, by_unit, by_mark):
        assert_allclose(design.settings, [[19.6, 7.0, 20.0]])
        assert (design.plate, design.block, design.notes) == (None, None, ())


def test_plates_and_blocks_of_the_design_count(cube, written):
    rows = ["x1,x2,plate,day,given"] + [
        f"{a},{b},{plate},{day},{given}"
        for (a, b), plate, day, given in zip(
            [(-1, -1), (1, 1), (-1, 1), (1, -1), (0, 0), (0, 0)], "aabbcc", "112233", "100000", strict=True
        )
    ]
    study = cube(2, welds=6, model="first order", blocks=Blocks("day", (2, 2, 2)))
    design = read_design(written("\n".join(rows)), study)
    assert design.plate == tuple("aabbcc")
    quality = design.score()
    wanted = score_plan(study, design.settings, plate=list("aabbcc"), block=list("112233"))
    assert_allclose(quality.average_variance, wanted.average_variance)
    assert quality.parameters == 5
    assert design.notes == ()


def test_columns_left_aside_and_settings_outside_are_said(cube, written):
    design = read_design(written("run,x1,x2\n1,0,0\n2,1.5,0\n"), cube(2))
    assert design.notes == (
        "Columns left aside: run.",
        "1 of 2 settings lie outside the study's ranges or limits.",
    )


def test_missing_factors_and_bad_cells_are_listed_at_once(hinge, written):
    with pytest.raises(ResultsError, match=r"mine\.csv cannot be scored: 2 faults") as refusal:
        read_design(written("voltage\n19.6\n"), hinge())
    assert [f.column for f in refusal.value.faults] == ["feed", "preheat"]
    with pytest.raises(ResultsError, match="cannot be scored: 2 faults"):
        read_design(written("voltage,feed,preheat\nhigh,7,20\n19.6,,20\n"), hinge())
    with pytest.raises(ResultsError, match="there is no weld"):
        read_design(written("voltage,feed,preheat\n"), hinge())
