from __future__ import annotations

import csv
import io
from dataclasses import replace

import pytest

from doe.planning.plan import Plan, PlannedWeld, factor_headings
from doe.planning.table import plain_cell, plan_headings, plan_table, safe_cell
from doe.study.model import Blocks, Factor


@pytest.fixture
def plan(hinge):
    welds = (
        PlannedWeld("W01", "P01", 1, 2, (19.6, 7.0, 20.0)),
        PlannedWeld("W02", "P01", 2, 1, (22.3, 8.5, 20.0), role="repeat"),
    )
    return Plan(hinge(), welds, seed=7)


def test_the_columns_stand_in_the_agreed_order(hinge):
    fixed = ("weld", "plate", "position", "order")
    factors = ("voltage mark", "voltage [V]", "feed [m/min]", "preheat [degC]")
    assert plan_headings(hinge()) == (*fixed, *factors, "role")
    assert plan_headings(hinge(blocks=Blocks("day", (9, 9)))) == (*fixed, *factors, "day", "role")


def test_a_dial_without_calibration_has_only_its_marks():
    letters = Factor("voltage", values=(1.0, 2.0), marks=("A", "B"), calibrated=False)
    assert factor_headings(letters) == ("voltage mark",)
    assert factor_headings(Factor("feed", unit="mark", values=(1.0, 1.5), is_continuous=True)) == ("feed mark",)
    assert factor_headings(Factor("wire", kinds=("A", "B"))) == ("wire",)


def test_the_table_carries_seed_fingerprint_and_version_in_comments(plan):
    lines = plan_table(plan).splitlines()
    comments = [line for line in lines if line.startswith("#")]
    assert comments[0].startswith("# weldwindow ")
    assert comments[1:] == ["# study Hinge lugs, 10 mm", "# fingerprint 0123456789ab", "# seed 7", "# stage 1"]
    assert lines[5] == "weld,plate,position,order,voltage mark,voltage [V],feed [m/min],preheat [degC],role"
    assert lines[6:] == ["W01,P01,1,2,3,19.6,7,20,plan", "W02,P01,2,1,5,22.3,8.5,20,repeat"]


def test_the_same_plan_gives_the_same_bytes(plan):
    assert plan_table(plan).encode() == plan_table(replace(plan)).encode()


def test_binary_rounding_is_not_printed(plan):
    weld = replace(plan.welds[0], settings=(19.6, 0.1 + 0.2, 20.0))
    assert ",0.3,20,plan" in plan_table(replace(plan, welds=(weld,)))


def test_kinds_marks_and_blocks_are_written_as_people_name_them(plan):
    dial = Factor("voltage", "voltage", values=(1.0, 2.0), marks=("A", "B"), calibrated=False)
    study = replace(
        plan.study,
        factors=(dial, Factor("wire", kinds=("solid", "cored"))),
        plan=replace(plan.study.plan, blocks=Blocks("day", (1,))),
    )
    weld = PlannedWeld("W01", "P01", 1, 1, (2.0, 1.0), block="1")
    text = plan_table(Plan(study, (weld,), seed=1))
    assert text.splitlines()[-2:] == [
        "weld,plate,position,order,voltage mark,wire,day,role",
        "W01,P01,1,1,B,cored,1,plan",
    ]


@pytest.mark.parametrize("text", ["=1+1", "+cmd", "-x", "@name", "\ttab"])
def test_text_that_would_run_as_a_formula_is_neutralised(text):
    assert safe_cell(text) == f"'{text}"
    assert plain_cell(safe_cell(text)) == text


@pytest.mark.parametrize("text", ["-2", "+1.5", "-1e-3", "3", "A", "", "'quoted"])
def test_numbers_and_harmless_text_stay_as_they_are(text):
    assert safe_cell(text) == text
    assert plain_cell(text) == text


def test_a_kind_named_like_a_formula_is_neutralised_in_the_table(plan):
    study = replace(plan.study, factors=(Factor("wire", kinds=("=HYPERLINK(1)", "B")),))
    text = plan_table(Plan(study, (PlannedWeld("W01", "P01", 1, 1, (0.0,)),), seed=1))
    cells = list(csv.reader(io.StringIO(text.split("# stage 1\n")[1])))
    assert cells[1][4] == "'=HYPERLINK(1)"


def test_a_title_with_line_breaks_stays_on_its_comment_line(plan):
    study = replace(plan.study, title="Hinge\n=lugs")
    assert "# study Hinge =lugs\n" in plan_table(replace(plan, study=study))


def test_the_plan_is_given_as_numbers_and_names(plan):
    written = plan.to_dict()
    assert written["seed"] == 7
    first = written["welds"][0]
    assert first == {
        "weld": "W01",
        "plate": "P01",
        "position": 1,
        "order": 2,
        "settings": {"voltage": 19.6, "feed": 7.0, "preheat": 20.0},
        "marks": {"voltage": "3"},
        "block": None,
        "role": "plan",
    }
    reasoned = replace(plan, reasons={"W02": "the corner with most doubt"})
    assert reasoned.to_dict()["welds"][1]["reason"] == "the corner with most doubt"


def test_the_plan_is_given_as_a_table_of_its_own(plan):
    frame = plan.to_frame()
    assert list(frame.columns) == list(plan_headings(plan.study))
    assert frame["feed [m/min]"].tolist() == [7.0, 8.5]
    frame.loc[0, "weld"] = "changed"
    assert plan.to_frame()["weld"].tolist() == ["W01", "W02"]
    with_days = replace(plan, study=replace(plan.study, plan=replace(plan.study.plan, blocks=Blocks("day", (2,)))))
    assert list(with_days.to_frame().columns) == list(plan_headings(with_days.study))


def test_a_plan_of_no_welds_has_an_empty_table_of_settings(plan):
    assert replace(plan, welds=()).settings.shape == (0, 3)
    assert replace(plan, earlier=plan.welds[:1]).all_welds == (plan.welds[0], *plan.welds)
