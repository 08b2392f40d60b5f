"""What a terminal shows: 60 columns wide, with and without colour, and plain where there is none."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import select
import struct
import subprocess
import sys
import termios
from collections.abc import Callable
from pathlib import Path

import pytest

WIDTH = 60
COMMANDS = ("check", "fit", "window", "confirm")
STYLE = re.compile(r"\x1b\[([0-9;]*)m")
CONTROL = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")
IS_COLOUR = re.compile(r"(^|;)(3[0-9]|4[0-9]|9[0-7]|10[0-7])(;|$)")


def in_a_terminal(arguments: list[str], columns: int = WIDTH, **more: str) -> tuple[str, str, int]:
    """Run a command in a terminal of so many columns; give what it wrote on stdout, on stderr, and its exit code."""
    ends = [pty.openpty() for _ in range(2)]
    for _, inner in ends:
        fcntl.ioctl(inner, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
    environment = {k: v for k, v in os.environ.items() if k not in {"COLUMNS", "NO_COLOR", "CI"}}
    process = subprocess.Popen(
        [sys.executable, "-m", "cli.main", *arguments],
        stdout=ends[0][1],
        stderr=ends[1][1],
        env={**environment, "TERM": "xterm-256color", **more},
    )
    for _, inner in ends:
        os.close(inner)
    told = read_all([outer for outer, _ in ends])
    return told[0], told[1], process.wait(timeout=120)


def read_all(outers: list[int]) -> list[str]:
    """Read terminals, whichever has something to say, until what runs in them has ended."""
    told: dict[int, bytes] = dict.fromkeys(outers, b"")
    open_ones = set(outers)
    while open_ones:
        for outer in select.select(sorted(open_ones), [], [])[0]:
            try:
                part = os.read(outer, 65536)
            except OSError:  # Linux: the other end is closed
                part = b""
            told[outer] += part
            if not part:
                os.close(outer)
                open_ones.discard(outer)
    return [told[outer].decode().replace("\r\n", "\n") for outer in outers]


def long_lines(text: str, width: int = WIDTH) -> list[str]:
    return [line for line in CONTROL.sub("", text).split("\n") if len(line) > width]


@pytest.mark.parametrize("command", COMMANDS)
def test_nothing_is_wider_than_a_terminal_of_60_columns(welded: Path, command: str):
    told, _, code = in_a_terminal([command, str(welded)])
    assert code == 0
    assert len(told) > 20
    assert long_lines(told) == []


def test_a_fault_is_wrapped_too_and_what_is_indented_stays_so(welded: Path):
    study = welded / "study.toml"
    study.write_text(study.read_text().replace("at_least = 1.2", "at_leest = 1.2\nat_moost = 3"))
    _, aside, code = in_a_terminal(["check", str(welded)])
    assert code == 3
    told = CONTROL.sub("", aside).split("\n")
    first = next(i for i, line in enumerate(told) if "at_leest" in line)
    indent = len(told[first]) - len(told[first].lstrip())
    assert told[first + 1].startswith(" " * (indent + 2))
    assert long_lines(aside) == []


@pytest.mark.slow
def test_the_next_welds_fit_60_columns(tmp_path: Path, weld: Callable[..., None]):
    weld(tmp_path, seed=1, welder="just short of depth")
    told, _, code = in_a_terminal(["next", str(tmp_path)])
    assert code == 0
    assert long_lines(told) == []


def test_a_term_is_not_broken_at_60_columns(welded: Path):
    told, _, _ = in_a_terminal(["fit", str(welded)])
    for term in ("voltage*feed*preheat", "voltage^2*preheat", "constant"):
        assert re.search(rf"^{re.escape(term)} ", told, re.M)


@pytest.mark.parametrize("command", COMMANDS)
def test_no_color_is_honoured(welded: Path, command: str):
    told, aside, _ = in_a_terminal([command, str(welded)], NO_COLOR="1")
    assert not [style for style in STYLE.findall(told + aside) if IS_COLOUR.search(style)]


def test_a_bar_moves_where_work_takes_more_than_a_second(welded: Path):
    told, aside, code = in_a_terminal(["report", str(welded)])
    assert code == 0
    assert "━" in aside  # fitting and drawing take some seconds on any machine
    assert "━━" not in told
    assert any(IS_COLOUR.search(style) for style in STYLE.findall(aside))  # what NO_COLOR takes away


@pytest.mark.parametrize("command", ["fit", "window"])
def test_without_a_terminal_it_is_plain_and_a_row_stays_a_line(welded: Path, command: str):
    environment = {k: v for k, v in os.environ.items() if k not in {"COLUMNS", "NO_COLOR"}}
    done = subprocess.run(
        [sys.executable, "-m", "cli.main", command, str(welded)],
        capture_output=True,
        text=True,
        env={**environment, "TERM": "xterm-256color"},
        check=True,
    )
    assert "\x1b" not in done.stdout + done.stderr
    assert "━" not in done.stderr
    if command == "fit":
        assert re.search(r"^term, coded factors +estimate +standard error +low 90 % +high 90 %", done.stdout, re.M)
