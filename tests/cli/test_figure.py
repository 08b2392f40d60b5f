from __future__ import annotations

import json
from typing import Any

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from doe.trade.figures import FIGURES


def run(*arguments: str) -> Result:
    return CliRunner().invoke(main, ["figure", *arguments], catch_exceptions=False)


def answer(*arguments: str, code: int = 0) -> dict[str, Any]:
    result = run(*arguments, "--json")
    assert result.exit_code == code, result.stdout
    return json.loads(result.stdout)  # type: ignore[no-any-return]


def value(text: str) -> Any:
    return answer(*text.split())["value"]


WORKED = [
    # The same worked values as tests/reference/trade/worked.json and the facts of the trade, from the command line.
    ("arc-energy voltage=18 current=100 travel=250mm/min", 0.432, 1e-4),
    ("arc-energy voltage=18V current=100A travel=10in/min", 0.4252, 1e-4),
    ("heat-input voltage=18 current=100 travel=250mm/min process=136", 0.3456, 1e-4),
    ("heat-input voltage=18 current=100 travel=250mm/min process=FCAW-G", 0.3456, 1e-4),
    ("heat-input voltage=18 current=100 travel=250mm/min efficiency=80%", 0.3456, 1e-4),
    ("cooling-time heat_input=0.3456kJ/mm thickness=6mm preheat=20degC joint=tee", 1.6966, 2e-3),
    ("cooling-time heat_input=0.3456kJ/mm thickness=6mm preheat=100degC joint=tee", 2.43, 5e-3),
    ("transition-thickness heat_input=2kJ/mm preheat=150degC joint=plate", 23.2386, 2e-2),
    ("preheat cet=0.36 thickness=30mm hydrogen=4 heat_input=1.5kJ/mm", 115.425, 0.05),
    ("preheat cet=0.36% thickness=3cm hydrogen=4ml/100g heat_input=15kJ/cm", 115.425, 0.05),
    ("line-current arc_voltage=18 arc_current=100 supply_voltage=120 efficiency=0.8 power_factor=70%", 26.786, 0.01),
    ("effective-current maximum_current=30A idle_current=2A duty=20%", 13.5351, 5e-3),
    ("duty rated_current=90 rated_duty=20% current=70", 0.3306, 1e-3),
    ("load-voltage current=140 process=GMAW", 21.0, 5e-3),
    ("load-voltage current=60 process=MMA", 22.4, 5e-3),
    ("cord-drop length=50ft gauge=12AWG current=25", 4.95, 5e-3),
    ("cord-drop length=100ft gauge=12 current=25", 9.9, 5e-3),
    ("wire-feed current=100 wire_diameter=0.9mm stickout=12mm", 72.296, 0.07),
    ("wire-current feed=72.296mm/s wire_diameter=0.9mm stickout=12mm", 100.0, 0.05),
    ("wire-feed current=100 stickout=12mm a=0.5333 b=1.5802e-4", 72.296, 0.07),
    ("deposit-rate feed=3m/min wire_diameter=0.9mm efficiency=82% density_ratio=0.85", 0.6265, 1e-3),
    ("fillet-leg feed=50mm/s wire_diameter=0.9mm yield=0.7 travel=4mm/s convexity=0.15", 3.1114, 3e-3),
    ("throat leg=5mm", 3.5355, 1e-3),
    ("throat leg=4mm leg2=6mm", 3.328, 1e-3),
    ("minimum-fillet standard=AWS-D1.1 thickness=6.1mm", 5.0, 0.0),
    ("undercut-limit standard=ISO5817 level=C thickness=4mm", 0.4, 1e-9),
    ("convexity-limit standard=5817 level=C width=8mm", 2.2, 1e-9),
    ("leg-difference-limit standard=5817 level=C throat=4mm", 2.6, 1e-9),
]


@pytest.mark.parametrize(("asked", "expected", "tolerance"), WORKED, ids=[w[0] for w in WORKED])
def test_a_worked_value_comes_out_of_the_command(asked: str, expected: float, tolerance: float):
    assert value(asked) == pytest.approx(expected, abs=max(tolerance, 1e-12))


SAME = [
    ("arc-energy voltage=20 current=150 travel=300mm/min", "arc-energy voltage=20 current=150 travel=11.811024in/min"),
    (
        "cooling-time heat_input=1kJ/mm thickness=12.7mm preheat=100degC joint=butt",
        "cooling-time heat_input=25.4kJ/in thickness=1/2in preheat=212degF joint=butt",
    ),
    (
        "preheat cet=0.35 thickness=25.4mm hydrogen=5 heat_input=1.2kJ/mm",
        "preheat cet=0.35 thickness=1in hydrogen=5 heat_input=30.48kJ/in",
    ),
    (
        "fillet-leg feed=5.08m/min wire_diameter=1.143mm yield=80% travel=254mm/min",
        "fillet-leg feed=200in/min wire_diameter=0.045in yield=0.8 travel=10in/min",
    ),
    ("cord-drop length=30.48m gauge=10AWG current=30", "cord-drop length=100ft gauge=#10 current=30"),
    ("throat leg=6.35mm leg2=7.9375mm", 'throat leg=1/4in leg2=5/16"'),
    (
        "wire-current feed=4m/min wire_diameter=0.889mm stickout=12.7mm",
        "wire-current feed=157.48031in/min wire_diameter=0.035in stickout=1/2in",
    ),
]


@pytest.mark.parametrize(("metric", "customary"), SAME)
def test_metric_and_customary_inputs_give_the_same(metric: str, customary: str):
    assert value(customary) == pytest.approx(value(metric), rel=1e-6)


def test_the_answer_has_the_interfaces_keys():
    found = answer("heat-input", "voltage=18", "current=100", "travel=250mm/min", "process=136")
    assert list(found) == ["schema", "figure", "value", "unit", "valid", "notes", "source", "from_memory", "inputs"]
    assert (found["schema"], found["figure"], found["unit"]) == (1, "heat-input", "kJ/mm")
    assert (found["valid"], found["from_memory"]) == (True, True)
    assert found["inputs"]["travel"] == {"value": 250.0, "unit": "mm/min"}
    assert found["inputs"]["process"] == "136"


def test_outside_its_range_a_figure_names_the_bound_and_prints_no_number():
    asked = ["preheat", "cet=0.31", "thickness=6mm", "hydrogen=5", "heat_input=0.35kJ/mm"]
    found = answer(*asked, code=4)
    assert (found["valid"], found["value"]) == (False, None)
    assert len(found["notes"]) == 2
    printed = run(*asked)
    assert printed.exit_code == 4
    assert "no number" in printed.stdout
    assert "thickness is 6 mm, below 10 mm: the range is 10 to 90 mm" in printed.stdout
    assert "°C" not in printed.stdout


@pytest.mark.parametrize(
    ("current", "expected"),
    [
        ("18.08", {"shortest": None, "longest": None, "holds": True}),
        ("20", {"shortest": None, "longest": None, "holds": False}),
        ("23.2", {"shortest": None, "longest": 3600.0, "holds": False}),
        ("40.8", {"shortest": 1.0, "longest": 60.0, "holds": False}),
        ("80", {"shortest": None, "longest": 0.1, "holds": False}),
    ],
)
def test_a_breaker_has_a_band_and_never_one_time(current: str, expected: dict[str, object]):
    found = answer("breaker", "rating=16A", "curve=B", f"current={current}A")
    assert found["value"] == expected
    assert "48 and 80 A" in " ".join(found["notes"])


def test_a_band_is_printed_in_words():
    printed = run("breaker", "rating=20A", "curve=UL", "current=27A").stdout
    assert "shortest: no bound" in printed
    assert "longest: 3600 s" in printed
    assert "holds: no" in printed
    assert "1.35 times the rating: it trips within 1 h" in printed


def test_the_three_carbon_equivalents_come_together():
    found = answer(
        "carbon-equivalent",
        *["C=0.16", "Si=0.35", "Mn=1.45", "Cu=0.15", "Ni=0.05", "Cr=0.05", "Mo=0.01", "V=0.05", "B=0.0002"],
    )
    assert found["value"] == pytest.approx({"CE": 0.437, "Pcm": 0.26167, "CET": 0.31725}, abs=1e-4)


def test_a_table_row_is_printed_in_both_scales():
    assert value("minimum-preheat category=B thickness=50mm") == {"C": 65.0, "F": 150.0}
    printed = run("minimum-preheat", "category=B", "thickness=50mm").stdout
    assert "C: 65 °C" in printed
    assert "F: 150 °F" in printed
    assert "from memory: check the standard" not in printed


def test_a_quarter_inch_plate_takes_the_inch_row_and_is_answered_in_inches():
    found = answer("minimum-fillet", "standard=AWS D1.1", "thickness=1/4in")
    assert (found["value"], found["unit"]) == (0.125, "in")
    assert "0.125 in (3.175 mm)" in run("minimum-fillet", "standard=AWS D1.1", "thickness=1/4in").stdout


def test_values_are_printed_in_the_other_system_too():
    assert "0.432 kJ/mm (10.97 kJ/in)" in run("arc-energy", "voltage=18", "current=100", "travel=250mm/min").stdout
    assert (
        "72.3 mm/s (4.338 m/min, 170.8 in/min)"
        in run("wire-feed", "current=100", "wire_diameter=0.9mm", "stickout=12mm").stdout
    )
    assert "0.3306 (33.06 %)" in run("duty", "rated_current=90", "rated_duty=0.2", "current=70").stdout


def test_an_input_without_a_part_in_it_is_said():
    printed = run("porosity-limit", "standard=AWS D1.1", "width=8mm").stdout
    assert "has no part in it: width" in printed


FAULTY = [
    (
        ["volt=18", "current=abc", "travel=250"],
        [
            "voltage?",
            "“abc” is not a quantity",
            "has no unit",
            "voltage: is missing",
            "process or efficiency: is missing",
        ],
    ),
    (
        ["voltage=18", "current=100", "travel=5mm/s", "process=136", "efficiency=0.8"],
        ["process or efficiency, not both"],
    ),
    (["voltage=18", "voltage=19", "current=100", "travel=5mm/s", "process=136"], ["voltage: is given twice"]),
    (["voltage=18", "current=100", "travel=5mm/s", "process=137X"], ["“137X” is not known. Did you mean 137?"]),
    (["voltage=18", "current=100", "travel=0mm/s", "process=136"], ["“0mm/s” cannot be: it must be above 0"]),
    (["voltage=-18", "current=100", "travel=5mm/s", "process=136"], ["“-18” cannot be"]),
    (["voltage=18", "current=100", "travel=5mm", "process=136"], ["“mm” is a unit of length, not of speed"]),
    (["voltage=18", "current=100", "travel=5mm/s", "efficiency=80"], ["a share is written 0.5 or 50%"]),
    (["18", "current=100", "travel=5mm/s", "process=136"], ["“18” is no input: write name=value"]),
    (["voltage=18", "current=1,500", "travel=5mm/s", "process=136"], ["can be read as 1.500"]),
]


@pytest.mark.parametrize(("inputs", "said"), FAULTY)
def test_every_fault_of_the_inputs_is_listed_at_once(inputs: list[str], said: list[str]):
    result = run("heat-input", *inputs)
    assert result.exit_code == 3
    assert result.stdout == ""
    assert "takes voltage current travel process or efficiency" in result.stderr
    for part in said:
        assert part in result.stderr, result.stderr


def test_a_refusal_in_json_lists_the_faults_by_input():
    found = answer("heat-input", "volt=18", "current=100", "travel=250", "process=136", code=3)
    assert found["error"]["code"] == 3
    assert [fault["key"] for fault in found["error"]["faults"]] == ["volt", "travel", "voltage"]


def test_an_unknown_figure_is_refused_with_the_nearest():
    result = run("heat-imput", "voltage=18")
    assert result.exit_code == 3
    assert "Did you mean heat-input?" in result.stderr


@pytest.mark.parametrize("gauge", ["12AWG", "12 AWG", "awg12", "#12", "12"])
def test_a_gauge_is_read_however_it_is_written(gauge: str):
    assert answer("cord-drop", "length=50ft", f"gauge={gauge}", "current=25")["inputs"]["gauge"] == "12 AWG"


@pytest.mark.parametrize(
    ("gauge", "meant"), [("2.5mm2", "2.5 mm2"), ("2,5mm²", "2.5 mm2"), ("1.5", "1.5 mm2"), ("6mm²", "6 mm2")]
)
def test_a_metric_cord_is_read_too(gauge: str, meant: str):
    assert answer("cord-drop", "length=25m", f"gauge={gauge}", "current=16")["inputs"]["gauge"] == meant


@pytest.mark.parametrize("gauge", ["4", "6", "13", "thick"])
def test_a_gauge_that_could_be_two_things_or_none_is_refused(gauge: str):
    # 4 and 6 are sections in mm2 and American gauges alike.
    assert run("cord-drop", "length=25m", f"gauge={gauge}", "current=16").exit_code == 3


def test_names_may_be_written_in_either_way():
    assert value("Heat_Input voltage=18 current=100 travel=5mm/s process=136") == pytest.approx(0.288)
    assert value("cooling-time heat-input=1kJ/mm thickness=10mm preheat=20degC joint=PLATE") == pytest.approx(
        11.3636, rel=1e-4
    )


def test_the_bare_command_lists_every_figure_with_inputs_validity_and_source():
    result = run()
    assert result.exit_code == 0
    for figure in FIGURES.values():
        assert f"{figure.name}  {figure.usage}\n" in result.stdout
        assert figure.validity in result.stdout
        assert figure.source.text in result.stdout
    listed = answer()
    assert [entry["figure"] for entry in listed["figures"]] == list(FIGURES)
    assert [i["name"] for i in listed["figures"][0]["inputs"]] == ["voltage", "current", "travel"]


def test_the_source_of_a_figure_lists_its_constants_and_what_is_from_memory():
    printed = run("undercut-limit", "--source").stdout
    assert "AWS D1.1 Table 6.1, edition 2015; seen" in printed
    assert "ISO 5817 Table 1, edition 2014; from memory" in printed
    found = answer("undercut-limit", "--source")
    rows = {(row["module"], row["name"]): row["known"] for row in found["constants"]}
    assert rows["iso_5817", "UNDERCUT[C]"] == "seen"
    assert rows["iso_5817", "UNDERCUT[B]"] == "from memory"
    with_value = answer("throat", "leg=5mm", "--source")
    assert (with_value["constants"], with_value["value"]) == ([], pytest.approx(3.5355, abs=1e-4))
    assert "none beside the formula's own" in run("throat", "leg=5mm", "--source").stdout


@pytest.mark.parametrize("name", list(FIGURES))
def test_every_figure_prints_its_source(name: str):
    result = run(name, "--source")
    assert result.exit_code == 0
    assert "source: " in result.stdout


def test_nothing_advises_a_larger_breaker_or_a_thinner_cord():
    texts = [run("breaker", "rating=16A", f"curve={c}", "current=40A").stdout for c in ("B", "C", "D", "UL")]
    texts.append(run("cord-drop", "length=50ft", "gauge=14AWG", "current=20").stdout)
    for text in texts:
        assert "larger" not in text
        assert "thinner" not in text
