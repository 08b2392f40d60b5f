"""Every command explains itself: a sentence, its options, examples; also on a narrow terminal."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cli.main import COMMANDS, main

NARROW = 60


@pytest.fixture(scope="module")
def texts() -> dict[str, str]:
    found = {}
    for name in COMMANDS:
        result = CliRunner().invoke(main, [name, "--help"], terminal_width=NARROW)
        assert result.exit_code == 0
        found[name] = result.output
    return found


@pytest.mark.parametrize("name", COMMANDS)
def test_help_has_examples_that_begin_with_the_command(name: str, texts: dict[str, str]):
    _, _, examples = texts[name].partition("Examples:\n")
    lines = [line.strip() for line in examples.partition("\n\n")[0].splitlines()]
    assert lines
    assert lines[0].startswith(f"weldwindow {name}")
    assert all(line.startswith("weldwindow ") for line in lines if not line.startswith(("-", "#")))


@pytest.mark.parametrize("name", COMMANDS)
def test_help_fits_a_narrow_terminal(name: str, texts: dict[str, str]):
    wide = [line for line in texts[name].partition("Examples:\n")[0].splitlines() if len(line) > NARROW]
    assert wide == []


@pytest.mark.parametrize("name", COMMANDS)
def test_help_has_no_colour(name: str, texts: dict[str, str]):
    assert "\x1b" not in texts[name]


@pytest.mark.parametrize("name", COMMANDS)
def test_an_unknown_option_is_wrong_usage(name: str):
    result = CliRunner().invoke(main, [name, "--no-such-option"])
    assert result.exit_code == 2
    assert "no-such-option" in result.stderr


def test_what_the_textbook_window_refuses_is_said_beforehand_and_is_so(
    welded: Path, weldwindow: Callable[..., Result], texts: dict[str, str]
):
    said = " ".join(texts["window"].split())
    assert "for counts, trips and passes with factors, and for measures where welds share plates, it is refused" in said
    refused = weldwindow("window", welded, "--textbook", "--json")
    assert refused.exit_code == 4
    faults = {f["key"]: f["message"] for f in json.loads(refused.stdout)["error"]["faults"]}
    assert "welds share plates" in faults["response “penetration”"]
    assert "no exact limit for a count" in faults["response “porosity”"]
    assert "no exact limit for a trip" in faults["response “trip”"]
