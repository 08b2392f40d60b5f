from __future__ import annotations

import csv
import json
import re
from dataclasses import replace

import html5lib
import pytest

from doe.bench import results_table
from doe.bench.columns import plan_columns, results_columns
from doe.planning.plan import Plan, PlannedWeld
from doe.report.bench_fields import bench_fields
from doe.report.bench_page import bench_data, bench_page, write_bench_page
from doe.report.page import policy_hash
from doe.study.model import Blocks, Factor, Response, Study
from doe.units import convert


def make_plan(study: Study, n_welds: int = 4, stage: int = 1) -> Plan:
    welds = tuple(
        PlannedWeld(
            f"W{i + 1:02d}",
            f"P{i // 2 + 1:02d}",
            i % 2 + 1,
            n_welds - 2 * (i // 2) - 1 + i % 2,
            tuple(float(f.positions[i % len(f.positions)]) for f in study.factors),
        )
        for i in range(n_welds)
    )
    return Plan(study, welds, seed=3, stage=stage)


def field_of(study: Study, heading: str) -> dict[str, object]:
    found = [f for f in bench_data(make_plan(study))["fields"] if f["heading"] == heading]
    assert len(found) == 1
    return dict(found[0])


def test_every_column_to_fill_in_has_one_field_and_the_table_is_results_csv(hinge: Study):
    plan = make_plan(hinge)
    data = bench_data(plan)
    table = [line for line in results_table(plan).splitlines() if not line.startswith("#")]
    head, *rows = csv.reader(table)
    assert data["headings"] == head
    n_planned = len(plan_columns(hinge))
    assert [field["heading"] for field in data["fields"]] == head[n_planned:]
    assert data["rows"] == [row[:n_planned] for row in rows]
    assert all(field["label"] and field["kind"] and field["part"] for field in data["fields"])


def test_welds_come_in_the_order_of_welding_with_their_marks(hinge: Study):
    welds = bench_data(make_plan(hinge))["welds"]
    assert [weld["weld"] for weld in welds] == ["W03", "W04", "W01", "W02"]
    assert [weld["row"] for weld in welds] == [2, 3, 0, 1]
    assert [weld["isFirst"] for weld in welds] == [True, False, True, False]
    assert {weld["beads"] for weld in welds} == {2}
    assert welds[0]["dials"] == [
        {"name": "voltage", "large": "3", "small": "19.6 V", "isOfPlate": False},
        {"name": "feed", "large": "6", "small": "m/min", "isOfPlate": False},
        {"name": "preheat", "large": "120", "small": "°C", "isOfPlate": True},
    ]


def test_dials_without_calibration_and_kinds_show_only_what_the_dial_shows(hinge: Study):
    dial = Factor("dial", values=(1.0, 2.0), marks=("A", "B"), calibrated=False)
    study = replace(hinge, factors=(dial, Factor("wire", kinds=("gas-shielded cored", "solid"))))
    shown = bench_data(make_plan(study))["welds"][2]["dials"]
    assert [(dial["large"], dial["small"]) for dial in shown] == [("A", ""), ("gas-shielded cored", "")]
    assert field_of(study, "dial actual")["choices"] == ["A", "B"]
    assert field_of(study, "wire actual")["choices"] == ["gas-shielded cored", "solid"]


def test_a_study_in_customary_units_asks_in_them_and_shows_the_dial_as_it_is_marked(hinge: Study):
    study = replace(hinge, units="us")
    dials = bench_data(make_plan(study))["welds"][0]["dials"]
    assert (dials[1]["large"], dials[1]["small"]) == ("6", "m/min")
    units = field_of(study, "plate temperature [degF]")["units"]
    assert [unit["unit"] for unit in units] == ["degF", "degC"]  # type: ignore[attr-defined]


@pytest.mark.parametrize(
    ("heading", "own", "other"),
    [
        ("penetration [mm]", "mm", "in"),
        ("porosity length [mm]", "mm", "in"),
        ("plate temperature [degC]", "degC", "degF"),
        ("travel speed [mm/min]", "mm/min", "in/min"),
        ("feed actual [m/min]", "m/min", "in/min"),
        ("preheat actual [degC]", "degC", "degF"),
    ],
)
def test_the_unit_switch_turns_numbers_as_the_units_do(hinge: Study, heading: str, own: str, other: str):
    units = field_of(hinge, heading)["units"]
    assert [unit["unit"] for unit in units] == [own, other]  # type: ignore[attr-defined]
    for unit in units:  # type: ignore[attr-defined]
        assert unit["zero"] + unit["scale"] * 70.0 == pytest.approx(convert(70.0, unit["unit"], own), rel=1e-12)


def test_a_unit_without_a_counterpart_has_no_switch(hinge: Study):
    assert len(field_of(hinge, "rest [min]")["units"]) == 1  # type: ignore[arg-type]
    assert len(field_of(hinge, "trip time [s]")["units"]) == 1  # type: ignore[arg-type]
    plain = replace(hinge, responses=(Response("bends", "measure"),))
    assert field_of(plain, "bends")["units"] == []


def test_burn_through_is_offered_only_where_a_full_reading_is_known(hinge: Study):
    labels = [word["label"] for word in field_of(hinge, "penetration [mm]")["words"]]  # type: ignore[attr-defined]
    assert labels == ["burnt through", "unreadable"]
    bare = replace(hinge, responses=(Response("leg", "measure", "mm"),))
    labels = [word["label"] for word in field_of(bare, "leg [mm]")["words"]]  # type: ignore[attr-defined]
    assert labels == ["unreadable"]


def test_a_response_named_like_a_condition_is_not_filled_in_by_the_timer(hinge: Study):
    study = replace(hinge, responses=(*hinge.responses, Response("rest", "measure", "min"), Response("time", "pass")))
    fields = bench_fields(study)
    assert len(fields) == len(results_columns(study)) - len(plan_columns(study))
    assert [field["label"] for field in fields].count("rest") == 1
    assert not {"rest", "time"} & {field["use"] for field in fields}


def test_a_thermal_cut_out_is_timed_with_the_breaker(hinge: Study):
    study = replace(hinge, responses=(*hinge.responses, Response("cut-out", "trip", hold_s=90.0)))
    arc = bench_data(make_plan(study))["arc"]
    assert arc["trips"] == [
        {"name": "trip", "heading": "trip", "time": "trip time [s]"},
        {"name": "cut-out", "heading": "cut-out", "time": "cut-out time [s]"},
    ]
    assert arc["hold"] == 90.0
    hints = {field["label"]: str(field["hint"]) for field in bench_fields(study)}
    assert hints["trip"].startswith("the supply breaker only. A cut-out of the machine")
    assert hints["cut-out"].startswith("cut-out only. A trip of the supply breaker")
    assert bench_data(make_plan(replace(hinge, responses=())))["arc"] == {"trips": [], "hold": None}


def test_blocks_and_reasons_stand_with_their_welds(hinge: Study):
    study = replace(hinge, plan=replace(hinge.plan, blocks=Blocks("day", (2, 2))))
    plan = make_plan(study)
    welds = tuple(replace(weld, block="day 1") for weld in plan.welds)
    found = bench_data(replace(plan, welds=welds, reasons={"W03": "the edge of the window"}))["welds"][0]
    assert (found["block"], found["reason"]) == ("day 1", "the edge of the window")


def test_beads_of_an_earlier_stage_on_the_same_plate_count(hinge: Study):
    plan = make_plan(hinge, 2)
    earlier, later = plan.welds
    assert bench_data(replace(plan, welds=(later,), earlier=(earlier,)))["welds"][0]["beads"] == 2
    assert bench_data(replace(plan, welds=(earlier,)))["welds"][0]["beads"] == 1


def test_another_plan_is_kept_apart_on_the_device(hinge: Study):
    plan = make_plan(hinge)
    keys = {
        bench_data(changed)["key"]
        for changed in (
            plan,
            replace(plan, seed=4),
            replace(plan, stage=2),
            replace(plan, fingerprint="ba9876543210"),
            replace(plan, welds=(replace(plan.welds[0], settings=(22.3, 9.0, 120.0)), *plan.welds[1:])),
        )
    }
    assert len(keys) == 5
    assert all("stage" in key and "seed" in key for key in keys)


def test_the_policy_admits_only_the_page_s_own_style_and_script(hinge: Study):
    page = bench_page(make_plan(hinge))
    style = re.search(r"<style>(.*?)</style>", page, re.DOTALL)
    script = re.search(r"<script>(.*?)</script>", page, re.DOTALL)
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', page)
    assert style is not None
    assert script is not None
    assert policy is not None
    assert policy[1] == (
        f"default-src 'none'; style-src '{policy_hash(style[1])}'; script-src '{policy_hash(script[1])}'; "
        "base-uri 'none'; form-action 'none'"
    )


def test_the_page_is_valid_html_and_hands_the_plan_over_as_data(hinge: Study):
    plan = make_plan(replace(hinge, title="Lugs </script> & <b>10 mm</b> \u2028"))
    tree = html5lib.HTMLParser(strict=True, namespaceHTMLElements=False).parse(bench_page(plan))
    scripts = tree.findall(".//script")
    assert [script.get("type") for script in scripts] == ["application/json", None]
    assert json.loads(scripts[0].text) == json.loads(json.dumps(bench_data(plan)))
    assert tree.find(".//h1").text == "Lugs </script> & <b>10 mm</b> \u2028"
    assert "<" not in scripts[0].text


def test_the_same_plan_makes_the_same_page_and_each_stage_its_own(hinge: Study):
    assert bench_page(make_plan(hinge)) == bench_page(make_plan(hinge))
    first, second = write_bench_page(make_plan(hinge)), write_bench_page(make_plan(hinge, stage=2))
    assert [path.name for path in (*first, *second)] == ["bench.html", "bench-2.html"]
    assert first[0].parent == hinge.folder / "report"
    assert "run-sheet-2.pdf" in second[0].read_text(encoding="utf-8")


def test_cautions_defer_to_the_code_and_never_upsize(hinge: Study):
    data = bench_data(make_plan(hinge))
    care = " ".join(data["care"])
    assert "qualifies neither a welding procedure nor a welder" in care
    assert "Never fit a larger breaker" in " ".join(data["afterTrip"])
    assert "reset once" in data["afterTrip"][0]
