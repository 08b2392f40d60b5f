"""The whole file: read, refused with every fault at once, never a traceback."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.coding import FactorCoding
from doe.errors import StudyError
from doe.study import (
    Blocks,
    Claim,
    Factor,
    Job,
    Limit,
    Machine,
    PlanWishes,
    Response,
    Study,
    Supply,
    parse_study,
    read_study,
)
from doe.study.reading import LARGEST_FILE

Parse = Callable[..., Study]
SMALL = '[study]\n[[factor]]\nname = "x"\nlow = 0\nhigh = 1\n[[response]]\nname = "y"\nkind = "measure"\n'


def faults_of(text: str) -> dict[str | None, str]:
    with pytest.raises(StudyError) as caught:
        parse_study(text)
    return {fault.key: fault.message for fault in caught.value.faults}


@pytest.fixture
def hinge(full: str) -> Study:
    return parse_study(full, folder=Path("hinge"))


def test_the_full_example_gives_the_job_the_supply_and_the_machine(hinge: Study) -> None:
    assert hinge.title == "Hinge lugs, 10 mm"
    assert hinge.units == "metric"
    assert hinge.folder == Path("hinge")
    assert hinge.job == Job(
        process="136",
        joint="lap fillet",
        material="S275",
        thickness_mm=10.0,
        wire="1.0 mm gas-shielded cored",
        wire_diameter_mm=1.0,
        stickout_mm=16.0,
        travel_speed_mm_s=5.0,
        weld_length_mm=150.0,
        inspected="face, section",
        chemistry=(("C", 0.16), ("Mn", 1.2), ("Si", 0.3)),
        hydrogen_ml_100g=5.0,
    )
    assert hinge.supply == Supply(230.0, 16.0, "C")
    assert hinge.machine == Machine(0.8, 0.7, 30.0, 120.0)
    assert len(hinge.fingerprint) == 12
    assert set(hinge.fingerprint) <= set("0123456789abcdef")


def test_the_full_example_gives_the_dials_and_the_limit(hinge: Study) -> None:
    assert hinge.factors == (
        Factor(
            "voltage",
            "voltage",
            "V",
            values=(17.0, 18.4, 19.6, 21.1, 22.3),
            marks=("1", "2", "3", "4", "5"),
            set_within=0.2,
        ),
        Factor("feed", "feed", "m/min", values=(5.0, 5.5, 6.0, 6.5, 7.0, 7.5, 8.0, 8.5, 9.0), is_continuous=True),
        Factor("preheat", "preheat", "degC", values=(20.0, 70.0, 120.0), hard_to_change=True),
    )
    assert hinge.limits == (Limit((("voltage", 1.0), ("feed", -0.9)), 15.0, "voltage - 0.9*feed <= 15", "burn-back"),)
    assert hinge.coding["voltage"] == FactorCoding("voltage", 19.65, pytest.approx(2.65))


def test_the_full_example_gives_the_responses_the_plan_and_the_claim(hinge: Study) -> None:
    assert hinge.responses == (
        Response("penetration", "measure", unit="mm", at_least=1.2, full=10.0, expect_scatter=0.3),
        Response(
            "porosity",
            "count",
            per_mm=100.0,
            per_text="100 mm",
            at_most=2.0,
            expect_good_zone=("voltage", "feed"),
            expect_ratio_under=10.0,
        ),
        Response("trip", "trip", hold_s=30.0),
        Response("root fused", "pass"),
    )
    assert hinge.plan == PlanWishes(
        welds=18, welds_per_plate=2, repeats=3, plate_ratio=1.0, stages=(18,), blocks=Blocks("day", (9, 9))
    )
    assert hinge.claim == Claim(0.90, 0.90)


def test_one_factor_and_one_response_are_enough() -> None:
    study = parse_study(SMALL, folder=Path("bench/trial"))
    assert study.title == "trial"
    assert study.plan.welds == 18


def test_a_title_is_brought_to_one_line() -> None:
    assert parse_study(SMALL.replace("[study]", '[study]\ntitle = """Hinge\n  lugs"""')).title == "Hinge lugs"


def test_the_folder_and_the_file_read_alike(tmp_path: Path, full: str) -> None:
    (tmp_path / "study.toml").write_text(full, encoding="utf-8")
    by_folder, by_file = read_study(tmp_path), read_study(str(tmp_path / "study.toml"))
    assert by_folder.fingerprint == by_file.fingerprint
    assert by_folder.folder == by_file.folder == tmp_path


def test_a_byte_order_mark_and_windows_line_ends_are_welcome(tmp_path: Path, full: str) -> None:
    (tmp_path / "study.toml").write_bytes(b"\xef\xbb\xbf" + full.replace("\n", "\r\n").encode())
    assert read_study(tmp_path).fingerprint == parse_study(full).fingerprint


FAULTY = """
extra = 1
[study]
titel = "x"
[job]
thickness = 10
[supply]
voltage = "230 A"
[[factor]]
name = "voltage"
unit = "V"
marks = { "1" = 17, "2" = 16 }
stepp = 1
[[factor]]
name = "feed"
unit = "m/mn"
low = 9
high = 5
[[limit]]
rule = "voltage - 0.9*fed <= 15"
[[response]]
name = "porosity"
kind = "count"
at_most = -1
[plan]
stages = [3, 4]
[claim]
confidence = 2
"""


def test_every_fault_is_told_at_once() -> None:
    faults = faults_of(FAULTY)
    assert set(faults) == {
        "extra",
        "study.titel",
        "job.thickness",
        "supply.voltage",
        'factor "voltage".stepp',
        'factor "voltage".marks',
        'factor "feed".unit',
        'factor "feed".low',
        "limit[1].rule",
        'response "porosity".per',
        'response "porosity".at_most',
        "plan.stages",
        "claim.confidence",
    }


def test_the_error_counts_its_faults_and_prints_each_with_its_place() -> None:
    with pytest.raises(StudyError) as caught:
        parse_study(SMALL.replace("high = 1", "high = -1\nstep = 2\nlevls = 3"))
    lines = str(caught.value).splitlines()
    assert lines[0] == "study.toml cannot be used yet: 2 faults to put right."
    assert lines[1].startswith(
        '  study.toml, factor "x".levls: “levls” is not a key of a factor; did you mean “levels”?'
    )
    assert lines[2].startswith('  study.toml, factor "x".low: low (0) is not below high (-1)')


@pytest.mark.parametrize(
    ("text", "key", "message"),
    [
        ("", None, "there is no [study] table"),
        (SMALL.replace("[study]\n", ""), None, "there is no [study] table; begin the file with [study]"),
        ("[study]\n", "factor", "there is no [[factor]]; at least one is needed"),
        ("[study]\n", "response", "there is no [[response]]; at least one is needed"),
        (SMALL.replace("[[factor]]", "[factor]"), "factor", "write [[factor]] with two brackets on either side"),
        (SMALL + "[jobs]\n", "jobs", "“jobs” is not known; did you mean “job”?; accepted are [study], [job]"),
        (SMALL.replace("[study]", '[study]\nunits = "imperial"'), "study.units", "accepted are metric, us"),
        (SMALL.replace("[study]", "[study]\ntitle = 3"), "study.title", "write a text in quotes"),
        (SMALL.replace("[study]", '[study]\ntitle = "\\u001b[2J"'), "study.title", "control characters"),
        (SMALL.replace("[study]", "[study]\ntitle = 2024-01-02"), "study.title", "“2024-01-02” is not accepted"),
        (SMALL + "[[factor]]\n" * 30, "factor", "31 entries are too many; 30 are accepted"),
        (SMALL + "[a.b.c.d.e.f.g]\n", None, "more than 6 deep in one another"),
        ("x = " + "[" * 100 + "]" * 100, None, "more than 6 deep in one another"),
        ("x = " + "[" * 5000 + "]" * 5000, None, "too deep in one another"),
        ("a." * 300 + "b = 1", None, "a key has 20 parts or more"),
        ("x = { " + '"a" . ' * 300 + "b = 1 }", None, "a key has 20 parts or more"),
        ("x = " + "9" * 5000, None, "thousands of digits"),
        ("#" * (LARGEST_FILE + 1), None, "longer than 1000000 characters"),
    ],
)
def test_a_file_of_the_wrong_shape_is_refused(text: str, key: str | None, message: str) -> None:
    assert message in faults_of(text)[key]


def test_very_many_faults_are_counted_and_not_all_listed() -> None:
    entries = ", ".join(f"a{i} = 200" for i in range(900))
    with pytest.raises(StudyError, match=r"1801 faults to put right") as caught:
        parse_study(SMALL + f"[job]\nchemistry = {{ {entries} }}\n")
    assert len(caught.value.faults) == 201
    assert caught.value.faults[-1].message == "and 1601 more faults"


def test_very_many_unknown_keys_are_counted_and_not_all_named() -> None:
    tables = "".join(f"[a{i}]\n" for i in range(1000))
    keys = "".join(f"b{i} = 1\n" for i in range(1000))
    messages = list(faults_of(tables + SMALL.replace("[study]\n", "[study]\n" + keys)).values())
    assert len(messages) == 20 + 1 + 20 + 1
    assert messages.count("and 980 more unknown keys") == 2


@pytest.mark.parametrize(
    ("text", "row", "message"),
    [
        ('[study]\ntitle = "x\n', 2, "this is not TOML at column 11"),
        ("[study]\ntitle = x\n", 2, "A text stands in quotes"),
        ("[study\n", 1, "this is not TOML at column 7"),
        ("[study]\n[study]\n", 2, "It stands in the file already"),
        ("study.title = 'x'\n[study]\n", 2, "plan.welds = 18 and a [plan] table"),
        ("[study]\ntitle = 'x'\ntitle = 'y'\n", 3, "Cannot overwrite a value"),
        ("[study]\ntitle = ", None, "this is not TOML at the end of the file"),
    ],
)
def test_a_file_that_is_no_toml_is_refused_with_its_line(text: str, row: int | None, message: str) -> None:
    with pytest.raises(StudyError, match="1 fault to put right") as caught:
        parse_study(text)
    (fault,) = caught.value.faults
    assert fault.row == row
    assert message in fault.message


def test_a_missing_file_is_told_with_what_makes_one(tmp_path: Path) -> None:
    with pytest.raises(
        StudyError, match=r"There is no study .*\n  study.toml: there is no file study.toml in .*weldwindow new"
    ):
        read_study(tmp_path)
    with pytest.raises(StudyError, match="there is no file nowhere in"):
        read_study(tmp_path / "nowhere")


def test_a_file_that_is_not_utf8_is_told_with_its_line(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_bytes('[study]\ntitle = "Schweißen"\n'.encode("latin-1"))
    with pytest.raises(StudyError, match="not a text in UTF-8; save it again as UTF-8") as caught:
        read_study(tmp_path)
    assert (caught.value.faults[0].row, caught.value.faults[0].file) == (2, "study.toml")


def test_a_file_that_is_too_large_is_told(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_bytes(b"#" * (LARGEST_FILE + 1))
    with pytest.raises(StudyError, match="larger than 1000000 bytes"):
        read_study(tmp_path)


def test_a_file_that_cannot_be_opened_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "study.toml").write_text(SMALL)

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)
    with pytest.raises(StudyError, match=r"it cannot be read \(Permission denied\)"):
        read_study(tmp_path)


def test_a_name_that_no_disk_can_hold_is_told() -> None:
    with pytest.raises(StudyError, match=r"cannot be read|there is no file"):
        read_study("x" * 5000)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this platform has no pipes in folders")
def test_a_pipe_is_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "study.toml")
    with pytest.raises(StudyError, match="there is no file"):
        read_study(tmp_path)


def test_the_faults_name_the_file_that_was_read(tmp_path: Path) -> None:
    (tmp_path / "other.toml").write_text("[study]\n")
    with pytest.raises(StudyError, match=r"other.toml, factor: there is no"):
        read_study(tmp_path / "other.toml")


def test_importing_the_objects_alone_loads_no_reader() -> None:
    program = "import sys, doe.study.model; sys.exit('pydantic' in sys.modules or 'doe.study.reading' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", program], check=False).returncode == 0


def test_an_unknown_name_of_the_package_is_an_attribute_error() -> None:
    import doe.study  # noqa: PLC0415

    with pytest.raises(AttributeError, match="no attribute 'read_studdy'"):
        _ = doe.study.read_studdy


@given(st.text(max_size=300))
@settings(deadline=None)
def test_garbage_is_refused_and_nothing_else(text: str) -> None:
    with pytest.raises(StudyError):
        parse_study(text)


@given(st.binary(max_size=300))
@settings(max_examples=50, deadline=None)
def test_garbage_in_a_file_is_refused_and_nothing_else(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    folder = tmp_path_factory.mktemp("garbage")
    (folder / "study.toml").write_bytes(data)
    with pytest.raises(StudyError):
        read_study(folder)


VALUES = st.recursive(
    st.one_of(
        st.text(max_size=12),
        st.sampled_from(["feed", "voltage", "10 mm", "3/32 in", "1,500", "measure", "count", "feed <= 8", "mark"]),
        st.integers(-(10**30), 10**30),
        st.floats(),
        st.booleans(),
    ),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)
FACTOR_KEYS = ["name", "role", "unit", "marks", "low", "high", "step", "levels", "kinds", "ranges", "set_within"]
RESPONSE_KEYS = ["kind", "at_least", "at_most", "full", "expect_scatter", "per", "hold", "family", "penalty"]
EXPECTED_KEYS = ["expect_good_zone", "expect_ratio_under"]
OTHER_KEYS = [
    "rule",
    "why",
    "welds",
    "stages",
    "blocks",
    "terms",
    "coding",
    "repeats",
    "thickness",
    "chemistry",
    "duty",
]
KEYS = st.sampled_from([*FACTOR_KEYS, *RESPONSE_KEYS, *EXPECTED_KEYS, *OTHER_KEYS])


def as_toml(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return '"' + "".join(f"\\U{ord(c):08x}" for c in value if not 0xD800 <= ord(c) < 0xE000) + '"'
    if isinstance(value, list):
        return f"[{', '.join(map(as_toml, value))}]"
    if isinstance(value, dict):
        keys = {as_toml(key): as_toml(entry) for key, entry in value.items()}
        return "{ " + ", ".join(f"{key} = {entry}" for key, entry in keys.items()) + " }"
    return repr(value)


@given(
    st.dictionaries(
        st.sampled_from(["study", "job", "supply", "machine", "plan", "claim", "factor", "limit", "response"]),
        st.one_of(
            VALUES,
            st.dictionaries(KEYS, VALUES, max_size=5),
            st.lists(st.dictionaries(KEYS, VALUES, max_size=5), max_size=3),
        ),
        max_size=5,
    )
)
@settings(max_examples=150, deadline=None)
def test_any_values_at_known_keys_are_read_or_refused(raw: dict[str, object]) -> None:
    text = "\n".join(f"{key} = {as_toml(value)}" for key, value in raw.items())
    with contextlib.suppress(StudyError):
        parse_study(text)


@given(st.data())
@settings(max_examples=100, deadline=None)
def test_the_full_example_with_a_few_characters_changed_is_read_or_refused(full: str, data: st.DataObject) -> None:
    text = full
    for _ in range(data.draw(st.integers(1, 3))):
        at = data.draw(st.integers(0, len(text) - 1))
        length = data.draw(st.integers(0, 8))
        text = (
            text[:at]
            + data.draw(st.sampled_from(["", "0", "-", '"', "[", "]", "=", ".", ",", "x", "\n", "9e9"]))
            + text[at + length :]
        )
    with contextlib.suppress(StudyError):
        parse_study(text)
