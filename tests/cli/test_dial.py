from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from cli.main import main
from doe.study.reading import parse_study

PULLS = """mark,seconds,length [in],spool
2,10,25.5,start
2,10,25.1,middle
4,10,37.8,start
4,10,37.0,middle
6,10,50.5,start
6,10,49.9,middle
8,10,62.0,start
8,10,61.1,middle
"""


@pytest.fixture
def table(tmp_path: Path) -> Path:
    return tmp_path / "dial.csv"


def run(table: Path, text: str, *arguments: str) -> Result:
    table.write_text(text, encoding="utf-8")
    return CliRunner().invoke(main, ["dial", str(table), *arguments], catch_exceptions=False)


def answer(table: Path, text: str, *arguments: str, code: int = 0) -> dict[str, Any]:
    result = run(table, text, *arguments, "--json")
    assert result.exit_code == code, result.stdout
    return json.loads(result.stdout)  # type: ignore[no-any-return]


def test_pulls_in_inches_become_marks_in_inches_a_minute(table: Path):
    dial = answer(table, PULLS)["dials"][0]
    assert (dial["dial"], dial["unit"]) == ("feed", "in/min")
    # Six pulls of ten seconds are a minute: the mean of 25.5 and 25.1 in times six.
    assert dial["marks"]["2"] == pytest.approx(6 * 25.3)
    assert dial["points"][0]["low"] < 151.8 < dial["points"][0]["high"]
    assert dial["residual_df"] == 4
    assert dial["set_within"] > 0.0
    assert {place["place"] for place in dial["spool"]} == {"start", "middle"}


def test_pulls_in_millimetres_become_metres_a_minute(table: Path):
    text = "mark,seconds,length\n1,6,500 mm\n2,6,600 mm\n3,6,0.7 m\n3,6,71 cm\n"
    dial = answer(table, text)["dials"][0]
    assert dial["unit"] == "m/min"
    assert dial["marks"] == pytest.approx({"1": 5.0, "2": 6.0, "3": 7.05})


def test_the_same_pulls_in_either_system_agree(table: Path):
    metric = PULLS.replace("length [in]", "length [mm]")
    for inches in ("25.5", "25.1", "37.8", "37.0", "50.5", "49.9", "62.0", "61.1"):
        metric = metric.replace(f",{inches},", f",{25.4 * float(inches):.4f},")
    first = answer(table, PULLS, "--unit", "m/min")["dials"][0]
    second = answer(table, metric)["dials"][0]
    assert first["unit"] == second["unit"] == "m/min"
    assert first["marks"] == pytest.approx(second["marks"], rel=1e-3)
    assert first["scatter"] == pytest.approx(second["scatter"], rel=1e-3)


def test_the_mark_for_a_feed_is_told_in_the_dials_marks(table: Path):
    text = "mark,seconds,length [in]\n4,6,20\n5,6,27.5\n6,6,32.5\n6,6,32.5\n"
    result = run(table, text, "--for", "300in/min")
    assert result.exit_code == 0
    assert "Set 5.5 for 300in/min" in result.stdout
    assert "5.5" in answer(table, text, "--for", "7.62m/min")["dials"][0]["set"][0]["mark"]


def test_a_feed_outside_what_was_read_has_no_mark(table: Path):
    result = run(table, PULLS, "--for", "300in/min", "--for", "999in/min")
    assert result.exit_code == 4
    assert "Set 5.9" in result.stdout
    assert "No mark for 999in/min: 999 is outside what was read" in result.stdout
    asked = answer(table, PULLS, "--for", "999in/min", code=4)["dials"][0]["set"][0]
    assert asked["mark"] is None


TAPS = "mark;volts\nA;17,0\nA;17,2\nB;18,4\nC;19,6\nC;19,5\n"


def test_volt_readings_of_taps_become_the_only_marks(table: Path):
    result = run(table, TAPS, "--for", "18V")
    assert "The marks are the only settings." in result.stdout
    assert "Set B: it gives 18.4 V, the nearest there is to 18V." in result.stdout
    dial = answer(table, TAPS)["dials"][0]
    assert (dial["dial"], dial["unit"], dial["between_marks"]) == ("voltage", "V", False)
    assert dial["marks"] == {"A": 17.1, "B": 18.4, "C": 19.55}


def test_the_table_for_the_study_is_printed_ready_to_paste(table: Path):
    printed = run(table, TAPS).stdout
    factor = tomllib.loads(printed.split("For study.toml:")[1])["factor"][0]
    assert factor["marks"] == {"A": 17.1, "B": 18.4, "C": 19.55}
    assert factor["role"] == "voltage"
    assert tomllib.loads(answer(table, TAPS)["dials"][0]["study"])["factor"][0] == factor


def test_both_dials_may_stand_in_one_table(table: Path):
    text = "mark,seconds,length [mm],volts\n1,10,800,\n2,10,900,\n3,10,1000,\n3,10,1010,\nA,,,17\nB,,,18\nB,,,18.2\n"
    dials = answer(table, text)["dials"]
    assert [dial["dial"] for dial in dials] == ["feed", "voltage"]
    printed = run(table, text).stdout
    assert "feed dial, m/min: 3 marks, 4 readings" in printed
    assert "voltage dial, V: 2 marks, 3 readings" in printed


def test_numbered_taps_are_not_read_between(table: Path):
    text = "mark,volts\n1,17\n2,18.4\n2,18.5\n3,19.6\n"
    assert answer(table, text, "--taps", "--for", "17.5V")["dials"][0]["set"][0]["mark"] == "1"


def test_without_a_repeat_there_is_no_band_and_it_is_said(table: Path):
    text = "mark,volts\n1,17\n2,18.4\n3,19.6\n"
    result = run(table, text, "--for", "17.7V")
    assert "no mark was read twice" in result.stdout
    assert "Set 1.5 for 17.7V." in result.stdout
    assert "set_within" not in result.stdout.split("For study.toml:")[1]


def test_a_wider_confidence_gives_a_wider_band(table: Path):
    narrow, wide = (answer(table, PULLS, "--confidence", c)["dials"][0]["points"][0] for c in ("0.9", "0.99"))
    assert wide["high"] - wide["low"] > narrow["high"] - narrow["low"]


def test_a_short_pull_is_noted(table: Path):
    text = PULLS.replace("6,10,49.9", "6,5,24.95")
    assert "1 of 8 pulls took less than 6 s" in run(table, text).stdout


def test_too_few_marks_and_a_falling_dial_are_refused_with_the_reason(table: Path):
    few = run(table, "mark,seconds,length\n2,10,700 mm\n4,10,900 mm\n")
    assert few.exit_code == 4
    assert "Too few marks" in few.stderr
    falling = answer(table, "mark,seconds,length\n2,10,700 mm\n4,10,690 mm\n6,10,900 mm\n", code=4)
    assert "does not rise" in falling["error"]["message"]
    assert falling["error"]["faults"][0]["key"] == "4"


FAULTY = [
    ("mark,seconds,lenght [mm]\n2,10,700\n", ["did you mean “length”?", "the column length is missing"]),
    ("mark,seconds,length\n2,10,700\n", ["“700” has no unit: head the column length [mm] or [in]"]),
    (
        "mark,seconds,length [mm]\n2,0,700\n3,x,700\n,10,700\n4,10,\n",
        [
            "row 2",
            "must be above 0",
            "row 3",
            "“x” is not",
            "row 4, column “mark”",
            "the dial's mark is missing",
            "row 5",
            "length is blank",
        ],
    ),
    ("mark,seconds,length [V]\n2,10,700\n", ["“V” is no unit of length"]),
    ("mark,spool\n2,start\n", ["there is nothing to calibrate with"]),
    ("mark,volts,volts\n2,17,18\n", ["this column is there twice"]),
    ("mark,volts\n2,\n", ["nothing was read at this mark"]),
    ("mark,volts\n", ["no readings below the headings"]),
    ("a,b\n1,2\n", ["no heading “mark” was found"]),
    ('mark,volts\n"A,17\n', ["quotation mark"]),
]


@pytest.mark.parametrize(("text", "said"), FAULTY)
def test_every_fault_of_the_table_is_listed_with_its_place(table: Path, text: str, said: list[str]):
    result = run(table, text)
    assert result.exit_code == 3
    for part in said:
        assert part in result.stderr, result.stderr


def test_comments_blank_rows_and_unknown_columns_are_passed_over(table: Path):
    text = "# my machine\n\nmark,volts,remark\nA,17,cold\n\n# warm\nB,18,\nB,18.1,warm\n"
    assert answer(table, text)["dials"][0]["marks"] == {"A": 17.0, "B": 18.05}


def test_a_missing_file_is_said(tmp_path: Path):
    result = CliRunner().invoke(main, ["dial", str(tmp_path / "none.csv")])
    assert result.exit_code == 3
    assert "There is no file" in result.stderr


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--for", "18V"], "not of what the table gives: speed"),
        (["--for", "fast"], "“fast” is not a quantity"),
        (["--unit", "V"], "is no unit of wire feed"),
    ],
)
def test_what_cannot_be_asked_is_refused(table: Path, arguments: list[str], said: str):
    result = run(table, PULLS, *arguments)
    assert result.exit_code == 3
    assert said in result.stderr


def test_the_table_is_read_with_any_separator_and_byte_order_mark(table: Path):
    for text in (
        "\ufeffmark\tvolts\nA\t17\nB\t18\n",
        "mark;volts\nA;17,0\nB;18,0\n",
        "Mark, Volts (V)\nA, 17\nB, 18\n",
    ):
        assert answer(table, text)["dials"][0]["marks"] == {"A": 17.0, "B": 18.0}


BURN_OFF = """mark,seconds,length [mm],amps,stick-out [mm]
3,10,835,,
6,10,1170,,
9,10,1500,,
3,,,128,15
3,,,121,20
6,,,165,15
9,,,200,15
9,,,186,20
"""


def test_amps_at_the_marks_of_timed_pulls_become_the_wires_burn_off(table: Path):
    fit = answer(table, BURN_OFF)["burn_off"]
    assert fit["residual_df"] == 3
    assert (fit["lowest_a"], fit["highest_a"]) == (121.0, 200.0)
    # W = a I + b L I^2 meets the pull of mark 6: 117 mm/s
    assert fit["a"] * 165 + fit["b"] * 15 * 165**2 == pytest.approx(117.0, rel=0.02)


def test_feeds_in_either_system_give_one_burn_off(table: Path):
    rows = [(5, 128, 15), (7, 165, 15), (9, 200, 15), (5, 121, 20), (9, 186, 20)]
    metric = "feed [m/min],amps,stick-out [mm]\n" + "".join(f"{f},{i},{s}\n" for f, i, s in rows)
    customary = "feed [in/min],amps,stick-out [in]\n" + "".join(f"{f / 0.0254},{i},{s / 25.4}\n" for f, i, s in rows)
    ours, theirs = answer(table, metric)["burn_off"], answer(table, customary)["burn_off"]
    assert ours["a"] == pytest.approx(theirs["a"], rel=1e-9)
    assert ours["b"] == pytest.approx(theirs["b"], rel=1e-9)


def test_the_line_for_the_study_is_read_as_the_fit(table: Path):
    printed = run(table, BURN_OFF).stdout
    line = next(line for line in printed.splitlines() if line.startswith("burn_off = "))
    study = parse_study(
        f"[study]\n[job]\n{line}\n[[factor]]\nname = 'x'\nlow = 0\nhigh = 1\n"
        "[[response]]\nname = 'y'\nkind = 'measure'\n"
    )
    assert study.job.burn_off is not None
    assert study.job.burn_off.currents_a == (121.0, 200.0)
    assert "outside nothing is said" in printed


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("feed [m/min],amps\n5,128\n", "the column stick-out is missing"),
        ("mark,amps,stick-out [mm]\n3,128,15\n", "amps need the wire feed"),
        ("feed,amps,stick-out [mm]\n5,128,15\n", "“5” has no unit: head the column feed"),
        ("feed [m/min],amps,stick-out [mm]\n5,128,\n", "amps need the stick-out they were read at"),
        (BURN_OFF + "12,,,230,15\n", "no feed is known for mark 12: time a pull there"),
    ],
)
def test_a_burn_off_table_that_lacks_something_is_refused(table: Path, text: str, said: str):
    result = run(table, text)
    assert result.exit_code == 3
    assert said in result.stderr


def test_too_few_amps_are_refused(table: Path):
    result = run(table, "feed [m/min],amps,stick-out [mm]\n5,128,15\n7,165,15\n9,200,15\n")
    assert result.exit_code == 4
    assert "at least 4" in result.stderr
